//! Blur along one axis: trailing, or jitter that is no more than a line.

use super::super::super::model::Reason;
use super::super::super::reasons::number;
use super::course::{Parts, course};
use super::{BlurChange, Compared};

/// A mean direction is stated from this error on, degrees. A choice.
const DIRECTION_KNOWN_DEG: f64 = 20.0;

/// The mean of the exposures' smears.
struct Direction {
    /// Long axis, degrees from the detector's x towards y, and its error by the scatter of the exposures.
    angle_deg: f64,
    error_deg: f64,
    /// Unit vector of twice the angle.
    spin: [f64; 2],
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
    let gained: f64 = along.iter().map(|b| b.xx + b.yy).sum();
    let smeared: f64 = along.iter().map(|b| b.one_axis()).sum();
    let share = (100.0 * smeared / gained).clamp(0.0, 100.0);

    let (scale, unit) = compared.spoken();
    let rms = scale * blurs[worst].one_axis().sqrt();
    let rms_err = scale * scale * blurs[worst].difference_err / (2.0 * rms);
    let (where_to, through_time) = direction.in_words(compared);
    let (n, total) = (shown.len(), blurs.len());
    let text = format!(
        "{n} of {total} exposures {} smeared along one direction, {where_to}, by up to {} ± {} {unit} rms more than \
         across it over the sharpest ({}), or {} {unit} end to end were it a uniform motion. It makes up {share:.0} % of what \
         their size gained, and is most in {}: trailing, jitter along one axis, or astigmatism as the focus changes.{through_time}",
        if n == 1 { "is" } else { "are" },
        number(rms),
        number(rms_err),
        compared.name(compared.sharpest),
        number(scale * (12.0 * compared.motion(worst)).sqrt()),
        compared.name(worst),
    );
    Some(Reason {
        code: "trailing".into(),
        text,
        quantity: Some(format!("largest smear along one axis over the sharpest exposure, {unit} rms")),
        value: Some(rms),
        ..Reason::default()
    })
}

impl Direction {
    fn of(smears: &[&BlurChange]) -> Self {
        let n = smears.len() as f64;
        let mean = |part: usize| smears.iter().map(|b| b.spin()[part]).sum::<f64>() / n;
        let (difference, cross) = (mean(0), mean(1));
        let length = difference.hypot(cross);
        let spin = [difference / length, cross / length];
        // Across the mean direction: by the errors, and by the exposures' own scatter.
        let noise: f64 = smears.iter().map(|b| b.difference_err.powi(2)).sum::<f64>() / n;
        let across = |b: &&BlurChange| (b.spin()[1] * spin[0] - b.spin()[0] * spin[1]).powi(2);
        let scatter = smears.iter().map(across).sum::<f64>() / (n - 1.0).max(1.0);
        let error = (noise.max(scatter) / n).sqrt() / length;
        Self {
            angle_deg: 0.5 * cross.atan2(difference).to_degrees(),
            error_deg: (0.5 * error).to_degrees(),
            spin,
        }
    }

    /// The direction, and how the smear along it goes through time; the latter only where there is one direction.
    fn in_words(&self, compared: &Compared) -> (String, String) {
        if !(self.error_deg < DIRECTION_KNOWN_DEG) {
            return ("not the same in all of them".into(), String::new());
        }
        let along = |b: &BlurChange| b.spin()[0] * self.spin[0] + b.spin()[1] * self.spin[1];
        let values: Vec<f64> = compared.blurs.iter().map(along).collect();
        let errors: Vec<f64> = compared.blurs.iter().map(|b| b.difference_err).collect();
        let direction = format!(
            "{:.1} ± {:.1} degrees from the detector's x towards y in the mean",
            // Adding zero keeps a minus away from a rounded nought.
            (10.0 * self.angle_deg).round() / 10.0 + 0.0,
            self.error_deg.max(0.1)
        );
        (direction, course(compared, "smear along it", Parts { values: &values, errors: &errors }))
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
        assert!(found.text.contains("not the same in all"), "{}", found.text);
        let direction = Direction::of(&[&at(40.0)]);
        assert!((direction.angle_deg - 40.0).abs() < 1e-9 && direction.error_deg < 1.0);
    }

    #[test]
    fn what_is_round_or_no_change_is_no_smear() {
        let round: Vec<BlurChange> = [0.0, 2.0, 0.1].map(|b| blur((b, b, 0.0))).to_vec();
        assert!(said(&round).is_none());
        let steady: Vec<BlurChange> = (0..4).map(|_| blur((0.02, 0.0, 0.0))).collect();
        assert!(said(&steady).is_none());
    }
}
