//! One sudden change of the mean.

use super::chance::share_as_good;
use super::{TrendError, enough, finite, positive, student_deviate, varies, weighted_mean, weights};

pub const MIN_EXPOSURES: usize = 8;

/// Fewest exposures on either side: a single one that differs is an exposure to look at, no step.
const MIN_SIDE: usize = 2;

const SEED: u64 = 0x5713_9001;

/// Where one change of the mean fits best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Split {
    /// Values before the change.
    pub before: usize,
    pub mean_before: f64,
    pub mean_after: f64,
    /// Sum of the (weighted) squares left, and its share of that about one mean.
    pub residual: f64,
    pub share_left: f64,
}

/// A step with its significance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    pub split: Split,
    /// After less before, with its error at the place found.
    pub size: f64,
    pub size_err: f64,
    pub interval: (f64, f64),
    /// Chance that independent values split as well somewhere: it allows for the search over all
    /// places.
    pub p_value: f64,
    /// The same of Pettitt's rank test, which single wild exposures move less.
    pub p_pettitt: f64,
}

/// The one step that leaves the least squares, at least two exposures on either side.
///
/// The p-value is the share of 9999 series, drawn with a fixed seed, that a step describes as well
/// (smallest share of the squares left). From 12 values on they are the values in random order,
/// which asks for no distribution. In shorter series orders say too little: of 8 values every
/// 35th keeps the same four together. There the series are of independent normal values; one wild
/// exposure still makes no step of so few.
///
/// The interval is Student's with `n - 2` degrees of freedom and holds for the place found; the
/// search makes steps that are barely significant look larger than they are.
pub fn step(values: &[f64], confidence: f64) -> Result<Step, TrendError> {
    step_weighted(values, &vec![1.0; values.len()], confidence)
}

/// The same of values of unlike standard deviations, known up to a common factor: means and squares count
/// each value by its inverse variance.
pub fn step_weighted(values: &[f64], deviations: &[f64], confidence: f64) -> Result<Step, TrendError> {
    let n = values.len();
    enough(n, MIN_EXPOSURES)?;
    finite("values", values)?;
    positive(deviations, n)?;
    if !varies(values) {
        return Err(TrendError::Constant { what: "the value" });
    }
    let weights = weights(deviations);
    let split = best_split(values, &weights);
    let bar = split.share_left * (1.0 + 1e-12);
    let middle = weighted_mean(values, &weights);
    let standard: Vec<f64> = values.iter().zip(deviations).map(|(v, d)| (v - middle) / d).collect();
    let p_value =
        share_as_good(&standard, deviations, SEED, |drawn| best_split(drawn, &weights).share_left <= bar);
    let variance = split.residual / (n - 2) as f64;
    let size = split.mean_after - split.mean_before;
    let (before, after) = weights.split_at(split.before);
    let size_err = (variance * (1.0 / before.iter().sum::<f64>() + 1.0 / after.iter().sum::<f64>())).sqrt();
    let half = student_deviate(confidence, (n - 2) as f64) * size_err;
    Ok(Step {
        split,
        size,
        size_err,
        interval: (size - half, size + half),
        p_value,
        p_pettitt: pettitt(values).p_value,
    })
}

/// The place with the smallest sum of weighted squares about the two means.
pub(super) fn best_split(values: &[f64], weights: &[f64]) -> Split {
    let n = values.len();
    let whole: f64 = weights.iter().sum();
    let middle = weighted_mean(values, weights);
    let total: f64 = values.iter().zip(weights).map(|(v, w)| w * (v - middle).powi(2)).sum();
    let (mut sum, mut weight, mut best, mut gain) = (0.0, 0.0, MIN_SIDE, f64::NEG_INFINITY);
    let (mut sum_at_best, mut weight_at_best) = (0.0, 1.0);
    for (k, (value, w)) in values.iter().zip(weights).enumerate().take(n - MIN_SIDE) {
        sum += w * (value - middle);
        weight += w;
        let before = k + 1;
        // What the two means take away: with deviations from the mean the two sums are opposite.
        let taken = sum * sum * whole / (weight * (whole - weight));
        if before >= MIN_SIDE && taken > gain {
            (best, gain, sum_at_best, weight_at_best) = (before, taken, sum, weight);
        }
    }
    Split {
        before: best,
        mean_before: middle + sum_at_best / weight_at_best,
        mean_after: middle - sum_at_best / (whole - weight_at_best),
        residual: (total - gain).max(0.0),
        share_left: (1.0 - gain / total).max(0.0),
    }
}

/// Pettitt's rank test for a change point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pettitt {
    /// `K`, the largest `|U|`.
    pub statistic: f64,
    /// Values before the change.
    pub before: usize,
    /// `2 exp(-6 K²/(n³ + n²))`, at most 1.
    pub p_value: f64,
}

/// Pettitt (1979, Appl. Stat. 28, 126; reference from memory).
pub fn pettitt(values: &[f64]) -> Pettitt {
    let n = values.len();
    let ranks = super::rank::ranks(values);
    let (mut sum, mut statistic, mut before) = (0.0, 0.0, 0);
    for (k, rank) in ranks.iter().enumerate() {
        sum += rank;
        let u = (2.0 * sum - ((k + 1) * (n + 1)) as f64).abs();
        if u > statistic {
            (statistic, before) = (u, k + 1);
        }
    }
    let n = n as f64;
    let p_value = (2.0 * (-6.0 * statistic * statistic / (n.powi(3) + n.powi(2))).exp()).min(1.0);
    Pettitt { statistic, before, p_value }
}
