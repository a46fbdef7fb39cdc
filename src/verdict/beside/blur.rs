//! The estimate from moments: what was added to the image of the sharpest exposure, were it
//! jitter. It needs no facts of the telescope.
//!
//! Jitter adds to unweighted moments exactly; the weighted ones of a star respond by the
//! factors measured on the star itself (`moments::Shape`).

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::super::model::Reason;
use super::super::optics_model::BlurChange;
use super::super::reasons::{file_name, number};
use super::super::stack::Stack;
use crate::moments::shape_under;
use crate::table::StarTable;

/// Mean moments of an exposure's stars, pixels², and how they respond.
#[derive(Debug, Clone, Copy)]
pub struct MeanMoments {
    pub trace: f64,
    pub difference: f64,
    pub cross: f64,
    pub trace_err: f64,
    pub difference_err: f64,
    /// Change per change of jitter of the trace, and of difference and twice cross.
    pub trace_response: f64,
    pub shape_response: f64,
    pub kurtosis: Option<(f64, f64)>,
}

/// Weighted mean of values with errors, and its error.
fn mean_of(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weight: f64 = values.iter().map(|v| v.1.powi(-2)).sum();
    let mean = values.iter().map(|v| v.0 * v.1.powi(-2)).sum::<f64>() / weight;
    (weight > 0.0 && mean.is_finite()).then(|| (mean, weight.sqrt().recip()))
}

/// The mean moments of a table's kept stars under the stack's weight.
pub fn mean_moments(table: &StarTable, stack: &Stack) -> Option<MeanMoments> {
    let (mut trace, mut difference, mut cross, mut responses, mut kurtosis) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for star in table.stars.iter().filter(|s| s.refused.is_none()) {
        let Some(shape) = shape_under(star.adaptive, &star.ladder, stack.weight) else { continue };
        if !(shape.size_err > 0.0 && shape.e_err > 0.0 && shape.size > 0.0) {
            continue;
        }
        // No star outweighs the field's own variety.
        let size_err = shape.size_err.hypot(0.01 * shape.size);
        let e_err = (shape.e_err * shape.size).hypot(0.01 * shape.size);
        trace.push((shape.size, size_err));
        difference.push((shape.mxx - shape.myy, e_err));
        cross.push((shape.mxy, 0.5 * e_err));
        responses.push((shape.size_response * shape.size, shape.e_response * shape.size));
        if let Some(h) = star.higher.as_deref().filter(|h| h.kurtosis_err > 0.0) {
            kurtosis.push((h.kurtosis, h.kurtosis_err.hypot(0.01)));
        }
    }
    let n = responses.len().max(1) as f64;
    let (trace, trace_err) = mean_of(&trace)?;
    let (difference, difference_err) = mean_of(&difference)?;
    let (cross, _) = mean_of(&cross)?;
    let mean = MeanMoments {
        trace,
        difference,
        cross,
        trace_err,
        difference_err,
        trace_response: responses.iter().map(|r| r.0).sum::<f64>() / n,
        shape_response: responses.iter().map(|r| r.1).sum::<f64>() / n,
        kurtosis: mean_of(&kurtosis),
    };
    (mean.trace_response > 0.05 && mean.shape_response > 0.05).then_some(mean)
}

/// What an exposure's image has over the sharpest one's, in pixels² times `scale2`.
pub fn blur_change(
    m: &MeanMoments,
    sharpest: &MeanMoments,
    scale2: f64,
    unit: &str,
    position_angle: impl Fn(f64) -> Option<f64>,
) -> BlurChange {
    let trace_response = 0.5 * (m.trace_response + sharpest.trace_response) / scale2;
    let shape_response = 0.5 * (m.shape_response + sharpest.shape_response) / scale2;
    let trace = (m.trace - sharpest.trace) / trace_response;
    let difference = (m.difference - sharpest.difference) / shape_response;
    let cross = (m.cross - sharpest.cross) / shape_response;
    let reach = 0.5 * difference.hypot(2.0 * cross);
    let angle_deg = 0.5 * (2.0 * cross).atan2(difference).to_degrees();
    let rms = |variance: f64| (variance > 0.0).then(|| variance.sqrt());
    BlurChange {
        unit: unit.into(),
        xx: 0.5 * (trace + difference),
        yy: 0.5 * (trace - difference),
        xy: cross,
        trace_err: m.trace_err.hypot(sharpest.trace_err) / trace_response,
        difference_err: m.difference_err.hypot(sharpest.difference_err) / shape_response,
        major_rms: rms(0.5 * trace + reach),
        minor_rms: rms(0.5 * trace - reach),
        angle_deg,
        position_angle_deg: position_angle(angle_deg),
        kurtosis: m.kurtosis.map(|k| k.0),
    }
}

