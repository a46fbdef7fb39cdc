//! The noise checks to expect of a stack not yet taken, whose stated errors will be true: a check may
//! by chance find them too large or too small, and below a cubic basis all scatter that may be change
//! is allowed for.

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::{ChiSquared, Distribution, StandardNormal};
use statrs::distribution::ContinuousCDF;

use super::change::{ENOUGH_DEGREE, Layout, Place};
use super::noise_check::{
    Correlated, CountedAsChange, Excess, NoiseCheck, Residual, SIGNIFICANT, Scatter, neighbours,
    side_of_the_field,
};
use super::places::unseen_over_scatter;
use crate::field::{Basis, basis::functions_of_degree};

/// Most residuals that are drawn of a check, to see how neighbours scatter; of more, every so manieth star and
/// exposure.
const MOST_DRAWN: usize = 6000;
const MOST_STARS_DRAWN: usize = 1000;

/// What one check does to the interval.
#[derive(Debug, Clone)]
pub(super) struct PlannedCheck {
    /// The noise that the errors are then taken to give, over that which they give.
    pub noise_factor: f64,
    /// Scatter to be counted as change, if it is.
    pub counted: Option<NoiseCheck>,
}

impl PlannedCheck {
    /// What it counts as change; none where nothing is.
    pub fn counted_as_change(&self, confidence: f64) -> Option<CountedAsChange> {
        Some(self.counted.as_ref()?.counted_as_change(confidence))
    }
}

/// A planned star: where it is in the frame of the basis, and the variance of its value in one exposure.
#[derive(Debug, Clone)]
pub(super) struct PlannedStar {
    pub x: f64,
    pub y: f64,
    pub variance: f64,
    /// The fitted value's part along each independent direction of the coefficients, times that one's standard
    /// deviation: products of two stars' parts add up to the covariance of their fitted values.
    pub fitted: Vec<f64>,
}

impl PlannedStar {
    /// The share of its variance that the field's functions take up.
    fn leverage(&self) -> f64 {
        (self.fitted.iter().map(|f| f * f).sum::<f64>() / self.variance).min(1.0)
    }
}

/// A planned stack, as the check sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Design {
    pub exposures: usize,
    pub components: usize,
    pub functions: usize,
    /// What the places of the stars may not show, see `places`.
    pub unseen_elsewhere: f64,
}

/// What stars at these places would not show of a change finer than `basis`.
pub(super) fn unseen_elsewhere(basis: &Basis, stars: &[PlannedStar]) -> f64 {
    let place = |(star, s): (usize, &PlannedStar)| Place { star, exposure: 0, x: s.x, y: s.y };
    let layout = Layout::new(1, stars.iter().enumerate().map(place));
    let weights: Vec<f64> = stars.iter().map(|s| 1.0 / s.variance).collect();
    unseen_over_scatter(basis, &layout, &weights)
}

/// As many checks as there are `ranks` (0 to 1) of the scatter of the residuals, of equal probability, whatever
/// the change. The scatter of all is chi-square, with `(exposures - 1) components (1 - leverage)` degrees of
/// freedom a star; how neighbours scatter is drawn.
pub(super) fn planned_checks(
    stars: &[PlannedStar],
    design: Design,
    ranks: &[f64],
    seed: u64,
) -> Vec<PlannedCheck> {
    let Design { exposures, components, functions, .. } = design;
    let contrasts = ((exposures - 1) * components) as f64;
    let dof = contrasts * stars.iter().map(|s| 1.0 - s.leverage()).sum::<f64>();
    let mut rng = StdRng::seed_from_u64(seed);
    let check = |&rank: &f64| {
        let scatter = chi_square_quantile(rank, dof);
        let variance_factor = if rank < SIGNIFICANT { scatter / dof } else { 1.0 };
        let mut check = NoiseCheck {
            pull: (scatter / dof).sqrt(),
            exposure_pull: vec![],
            dof,
            p_excess: 1.0 - rank,
            p_deficit: rank,
            excess_variance: 0.0,
            variance_factor,
            excess: Excess::default(),
            correlated: Correlated::default(),
            unseen_elsewhere: design.unseen_elsewhere,
        };
        let mut noise_factor = variance_factor;
        check.excess = drawn_excess(stars, contrasts, scatter, &mut rng);
        if check.p_excess < SIGNIFICANT {
            check.excess_variance = check.excess.variance;
            noise_factor = information(stars, 0.0) / information(stars, check.excess_variance);
        }
        check.correlated = drawn_neighbours(stars, design, scatter / dof, check.excess_variance, &mut rng);
        if functions >= functions_of_degree(ENOUGH_DEGREE) && !check.in_doubt() {
            return PlannedCheck { noise_factor, counted: None };
        }
        PlannedCheck { noise_factor, counted: Some(check) }
    };
    ranks.iter().map(check).collect()
}

/// What exceeds the errors if the scatter comes out as given, shared among the stars at random.
fn drawn_excess(stars: &[PlannedStar], contrasts: f64, scatter: f64, rng: &mut StdRng) -> Excess {
    let draw = ChiSquared::new(contrasts)
        .map_or(vec![contrasts; stars.len()], |chi2| stars.iter().map(|_| chi2.sample(rng)).collect());
    let pulls: Vec<f64> = stars.iter().zip(draw).map(|(s, d)| (1.0 - s.leverage()) * d).collect();
    let scale = scatter / pulls.iter().sum::<f64>();
    let scatter = |(star, (s, pull)): (usize, (&PlannedStar, f64))| Scatter {
        star,
        square: scale * pull * s.variance,
        noise: s.variance,
        free: contrasts * (1.0 - s.leverage()),
    };
    Excess::of(|| stars.iter().zip(pulls.iter().copied()).enumerate().map(scatter))
}

