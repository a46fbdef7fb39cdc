//! Blur along one axis: trailing, or jitter that is no more than a line.

use super::super::super::model::Reason;
use super::super::super::reasons::number;
use super::course::{Parts, course};
use super::{BlurChange, Compared, SHOWN_SIGMAS};

/// Of many random directions so few have a mean that is called known: its length over its error is then
/// `√(-2 ln p)`, and the error of its angle half of the inverse. Of a dozen it is about twice as many, for their error is
/// their own scatter.
const CHANCE_OF_DIRECTION: f64 = 0.01;

/// Smears that scatter by less than this share of their mean are one and the same. A choice.
const SAME: f64 = 0.25;

/// A smear of more than this over what the size gained is no part of it. A choice.
const MOST_OF_SIZE: f64 = 1.5;

/// The mean of the exposures' smears.
struct Direction {
    /// Long axis, degrees from the detector's x towards y, with its error by the scatter of the exposures and the
    /// noise of the sharpest.
    angle_deg: f64,
    error_deg: f64,
    /// Unit vector of twice the angle.
    spin: [f64; 2],
    /// Scatter of the smears over their mean.
    scatter: f64,
}

/// What is said where the exposures are smeared along one axis.
pub fn reason(compared: &Compared) -> Option<Reason> {
    let blurs = &compared.blurs;
    let shown: Vec<usize> = (0..blurs.len())
        .filter(|&k| compared.is_shown(blurs[k].one_axis(), blurs[k].difference_err))
        .collect();
    let worst = shown.iter().copied().max_by(|&a, &b| blurs[a].one_axis().total_cmp(&blurs[b].one_axis()))?;
    let along: Vec<&BlurChange> = shown.iter().map(|&k| &blurs[k]).collect();
    let direction = Direction::of(&along);
    let (scale, unit) = compared.spoken();
    let rms = blurs[worst].one_axis().sqrt();
    let rms_err = blurs[worst].difference_err / (2.0 * rms);
    let (n, total) = (shown.len(), blurs.len());
    let (axis, through_time) = direction.in_words(compared, n);
    let most = match n {
        1 => String::new(),
        _ => format!(", most in {}", compared.name(worst)),
    };
    // All alike in all exposures but the sharpest: that one may be what differs.
    let or_the_sharpest = match n >= 3 && n + 1 >= total && direction.scatter < SAME {
        true => ", unless the sharpest is smeared across it",
        false => "",
    };
    let text = format!(
        "{n} of {total} exposures {} smeared along {axis}, by up to {} ± {} {unit} rms more than across it over the \
         sharpest ({}), or {} {unit} end to end were it a uniform motion{most}: trailing, jitter along one axis, or \
         astigmatism as the focus changes{or_the_sharpest}. {}{through_time}",
        if n == 1 { "is" } else { "are" },
        number(scale * rms),
        number(scale * rms_err),
        compared.name(compared.sharpest),
        number(scale * (12.0 * compared.motion(worst)).sqrt()),
        share_of_size(&along),
    );
    Some(Reason {
        code: "trailing".into(),
        text,
        quantity: Some(format!(
            "largest smear along one axis over the sharpest exposure, {} rms",
            compared.rms_unit()
        )),
        value: Some(rms),
        ..Reason::default()
    })
}

/// How much of what the size gained the smears make up.
fn share_of_size(smears: &[&BlurChange]) -> String {
    let gained: f64 = smears.iter().map(|b| b.xx + b.yy).sum();
    let error = smears.iter().map(|b| b.trace_err.powi(2)).sum::<f64>().sqrt();
    let smeared: f64 = smears.iter().map(|b| b.one_axis()).sum();
    if gained > SHOWN_SIGMAS * error && smeared < MOST_OF_SIZE * gained {
        format!("The smear makes up {:.0} % of what the size gained.", (100.0 * smeared / gained).min(100.0))
    } else {
        "The size hardly grew with it.".into()
    }
}

impl Direction {
    fn of(smears: &[&BlurChange]) -> Self {
        let n = smears.len() as f64;
        let mean = |part: usize| smears.iter().map(|b| b.spin()[part]).sum::<f64>() / n;
        let (difference, cross) = (mean(0), mean(1));
        let length = difference.hypot(cross);
        let spin = [difference / length, cross / length];
        let off = |b: &&BlurChange| {
            let [d, c] = b.spin();
            [(d - difference).powi(2) + (c - cross).powi(2), (c * spin[0] - d * spin[1]).powi(2)]
        };
        let [around, across] =
            [0, 1].map(|k| smears.iter().map(|b| off(b)[k]).sum::<f64>() / (n - 1.0).max(1.0));
        // Half of each difference's noise is that of the sharpest, the same in all.
        let noise = smears.iter().map(|b| b.difference_err.powi(2)).sum::<f64>() / n;
        let variance = noise.max(across) / n + 0.5 * noise * (1.0 - 1.0 / n);
        Self {
            angle_deg: 0.5 * cross.atan2(difference).to_degrees(),
            error_deg: (0.5 * variance.sqrt() / length).to_degrees(),
            spin,
            scatter: around.sqrt() / length,
        }
    }