/// Blur is spoken of from this many errors, and from this share of the sharpest size.
const SHOWN_SIGMAS: f64 = 5.0;
const SHOWN_SHARE: f64 = 0.05;
/// Along one axis: the variance across it is under this share of that along it. A choice: of the real series at hand
/// one that plainly trails, under seeing that changes too, has 0.35, one that lost focus 0.46.
const ONE_AXIS: f64 = 0.4;
/// A fall of the kurtosis that speaks of defocus.
const FLATTER: f64 = 0.05;
/// Chance of a course through time that is called growth.
const GROWTH_CHANCE: f64 = 1e-3;

/// The reason that the moments alone give for a change of blur: along one axis, or round.
///
/// The exposures are in the order they were taken.
pub fn reason(files: &[&str], blurs: &[BlurChange], sharpest: usize, sharpest_trace: f64) -> Option<Reason> {
    let shown: Vec<usize> = (0..blurs.len())
        .filter(|&k| {
            let b = &blurs[k];
            let trace = b.xx + b.yy;
            trace > SHOWN_SIGMAS * b.trace_err && trace > SHOWN_SHARE * sharpest_trace
        })
        .collect();
    let worst = shown
        .iter()
        .copied()
        .max_by(|&a, &b| (blurs[a].xx + blurs[a].yy).total_cmp(&(blurs[b].xx + blurs[b].yy)))?;
    let sum = |pick: fn(&BlurChange) -> f64| shown.iter().map(|&k| pick(&blurs[k])).sum::<f64>();
    let (trace, difference, cross) = (sum(|b| b.xx + b.yy), sum(|b| b.xx - b.yy), sum(|b| b.xy));
    let reach = difference.hypot(2.0 * cross);
    let (major, minor) = (0.5 * (trace + reach), 0.5 * (trace - reach));
    let name = |k: usize| file_name(files[k]);
    let unit = blurs[worst].unit.trim_end_matches('2').to_owned();
    let largest = blurs[worst].major_rms.unwrap_or(0.0);
    let (n, total) = (shown.len(), blurs.len());
    let are = if n == 1 { "is" } else { "are" };
    let course = match growth(&blurs.iter().map(|b| b.xx + b.yy).collect::<Vec<_>>()) {
        Some(slope) if slope > 0.0 => " It grows through the sequence.",
        Some(_) => " It wanes through the sequence.",
        None => "",
    };
    let (shown_rms, end_to_end) = (number(largest), number(largest * 12f64.sqrt()));
    let (code, text) = if minor < ONE_AXIS * major {
        // Adding zero keeps a minus away from a rounded nought.
        let angle = (0.5 * (2.0 * cross).atan2(difference).to_degrees()).round() + 0.0;
        (
            "trailing",
            format!(
                "{n} of {total} exposures {are} smeared along one direction, {angle:.0} degrees from the detector's x \
                 towards y in the mean, by up to {shown_rms} {unit} rms over the sharpest ({}; that is {end_to_end} {unit} \
                 end to end were it uniform): trailing or jitter along one axis, most in {}.{course}",
                name(sharpest),
                name(worst)
            ),
        )
    } else {
        let fall = |k: usize| Some(blurs[sharpest].kurtosis? - blurs[k].kurtosis?);
        let flattest =
            shown.iter().copied().max_by(|&a, &b| fall(a).unwrap_or(0.0).total_cmp(&fall(b).unwrap_or(0.0)));
        let flattest = flattest.filter(|&k| fall(k).is_some_and(|fall| fall > FLATTER));
        let likely = match flattest {
            Some(k) => format!(
                "the images are flatter than in the sharpest, as defocus makes them, most of all in {}",
                name(k)
            ),
            None => {
                "focus, seeing or round jitter, which moments alone cannot tell apart: give the telescope's \
                     facts in the settings"
                    .into()
            }
        };
        (
            "blur-changes",
            format!(
                "{n} of {total} exposures {are} blurred in all directions, by up to {shown_rms} {unit} rms over \
                 the sharpest ({}), most in {}: {likely}.{course}",
                name(sharpest),
                name(worst)
            ),
        )
    };
    Some(Reason {
        code: code.into(),
        text,
        quantity: Some(format!("largest rms along the long axis over the sharpest exposure, {unit}")),
        value: Some(largest),
        ..Reason::default()
    })
}