fn information(stars: &[PlannedStar], floor: f64) -> f64 {
    stars.iter().map(|s| 1.0 / (s.variance + floor)).sum()
}

/// How neighbours scatter, if all scatter is white and comes out as `relative` to what the errors give, for which
/// the fit takes `floor` more than they.
fn drawn_neighbours(
    stars: &[PlannedStar],
    design: Design,
    relative: f64,
    floor: f64,
    rng: &mut StdRng,
) -> Correlated {
    let components = design.components;
    let every = stars.len().div_ceil(MOST_STARS_DRAWN);
    // Every so manieth star alone does not give the fit: their noise is then left white.
    let bare =
        |s: &PlannedStar| PlannedStar { fitted: if every > 1 { vec![] } else { s.fitted.clone() }, ..*s };
    let drawn: Vec<PlannedStar> = stars.iter().step_by(every).map(bare).collect();
    let exposures = design.exposures.min((MOST_DRAWN / drawn.len()).max(2));
    let free = 1.0 - 1.0 / exposures as f64;
    let values: Vec<Vec<Vec<f64>>> =
        (0..components).map(|_| white_residuals(&drawn, exposures, rng)).collect();
    let residual = |exposure: usize, star: usize| {
        let s = &drawn[star];
        let value = |c: usize| values.get(c).map_or(0.0, |v| v[exposure][star]);
        let value = [0, 1].map(|c| relative.sqrt() * value(c));
        let (variance, leverage) = (s.variance + floor, 1.0 - free * (1.0 - s.leverage()));
        let row = exposure * drawn.len() + star;
        Residual { row, star, x: s.x, y: s.y, value, stated: variance - floor, variance, leverage }
    };
    let of_exposure = |t: usize| (0..drawn.len()).map(move |star| residual(t, star));
    let side = side_of_the_field(|| (0..exposures).flat_map(of_exposure));
    let induced = |i: &Residual, j: &Residual| {
        let (a, b) = (&drawn[i.star].fitted, &drawn[j.star].fitted);
        -free * a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>()
    };
    let found = neighbours((0..exposures).map(|t| of_exposure(t).collect()), side, components, induced);
    // What was not drawn would average the rest out.
    let fewer = (every as f64 * (design.exposures - 1) as f64 / (exposures - 1) as f64).sqrt();
    Correlated { variance: found.variance / fewer, err: found.err / fewer, ..found }
}

/// Residuals of white noise, by exposure and star: the stars' own means and the fitted field taken off.
fn white_residuals(stars: &[PlannedStar], exposures: usize, rng: &mut StdRng) -> Vec<Vec<f64>> {
    let mut values: Vec<Vec<f64>> = (0..exposures)
        .map(|_| stars.iter().map(|s| s.variance.sqrt() * rng.sample::<f64, _>(StandardNormal)).collect())
        .collect();
    for star in 0..stars.len() {
        let mean = values.iter().map(|v| v[star]).sum::<f64>() / exposures as f64;
        values.iter_mut().for_each(|v| v[star] -= mean);
    }
    for exposure in &mut values {
        let mut coefficients = vec![0.0; stars.first().map_or(0, |s| s.fitted.len())];
        for (star, value) in stars.iter().zip(exposure.iter()) {
            let weighted = value / star.variance;
            coefficients.iter_mut().zip(&star.fitted).for_each(|(c, f)| *c += f * weighted);
        }
        for (star, value) in stars.iter().zip(exposure.iter_mut()) {
            *value -= coefficients.iter().zip(&star.fitted).map(|(c, f)| c * f).sum::<f64>();
        }
    }
    values
}

fn chi_square_quantile(p: f64, dof: f64) -> f64 {
    statrs::distribution::ChiSquared::new(dof).map_or(dof, |chi2| chi2.inverse_cdf(p))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stars(count: usize) -> Vec<PlannedStar> {
        let side = (count as f64).sqrt();
        let star = |k: usize| PlannedStar {
            x: 2.0 * (k as f64 / side).fract() - 1.0,
            y: 2.0 * k as f64 / count as f64 - 1.0,
            variance: 1e-4 * (1 + k % 3) as f64,
            // Without a field.
            fitted: vec![],
        };
        (0..count).map(star).collect()
    }

    fn checks(functions: usize, rank: f64) -> PlannedCheck {
        let design = Design { exposures: 6, components: 1, functions, unseen_elsewhere: 0.0 };
        planned_checks(&stars(60), design, &[rank], 1).remove(0)
    }

    #[test]
    fn a_cubic_basis_allows_for_what_stands_out() {
        assert!(checks(10, 0.5).counted.is_none() && checks(10, 0.5).noise_factor == 1.0);
        assert!(checks(10, 0.01).noise_factor < 0.9);
        let excess = checks(10, 0.99);
        assert!(excess.noise_factor > 1.0 && excess.counted.unwrap().excess_variance > 0.0);
    }

    #[test]
    fn a_lower_basis_always_allows() {
        let counted = |rank: f64| checks(6, rank).counted.unwrap().counted_as_change(0.95);
        assert!(counted(0.3).variance == 0.0 && counted(0.3).high > 0.0);
        assert!(counted(0.9).high > counted(0.3).high);
    }

    /// Tables of the chi-square distribution (Abramowitz & Stegun 1964, table 26.8).
    #[test]
    fn quantiles_are_those_of_tables() {
        for (p, dof, tabled) in [(0.975, 10.0, 20.4832), (0.05, 30.0, 18.4927), (0.99, 100.0, 135.807)] {
            let found = chi_square_quantile(p, dof);
            assert!((found / tabled - 1.0).abs() < 2e-3, "{found} {tabled}");
        }
    }
}