    fn is_known(&self) -> bool {
        self.error_deg < (0.5 / (-2.0 * CHANCE_OF_DIRECTION.ln()).sqrt()).to_degrees()
    }

    /// The axis, and how the smear along it of `n` exposures goes through time; the latter only where there is one axis.
    fn in_words(&self, compared: &Compared, n: usize) -> (String, String) {
        if !self.is_known() {
            return ("axes that differ from exposure to exposure".into(), String::new());
        }
        let along = |b: &BlurChange| b.spin()[0] * self.spin[0] + b.spin()[1] * self.spin[1];
        let values: Vec<f64> = compared.blurs.iter().map(along).collect();
        let errors: Vec<f64> = compared.blurs.iter().map(|b| b.difference_err).collect();
        let axis = format!(
            "one axis, {:.1} ± {:.1} degrees from the detector's x towards y{}",
            // Adding zero keeps a minus away from a rounded nought.
            (10.0 * self.angle_deg).round() / 10.0 + 0.0,
            self.error_deg.max(0.1),
            if n == 1 { "" } else { " in the mean" }
        );
        (axis, course(compared, "smear along it", Parts { values: &values, errors: &errors }))
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{blur, compared};
    use super::*;

    fn said(blurs: &[BlurChange]) -> Option<Reason> {
        compared(blurs, reason)
    }

    #[test]
    fn a_smear_that_grows_is_trailing_with_its_direction_and_growth() {
        let smeared: Vec<BlurChange> = (0..6).map(|k| blur((2.0 * k as f64, 0.01, 0.0))).collect();
        let found = said(&smeared).unwrap();
        assert_eq!(found.code, "trailing");
        assert!(found.text.contains("5 of 6") && found.text.contains(" 0.0 ± 0.1 degrees"), "{}", found.text);
        assert!(found.text.contains("grows by 2 "), "{}", found.text);
        assert!((found.value.unwrap() - 10f64.sqrt()).abs() < 0.01, "{found:?}");
    }

    #[test]
    fn a_smear_under_a_larger_round_blur_is_seen_too() {
        let blurs: Vec<BlurChange> = (0..4).map(|k| blur((4.0 * k as f64, 3.0 * k as f64, 0.0))).collect();
        let found = said(&blurs).unwrap();
        assert!(found.text.contains("14 % of what"), "{}", found.text);
    }

    #[test]
    fn directions_that_differ_have_no_mean() {
        let at = |angle: f64| {
            let (sin, cos) = (2.0 * f64::to_radians(angle)).sin_cos();
            blur((1.0 + cos, 1.0 - cos, sin))
        };
        let blurs = [blur((0.0, 0.0, 0.0)), at(0.0), at(60.0), at(120.0), at(90.0), at(30.0)];
        let found = said(&blurs).unwrap();
        assert!(found.text.contains("axes that differ"), "{}", found.text);
        let direction = Direction::of(&[&at(40.0)]);
        assert!((direction.angle_deg - 40.0).abs() < 1e-9 && direction.error_deg < 1.0);
    }

    #[test]
    fn random_directions_seldom_have_a_mean() {
        use rand::{RngExt, SeedableRng, rngs::StdRng};
        let mut rng = StdRng::seed_from_u64(8);
        let mut known = 0;
        for _ in 0..2000 {
            let random: Vec<BlurChange> = (0..12)
                .map(|_| {
                    let (sin, cos) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
                    blur((1.0 + cos, 1.0 - cos, sin))
                })
                .collect();
            known += u32::from(Direction::of(&random.iter().collect::<Vec<_>>()).is_known());
        }
        // 37 are to be expected (400 000 such dozens drawn with numpy), with a counting error of 6: four of them.
        assert!((13..=61).contains(&known), "{known} of 2000");
    }

    #[test]
    fn a_smear_at_the_same_size_and_a_single_one_are_told_as_such() {
        let flips: Vec<BlurChange> = [0.0, 1.0, 2.0, 3.0].map(|k| blur((k, -1.01 * k, 0.0))).to_vec();
        let found = said(&flips).unwrap();
        assert!(found.text.contains("hardly grew"), "{}", found.text);
        let found = said(&[blur((0.0, 0.0, 0.0)), blur((2.0, 0.0, 0.0)), blur((0.0, 0.0, 0.0))]).unwrap();
        assert!(!found.text.contains("in the mean") && !found.text.contains("most in"), "{}", found.text);
    }

    #[test]
    fn a_sharpest_that_is_smeared_itself_is_thought_of() {
        let mut blurs = vec![blur((0.0, 0.0, 0.0))];
        blurs.extend((0..5).map(|k| blur((0.7, 1.7 + 0.01 * k as f64, 0.0))));
        let found = said(&blurs).unwrap();
        assert!(found.text.contains("unless the sharpest is smeared across it"), "{}", found.text);
    }

    #[test]
    fn what_is_round_or_no_change_is_no_smear() {
        let round: Vec<BlurChange> = [0.0, 2.0, 0.1].map(|b| blur((b, b, 0.0))).to_vec();
        assert!(said(&round).is_none());
        let steady: Vec<BlurChange> = (0..4).map(|_| blur((0.02, 0.0, 0.0))).collect();
        assert!(said(&steady).is_none());
    }
}