/// Slope of values with their number, where it stands out of their scatter.
fn growth(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    if values.len() < 5 {
        return None;
    }
    let (middle, mean) = ((n - 1.0) / 2.0, values.iter().sum::<f64>() / n);
    let numbered = || values.iter().enumerate().map(|(k, v)| (k as f64 - middle, v - mean));
    let spread: f64 = numbered().map(|(k, _)| k * k).sum();
    let slope = numbered().map(|(k, v)| k * v).sum::<f64>() / spread;
    let left: f64 = numbered().map(|(k, v)| (v - slope * k).powi(2)).sum();
    let error = (left / (n - 2.0) / spread).sqrt();
    let chance = 2.0 * StudentsT::new(0.0, 1.0, n - 2.0).ok()?.sf(slope.abs() / error);
    (chance < GROWTH_CHANCE).then_some(slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blur(xx: f64, yy: f64, xy: f64, kurtosis: f64) -> BlurChange {
        let m = |trace: f64, difference: f64, cross: f64| MeanMoments {
            trace,
            difference,
            cross,
            trace_err: 0.01,
            difference_err: 0.01,
            trace_response: 0.8,
            shape_response: 0.8,
            kurtosis: Some((kurtosis, 0.01)),
        };
        let added = m(5.0 + 0.8 * (xx + yy), 0.8 * (xx - yy), 0.8 * xy);
        blur_change(&added, &m(5.0, 0.0, 0.0), 1.0, "pix2", Some)
    }

    #[test]
    fn what_was_added_comes_back_by_the_response() {
        let b = blur(3.0, 1.0, 1.0, 2.0);
        for (found, put) in [(b.xx, 3.0), (b.yy, 1.0), (b.xy, 1.0), (b.angle_deg, 22.5)] {
            assert!((found - put).abs() < 1e-12, "{b:?}");
        }
    }

    #[test]
    fn a_smear_that_grows_is_trailing_and_a_round_one_is_not() {
        let names = ["a", "b", "c", "d", "e", "f"];
        let smeared: Vec<BlurChange> = (0..6).map(|k| blur(2.0 * k as f64, 0.01, 0.0, 2.0)).collect();
        let found = reason(&names, &smeared, 0, 5.0).unwrap();
        assert_eq!(found.code, "trailing");
        assert!(found.text.contains("0 degrees") && found.text.contains("grows"), "{}", found.text);
        let round: Vec<BlurChange> = [0.0, 2.0, 0.1].map(|b_| blur(b_, b_, 0.0, 2.0 - 0.1 * b_)).to_vec();
        let found = reason(&names[..3], &round, 0, 5.0).unwrap();
        assert_eq!(found.code, "blur-changes");
        assert!(found.text.contains("defocus"), "{}", found.text);
        let steady: Vec<BlurChange> = (0..4).map(|_| blur(0.001, 0.001, 0.0, 2.0)).collect();
        assert!(reason(&names[..4], &steady, 0, 5.0).is_none());
    }
}
