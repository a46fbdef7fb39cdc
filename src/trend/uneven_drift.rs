//! A robust slope of values of unlike standard deviations.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::drift::{Drift, MIN_EXPOSURES, drift};
use super::{TrendError, normal_p, positive, timed, varies};
use crate::repeat::interval::two_sided_normal;

const SEED: u64 = 0x5713_9004;
/// Series drawn for the distribution of the statistic; from [`NORMAL_FROM`] values on it is normal, and
/// fewer tell its variance.
const DRAWS: usize = 9999;
const DRAWS_FOR_VARIANCE: usize = 400;
const NORMAL_FROM: usize = 60;

/// As [`drift`], each pair of values counted by the product of their weights, the inverses of the squared
/// `deviations` (known up to a common factor), as in a slope of weighted least squares: the slope is the
/// weighted median of the pairs' slopes, the statistic the weighted sum of the signs of rising pairs, and the
/// interval is where the slopes further out would make the statistic of what they leave significant (Sen
/// 1968, J. Am. Stat. Assoc. 63, 1379, and Sievers 1978, ibid. 73, 628, for weights; from memory). What the
/// statistic is by chance is drawn: independent normal values of these deviations, with a fixed seed.
/// Autocorrelation is not looked for.
///
/// Like deviations give what [`drift`] gives.
pub fn drift_weighted(
    times: &[f64],
    values: &[f64],
    deviations: &[f64],
    confidence: f64,
) -> Result<Drift, TrendError> {
    positive(deviations, values.len())?;
    if !varies(deviations) || values.len() < MIN_EXPOSURES {
        return drift(times, values, confidence);
    }
    timed(times, values, MIN_EXPOSURES)?;
    let weights = relative_weights(deviations);
    let mut slopes = pair_slopes(times, values, &weights);
    slopes.sort_by(|a, b| a.0.total_cmp(&b.0));
    let total: f64 = slopes.iter().map(|s| s.1).sum();
    let slope = weighted_median(slopes.clone());
    let offsets = times.iter().zip(values).zip(&weights).map(|((t, y), w)| (y - slope * t, *w));
    let intercept = weighted_median(offsets.collect());

    let chance = Chance::draw(times, deviations, &weights);
    let statistic = statistic(times, values, &weights).abs();
    let critical = chance.critical(confidence);
    let outside = 0.5 * (total - critical);
    let interval = (outside > 0.0).then(|| {
        let reversed: Vec<(f64, f64)> = slopes.iter().rev().copied().collect();
        (reaching(&slopes, outside), reaching(&reversed, outside))
    });
    let p_value = chance.p_value(statistic);
    Ok(Drift { slope, interval, intercept, p_value, autocorrelation: None })
}

/// Inverse variances, the largest 1.
fn relative_weights(deviations: &[f64]) -> Vec<f64> {
    let least = deviations.iter().copied().fold(f64::INFINITY, f64::min);
    deviations.iter().map(|d| (least / d).powi(2)).collect()
}

fn pairs(times: &[f64]) -> impl Iterator<Item = (usize, usize)> {
    let n = times.len();
    (0..n).flat_map(move |i| (i + 1..n).map(move |j| (i, j))).filter(|&(i, j)| times[j] > times[i])
}

/// With the weight of each.
fn pair_slopes(times: &[f64], values: &[f64], weights: &[f64]) -> Vec<(f64, f64)> {
    let slope =
        |(i, j): (usize, usize)| ((values[j] - values[i]) / (times[j] - times[i]), weights[i] * weights[j]);
    pairs(times).map(slope).collect()
}

/// The first value at which, in the order given, the weights come to `share` or more.
fn reaching(ordered: &[(f64, f64)], share: f64) -> f64 {
    let mut sum = 0.0;
    for (value, weight) in ordered {
        sum += weight;
        if sum >= share * (1.0 - 1e-12) {
            return *value;
        }
    }
    ordered.last().map_or(f64::NAN, |last| last.0)
}

/// Midway between the values at which half of the weight is reached from below and from above.
fn weighted_median(mut pairs: Vec<(f64, f64)>) -> f64 {
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * pairs.iter().map(|p| p.1).sum::<f64>();
    let from_below = reaching(&pairs, half);
    pairs.reverse();
    0.5 * (from_below + reaching(&pairs, half))
}

/// Weighted rising pairs less falling ones.
fn statistic(times: &[f64], values: &[f64], weights: &[f64]) -> f64 {
    let sign = |(i, j): (usize, usize)| {
        let difference = values[j] - values[i];
        if difference == 0.0 { 0.0 } else { difference.signum() * weights[i] * weights[j] }
    };
    pairs(times).map(sign).sum()
}

/// What the statistic is by chance.
enum Chance {
    /// Absolute values, in rising order.
    Drawn(Vec<f64>),
    /// Its standard deviation.
    Normal(f64),
}

