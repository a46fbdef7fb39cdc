//! Does a star's brightness change its shape, as where charge already collected pushes away what
//! follows?
//!
//! Every star's residuals against the exposures' own models are averaged over the exposures and
//! fitted by `a + b F/F_max + c F_ref/F`: the first slope is a change that grows with the light, as charge
//! gives; the second takes up what a sky level slightly off, wings and neighbours do to faint
//! stars. b is the change from no light to the brightest star.

use statrs::distribution::{ContinuousCDF, Normal};

use super::super::model::{Brightness, BrightnessTrend, Reason};
use super::super::own_model::OwnModel;
use super::super::reasons;
use super::super::stack::{Measured, Stack};
use crate::field::{Basis, FieldFit, Robustness, fit, robust::median};
use crate::repeat::held_out::{HeldOut, model_error};
use crate::trend::follows::spearman;

/// Fewest stars with which the question is asked.
const MIN_STARS: usize = 30;
/// The brightest star must have this many times the median flux.
const MIN_RANGE: f64 = 3.0;
/// Chance below which a slope counts, of three that are looked at; the ranks must agree at
/// [`RANK_SIGNIFICANT`].
const SIGNIFICANT: f64 = 1e-3;
const RANK_SIGNIFICANT: f64 = 0.01;
/// Of the interval of the rank correlation, which is not looked at.
const RANK_CONFIDENCE: f64 = 0.95;

pub const FORMULA: &str = "mean residual of each star against the exposures' own models = a + b F/F_max + c F_ref/F; \
     the trend is b, from no light to the brightest star, with the chance of one as large without any";

/// The trend of ln T, e1 and e2 with brightness over the exposures at `places`; `None` with too few
/// stars or too narrow a range of brightness.
pub fn of_stack(stack: &Stack, models: &[Option<OwnModel>], places: &[usize]) -> Option<Brightness> {
    let trend = |pick: fn(&OwnModel) -> &FieldFit, err: fn(&Measured) -> f64, response: f64| {
        trend(&star_means(stack, models, places, pick, err, 1.0 / response))
    };
    let size = trend(|m| &m.size, |s| s.log_size_err, stack.size_response)?;
    let e1 = trend(|m| &m.e1, |s| s.e_err, stack.e_response)?;
    let e2 = trend(|m| &m.e2, |s| s.e_err, stack.e_response)?;
    Some(Brightness { stars: size.1, size: size.0, e1: e1.0, e2: e2.0, formula: FORMULA.into() })
}

/// Where a trend is significant, a reason.
pub fn reason(found: &Brightness) -> Option<Reason> {
    let parts = [("ln T", &found.size), ("e1", &found.e1), ("e2", &found.e2)];
    let speaking: Vec<String> = parts
        .iter()
        .filter(|(_, trend)| trend.significant)
        .map(|(name, trend)| format!("{name} by {:+.4} ± {:.4}", trend.slope, trend.err))
        .collect();
    let first = parts.iter().find(|(_, trend)| trend.significant)?;
    Some(Reason {
        quantity: Some(format!("change of {} from no light to the brightest star", first.0)),
        value: Some(first.1.slope),
        low: Some(first.1.slope - 2.0 * first.1.err),
        high: Some(first.1.slope + 2.0 * first.1.err),
        ..reasons::plain(
            "brightness-dependent",
            format!(
                "The stars' shape depends on their brightness: from no light to the brightest star {}. Galaxies are \
                 faint: correct the frames for it, or use fainter stars.",
                speaking.join(", ")
            ),
        )
    })
}

/// One star over all exposures.
struct StarMean {
    flux: f64,
    value: f64,
    err: f64,
}

fn star_means(
    stack: &Stack,
    models: &[Option<OwnModel>],
    places: &[usize],
    pick: fn(&OwnModel) -> &FieldFit,
    err: fn(&Measured) -> f64,
    scale: f64,
) -> Vec<StarMean> {
    // Weight, weighted residual, flux, measurements.
    let mut sums = vec![(0.0, 0.0, 0.0, 0.0); stack.common_stars];
    for &t in places {
        let Some(model) = &models[t] else { continue };
        for (star, residual) in stack.exposures[t].stars.iter().zip(&pick(model).residuals) {
            let (Some(identity), weight) = (star.identity(), err(star).powi(-2)) else { continue };
            if star.flux > 0.0 && weight.is_finite() {
                let sum = &mut sums[identity];
                *sum = (sum.0 + weight, sum.1 + weight * residual, sum.2 + star.flux, sum.3 + 1.0);
            }
        }
    }
    sums.into_iter()
        .filter(|sum| sum.3 > 0.0)
        .map(|(weight, value, flux, n)| StarMean {
            flux: flux / n,
            value: scale * value / weight,
            err: scale * weight.powf(-0.5),
        })
        .collect()
}

