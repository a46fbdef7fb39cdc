//! Robust weights: the bisquare of Tukey, its start, its scale and what it costs.

use std::sync::OnceLock;

/// Tuning constant of the bisquare: 95 % efficiency for Gaussian noise in one
/// component (Beaton & Tukey 1974, Technometrics 16, 147; the constant from memory).
pub const BISQUARE_TUNING: f64 = 4.685;
/// Tuning constant of Huber's weights: 95 % efficiency (Huber 1964, Ann. Math. Stat. 35, 73).
pub const HUBER_TUNING: f64 = 1.345;
/// Standard deviation of a Gaussian over its median absolute deviation.
pub const MAD_TO_SIGMA: f64 = 1.482602218505602;

/// Weight of a residual of `distance` standard deviations: `(1 - (d/c)^2)^2`, 0 beyond c.
pub fn bisquare(distance: f64) -> f64 {
    let inside = 1.0 - (distance / BISQUARE_TUNING).powi(2);
    if inside > 0.0 { inside * inside } else { 0.0 }
}

/// Weight of a residual of `distance` standard deviations: `min(1, k/d)`.
pub fn huber(distance: f64) -> f64 {
    if distance <= HUBER_TUNING { 1.0 } else { HUBER_TUNING / distance }
}

/// The median; none of an empty slice. NaN sorts last.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut values = values.to_vec();
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    let odd = values.len() % 2 == 1;
    let (below, &mut upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let lower = || below.iter().copied().max_by(f64::total_cmp);
    Some(if odd { upper } else { 0.5 * (lower()? + upper) })
}

/// Standard deviation of a zero-mean Gaussian from the median of its absolute values.
pub fn scale_about_zero(residuals: &[f64]) -> Option<f64> {
    scale_of_absolute(residuals.iter().map(|r| r.abs()), &mut Vec::with_capacity(residuals.len()))
}

/// The same from the absolute values themselves; `keys` is to work in. The bits of numbers that are not negative are in
/// their order, and whole numbers are ranked faster.
pub fn scale_of_absolute(absolute: impl Iterator<Item = f64>, keys: &mut Vec<u64>) -> Option<f64> {
    keys.clear();
    keys.extend(absolute.map(f64::to_bits));
    if keys.is_empty() {
        return None;
    }
    let (middle, odd) = (keys.len() / 2, keys.len() % 2 == 1);
    let (below, &mut upper, _) = keys.select_nth_unstable(middle);
    let upper = f64::from_bits(upper);
    let median = if odd { upper } else { 0.5 * (f64::from_bits(*below.iter().max()?) + upper) };
    Some(MAD_TO_SIGMA * median)
}

/// Factor that turns `(X^T U W X)^-1` (bisquare weights U, inverse variances W) into the
/// covariance of the bisquare estimate for Gaussian noise, with `parameters` functions for
/// each row of the design (their number over that of the rows).
///
/// The M-estimate has `cov = K^2 E[psi^2]/E[psi']^2 (X^T W X)^-1` with `K = 1 + (p/n)
/// var(psi')/E[psi']^2` (Huber 1981, Robust Statistics, section 7.6, from memory), and
/// `X^T U W X` is `E[u] X^T W X`.
pub fn bisquare_covariance_factor(parameters_per_row: f64) -> f64 {
    static MEANS: OnceLock<[f64; 4]> = OnceLock::new();
    let [weight, psi2, slope, slope2] = *MEANS.get_or_init(gaussian_means);
    let finite = 1.0 + parameters_per_row * (slope2 - slope * slope) / (slope * slope);
    finite * finite * weight * psi2 / (slope * slope)
}

/// Of Gaussian distances: `E[u]`, `E[psi^2]`, `E[psi']` and `E[psi'^2]`.
fn gaussian_means() -> [f64; 4] {
    let (mut norm, mut weight, mut psi2, mut slope, mut slope2) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let steps = 4000;
    for i in 0..steps {
        let d = 10.0 * (i as f64 + 0.5) / steps as f64;
        let p = (-0.5 * d * d).exp();
        let u = bisquare(d);
        let derivative = u - 4.0 * u.sqrt() * (d / BISQUARE_TUNING).powi(2);
        norm += p;
        weight += p * u;
        psi2 += p * u * u * d * d;
        slope += p * derivative;
        slope2 += p * derivative * derivative;
    }
    [weight, psi2, slope, slope2].map(|sum| sum / norm)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bisquare_is_95_percent_efficient() {
        // Efficiency = E[psi']^2 / E[psi^2]; the factor here carries E[u] on top.
        let mean_weight = {
            let steps = 4000;
            let (mut a, mut b) = (0.0, 0.0);
            for i in 0..steps {
                let d = 10.0 * (i as f64 + 0.5) / steps as f64;
                let p = (-0.5 * d * d).exp();
                a += p * bisquare(d);
                b += p;
            }
            a / b
        };
        let efficiency = mean_weight / bisquare_covariance_factor(0.0);
        assert!((efficiency - 0.95).abs() < 5e-4, "{efficiency}");
    }

    #[test]
    fn median_of_even_and_odd() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(&[]), None);
    }
}
