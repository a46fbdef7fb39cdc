//! What a stack not yet taken will show: the upper bounds to expect, and the chance of each
//! decision, by the same generalised chi-square that the interval of a measured stack inverts.

use nalgebra::{DMatrix, DVector};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rayon::prelude::*;
use thiserror::Error;

use super::RepeatError;
use super::change::degree_for;
use super::interval::{NoiseMode, POWER_QUANTILE, RmsChange, rms_change, under_change};
use super::noise_check::CountedAsChange;
use super::planned_check::{Design, PlannedCheck, PlannedStar, planned_checks, unseen_elsewhere};
use super::quadratic_form::{QuadraticForm, Term};
use super::root::crossing;
use crate::field::Basis;

/// Standard error of ln T, and of each component of e, times the SNR: 2 for a Gaussian star under
/// sky noise (Fisher matrix; 1.85 to 2.05 for an obstructed Airy pattern).
pub const ERROR_TIMES_SNR: f64 = 2.0;

/// Star fields that are averaged over, each for an equal share of those drawn in the order of
/// their noise: at least this many, and more with few stars, of which some fields have neighbours that tell
/// a change from noise, and some have none.
const FIELDS: usize = 12;
const MOST_FIELDS: usize = 48;
const STARS_IN_ALL_FIELDS: usize = 1200;

/// Star fields drawn, unless that would place more stars than the second number.
const DRAWN: usize = 300;
const MOST_PLACED: usize = 2_000_000;

/// Estimates of all fields together over whose distribution a mean is taken, and least of one field.
const ESTIMATES: usize = 108;
const LEAST_ESTIMATES: usize = 3;

/// Noise checks of all fields together. Their ranks lie between one another's from field to field.
const CHECKS: usize = 144;

/// Changes, as shares of the limit's square, between which what they let through is interpolated.
const KNOTS: usize = 10;

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

/// The noise of a planned change in each of some random star fields.
#[derive(Debug, Clone)]
pub struct PlannedChange {
    exposures: usize,
    fields: Vec<PlannedField>,
}

