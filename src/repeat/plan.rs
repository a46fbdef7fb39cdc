//! What a stack not yet taken will show: the upper bounds to expect, and the chance of each
//! decision, by the same generalised chi-square that the interval of a measured stack inverts.

use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rayon::prelude::*;
use thiserror::Error;

use super::RepeatError;
use super::change::degree_for;
use super::interval::{NoiseMode, POWER_QUANTILE, rms_change, under_change};
use super::quadratic_form::{QuadraticForm, Term};
use crate::field::Basis;

/// Standard error of ln T, and of each component of e, times the SNR: 2 for a Gaussian star under
/// sky noise (Fisher matrix; 1.85 to 2.05 for an obstructed Airy pattern).
pub const ERROR_TIMES_SNR: f64 = 2.0;

/// Star fields that are averaged over, each for an equal share of those drawn in the order of
/// their noise.
const FIELDS: usize = 12;

/// Star fields drawn, unless that would place more stars than the second number.
const DRAWN: usize = 300;
const MOST_PLACED: usize = 2_000_000;

/// Probabilities at whose quantiles a mean over the distribution of the estimate is taken.
const MIDDLES_OF_THIRDS: [f64; 3] = [1.0 / 6.0, 0.5, 5.0 / 6.0];

/// What keeps a plan from being made.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum PlanError {
    #[error("{name} = {value} must be a finite number above zero")]
    NotPositive { name: &'static str, value: f64 },
    #[error("star counts need at least one SNR with its number of stars per arcmin2")]
    NoCounts,
    #[error(
        "the counts must fall with SNR: give the number of stars of SNR {bright} and more below that of {faint} and more"
    )]
    CountsRise { bright: f64, faint: f64 },
    #[error(
        "{stars:.0} usable stars an exposure are more than a plan needs: give a smaller field or a larger stars.min_snr"
    )]
    TooManyStars { stars: f64 },
    #[error(
        "{stars} usable stars an exposure cannot fix a field: give a larger field, longer exposures or a smaller stars.min_snr"
    )]
    TooFewStars { stars: usize },
    #[error(transparent)]
    Repeat(#[from] RepeatError),
}

/// The noise of a planned change: for each of some random star fields, its independent directions.
#[derive(Debug, Clone)]
pub struct PlannedChange {
    fields: Vec<Vec<NoiseMode>>,
}

