//! A robust slope against time.

use super::rank::group_sizes;
use super::{TrendError, mean, median, normal_p, timed};
use crate::repeat::interval::two_sided_normal;

/// Fewer exposures cannot show a drift at 95 %: of 5 in a row, all rising or all falling has the
/// chance 2/120, of 4 it has 2/24.
pub const MIN_EXPOSURES: usize = 5;

/// Up to here the distribution of S is counted out, beyond it is normal.
const EXACT_UP_TO: usize = 60;

/// Fewer exposures do not tell a likeness of neighbours from a curved drift.
const AUTOCORRELATION_FROM: usize = 12;

/// One-sided chance with which the scatter of independent exposures is called autocorrelated.
const AUTOCORRELATION_DEVIATE: f64 = 1.645;

/// A drift with its interval and significance.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Median of the slopes of all pairs, value per unit of time.
    pub slope: f64,
    /// Interval of the slope; `None` where so few exposures bound it on no side.
    pub interval: Option<(f64, f64)>,
    /// Median of `value - slope × time`.
    pub intercept: f64,
    /// Chance that independent exposures in random order show as strong a trend of either sign.
    pub p_value: f64,
    /// Where what the drift leaves is plainly alike from exposure to exposure.
    pub autocorrelation: Option<Autocorrelation>,
}

/// Neighbouring exposures are alike beyond the drift: it is curved, or the series wanders.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Autocorrelation {
    /// Lag-one correlation of what the drift leaves.
    pub lag_one: f64,
    /// The p-value of the drift were the likeness that of a wandering series.
    pub p_value: f64,
}

/// Theil-Sen slope with Sen's interval (Sen 1968, J. Am. Stat. Assoc. 63, 1379) and the Mann-Kendall
/// test (Mann 1945, Econometrica 13, 245; Kendall 1975, Rank Correlation Methods; references from
/// memory). `times` must not fall; equal times are allowed and their pairs left out.
///
/// Where, of 12 exposures or more, what the drift leaves is plainly autocorrelated (lag-one
/// correlation over its one-sided 95 % bound for independent values, Anderson 1942, Ann. Math.
/// Stat. 13, 1; from memory), the variance of S is multiplied by n/n*, the loss of independent
/// exposures under a first-order process (Yue & Wang 2004, Water Resour. Manag. 18, 201; from
/// memory), for the interval and for a second p-value. A curved drift looks the same, so that
/// the first p-value is left as it is.
pub fn drift(times: &[f64], values: &[f64], confidence: f64) -> Result<Drift, TrendError> {
    timed(times, values, MIN_EXPOSURES)?;
    let mut slopes = pair_slopes(times, values);
    slopes.sort_by(f64::total_cmp);
    let slope = median(&slopes);
    let offsets: Vec<f64> = times.iter().zip(values).map(|(t, y)| y - slope * t).collect();
    let intercept = median(&offsets);

    let lag_one = plain_autocorrelation(&offsets);
    let inflation = lag_one.map_or(1.0, |r| lost_independence(r, values.len()));
    let test = Kendall::new(times, values);
    let interval = interval(&slopes, test.critical(confidence, inflation));
    let autocorrelation =
        lag_one.map(|lag_one| Autocorrelation { lag_one, p_value: test.p_value(inflation) });
    Ok(Drift { slope, interval, intercept, p_value: test.p_value(1.0), autocorrelation })
}

/// Intercept and slope: the median of the slopes of all pairs, and of what it leaves (Theil 1950, Sen 1968).
pub(super) fn theil_sen(times: &[f64], values: &[f64]) -> (f64, f64) {
    let slopes = pair_slopes(times, values);
    let slope = if slopes.is_empty() { 0.0 } else { median(&slopes) };
    let left: Vec<f64> = values.iter().zip(times).map(|(v, t)| v - slope * t).collect();
    (median(&left), slope)
}

fn pair_slopes(times: &[f64], values: &[f64]) -> Vec<f64> {
    let n = values.len();
    (0..n)
        .flat_map(|i| (i + 1..n).map(move |j| (i, j)))
        .filter(|&(i, j)| times[j] != times[i])
        .map(|(i, j)| (values[j] - values[i]) / (times[j] - times[i]))
        .collect()
}

/// Between the `M`-th slope from below and from above, `M = (N - C)/2`: slopes further out turn the
/// series into one with `|S| > C`.
fn interval(sorted: &[f64], critical: f64) -> Option<(f64, f64)> {
    let n = sorted.len();
    let m = ((n as f64 - critical) / 2.0).floor();
    if !(m >= 1.0) {
        return None;
    }
    let m = m as usize;
    Some((sorted[m - 1], sorted[n - m]))
}

