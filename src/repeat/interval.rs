//! The rms change with its noise removed, and a two-sided interval for it.

use super::RepeatError;
use super::quadratic_form::{QuadraticForm, Term};
use super::root::crossing_above;

/// One independent direction of the estimated change: the variance `lambda` of the noise
/// along it, how many estimates share it (`dof`), and the sum of their squares `square`.
/// All scaled so that the squares of all modes add up to the estimated mean-square change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseMode {
    pub lambda: f64,
    pub dof: f64,
    pub square: f64,
}

/// A realised rms change: the value with the noise removed, and its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RmsChange {
    /// `sqrt(max(0, mean_square - noise))`.
    pub rms: f64,
    /// 0 where the test cannot exclude no change at all.
    pub low: f64,
    pub high: f64,
    /// Two-sided, 0.95 say.
    pub confidence: f64,
    /// As estimated, noise included.
    pub mean_square: f64,
    /// What noise alone gives on average.
    pub noise: f64,
}

impl RmsChange {
    /// The same of a quantity `response` times less sensitive, brought back to full response.
    pub fn divided_by(self, response: f64) -> Self {
        let square = response * response;
        Self {
            rms: self.rms / response,
            low: self.low / response,
            high: self.high / response,
            confidence: self.confidence,
            mean_square: self.mean_square / square,
            noise: self.noise / square,
        }
    }
}

/// A downward fluctuation below this quantile of pure noise does not tighten the upper
/// bound further: a bound below what the data could have shown would rest on luck, or on errors
/// stated too large (a power constraint after Cowan et al. 2011, arXiv:1105.3166, from memory).
pub(super) const POWER_QUANTILE: f64 = 0.16;

/// Noise below this share of the mean square leaves a distribution that is Gaussian to all
/// digits, and too narrow for the inversion.
const NEGLIGIBLE_NOISE: f64 = 1e-8;

/// The interval of `Delta^2 = sum z^2` from `Q = sum zhat^2`, `zhat ~ N(z, lambda)`, by inverting
/// tests on the generalised non-central chi-square distribution of Q: the upper bound is the
/// largest `Delta` under which a Q as small as observed has probability `(1-confidence)/2`, the
/// lower bound the smallest under which one as large has.
///
/// The distribution of Q depends on where the change lies among directions of unequal noise.
/// That is allotted as the data show it, in proportion to `square + dof lambda`: a strong
/// change points out its own direction, and an unseen one is put on the noisier directions,
/// where it widens Q most. Calibrated by simulation (`examples/interval_coverage.rs`).
pub fn rms_change(modes: &[NoiseMode], confidence: f64) -> Result<RmsChange, RepeatError> {
    if !(confidence > 0.5 && confidence < 1.0) {
        return Err(RepeatError::BadConfidence { confidence });
    }
    let mean_square: f64 = modes.iter().map(|m| m.square).sum();
    let noise: f64 = modes.iter().map(|m| m.lambda * m.dof).sum();
    let rms = (mean_square - noise).max(0.0).sqrt();
    let tail = 0.5 * (1.0 - confidence);
    if noise <= NEGLIGIBLE_NOISE * mean_square {
        let deviation = two_sided_normal(confidence) * under_change(modes, mean_square).variance().sqrt();
        let (low, high) = ((mean_square - deviation).max(0.0).sqrt(), (mean_square + deviation).sqrt());
        return Ok(RmsChange { rms, low: low.min(rms), high, confidence, mean_square, noise });
    }
    let no_change = under_change(modes, 0.0);

    let low = if no_change.survival(mean_square) >= tail {
        0.0
    } else {
        let miss = |square: f64| under_change(modes, square).survival(mean_square) - tail;
        crossing_above(miss, 0.0, noise, 1e-6).unwrap_or(0.0).max(0.0).sqrt()
    };

    let floor = no_change.quantile(POWER_QUANTILE).unwrap_or(0.0);
    let observed = mean_square.max(floor);
    let miss = |square: f64| under_change(modes, square).cdf(observed) - tail;
    let high = crossing_above(miss, 0.0, mean_square + noise, 1e-6).unwrap_or(f64::INFINITY).sqrt();
    Ok(RmsChange { rms, low, high: high.max(rms), confidence, mean_square, noise })
}