impl Chance {
    fn draw(times: &[f64], deviations: &[f64], weights: &[f64]) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        let mut one = || {
            let drawn: Vec<f64> = deviations
                .iter()
                .map(|d| {
                    let z: f64 = StandardNormal.sample(&mut rng);
                    z * d
                })
                .collect();
            statistic(times, &drawn, weights).abs()
        };
        if deviations.len() >= NORMAL_FROM {
            let squares = (0..DRAWS_FOR_VARIANCE).map(|_| one().powi(2)).sum::<f64>();
            return Self::Normal((squares / DRAWS_FOR_VARIANCE as f64).sqrt());
        }
        let mut drawn: Vec<f64> = (0..DRAWS).map(|_| one()).collect();
        drawn.sort_by(f64::total_cmp);
        Self::Drawn(drawn)
    }

    /// What it does not exceed with this chance.
    fn critical(&self, confidence: f64) -> f64 {
        match self {
            Self::Drawn(drawn) => {
                let place = (confidence * (drawn.len() + 1) as f64).ceil() as usize;
                drawn.get(place.max(1) - 1).copied().unwrap_or(f64::INFINITY)
            }
            Self::Normal(deviation) => two_sided_normal(confidence) * deviation,
        }
    }

    /// The chance of as much or more.
    fn p_value(&self, statistic: f64) -> f64 {
        match self {
            Self::Drawn(drawn) => {
                let less = drawn.partition_point(|s| *s < statistic * (1.0 - 1e-12));
                (1 + drawn.len() - less) as f64 / (1 + drawn.len()) as f64
            }
            Self::Normal(deviation) => normal_p(statistic / deviation),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::RngExt;

    /// Two of ten values tell ten times less: the interval holds the truth as often as stated (counting
    /// error of 400 is 1.1 %, three of them), and is narrower than that of values counted alike.
    #[test]
    fn the_interval_of_unlike_values_holds_the_truth() {
        let times: Vec<f64> = (0..10).map(|k| f64::from(k) + 0.2 * f64::from(k % 2)).collect();
        let deviations: Vec<f64> = (0..10).map(|k| if k >= 8 { 10.0 } else { 1.0 }).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let (mut held, mut significant, mut narrower) = (0, 0, 0);
        for _ in 0..400 {
            let noise = |d: &f64, rng: &mut ChaCha8Rng| d * rng.sample::<f64, _>(StandardNormal);
            let values: Vec<f64> =
                times.iter().zip(&deviations).map(|(t, d)| 0.3 * t + noise(d, &mut rng)).collect();
            let found = drift_weighted(&times, &values, &deviations, 0.95).unwrap();
            let (low, high) = found.interval.unwrap();
            held += usize::from(low <= 0.3 && 0.3 <= high);
            let (a, b) = drift(&times, &values, 0.95).unwrap().interval.unwrap();
            narrower += usize::from(high - low < b - a);
            let level: Vec<f64> = deviations.iter().map(|d| noise(d, &mut rng)).collect();
            let none = drift_weighted(&times, &level, &deviations, 0.95).unwrap();
            significant += usize::from(none.p_value <= 0.05);
        }
        assert!((367..=393).contains(&held), "{held} of 400");
        assert!((7..=33).contains(&significant), "{significant} of 400");
        assert!(narrower > 300, "{narrower} of 400");
    }

    /// Values of hardly unlike deviations give hardly another drift.
    #[test]
    fn like_values_give_the_plain_drift() {
        let times: Vec<f64> = (0..14).map(f64::from).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(12);
        let values: Vec<f64> = times.iter().map(|t| 0.2 * t + rng.sample::<f64, _>(StandardNormal)).collect();
        let mut deviations = vec![2.0; 14];
        let plain = drift(&times, &values, 0.95).unwrap();
        assert_eq!(drift_weighted(&times, &values, &deviations, 0.95).unwrap(), plain);
        deviations[3] = 2.0 + 1e-9;
        let nearly = drift_weighted(&times, &values, &deviations, 0.95).unwrap();
        assert!((nearly.slope - plain.slope).abs() < 0.02, "{nearly:?} {plain:?}");
        // The share of 9999 draws, against the distribution counted out.
        assert!((nearly.p_value - plain.p_value).abs() < 0.02, "{nearly:?} {plain:?}");
    }

    #[test]
    fn what_cannot_be_asked_is_refused() {
        let times: Vec<f64> = (0..6).map(f64::from).collect();
        let refused = |deviations: &[f64]| drift_weighted(&times, &times, deviations, 0.95);
        assert!(matches!(refused(&[1.0; 5]), Err(TrendError::LengthMismatch { .. })));
        assert!(matches!(refused(&[1.0, 1.0, 1.0, 1.0, 1.0, 0.0]), Err(TrendError::NotUsable { .. })));
    }
}