/// The independent directions of the noise, and the noise checks that may come with it.
#[derive(Debug, Clone)]
struct PlannedField {
    modes: Vec<NoiseMode>,
    checks: Vec<PlannedCheck>,
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
        let fields = (STARS_IN_ALL_FIELDS / star_snrs.len()).clamp(FIELDS, MOST_FIELDS);
        let drawn = (MOST_PLACED / star_snrs.len()).clamp(FIELDS, DRAWN);
        let mut draws: Vec<(u64, DVector<f64>)> = (0..drawn as u64)
            .into_par_iter()
            .filter_map(|seed| {
                let (variances, _) = independent(&information(&basis, star_snrs, seed))?;
                Some((seed, variances))
            })
            .collect();
        if draws.len() < fields {
            return Err(too_few);
        }
        draws.sort_by(|a, b| a.1.sum().total_cmp(&b.1.sum()));
        let planned = |k: usize| {
            let (seed, variances) = &draws[(2 * k + 1) * draws.len() / (2 * fields)];
            let modes = variances.iter().map(|v| NoiseMode { lambda: v / dof, dof, square: 0.0 }).collect();
            let stars = stars_of(&basis, star_snrs, *seed);
            let unseen_elsewhere = unseen_elsewhere(&basis, &stars);
            let design = Design { exposures, components, functions: basis.functions(), unseen_elsewhere };
            PlannedField {
                modes,
                checks: planned_checks(&stars, design, &ranks(k, fields, CHECKS / fields), *seed),
            }
        };
        Ok(Self { exposures, fields: (0..fields).into_par_iter().map(planned).collect() })
    }

    /// The upper bound to expect for a true rms change: its mean over the estimates and the noise
    /// checks that may come out.
    pub fn expected_high(&self, true_rms: f64, confidence: f64) -> Result<f64, RepeatError> {
        let of_field = |(k, field): (usize, &PlannedField)| -> Result<f64, RepeatError> {
            let counted: Vec<Option<CountedAsChange>> =
                field.checks.iter().map(|check| check.counted_as_change(confidence)).collect();
            let mut highs = vec![];
            for p in ranks(k, self.fields.len(), (ESTIMATES / self.fields.len()).max(LEAST_ESTIMATES)) {
                let modes = at_quantile(&field.modes, true_rms, p);
                let plain = rms_change(&modes, confidence)?;
                for (check, counted) in field.checks.iter().zip(&counted) {
                    let change = match check.noise_factor {
                        1.0 => plain,
                        factor => rms_change(&with_noise(&modes, factor), confidence)?,
                    };
                    highs.push(counted.map_or(change, |counted| self.with_counted(change, counted)).high);
                }
            }
            Ok(mean(&highs))
        };
        let highs: Result<Vec<f64>, RepeatError> = self.fields.par_iter().enumerate().map(of_field).collect();
        Ok(mean(&highs?))
    }

    /// The change with what its noise check counts added.
    fn with_counted(&self, change: RmsChange, counted: CountedAsChange) -> RmsChange {
        let per_row = self.exposures as f64 / (self.exposures as f64 - 1.0);
        counted.added_to(change, per_row)
    }

    /// The chance that the upper bound comes out under `limit`. It does where the estimated mean
    /// square Q is below the point that, under the largest change which with the scatter counted
    /// stays within the limit, Q undercuts with the probability of one tail; and never where noise
    /// alone holds the bound higher.
    pub fn chance_within(&self, true_rms: f64, limit: f64, confidence: f64) -> f64 {
        mean(&self.within(true_rms, limit, confidence))
    }

    /// The same for each star field.
    fn within(&self, true_rms: f64, limit: f64, confidence: f64) -> Vec<f64> {
        let chance = |field: &PlannedField| {
            let (expected, estimated) = (expected(&field.modes, true_rms), estimated(&field.modes, true_rms));
            let knots = if field.checks.iter().any(|c| c.counted.is_some()) { KNOTS } else { 1 };
            let plain = Points::new(&expected, limit, confidence, knots);
            let unchecked = plain.chance_below(plain.at_limit(), &estimated);
            let of_check = |check: &PlannedCheck| {
                let own = (check.noise_factor != 1.0).then(|| {
                    Points::new(&with_noise(&expected, check.noise_factor), limit, confidence, knots)
                });
                let points = own.as_ref().unwrap_or(&plain);
                match check.counted_as_change(confidence) {
                    None if own.is_none() => unchecked,
                    None => points.chance_below(points.at_limit(), &estimated),
                    Some(counted) => {
                        let high = |change| self.with_counted(change, counted).high;
                        points.chance_below(points.held_within(limit, high), &estimated)
                    }
                }
            };
            mean(&field.checks.iter().map(of_check).collect::<Vec<f64>>())
        };
        self.fields.par_iter().map(|field| chance(field).clamp(0.0, 1.0)).collect()
    }

    /// The chance that the lower bound comes out over `limit`.
    pub fn chance_over(&self, true_rms: f64, limit: f64, confidence: f64) -> f64 {
        mean(&self.over(true_rms, limit, confidence))
    }

    /// The same for each star field. Scatter counted as change hardly ever raises the lower bound.
    fn over(&self, true_rms: f64, limit: f64, confidence: f64) -> Vec<f64> {
        let tail = 0.5 * (1.0 - confidence);
        let chance = |field: &PlannedField| {
            let (expected, estimated) = (expected(&field.modes, true_rms), estimated(&field.modes, true_rms));
            let with_factor = |factor: f64| {
                let critical =
                    under_change(&with_noise(&expected, factor), limit * limit).quantile(1.0 - tail);
                critical.map_or(0.0, |q| estimated.survival(q))
            };
            let plain = with_factor(1.0);
            let of_check = |check: &PlannedCheck| match check.noise_factor {
                1.0 => plain,
                factor => with_factor(factor),
            };
            mean(&field.checks.iter().map(of_check).collect::<Vec<f64>>())
        };
        self.fields.par_iter().map(|field| chance(field).clamp(0.0, 1.0)).collect()
    }
}

/// Estimated mean squares whose upper bounds are changes up to a limit.
struct Points {
    /// Square of the change, and the estimate that it undercuts with the probability of one tail.
    knots: Vec<(f64, f64)>,
    /// An estimate below this tightens the bound no further.
    floor: f64,
    noise: f64,
    confidence: f64,
}

impl Points {
    fn new(modes: &[NoiseMode], limit: f64, confidence: f64, knots: usize) -> Self {
        let tail = 0.5 * (1.0 - confidence);
        let knot = |k: usize| {
            let square = limit * limit * k as f64 / knots as f64;
            (square, under_change(modes, square).quantile(tail).unwrap_or(0.0))
        };
        Self {
            knots: (0..=knots).map(knot).collect(),
            floor: under_change(modes, 0.0).quantile(POWER_QUANTILE).unwrap_or(0.0),
            noise: modes.iter().map(|m| m.lambda * m.dof).sum(),
            confidence,
        }
    }

    fn at_limit(&self) -> f64 {
        self.knots[self.knots.len() - 1].1
    }

    fn estimate(&self, square: f64) -> f64 {
        let right = self.knots.partition_point(|k| k.0 < square).clamp(1, self.knots.len() - 1);
        let (a, b) = (self.knots[right - 1], self.knots[right]);
        a.1 + (b.1 - a.1) * (square - a.0) / (b.0 - a.0)
    }

