//! Correlation functions of what the exposures' own models leave of their stars, and what they
//! do to the correlation function of shear.

use rayon::prelude::*;

use super::super::model::{CorrelationBin, Estimate, Reason, ResidualCorrelation};
use super::super::own_model::OwnModel;
use super::super::reasons;
use super::super::results::finite;
use super::super::stack::{Exposure, Measured, Stack};
use crate::field::{FieldFit, order::fold_of_each};
use crate::repeat::held_out::hold_out_pairs;
use crate::repeat::interval::two_sided_normal;
use crate::repeat::residual_correlation::{
    self as rho, CorrelatedStar, MIN_EXPOSURES, PairCounts, correlation_of, edges_between, separations,
};
use crate::shear::{Requirement as Limits, SHEAR_POLARISABILITY};

/// A fit leaves two of them out, so that three fifths of the stars remain in it.
const FOLDS: usize = 5;
const BINS: usize = 8;
/// Patches along each side of the sky that the stars cover.
const PATCHES: usize = 3;
/// The brightest stars of an exposure that take part: pairs grow as the square.
const MOST_STARS: usize = 3000;

/// What the numbers mean, as reports print it.
pub const FORMULA: &str = "delta xi+ = (rho1 + rho3 + 2 rho4) / (1.84 T_gal/T_psf)^2, the correlation function of \
     the additive bias c = (1/1.84)(T_psf/T_gal)(de + e dT/T), held at every separation against c^2, the limit on \
     sigma_sys^2 (Amara & Refregier 2008, MNRAS 391, 228; a sum over both components, so up to twice as strict as c per \
     component); e is a star's own ellipticity, d star minus model, both \
     stars of a pair held out of the fit. After the published form (Jarvis et al. 2016, MNRAS 460, 2245; its factors \
     vary between papers, from memory), with rho4 in both orders; its terms in xi+ (the m of the shear budget) and \
     in the leakage alpha (rho2, rho5: only galaxies tell) are left out";

/// The correlation functions over the exposures at `places`; `None` where no exposure has stars
/// enough for models with two folds left out.
pub fn of_stack(
    stack: &Stack,
    models: &[Option<OwnModel>],
    places: &[usize],
    pixel_arcsec: Option<f64>,
    limits: &Limits,
    confidence: f64,
) -> Option<ResidualCorrelation> {
    let patches = Patches::over(stack, places);
    let unit = pixel_arcsec.map_or(1.0, |scale| scale / 60.0);
    let fitted: Vec<(&Exposure, &OwnModel)> =
        places.iter().filter_map(|&t| Some((&stack.exposures[t], models[t].as_ref()?))).collect();
    let mut edges = edges_over(&fitted, unit)?;
    let counted = |edges: &[f64]| -> Vec<Option<PairCounts>> {
        let of_exposure = |(exposure, model): &(&Exposure, &OwnModel)| {
            let stars = correlated_stars(stack, exposure, model, &patches, unit)?;
            Some(PairCounts::of(&stars, edges, PATCHES * PATCHES))
        };
        fitted.par_iter().map(of_exposure).collect()
    };
    let mut exposures = counted(&edges);
    if exposures.iter().any(Option::is_none) {
        // Exposures whose models do not bear two folds left out have no part in the bins either.
        let able: Vec<_> =
            fitted.iter().zip(&exposures).filter_map(|(e, found)| found.as_ref().map(|_| *e)).collect();
        edges = edges_over(&able, unit)?;
        exposures = counted(&edges);
    }
    let exposures: Vec<PairCounts> = exposures.into_iter().flatten().collect();
    let found = correlation_of(&exposures, &edges, PATCHES * PATCHES);
    let to_shear = limits.size_ratio.map(|ratio| (SHEAR_POLARISABILITY * ratio).powi(-2));
    let limit = limits.ellipticity_limit.powi(2);
    let stars: usize = exposures.iter().map(|counts| counts.stars).sum();
    Some(ResidualCorrelation {
        unit: if pixel_arcsec.is_some() { "arcmin" } else { "pixel" }.into(),
        exposures: u32::try_from(exposures.len()).ok()?,
        stars: u32::try_from(stars / exposures.len().max(1)).ok()?,
        errors_from: if exposures.len() >= MIN_EXPOSURES {
            "the larger of the jackknives over exposures and over patches of the sky"
        } else {
            "the jackknife over patches of the sky"
        }
        .into(),
        standing: standing(&found, limit, confidence).into(),
        additive_limit: limit,
        delta_xi_limit: to_shear.map(|factor| limit * factor),
        bins: found.iter().map(|bin| in_numbers(bin, to_shear)).collect(),
        formula: FORMULA.into(),
    })
}

