//! How many stars or exposures would decide.

use super::RepeatError;
use super::change::{Change, ENOUGH_DEGREE, degree_for};
use super::interval::{NoiseMode, rms_change, with_extra};
use super::noise_check::CountedAsChange;
use crate::field::basis::functions_of_degree;

/// What the noise of a measured, or planned, change is made of.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseBudget {
    pub stars: usize,
    pub exposures: usize,
    /// The measured rms change in the functions of the basis, noise removed.
    pub rms: f64,
    functions: usize,
    /// Noise alone: `square` of the modes is not used.
    modes: Vec<NoiseMode>,
    /// Scatter that counts as change, where some does.
    counted: Option<Counted>,
}

/// Mean squares of the scatter that counts as change.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Counted {
    variance: f64,
    high: f64,
    /// It exceeds the errors, and counts however many stars there are; else it is what few stars
    /// leave unseen.
    in_doubt: bool,
}

/// No answer above this multiple of what is in hand.
const MOST: f64 = 1e4;

impl NoiseBudget {
    /// From a measured change and the number of stars (mean an exposure) behind it.
    pub fn measured(change: &Change, stars: usize, confidence: f64) -> Result<Self, RepeatError> {
        let (exposures, functions) = (change.exposures, change.functions);
        let in_doubt = change.noise_check.in_doubt();
        let counts = in_doubt || functions < functions_of_degree(ENOUGH_DEGREE);
        let per_row = exposures as f64 / (exposures as f64 - 1.0);
        let counted = counts.then(|| {
            let CountedAsChange { variance, high, .. } = change.noise_check.counted_as_change(confidence);
            Counted { variance: per_row * variance, high: per_row * high, in_doubt }
        });
        let rms = rms_change(change.modes(), confidence)?.rms;
        Ok(Self { stars, exposures, rms, functions, modes: change.modes().to_vec(), counted })
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
        Self { stars, exposures, rms: 0.0, functions, modes, counted: None }
    }

    /// The upper bound to expect for a true rms change in the functions of the basis: that of an estimate at
    /// its mean, with `stars` and `exposures` in place of those in hand. More stars divide the noise of
    /// every direction and bear more functions; more exposures multiply the directions and divide each one's
    /// part. What of the scatter counts as change is known the better the more rows there are, and what few
    /// stars leave unseen counts no more once the basis goes to [`ENOUGH_DEGREE`].
    pub fn expected_high(
        &self,
        true_rms: f64,
        stars: f64,
        exposures: f64,
        confidence: f64,
    ) -> Result<f64, RepeatError> {
        let finer = self.stars as f64 / stars;
        let more = (exposures - 1.0) / (self.exposures as f64 - 1.0).max(1.0);
        let borne = degree_for(stars as usize).map_or(0, functions_of_degree).max(self.functions);
        let wider = borne as f64 / self.functions as f64;
        let noise: f64 = self.modes.iter().map(|m| m.lambda * m.dof).sum();
        let modes: Vec<NoiseMode> = self
            .modes
            .iter()
            .map(|m| {
                let lambda = m.lambda * finer / more;
                let share = if noise > 0.0 { m.lambda * m.dof / noise } else { 0.0 };
                let dof = m.dof * more * wider;
                NoiseMode { lambda, dof, square: lambda * dof + true_rms * true_rms * share }
            })
            .collect();
        let plain = rms_change(&modes, confidence)?;
        let rows = (finer * self.exposures as f64 / exposures).sqrt();
        Ok(match self.counted {
            Some(Counted { variance, high, in_doubt: true }) => {
                with_extra(plain, variance, 0.0, variance + (high - variance) * rows).high
            }
            Some(Counted { variance, high, .. }) if borne < functions_of_degree(ENOUGH_DEGREE) => {
                with_extra(plain, variance * rows, 0.0, high * rows).high
            }
            _ => plain.high,
        })
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
        let lasting = self.counted.filter(|c| c.in_doubt).map_or(0.0, |c| c.variance);
        if true_rms.is_nan() || (true_rms * true_rms + lasting).sqrt() >= limit {
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
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    use super::super::change::{Reference, Row, measure_change};
    use super::*;
    use crate::field::Basis;

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

    /// `stars` of error 1 at random places in eight exposures that do not change.
    fn steady_stack(stars: usize, seed: u64) -> Change {
        let mut rng = StdRng::seed_from_u64(seed);
        let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, degree_for(stars).unwrap()).unwrap();
        let places: Vec<[f64; 2]> =
            (0..stars).map(|_| [(); 2].map(|_| rng.random_range(-1.0..1.0))).collect();
        let all = (0..8).flat_map(|exposure| places.iter().enumerate().map(move |place| (exposure, place)));
        let rows: Vec<Row> =
            all.map(|(exposure, (star, &[x, y]))| Row { star, exposure, x, y, sigma: 1.0 }).collect();
        let values: Vec<f64> = rows.iter().map(|_| rng.sample(StandardNormal)).collect();
        measure_change(&basis, 8, &rows, &[values], Reference::Sky).unwrap()
    }

    /// Twenty stars bear a linear basis, and the scatter that they leave unseen counts. The number asked for
    /// must hold the bound within the limit in half of the stacks; the counting error of 120 is 4.6 %.
    #[test]
    fn the_number_given_is_enough_in_half_of_the_stacks() {
        let share = |stars: usize, limit: f64| {
            let within = |seed| steady_stack(stars, seed).rms(0.95).unwrap().high < limit;
            (0..120).filter(|&seed| within(seed)).count() as f64 / 120.0
        };
        for limit in [0.7, 0.45] {
            let mut asked: Vec<usize> = (1000..1015)
                .filter_map(|seed| {
                    let budget = NoiseBudget::measured(&steady_stack(20, seed), 20, 0.95).unwrap();
                    budget.stars_needed(0.0, limit, 0.95).unwrap()
                })
                .collect();
            asked.sort_unstable();
            let middle = asked[asked.len() / 2];
            let (enough, half) = (share(middle, limit), share(middle / 2, limit));
            println!(
                "limit {limit}: {middle} stars asked for, within in {enough:.2}, with half of them {half:.2}"
            );
            assert!(enough > 0.5 - 3.0 * 0.046, "{limit}: {middle} stars {enough}");
            assert!(half < 0.5, "{limit}: half of {middle} stars {half}");
        }
    }
}