/// The distribution of the estimated mean square under a true mean-square change.
pub fn under_change(modes: &[NoiseMode], change_square: f64) -> QuadraticForm {
    let total: f64 = modes.iter().map(|m| m.square + m.dof * m.lambda).sum();
    QuadraticForm::new(modes.iter().map(|m| {
        let share = if total > 0.0 { (m.square + m.dof * m.lambda) / total } else { 0.0 };
        let noncentrality = if m.lambda > 0.0 { change_square * share / m.lambda } else { 0.0 };
        Term { lambda: m.lambda, dof: m.dof, noncentrality }
    }))
}

/// Adds an independent mean square `extra` (with its own interval `extra_low..extra_high`) to a
/// change: estimates add, and so do the squared distances to the upper bounds (the method of
/// variance estimates recovery, Zou & Donner 2008, Stat. Med. 27, 1693, from memory). The lower
/// bound is the sum of both, so that two that reach zero leave zero.
pub fn with_extra(change: RmsChange, extra: f64, extra_low: f64, extra_high: f64) -> RmsChange {
    let square = change.rms.powi(2) + extra;
    let up = (change.high.powi(2) - change.rms.powi(2)).hypot(extra_high - extra);
    RmsChange {
        rms: square.sqrt(),
        low: (change.low.powi(2) + extra_low).sqrt(),
        high: (square + up).sqrt(),
        mean_square: change.mean_square + extra,
        ..change
    }
}

/// Half-width in standard deviations of a two-sided Gaussian interval.
pub fn two_sided_normal(confidence: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, Normal};
    Normal::standard().inverse_cdf(0.5 * (1.0 + confidence))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};

    /// Weights over six decades, from one mode to sixty: bounds exist and enclose the value.
    #[test]
    fn bounds_are_finite_and_ordered() {
        let mut rng = StdRng::seed_from_u64(17);
        for case in 0..200 {
            let count = rng.random_range(1..60usize);
            let decades = rng.random_range(0.0..6.0);
            let strength = 10f64.powf(rng.random_range(-2.0..6.0));
            let modes: Vec<NoiseMode> = (0..count)
                .map(|_| {
                    let lambda = 10f64.powf(-decades * rng.random_range(0.0..1.0));
                    let square = lambda
                        * rng.random_range(0.0..4.0)
                        * if rng.random_range(0.0..1.0) < 0.2 { strength } else { 1.0 };
                    NoiseMode { lambda, dof: 1.0, square }
                })
                .collect();
            let found = rms_change(&modes, 0.95).unwrap();
            assert!(found.high.is_finite(), "{case}: {found:?} {modes:?}");
            assert!(
                0.0 <= found.low && found.low <= found.rms && found.rms <= found.high,
                "{case}: {found:?} {modes:?}"
            );
        }
    }

    /// One mode is a single Gaussian: the interval of |z|/sqrt(1) at z = 5 sigma is z +- 1.96.
    #[test]
    fn one_strong_mode_is_gaussian() {
        let found = rms_change(&[NoiseMode { lambda: 1.0, dof: 1.0, square: 100.0 }], 0.95).unwrap();
        assert!((found.low - (10.0 - 1.95996)).abs() < 1e-3, "{found:?}");
        assert!((found.high - (10.0 + 1.95996)).abs() < 1e-3, "{found:?}");
    }

    #[test]
    fn no_modes_and_bad_confidence() {
        assert_eq!(rms_change(&[], 0.95).unwrap().high, 0.0);
        assert_eq!(rms_change(&[], 1.0), Err(RepeatError::BadConfidence { confidence: 1.0 }));
    }
}