/// Where the correlation is over its limit, a reason.
pub fn reason(found: &ResidualCorrelation) -> Option<Reason> {
    let worst = found.worst()?;
    let value = worst.additive.value?;
    (found.standing == "over").then(|| Reason {
        quantity: Some("rho1 + rho3 + 2 rho4".into()),
        value: Some(value),
        limit: Some(found.additive_limit),
        ..reasons::plain(
            "residual-correlation",
            format!(
                "What the exposures' own models leave of the stars hangs together over the field: \
                 rho1 + rho3 + 2 rho4 is {} at {} {}, over the limit of {}.",
                power(value),
                reasons::number(worst.separation),
                found.unit,
                power(found.additive_limit)
            ),
        )
    })
}

/// Two digits and the power of ten.
pub fn power(value: f64) -> String {
    format!("{value:.1e}")
}

/// Every bin with an error against the limit: "within" where all are, "over" where one is by a
/// bound that holds for all bins together.
fn standing(bins: &[rho::CorrelationBin], limit: f64, confidence: f64) -> &'static str {
    let known: Vec<(f64, f64)> =
        bins.iter().filter_map(|bin| Some((bin.additive.value.abs(), bin.additive.err?))).collect();
    let reach = two_sided_normal(confidence);
    let joint = two_sided_normal(1.0 - (1.0 - confidence) / known.len().max(1) as f64);
    if known.iter().any(|(value, err)| value - joint * err > limit) {
        "over"
    } else if !known.is_empty() && known.iter().all(|(value, err)| value + reach * err < limit) {
        "within"
    } else {
        "cannot tell"
    }
}

fn in_numbers(bin: &rho::CorrelationBin, to_shear: Option<f64>) -> CorrelationBin {
    let estimate = |e: &rho::Estimate, factor: f64| Estimate {
        value: finite(e.value * factor),
        err: e.err.and_then(|err| finite(err * factor)),
    };
    let [rho1, rho2, rho3, rho4, rho5] = bin.rho.each_ref().map(|e| estimate(e, 1.0));
    CorrelationBin {
        from: bin.from,
        to: bin.to,
        separation: bin.separation,
        pairs: bin.pairs,
        rho1,
        rho2,
        rho3,
        rho4,
        rho5,
        additive: estimate(&bin.additive, 1.0),
        delta_xi: to_shear.map(|factor| estimate(&bin.additive, factor)),
    }
}

/// The stars of one exposure that its models keep.
fn kept<'a>(exposure: &'a Exposure, model: &OwnModel) -> Vec<&'a Measured> {
    let kept = exposure.stars.iter().zip(&model.keeps).filter(|(_, kept)| **kept);
    kept.map(|(star, _)| star).take(MOST_STARS).collect()
}

/// Edges of the bins, from the closest pair of any exposure to its widest.
fn edges_over(exposures: &[(&Exposure, &OwnModel)], unit: f64) -> Option<Vec<f64>> {
    let of_exposure = |(exposure, model): &(&Exposure, &OwnModel)| {
        let stars = kept(exposure, model);
        separations(&stars.iter().map(|s| [s.x * unit, s.y * unit]).collect::<Vec<_>>())
    };
    edges_between(&exposures.par_iter().map(of_exposure).collect::<Vec<_>>(), BINS)
}

/// The stars of one exposure that its models keep, each with its residuals by the fold of a
/// partner; in adaptive terms.
fn correlated_stars(
    stack: &Stack,
    exposure: &Exposure,
    model: &OwnModel,
    patches: &Patches,
    unit: f64,
) -> Option<Vec<CorrelatedStar>> {
    let fits = [&model.size, &model.e1, &model.e2];
    let stars = kept(exposure, model);
    let (xs, ys): (Vec<f64>, Vec<f64>) = stars.iter().map(|s| (s.x, s.y)).unzip();
    let fold = fold_of_each(stars.len(), FOLDS).ok()?;
    let left = |fit: &FieldFit, values: Vec<f64>, errors: Vec<f64>, excess: f64| {
        let sigmas: Vec<f64> = errors.iter().map(|err| err.hypot(excess)).collect();
        hold_out_pairs(&fit.basis, &xs, &ys, &values, &sigmas, &fold).ok()
    };
    let pick = |value: fn(&Measured) -> f64| stars.iter().map(|s| value(s)).collect::<Vec<f64>>();
    let [size_excess, e_excess @ ..] = model.excess;
    let size = left(fits[0], pick(|s| s.log_size), pick(|s| s.log_size_err), size_excess)?;
    let e1 = left(fits[1], pick(|s| s.e1), pick(|s| s.e_err), e_excess[0])?;
    let e2 = left(fits[2], pick(|s| s.e2), pick(|s| s.e_err), e_excess[1])?;
    let (to_size, to_e) = (1.0 / stack.size_response, 1.0 / stack.e_response);
    let star = |i: usize| CorrelatedStar {
        x: xs[i] * unit,
        y: ys[i] * unit,
        weight: 1.0 / (stars[i].e_err.powi(2) + 0.5 * (e_excess[0].powi(2) + e_excess[1].powi(2))),
        patch: patches.of(exposure, xs[i], ys[i]),
        fold: fold[i],
        e: [stars[i].e1 * to_e, stars[i].e2 * to_e],
        residuals: (0..FOLDS).map(|f| [e1[i][f] * to_e, e2[i][f] * to_e, size[i][f] * to_size]).collect(),
    };
    Some((0..stars.len()).map(star).collect())
}

