//! A straight line or one step: which describes a series better.

use super::drift::theil_sen;
use super::step::{MIN_EXPOSURES, best_split, pettitt};
use super::{TrendError, enough, finite, median, positive, same_length, weighted_mean, weights};
use crate::field::robust::scale_about_zero;

/// Difference of the information criterion over which one description is preferred: odds of ten
/// to one, 2 ln 10 (Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773; from memory).
const PREFERENCE: f64 = 4.605_170_186;

/// A value so many robust standard deviations off both descriptions belongs to neither: the squares of a
/// single one would hide which of them the others follow.
const WILD_SIGMAS: f64 = 5.0;

/// Which describes a series better.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    Drift,
    Step,
    Either,
}

/// A straight line against one step, by the Bayesian information criterion (Schwarz 1978, Ann.
/// Stat. 6, 461; from memory) of the values that are not wild; the place of the step counts as a parameter.
pub fn step_or_drift(times: &[f64], values: &[f64]) -> Result<Shape, TrendError> {
    step_or_drift_weighted(times, values, &vec![1.0; values.len()])
}

/// The same of values of unlike standard deviations, known up to a common factor.
pub fn step_or_drift_weighted(
    times: &[f64],
    values: &[f64],
    deviations: &[f64],
) -> Result<Shape, TrendError> {
    enough(values.len(), MIN_EXPOSURES)?;
    same_length("times", times.len(), values.len())?;
    finite("times", times)?;
    finite("values", values)?;
    positive(deviations, values.len())?;
    let plain = not_wild(times, values, deviations);
    let of = |list: &[f64]| plain.iter().map(|&k| list[k]).collect::<Vec<f64>>();
    let (times, values, weights) = (of(times), of(values), weights(&of(deviations)));
    let n = values.len() as f64;
    let criterion = |residual: f64, parameters: f64| n * residual.ln() + parameters * n.ln();
    let line = criterion(line_residual(&times, &values, &weights), 2.0);
    let step = criterion(best_split(&values, &weights).residual, 3.0);
    // Both are minus infinity where nothing is left of either: neither is preferred.
    Ok(if step - line > PREFERENCE {
        Shape::Drift
    } else if line - step > PREFERENCE {
        Shape::Step
    } else {
        Shape::Either
    })
}

/// Places of the values that lie near the line of Theil and Sen, or near the medians on either side of
/// Pettitt's step; all of them where too few would be left.
fn not_wild(times: &[f64], values: &[f64], deviations: &[f64]) -> Vec<usize> {
    let line = theil_sen(times, values);
    let before = pettitt(values).before;
    let levels = [median(&values[..before]), median(&values[before..])];
    let step = |k: usize| levels[usize::from(k >= before)];
    let near = |model: &dyn Fn(usize) -> f64| -> Vec<bool> {
        let off: Vec<f64> = (0..values.len()).map(|k| (values[k] - model(k)) / deviations[k]).collect();
        let most = WILD_SIGMAS * scale_about_zero(&off).unwrap_or(0.0);
        off.iter().map(|off| off.abs() <= most).collect()
    };
    let (near_line, near_step) = (near(&|k| line.0 + line.1 * times[k]), near(&step));
    let plain: Vec<usize> = (0..values.len()).filter(|&k| near_line[k] || near_step[k]).collect();
    if plain.len() < MIN_EXPOSURES { (0..values.len()).collect() } else { plain }
}

/// Sum of weighted squares about the straight line of least squares.
fn line_residual(times: &[f64], values: &[f64], weights: &[f64]) -> f64 {
    let (t0, y0) = (weighted_mean(times, weights), weighted_mean(values, weights));
    let sum = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
        times.iter().zip(values).zip(weights).map(|((t, y), w)| w * f(t - t0, y - y0)).sum()
    };
    let (tt, ty, yy) = (sum(&|t, _| t * t), sum(&|t, y| t * y), sum(&|_, y| y * y));
    if tt > 0.0 { (yy - ty * ty / tt).max(0.0) } else { yy }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ramp and a step, each with a noise that repeats and one exposure far off.
    #[test]
    fn one_wild_exposure_hides_neither_a_drift_nor_a_step() {
        let times: Vec<f64> = (0..100).map(f64::from).collect();
        let noise = |k: usize| ((k * 37) % 17) as f64 / 17.0 - 0.5;
        for (shape, signal) in [
            (Shape::Drift, (|t: f64| 0.05 * t) as fn(f64) -> f64),
            (Shape::Step, |t: f64| if t < 60.0 { 0.0 } else { 3.0 }),
        ] {
            let mut values: Vec<f64> = times.iter().enumerate().map(|(k, t)| signal(*t) + noise(k)).collect();
            assert_eq!(step_or_drift(&times, &values), Ok(shape));
            values[6] = 40.0;
            assert_eq!(step_or_drift(&times, &values), Ok(shape));
        }
    }
}
