//! How many stars or exposures would decide.

use super::RepeatError;
use super::interval::{NoiseMode, rms_change};

/// What the noise of a measured, or planned, change is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseBudget {
    pub stars: usize,
    pub exposures: usize,
    /// Noise alone: `square` of the modes is not used.
    modes: Vec<NoiseMode>,
}

/// No answer above this multiple of what is in hand.
const MOST: f64 = 1e4;

impl NoiseBudget {
    /// From a measured change and the number of stars (mean an exposure) behind it.
    pub fn measured(modes: &[NoiseMode], stars: usize, exposures: usize) -> Self {
        Self { stars, exposures, modes: modes.to_vec() }
    }

    /// Planned: `stars` of error `sigma` each, seen in all of `exposures`, on `functions` field functions,
    /// `components` averaged (1 for ln T, 2 for e). A coefficient then has the variance
    /// `sigma^2 / stars` in each of `(exposures-1) functions components` directions.
    pub fn planned(stars: usize, exposures: usize, functions: usize, components: usize, sigma: f64) -> Self {
        let contrasts = (exposures as f64 - 1.0).max(1.0);
        let modes = vec![NoiseMode {
            lambda: sigma * sigma / stars as f64 / (contrasts * components as f64),
            dof: contrasts * (functions * components) as f64,
            square: 0.0,
        }];
        Self { stars, exposures, modes }
    }

    /// The upper bound to expect for a true rms change: that of an estimate at its mean, with
    /// `stars` and `exposures` in place of those in hand. More stars divide the noise of
    /// every direction; more exposures multiply the directions and divide each one's part.
    pub fn expected_high(
        &self,
        true_rms: f64,
        stars: f64,
        exposures: f64,
        confidence: f64,
    ) -> Result<f64, RepeatError> {
        let finer = self.stars as f64 / stars;
        let more = (exposures - 1.0) / (self.exposures as f64 - 1.0).max(1.0);
        let noise: f64 = self.modes.iter().map(|m| m.lambda * m.dof).sum();
        let modes: Vec<NoiseMode> = self
            .modes
            .iter()
            .map(|m| {
                let lambda = m.lambda * finer / more;
                let share = if noise > 0.0 { m.lambda * m.dof / noise } else { 0.0 };
                NoiseMode {
                    lambda,
                    dof: m.dof * more,
                    square: lambda * m.dof * more + true_rms * true_rms * share,
                }
            })
            .collect();
        Ok(rms_change(&modes, confidence)?.high)
    }

    /// Fewest stars (at the same mix of brightness) whose expected upper bound lies under
    /// `limit`; none where no number does (the true change reaches the limit) or it
    /// is beyond 10^4 times those in hand. Never fewer than in hand unless those suffice.
    pub fn stars_needed(
        &self,
        true_rms: f64,
        limit: f64,
        confidence: f64,
    ) -> Result<Option<usize>, RepeatError> {
        let exposures = self.exposures as f64;
        self.fewest(self.stars, true_rms, limit, |stars| {
            self.expected_high(true_rms, stars, exposures, confidence)
        })
    }

    /// Fewest exposures of the same stars whose expected upper bound lies under `limit`. The
    /// noise per exposure stays; only its scatter averages down.
    pub fn exposures_needed(
        &self,
        true_rms: f64,
        limit: f64,
        confidence: f64,
    ) -> Result<Option<usize>, RepeatError> {
        let stars = self.stars as f64;
        self.fewest(self.exposures.max(2), true_rms, limit, |exposures| {
            self.expected_high(true_rms, stars, exposures, confidence)
        })
    }

    fn fewest(
        &self,
        in_hand: usize,
        true_rms: f64,
        limit: f64,
        high: impl Fn(f64) -> Result<f64, RepeatError>,
    ) -> Result<Option<usize>, RepeatError> {
        if true_rms.is_nan() || true_rms >= limit {
            return Ok(None);
        }
        let (mut low, mut enough) = (in_hand as f64, in_hand as f64);
        while high(enough)? >= limit {
            low = enough;
            enough *= 2.0;
            if enough > MOST * in_hand as f64 {
                return Ok(None);
            }
        }
        while enough - low > 1.0 {
            let middle = (0.5 * (low + enough)).floor();
            if high(middle)? < limit { enough = middle } else { low = middle }
        }
        Ok(Some(enough as usize))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn more_stars_lower_the_bound_as_their_root() {
        let plan = NoiseBudget::planned(50, 8, 6, 1, 0.01);
        let one = plan.expected_high(0.0, 50.0, 8.0, 0.95).unwrap();
        let four = plan.expected_high(0.0, 200.0, 8.0, 0.95).unwrap();
        assert!((one / four - 2.0).abs() < 1e-3);
    }

    #[test]
    fn the_number_given_is_the_fewest() {
        let plan = NoiseBudget::planned(50, 8, 6, 2, 0.01);
        let limit = 0.4 * plan.expected_high(0.0, 50.0, 8.0, 0.95).unwrap();
        let stars = plan.stars_needed(0.0, limit, 0.95).unwrap().unwrap() as f64;
        assert!(plan.expected_high(0.0, stars, 8.0, 0.95).unwrap() < limit);
        assert!(plan.expected_high(0.0, stars - 1.0, 8.0, 0.95).unwrap() >= limit);
        let exposures = plan.exposures_needed(0.0, limit * 2.0, 0.95).unwrap().unwrap() as f64;
        assert!(exposures > 8.0);
        assert!(plan.expected_high(0.0, 50.0, exposures, 0.95).unwrap() < limit * 2.0);
        assert!(plan.expected_high(0.0, 50.0, exposures - 1.0, 0.95).unwrap() >= limit * 2.0);
    }

    #[test]
    fn no_number_helps_against_a_real_change() {
        let plan = NoiseBudget::planned(50, 8, 6, 1, 0.01);
        assert_eq!(plan.stars_needed(0.02, 0.01, 0.95), Ok(None));
        assert_eq!(plan.stars_needed(0.0, 1.0, 0.95), Ok(Some(50)));
    }
}