impl PlannedChange {
    /// `exposures` of the same stars, SNR each in one exposure, evenly scattered over the field;
    /// `components` averaged (1 for ln T, 2 for e). The field is a polynomial of the degree that
    /// judging would take for so many stars.
    ///
    /// With every star in every exposure and its own value free, each of the `exposures - 1`
    /// contrasts of a coefficient has the covariance of one exposure's coefficients,
    /// `(sum_s phi phi^T / sigma_s^2)^-1`: its eigenvalues are the modes.
    pub fn new(star_snrs: &[f64], exposures: usize, components: usize) -> Result<Self, PlanError> {
        if exposures < 2 {
            return Err(RepeatError::TooFewExposures { exposures }.into());
        }
        let too_few = PlanError::TooFewStars { stars: star_snrs.len() };
        let degree = degree_for(star_snrs.len()).ok_or(too_few.clone())?;
        let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, degree).map_err(RepeatError::Field)?;
        let dof = ((exposures - 1) * components) as f64;
        let drawn = (MOST_PLACED / star_snrs.len()).clamp(FIELDS, DRAWN);
        let mut variances: Vec<DVector<f64>> = (0..drawn)
            .into_par_iter()
            .filter_map(|field| coefficient_variances(&basis, star_snrs, field as u64))
            .collect();
        if variances.len() < FIELDS {
            return Err(too_few);
        }
        variances.sort_by(|a, b| a.sum().total_cmp(&b.sum()));
        let middle_of_share = |k: usize| (2 * k + 1) * variances.len() / (2 * FIELDS);
        let modes = |k: usize| {
            let of_field = &variances[middle_of_share(k)];
            of_field.iter().map(|v| NoiseMode { lambda: v / dof, dof, square: 0.0 }).collect()
        };
        Ok(Self { fields: (0..FIELDS).map(modes).collect() })
    }

    /// The upper bound to expect for a true rms change: its mean over the estimates that may
    /// come out.
    pub fn expected_high(&self, true_rms: f64, confidence: f64) -> Result<f64, RepeatError> {
        let highs: Result<Vec<f64>, RepeatError> = self
            .fields
            .par_iter()
            .map(|modes| {
                let highs: Result<Vec<f64>, RepeatError> = MIDDLES_OF_THIRDS
                    .iter()
                    .map(|p| Ok(rms_change(&at_quantile(modes, true_rms, *p), confidence)?.high))
                    .collect();
                highs.map(|highs| mean(&highs))
            })
            .collect();
        Ok(mean(&highs?))
    }

    /// The chance that the upper bound comes out under `limit`. It does where the estimated mean
    /// square Q is below the point that, under a change as large as the limit, Q undercuts with
    /// the probability of one tail; and never where noise alone holds the bound higher.
    pub fn chance_within(&self, true_rms: f64, limit: f64, confidence: f64) -> f64 {
        mean(&self.within(true_rms, limit, confidence))
    }

    /// The same for each star field.
    fn within(&self, true_rms: f64, limit: f64, confidence: f64) -> Vec<f64> {
        let tail = 0.5 * (1.0 - confidence);
        self.of_fields(|modes| {
            let expected = expected(modes, true_rms);
            let critical = under_change(&expected, limit * limit).quantile(tail).unwrap_or(0.0);
            let floor = under_change(&expected, 0.0).quantile(POWER_QUANTILE).unwrap_or(0.0);
            if critical > floor { estimated(modes, true_rms).cdf(critical) } else { 0.0 }
        })
    }

    /// The chance that the lower bound comes out over `limit`.
    pub fn chance_over(&self, true_rms: f64, limit: f64, confidence: f64) -> f64 {
        mean(&self.over(true_rms, limit, confidence))
    }

    /// The same for each star field.
    fn over(&self, true_rms: f64, limit: f64, confidence: f64) -> Vec<f64> {
        let tail = 0.5 * (1.0 - confidence);
        self.of_fields(|modes| {
            let expected = expected(modes, true_rms);
            let critical = under_change(&expected, limit * limit).quantile(1.0 - tail);
            critical.map_or(0.0, |q| estimated(modes, true_rms).survival(q))
        })
    }

    fn of_fields(&self, chance: impl Fn(&[NoiseMode]) -> f64 + Sync) -> Vec<f64> {
        self.fields.par_iter().map(|modes| chance(modes).clamp(0.0, 1.0)).collect()
    }
}

/// The chance of each decision about all exposures together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chances {
    pub combine: f64,
    /// Shown to be over a limit: a subset, groups, own PSFs, or nothing to combine.
    pub not_together: f64,
    pub undecided: f64,
}

/// From the planned changes of size and ellipticity of the same stars, their assumed true values
/// and limits, in that order. "Within" is asked of both; "over" of either, at half the error rate
/// each. In one star field the noise of the two is independent.
pub fn chances(
    planned: [&PlannedChange; 2],
    true_rms: [f64; 2],
    limits: [f64; 2],
    confidence: f64,
) -> Chances {
    let joint = 1.0 - 0.5 * (1.0 - confidence);
    let within = [0, 1].map(|k| planned[k].within(true_rms[k], limits[k], confidence));
    let over = [0, 1].map(|k| planned[k].over(true_rms[k], limits[k], joint));
    let both = |of: [&[f64]; 2]| mean(&of[0].iter().zip(of[1]).map(|(a, b)| a * b).collect::<Vec<_>>());
    let combine = both([&within[0], &within[1]]);
    let not_over = over.map(|chances| chances.iter().map(|p| 1.0 - p).collect::<Vec<f64>>());
    let not_together = (1.0 - both([&not_over[0], &not_over[1]])).clamp(0.0, 1.0 - combine);
    Chances { combine, not_together, undecided: (1.0 - combine - not_together).max(0.0) }
}