/// Mann-Kendall's S between time and value, with what its distribution depends on.
#[derive(Debug, Clone, PartialEq)]
pub struct Kendall {
    /// Rising pairs less falling ones.
    pub s: f64,
    /// Variance of S, ties on both sides allowed for.
    pub variance: f64,
    n: usize,
    tied: bool,
}

impl Kendall {
    pub fn new(times: &[f64], values: &[f64]) -> Self {
        let n = values.len();
        let sign = |a: f64, b: f64| {
            if b > a {
                1.0
            } else if b < a {
                -1.0
            } else {
                0.0
            }
        };
        let pairs = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j)));
        let s = pairs.map(|(i, j)| sign(times[i], times[j]) * sign(values[i], values[j])).sum();
        let (of_times, of_values) = (group_sizes(times), group_sizes(values));
        let tied = of_times.len() < n || of_values.len() < n;
        Self { s, variance: variance(n, &of_times, &of_values), n, tied }
    }

    /// Two-sided; counted out where there are no ties and few exposures and nothing inflates
    /// the variance, else normal with a continuity correction.
    pub fn p_value(&self, inflation: f64) -> f64 {
        if self.exact(inflation) {
            let chances = inversions(self.n);
            let pairs = chances.len() - 1;
            let at_least = |k: usize| (pairs as f64 - 2.0 * k as f64).abs() >= self.s.abs();
            return chances
                .iter()
                .enumerate()
                .filter(|(k, _)| at_least(*k))
                .map(|(_, c)| c)
                .sum::<f64>()
                .min(1.0);
        }
        if !(self.variance > 0.0) {
            return 1.0;
        }
        normal_p((self.s.abs() - 1.0).max(0.0) / (self.variance * inflation).sqrt())
    }

    /// The smallest C with `P(|S| <= C)` at least `confidence`.
    fn critical(&self, confidence: f64, inflation: f64) -> f64 {
        if !self.exact(inflation) {
            return two_sided_normal(confidence) * (self.variance * inflation).sqrt();
        }
        let chances = inversions(self.n);
        let pairs = chances.len() - 1;
        let mut inside = 0.0;
        // From the middle outwards, |S| = pairs - 2k.
        for k in (0..=pairs / 2).rev() {
            inside += if 2 * k == pairs { chances[k] } else { 2.0 * chances[k] };
            if inside >= confidence {
                return (pairs - 2 * k) as f64;
            }
        }
        f64::INFINITY
    }

    fn exact(&self, inflation: f64) -> bool {
        !self.tied && self.n <= EXACT_UP_TO && inflation == 1.0
    }
}

/// Kendall's variance of S with ties in both series (Kendall 1975, chapter 4; from memory, checked
/// against scipy).
fn variance(n: usize, of_times: &[usize], of_values: &[usize]) -> f64 {
    let sum = |groups: &[usize], f: fn(f64) -> f64| groups.iter().map(|&g| f(g as f64)).sum::<f64>();
    let cubic = |g: f64| g * (g - 1.0) * (2.0 * g + 5.0);
    let pairs = |g: f64| g * (g - 1.0);
    let triples = |g: f64| g * (g - 1.0) * (g - 2.0);
    let m = n as f64;
    (cubic(m) - sum(of_times, cubic) - sum(of_values, cubic)) / 18.0
        + sum(of_times, triples) * sum(of_values, triples) / (9.0 * m * (m - 1.0) * (m - 2.0))
        + sum(of_times, pairs) * sum(of_values, pairs) / (2.0 * m * (m - 1.0))
}

/// Chance of each number of inversions in a random order of `n`.
fn inversions(n: usize) -> Vec<f64> {
    let mut chances = vec![1.0];
    for length in 2..=n {
        let mut next = vec![0.0; chances.len() + length - 1];
        for (k, chance) in chances.iter().enumerate() {
            for place in 0..length {
                next[k + place] += chance / length as f64;
            }
        }
        chances = next;
    }
    chances
}

/// Lag-one correlation, where it is over what independent values show once in twenty times.
fn plain_autocorrelation(values: &[f64]) -> Option<f64> {
    let n = values.len() as f64;
    let middle = mean(values);
    let total: f64 = values.iter().map(|v| (v - middle).powi(2)).sum();
    let r = values.windows(2).map(|w| (w[0] - middle) * (w[1] - middle)).sum::<f64>() / total;
    let bound = (AUTOCORRELATION_DEVIATE * (n - 2.0).sqrt() - 1.0) / (n - 1.0);
    (values.len() >= AUTOCORRELATION_FROM && r > bound).then_some(r)
}

/// n/n* of a first-order process.
fn lost_independence(r: f64, n: usize) -> f64 {
    let of_lag = |k: usize| (1.0 - k as f64 / n as f64) * r.powi(k as i32);
    1.0 + 2.0 * (1..n).map(of_lag).sum::<f64>()
}
