//! How well each exposure's own field model predicts: the error of stars held out of it.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::RepeatError;
use super::interval::RmsChange;
use super::root::crossing_above;
use crate::field::Basis;
use crate::field::FieldError;
use crate::field::order::{WithoutFolds, fold_of_each, held_out_residuals};
use crate::field::robust::{BISQUARE_TUNING, scale_about_zero};

/// Held-out residuals of one exposure and component, with the stars' errors.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeldOut {
    pub residuals: Vec<f64>,
    pub sigmas: Vec<f64>,
    /// Stars beyond 4.685 times the robust scale of the held-out residuals, left out.
    pub rejected: usize,
}

/// Predicts each star of one exposure by the robust model fitted without its fold.
pub fn hold_out(
    basis: &Basis,
    xs: &[f64],
    ys: &[f64],
    values: &[f64],
    sigmas: &[f64],
    folds: usize,
) -> Result<HeldOut, RepeatError> {
    let fold = fold_of_each(values.len(), folds)?;
    Ok(HeldOut::of(&held_out_residuals(basis, xs, ys, values, sigmas, &fold)?, sigmas))
}

impl HeldOut {
    /// From the held-out residuals of all stars.
    pub fn of(residuals: &[f64], sigmas: &[f64]) -> Self {
        let pulls: Vec<f64> = residuals.iter().zip(sigmas).map(|(r, s)| r / s).collect();
        let limit = BISQUARE_TUNING * scale_about_zero(&pulls).unwrap_or(1.0).max(1.0);
        let kept: Vec<usize> = (0..pulls.len()).filter(|i| pulls[*i].abs() < limit).collect();
        Self {
            residuals: kept.iter().map(|i| residuals[*i]).collect(),
            sigmas: kept.iter().map(|i| sigmas[*i]).collect(),
            rejected: pulls.len() - kept.len(),
        }
    }
}

/// For every star and every fold, value minus the robust model fitted without the star's own fold
/// and that one (index `[star][fold]`): of a pair, each star's residual by the other's fold
/// leaves both out of the fit.
pub fn hold_out_pairs(
    basis: &Basis,
    xs: &[f64],
    ys: &[f64],
    values: &[f64],
    sigmas: &[f64],
    fold: &[usize],
) -> Result<Vec<Vec<f64>>, FieldError> {
    let folds = fold.iter().max().map_or(0, |f| f + 1);
    let mut residuals = vec![vec![0.0; folds]; values.len()];
    let without = WithoutFolds::new(basis, xs, ys, values, sigmas)?;
    for (a, b) in (0..folds).flat_map(|a| (a..folds).map(move |b| (a, b))) {
        let model = without.model(|i| fold[i] != a && fold[i] != b)?;
        for i in (0..values.len()).filter(|&i| fold[i] == a || fold[i] == b) {
            residuals[i][if fold[i] == a { b } else { a }] = without.left(&model, i);
        }
    }
    Ok(residuals)
}

/// The rms error of the models behind `parts` (exposures, components): the variance `v` with
/// `sum r^2/(sigma^2 + v)` equal to its expectation, and to the quantiles of chi-square for the
/// interval (the Q-profile of [`super::random_effects`], mean known). A star's own departure from
/// the field (a pair, a colour) counts as error of the model. None without stars.
pub fn model_error(parts: &[&HeldOut], confidence: f64) -> Result<Option<RmsChange>, RepeatError> {
    if !(confidence > 0.5 && confidence < 1.0) {
        return Err(RepeatError::BadConfidence { confidence });
    }
    let stars: Vec<(f64, f64)> =
        parts.iter().flat_map(|p| p.residuals.iter().zip(&p.sigmas).map(|(r, s)| (r * r, s * s))).collect();
    let dof = stars.len() as f64;
    let Ok(chi2) = ChiSquared::new(dof) else { return Ok(None) };
    let tail = 0.5 * (1.0 - confidence);
    let q_at = |v: f64| stars.iter().map(|(square, noise)| square / (noise + v)).sum::<f64>();
    let typical = stars.iter().map(|s| s.1).sum::<f64>() / dof;
    let reach = |target: f64| {
        if q_at(0.0) <= target {
            return 0.0;
        }
        crossing_above(|v| q_at(v) - target, 0.0, typical, 1e-10).unwrap_or(0.0)
    };
    Ok(Some(RmsChange {
        rms: reach(dof).sqrt(),
        low: reach(chi2.inverse_cdf(1.0 - tail)).sqrt(),
        high: reach(chi2.inverse_cdf(tail)).sqrt(),
        confidence,
        mean_square: stars.iter().map(|s| s.0).sum::<f64>() / dof,
        noise: typical,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    fn exposure(ripple: f64, seed: u64) -> HeldOut {
        let mut rng = StdRng::seed_from_u64(seed);
        let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 2).unwrap();
        let (mut xs, mut ys, mut values) = (vec![], vec![], vec![]);
        for _ in 0..200 {
            let (x, y) = (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0));
            let noise: f64 = rng.sample(StandardNormal);
            xs.push(x);
            ys.push(y);
            values.push(x - y * y + ripple * (15.0f64 * x).sin() + noise);
        }
        hold_out(&basis, &xs, &ys, &values, &[1.0; 200], 10).unwrap()
    }

    /// A perfect form leaves the error of its coefficients, `sqrt(K/N)` noise, K = 6, N = 180.
    #[test]
    fn a_fitting_model_errs_by_its_coefficients() {
        let parts: Vec<HeldOut> = (0..40).map(|seed| exposure(0.0, seed)).collect();
        let found = model_error(&parts.iter().collect::<Vec<_>>(), 0.95).unwrap().unwrap();
        let expected = (6.0f64 / 180.0).sqrt();
        assert!(found.low < 1.2 * expected && found.high > expected, "{found:?} {expected}");
    }

    #[test]
    fn what_the_model_lacks_is_found() {
        let parts: Vec<HeldOut> = (0..10).map(|seed| exposure(1.0, seed)).collect();
        let found = model_error(&parts.iter().collect::<Vec<_>>(), 0.95).unwrap().unwrap();
        // The ripple has rms 1/sqrt(2), and the coefficients their own error.
        let expected = (0.5f64 + 6.0 * 1.5 / 180.0).sqrt();
        assert!(found.low < expected && expected < found.high, "{found:?} {expected}");
        assert_eq!(model_error(&[], 0.95), Ok(None));
    }
}