/// Variances of one exposure's coefficients along their independent directions, for stars at
/// random places: the `field`-th draw.
fn coefficient_variances(basis: &Basis, star_snrs: &[f64], field: u64) -> Option<DVector<f64>> {
    let mut rng = StdRng::seed_from_u64(field);
    let mut information = DMatrix::<f64>::zeros(basis.functions(), basis.functions());
    for snr in star_snrs {
        let phi = DVector::from_vec(basis.evaluate(rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0)));
        information.ger((snr / ERROR_TIMES_SNR).powi(2), &phi, &phi, 1.0);
    }
    let eigenvalues = information.symmetric_eigen().eigenvalues;
    let largest = eigenvalues.max();
    eigenvalues.iter().all(|v| *v > 1e-9 * largest).then(|| eigenvalues.map(f64::recip))
}

/// The modes with the squares to expect: noise, and the true change spread evenly over the
/// functions of the field.
fn expected(modes: &[NoiseMode], true_rms: f64) -> Vec<NoiseMode> {
    let part = true_rms * true_rms / modes.len() as f64;
    modes.iter().map(|m| NoiseMode { square: m.lambda * m.dof + part, ..*m }).collect()
}

/// The modes with squares that add up to a quantile of the estimated mean square.
fn at_quantile(modes: &[NoiseMode], true_rms: f64, p: f64) -> Vec<NoiseMode> {
    let distribution = estimated(modes, true_rms);
    let share = distribution.quantile(p).map_or(1.0, |q| q / distribution.mean());
    let scaled = |m: NoiseMode| NoiseMode { square: share * m.square, ..m };
    expected(modes, true_rms).into_iter().map(scaled).collect()
}

/// The distribution of the estimated mean square under the same.
fn estimated(modes: &[NoiseMode], true_rms: f64) -> QuadraticForm {
    let part = true_rms * true_rms / modes.len() as f64;
    QuadraticForm::new(modes.iter().map(|m| Term {
        lambda: m.lambda,
        dof: m.dof,
        noncentrality: part / m.lambda,
    }))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn planned(stars: usize, exposures: usize, components: usize) -> PlannedChange {
        PlannedChange::new(&vec![100.0; stars], exposures, components).unwrap()
    }

    /// Many equal stars: the information is that of [`crate::repeat::needed::NoiseBudget::planned`].
    #[test]
    fn many_stars_are_as_orthonormal_functions_say() {
        let sigma = ERROR_TIMES_SNR / 100.0;
        let budget = super::super::needed::NoiseBudget::planned(3000, 6, 6, 2, sigma);
        let simple = budget.expected_high(0.001, 3000.0, 6.0, 0.95).unwrap();
        // There of an estimate at its mean, here of the mean over estimates: a little less.
        let found = planned(3000, 6, 2).expected_high(0.001, 0.95).unwrap();
        assert!((0.97..1.005).contains(&(found / simple)), "{found} {simple}");
    }

    #[test]
    fn chances_follow_the_limit() {
        let plan = planned(100, 8, 1);
        let high = plan.expected_high(0.0, 0.95).unwrap();
        let within = |limit: f64| plan.chance_within(0.0, limit, 0.95);
        assert!(within(0.5 * high) < 0.01 && within(2.0 * high) > 0.99);
        assert!((0.3..0.8).contains(&within(high)), "{}", within(high));
        // A change at the limit is called within, and over, with the probability of one tail.
        assert!((plan.chance_within(2.0 * high, 2.0 * high, 0.95) - 0.025).abs() < 0.01);
        assert!((plan.chance_over(2.0 * high, 2.0 * high, 0.95) - 0.025).abs() < 0.01);
        assert!(plan.chance_over(4.0 * high, 2.0 * high, 0.95) > 0.99);
    }

    #[test]
    fn chances_add_up() {
        let (size, e) = (planned(40, 5, 1), planned(40, 5, 2));
        for true_rms in [0.0, 0.004, 0.02] {
            let c = chances([&size, &e], [true_rms, 0.5 * true_rms], [0.01, 0.008], 0.95);
            assert!((c.combine + c.not_together + c.undecided - 1.0).abs() < 1e-9, "{c:?}");
            assert!(
                [c.combine, c.not_together, c.undecided].iter().all(|p| (0.0..=1.0).contains(p)),
                "{c:?}"
            );
        }
    }

    #[test]
    fn faults_are_named() {
        assert!(matches!(PlannedChange::new(&[100.0; 3], 5, 1), Err(PlanError::TooFewStars { stars: 3 })));
        assert!(matches!(PlannedChange::new(&[100.0; 30], 1, 1), Err(PlanError::Repeat(_))));
    }
}