    /// The largest estimate whose upper bound, through `high`, stays within the limit.
    fn held_within(&self, limit: f64, high: impl Fn(RmsChange) -> f64) -> f64 {
        let miss = |square: f64| {
            let mean_square = self.estimate(square);
            let rms = (mean_square - self.noise).max(0.0).sqrt();
            let (confidence, noise) = (self.confidence, self.noise);
            let plain = RmsChange { rms, low: 0.0, high: square.sqrt(), confidence, mean_square, noise };
            high(plain) - limit
        };
        match crossing(miss, 0.0, limit * limit, 1e-4 * limit * limit) {
            Some(square) => self.estimate(square),
            None => 0.0,
        }
    }

    fn chance_below(&self, critical: f64, estimated: &QuadraticForm) -> f64 {
        if critical > self.floor { estimated.cdf(critical) } else { 0.0 }
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

/// So many probabilities for the `field`-th of the star fields: one in each share, so that all fields
/// together have all of them evenly.
fn ranks(field: usize, fields: usize, count: usize) -> Vec<f64> {
    let within = |k: usize| ((field + k * fields / count) % fields) as f64 + 0.5;
    (0..count).map(|k| (k as f64 + within(k) / fields as f64) / count as f64).collect()
}

/// Places of the stars: the `seed`-th draw.
fn places(stars: usize, seed: u64) -> Vec<(f64, f64)> {
    let mut rng = StdRng::seed_from_u64(seed);
    (0..stars).map(|_| (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0))).collect()
}

/// What one exposure tells of the coefficients, for stars at random places: the `seed`-th draw.
fn information(basis: &Basis, star_snrs: &[f64], seed: u64) -> DMatrix<f64> {
    let mut information = DMatrix::<f64>::zeros(basis.functions(), basis.functions());
    for (snr, (x, y)) in star_snrs.iter().zip(places(star_snrs.len(), seed)) {
        let phi = DVector::from_vec(basis.evaluate(x, y));
        information.ger((snr / ERROR_TIMES_SNR).powi(2), &phi, &phi, 1.0);
    }
    information
}

/// Variances of one exposure's coefficients along their independent directions, and these; none
/// where the stars do not fix all.
fn independent(information: &DMatrix<f64>) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let eigen = information.clone().symmetric_eigen();
    let largest = eigen.eigenvalues.max();
    let fixed = eigen.eigenvalues.iter().all(|v| *v > 1e-9 * largest);
    fixed.then(|| (eigen.eigenvalues.map(f64::recip), eigen.eigenvectors))
}

/// The stars of one draw with what the field takes of each.
fn stars_of(basis: &Basis, star_snrs: &[f64], seed: u64) -> Vec<PlannedStar> {
    let Some((variances, directions)) = independent(&information(basis, star_snrs, seed)) else {
        return vec![];
    };
    let star = |(snr, (x, y)): (&f64, (f64, f64))| {
        let variance = (ERROR_TIMES_SNR / snr).powi(2);
        let along = directions.tr_mul(&DVector::from_vec(basis.evaluate(x, y)));
        let fitted = along.iter().zip(&variances).map(|(a, v)| a * v.sqrt()).collect();
        PlannedStar { x, y, variance, fitted }
    };
    star_snrs.iter().zip(places(star_snrs.len(), seed)).map(star).collect()
}

/// The modes with the squares to expect: noise, and the true change spread evenly over the
/// functions of the field.
fn expected(modes: &[NoiseMode], true_rms: f64) -> Vec<NoiseMode> {
    let part = true_rms * true_rms / modes.len() as f64;
    modes.iter().map(|m| NoiseMode { square: m.lambda * m.dof + part, ..*m }).collect()
}

/// The modes as errors that are taken to be larger by a factor in the variance would have them.
fn with_noise(modes: &[NoiseMode], factor: f64) -> Vec<NoiseMode> {
    modes.iter().map(|m| NoiseMode { lambda: factor * m.lambda, ..*m }).collect()
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
        let budget = super::super::needed::NoiseBudget::planned(3000, 6, 10, 2, sigma);
        let simple = budget.expected_high(0.001, 3000.0, 6.0, 0.95).unwrap();
        // There of an estimate at its mean, here of the mean over estimates: a little less.
        let mut plan = planned(3000, 6, 2);
        let with_checks = plan.expected_high(0.001, 0.95).unwrap();
        let true_errors = PlannedCheck { noise_factor: 1.0, counted: None };
        plan.fields.iter_mut().for_each(|field| field.checks = vec![true_errors.clone()]);
        let found = plan.expected_high(0.001, 0.95).unwrap();
        // The few checks that by chance count scatter as change raise the mean.
        assert!(with_checks > found, "{with_checks} {found}");
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