/// The slope with the light, its error and chance, and the rank correlation of what the faint
/// term leaves; with the number of stars.
fn trend(stars: &[StarMean]) -> Option<(BrightnessTrend, u32)> {
    let fluxes: Vec<f64> = stars.iter().map(|s| s.flux).collect();
    let (typical, brightest) = (median(&fluxes)?, fluxes.iter().copied().fold(0.0, f64::max));
    if stars.len() < MIN_STARS || brightest < MIN_RANGE * typical {
        return None;
    }
    let bright: Vec<f64> = fluxes.iter().map(|f| f / brightest).collect();
    let faint: Vec<f64> = fluxes.iter().map(|f| typical / f).collect();
    let values: Vec<f64> = stars.iter().map(|s| s.value).collect();
    let points: Vec<(f64, f64)> = bright.iter().copied().zip(faint.iter().copied()).collect();
    let basis = Basis::over_points(&points, 1).ok()?;
    let model = |excess: f64| {
        let sigmas: Vec<f64> = stars.iter().map(|s| s.err.hypot(excess)).collect();
        fit(&basis, &bright, &faint, &values, &sigmas, Robustness::Bisquare).ok()
    };
    // What stars scatter beyond their errors (pairs, colours) counts as error of each.
    let first = model(0.0)?;
    let used = |i: &usize| first.weights[*i] > 0.0;
    let left = HeldOut {
        residuals: (0..stars.len()).filter(used).map(|i| first.residuals[i]).collect(),
        sigmas: (0..stars.len()).filter(used).map(|i| stars[i].err).collect(),
        rejected: 0,
    };
    let fitted = model(model_error(&[&left], 0.95).ok().flatten().map_or(0.0, |error| error.rms))?;
    let (from, to) = (basis.evaluate(0.0, 1.0), basis.evaluate(1.0, 1.0));
    let direction = nalgebra::DVector::from_iterator(from.len(), to.iter().zip(&from).map(|(a, b)| a - b));
    let slope = fitted.coefficients.dot(&direction);
    let err = (&fitted.covariance * &direction).dot(&direction).max(0.0).sqrt();
    let p = 2.0 * Normal::standard().sf((slope / err).abs());
    let without_faint: Vec<f64> = (0..stars.len())
        .map(|i| values[i] - fitted.predict(bright[i], faint[i]).0 + fitted.predict(bright[i], 1.0).0)
        .collect();
    let ranks = spearman(&bright, &without_faint, RANK_CONFIDENCE).ok()?;
    let (rank_correlation, rank_p) = (ranks.value, ranks.p_value);
    let agree = rank_correlation * slope > 0.0 && rank_p < RANK_SIGNIFICANT;
    let trend =
        BrightnessTrend { slope, err, p, rank_correlation, rank_p, significant: p < SIGNIFICANT && agree };
    [slope, err, p, rank_correlation, rank_p]
        .iter()
        .all(|v| v.is_finite())
        .then_some((trend, stars.len() as u32))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::verdict::fixture;

    /// Fluxes run from 1e3 to 1e5; errors 0.003 a measurement, 0.0013 a star.
    fn found(with_light: f64, with_faintness: f64) -> Brightness {
        let stack = fixture::stack(5, 150, |_, star, _| {
            star.log_size += with_light * star.flux / 1e5 + with_faintness * 1e3 / star.flux;
        });
        let models: Vec<Option<OwnModel>> =
            stack.exposures.iter().map(|e| Some(OwnModel::fit(e)?.0)).collect();
        of_stack(&stack, &models, &[0, 1, 2, 3, 4]).unwrap()
    }

    #[test]
    fn steady_stars_do_not_speak() {
        let found = found(0.0, 0.0);
        assert!(reason(&found).is_none(), "{found:?}");
        for trend in [&found.size, &found.e1, &found.e2] {
            assert!(trend.slope.abs() < 3.5 * trend.err && trend.err < 0.001, "{found:?}");
        }
    }

    #[test]
    fn a_size_that_grows_with_the_light_is_found() {
        let found = found(0.01, 0.0);
        let reason = reason(&found).expect("0.01 of T at the brightest star");
        assert_eq!(reason.code, "brightness-dependent");
        // The brightest of 150 has all but the full 1e5; the field models take up little.
        assert!((found.size.slope - 0.01).abs() < 3.5 * found.size.err + 0.001, "{found:?}");
        assert!(!found.e1.significant && !found.e2.significant);
    }

    /// A sky level slightly off changes the faint stars: no charge.
    #[test]
    fn what_only_the_faint_stars_show_is_no_charge() {
        let found = found(0.0, 0.02);
        assert!(reason(&found).is_none(), "{found:?}");
    }
}
