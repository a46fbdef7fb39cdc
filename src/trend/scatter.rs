//! The scatter beyond the errors of measurement, of a series that may drift and step.

/// Median of the squares of standard normal values.
const MEDIAN_SQUARE: f64 = 0.454_936_423;
/// Halvings of the bracket of the variance.
const HALVINGS: usize = 60;

/// Variance of a series beyond that of its errors (those of random effects; zero where there is none).
///
/// From how far each value lies from the straight line between its two neighbours: a drift does not enter,
/// and of a step two values know. The variance is that under which the median of their squares, each over
/// its own variance, is that of normal values; the median passes over the few that a step or a wild value
/// spoils. Common practice. `times` rise; zero of fewer than three values.
pub fn beyond_errors(times: &[f64], values: &[f64], errors: &[f64]) -> f64 {
    let of_place = |k: usize| {
        let share = (times[k] - times[k - 1]) / (times[k + 1] - times[k - 1]);
        let (before, after) = (1.0 - share, share);
        let off = values[k] - before * values[k - 1] - after * values[k + 1];
        let measured = errors[k].powi(2) + (before * errors[k - 1]).powi(2) + (after * errors[k + 1]).powi(2);
        (off * off, measured, 1.0 + before * before + after * after)
    };
    let differences: Vec<(f64, f64, f64)> = (1..values.len().saturating_sub(1)).map(of_place).collect();
    let largest = differences.iter().map(|d| d.0).fold(0.0, f64::max);
    if !(largest > 0.0 && largest.is_finite()) {
        return 0.0;
    }
    let median_at = |variance: f64| {
        super::median(
            &differences
                .iter()
                .map(|(square, measured, shares)| square / (measured + shares * variance))
                .collect::<Vec<f64>>(),
        )
    };
    // At the upper end no square is over its variance times the median of squares.
    let (mut low, mut high) = (0.0, largest / MEDIAN_SQUARE);
    if median_at(low) <= MEDIAN_SQUARE {
        return 0.0;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if median_at(middle) > MEDIAN_SQUARE {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    /// 400 values: the median square of normal values is known to 1.25 sqrt(2)/sqrt(400) of their variance
    /// at best, some 10 %; neighbours' differences share values, which makes it worse.
    #[test]
    fn the_scatter_is_found_whatever_drifts_and_steps() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        let mut normal = || rng.sample::<f64, _>(StandardNormal);
        let times: Vec<f64> = (0..400).map(|k| f64::from(k) + 0.3 * f64::from(k % 3)).collect();
        let errors: Vec<f64> = (0..400).map(|k| if k % 7 == 0 { 20.0 } else { 0.5 }).collect();
        let noise: Vec<f64> = errors.iter().map(|e| normal() * e + normal()).collect();
        let none: Vec<f64> = errors.iter().map(|e| normal() * e).collect();
        let shape = |t: &f64| 3.0 * t + if *t > 100.0 { 500.0 } else { 0.0 };
        let with = |noise: &[f64]| times.iter().zip(noise).map(|(t, n)| shape(t) + n).collect::<Vec<f64>>();
        let found = beyond_errors(&times, &with(&noise), &errors);
        assert!((found - 1.0).abs() < 0.6, "{found}");
        let found = beyond_errors(&times, &with(&none), &errors);
        assert!(found < 0.15, "{found}");
        assert_eq!(beyond_errors(&times[..2], &noise[..2], &errors[..2]), 0.0);
        assert_eq!(beyond_errors(&times, &times, &errors), 0.0);
    }
}
