//! Stability against averaging: Allan deviation of an evenly spaced series.
//!
//! All three forms are `σ² = ½ <(h·y)²>`, the mean over starts of a filter `h` laid over the values
//! (Riley 2008, Handbook of Frequency Stability Analysis, NIST SP 1065, section 5): the difference of
//! two neighbouring means of `m` values, at every `m`-th start (plain) or at every start
//! (overlapping); or the mean of `m` such differences at neighbouring starts (modified).

use super::{TrendError, enough, finite, median};

pub const MIN_EXPOSURES: usize = 8;

/// Intervals may differ from their median by this share, as long as indices stand for times.
pub const UNEVENNESS: f64 = 0.25;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    Plain,
    Overlapping,
    Modified,
}

/// An Allan deviation with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    pub value: f64,
    /// From the chi-square distribution with `dof` degrees of freedom.
    pub interval: (f64, f64),
    /// Degrees of freedom were the values independent: twice the squared mean of the variance over
    /// its variance, counted out from the filter.
    pub dof: f64,
}

/// The three forms when `averaged` exposures are averaged; modified needs three such groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StabilityPoint {
    pub averaged: usize,
    pub plain: Deviation,
    pub overlapping: Deviation,
    pub modified: Option<Deviation>,
    /// What the errors of measurement alone give, `rms error / √averaged`.
    pub noise: f64,
}

/// Stability at 1, 2, 4 ... exposures averaged, as long as three groups fit in.
pub fn stability(values: &[f64], errors: &[f64], confidence: f64) -> Result<Vec<StabilityPoint>, TrendError> {
    enough(values.len(), MIN_EXPOSURES)?;
    finite("values", values)?;
    finite("errors", errors)?;
    let mean_square = errors.iter().map(|e| e * e).sum::<f64>() / errors.len().max(1) as f64;
    let averaged = (0..usize::BITS).map(|k| 1usize << k).take_while(|m| 3 * m <= values.len());
    Ok(averaged
        .filter_map(|m| {
            Some(StabilityPoint {
                averaged: m,
                plain: deviation(values, m, Form::Plain, confidence)?,
                overlapping: deviation(values, m, Form::Overlapping, confidence)?,
                modified: deviation(values, m, Form::Modified, confidence),
                noise: (mean_square / m as f64).sqrt(),
            })
        })
        .collect())
}

/// One form at one averaging length; `None` where the series is too short for a single
/// difference or `averaged` is 0.
pub fn deviation(values: &[f64], averaged: usize, form: Form, confidence: f64) -> Option<Deviation> {
    let filter = filter(averaged, form)?;
    let stride = if form == Form::Plain { averaged } else { 1 };
    let last = values.len().checked_sub(filter.len())?;
    // Deviations from the mean, so that a large level costs no digits.
    let middle = super::mean(values);
    let differences: Vec<f64> = (0..=last)
        .step_by(stride)
        .map(|start| filter.iter().zip(&values[start..]).map(|(h, y)| h * (y - middle)).sum())
        .collect();
    let count = differences.len() as f64;
    let value = (0.5 * differences.iter().map(|d| d * d).sum::<f64>() / count).sqrt();
    let dof = degrees_of_freedom(&filter, stride, differences.len());
    Some(Deviation { value, interval: interval(value, dof, confidence)?, dof })
}

fn filter(m: usize, form: Form) -> Option<Vec<f64>> {
    if m == 0 {
        return None;
    }
    let share = 1.0 / m as f64;
    let difference: Vec<f64> = (0..2 * m).map(|k| if k < m { -share } else { share }).collect();
    if form != Form::Modified {
        return Some(difference);
    }
    let mut smoothed = vec![0.0; 3 * m - 1];
    for start in 0..m {
        for (k, h) in difference.iter().enumerate() {
            smoothed[start + k] += h * share;
        }
    }
    Some(smoothed)
}

/// `2 E²/Var` of a sum of squares of correlated differences of independent normal values:
/// `(K r0)² / Σ_lags (K - |lag|) r(lag)²`, with r the correlation of the filter with itself.
fn degrees_of_freedom(filter: &[f64], stride: usize, count: usize) -> f64 {
    let overlap = |lag: usize| -> f64 {
        let shifted = filter.get(lag * stride..).unwrap_or_default();
        shifted.iter().zip(filter).map(|(a, b)| a * b).sum()
    };
    let reach = count.min(filter.len().div_ceil(stride));
    let sum: f64 = (0..reach)
        .map(|lag| {
            let times = if lag == 0 { 1.0 } else { 2.0 };
            times * (count - lag) as f64 * overlap(lag).powi(2)
        })
        .sum();
    (count as f64 * overlap(0)).powi(2) / sum
}

fn interval(value: f64, dof: f64, confidence: f64) -> Option<(f64, f64)> {
    use statrs::distribution::{ChiSquared, ContinuousCDF};
    let chi = ChiSquared::new(dof).ok()?;
    let bound = |p: f64| value * (dof / chi.inverse_cdf(p)).sqrt();
    let tail = 0.5 * (1.0 - confidence);
    Some((bound(1.0 - tail), bound(tail)))
}

/// Refuses times whose intervals differ too much from their median for indices to stand for
/// them; gives the median interval.
pub fn even_interval(times: &[f64]) -> Result<f64, TrendError> {
    enough(times.len(), 2)?;
    finite("times", times)?;
    let gaps: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).collect();
    let typical = median(&gaps);
    if !(typical > 0.0) {
        return Err(TrendError::Constant { what: "the time" });
    }
    let worst = gaps.iter().map(|g| (g / typical - 1.0).abs()).fold(0.0, f64::max);
    if worst > UNEVENNESS {
        return Err(TrendError::Uneven { worst: 100.0 * worst, limit: 100.0 * UNEVENNESS });
    }
    Ok(typical)
}