/// Equal rectangles over the sky that the stars cover, so that a star is in the same patch in
/// every exposure.
struct Patches {
    from: [f64; 2],
    to: [f64; 2],
}

impl Patches {
    fn over(stack: &Stack, places: &[usize]) -> Self {
        let (mut from, mut to) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for &t in places {
            for star in &stack.exposures[t].stars {
                let p = on_sky(&stack.exposures[t], star.x, star.y);
                for axis in 0..2 {
                    (from[axis], to[axis]) = (from[axis].min(p[axis]), to[axis].max(p[axis]));
                }
            }
        }
        Self { from, to }
    }

    fn of(&self, exposure: &Exposure, x: f64, y: f64) -> usize {
        let p = on_sky(exposure, x, y);
        let along = |axis: usize| {
            let share =
                (p[axis] - self.from[axis]) / (self.to[axis] - self.from[axis]).max(f64::MIN_POSITIVE);
            ((share * PATCHES as f64) as usize).min(PATCHES - 1)
        };
        along(0) + PATCHES * along(1)
    }
}

fn on_sky(exposure: &Exposure, x: f64, y: f64) -> [f64; 2] {
    exposure.transform.map_or([x, y], |transform| transform.apply([x, y]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shear::RequirementWish;
    use crate::verdict::fixture;

    /// Ten exposures of 150 stars; a ripple in e1 that no model of degree four follows.
    fn found(ripple: f64) -> ResidualCorrelation {
        let stack = fixture::stack(10, 150, |_, star, _| {
            star.e1 += ripple * (0.03 * star.x).sin() * (0.03 * star.y).cos();
        });
        let models: Vec<Option<OwnModel>> =
            stack.exposures.iter().map(|e| Some(OwnModel::fit(e)?.0)).collect();
        let limits = Limits::resolve(&RequirementWish::default()).unwrap();
        let places: Vec<usize> = (0..10).collect();
        of_stack(&stack, &models, &places, Some(0.6), &limits, 0.95).unwrap()
    }

    #[test]
    fn models_that_follow_the_field_are_within() {
        let found = found(0.0);
        assert_eq!((found.standing.as_str(), found.unit.as_str()), ("within", "arcmin"), "{found:?}");
        assert!(reason(&found).is_none());
        // 1000 pixels of 0.6 arcsec.
        assert!(found.bins.last().unwrap().to < 10.0 * std::f64::consts::SQRT_2);
        let bin = &found.bins[4];
        let ratio = bin.additive.value.unwrap() / bin.delta_xi.unwrap().value.unwrap();
        assert!((ratio - (1.84f64 * 1.5).powi(2)).abs() < 1e-9);
        assert!((found.delta_xi_limit.unwrap() - 0.0015f64.powi(2)).abs() < 1e-15);
    }

    #[test]
    fn a_ripple_that_no_model_follows_is_spoken_of() {
        let found = found(0.04);
        let reason = reason(&found).expect("over the limit");
        assert_eq!(reason.code, "residual-correlation");
        // The mean square, a quarter, times J0(sqrt(2) k r) = 1 - x^2/4 + x^4/64 - ... for close pairs.
        let bin = found.bins.iter().find(|bin| bin.pairs > 150).unwrap();
        let (value, err) = (bin.rho1.value.unwrap(), bin.rho1.err.unwrap());
        let x = std::f64::consts::SQRT_2 * 0.03 * bin.separation * 60.0 / 0.6;
        assert!(x < 1.5, "{x}");
        let expected = 0.25 * 0.04f64.powi(2) * (1.0 - x.powi(2) / 4.0 + x.powi(4) / 64.0);
        assert!((value - expected).abs() < 3.0 * err && value > 3.0 * err, "{value} {err} {expected}");
    }
}
