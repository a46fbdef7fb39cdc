//! The noise checks to expect of a stack not yet taken, whose stated errors will be true: a check may
//! by chance find them too large or too small, and below a cubic basis all scatter that may be change
//! is allowed for.

use rand::{SeedableRng, rngs::StdRng};
use rand_distr::{ChiSquared, Distribution};
use statrs::distribution::{ContinuousCDF, Normal};

use super::change::{ENOUGH_DEGREE, Row};
use super::noise_check::{Correlated, Excess, NoiseCheck, Residual, SIGNIFICANT, neighbours};
use super::places::unseen_over_scatter;
use crate::field::{Basis, basis::functions_of_degree};

/// Most stars among which pairs of neighbours are sought; of more, the same share is paired.
const MOST_PAIRED: usize = 1000;

/// What one check does to the interval.
#[derive(Debug, Clone)]
pub(super) struct PlannedCheck {
    /// The noise that the errors are then taken to give, over that which they give.
    pub noise_factor: f64,
    /// Scatter to be counted as change, if it is.
    pub counted: Option<NoiseCheck>,
}

/// A planned star: where it is in the frame of the basis, the variance of its value in one exposure,
/// and the share of it that the field's functions take up.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlannedStar {
    pub x: f64,
    pub y: f64,
    pub variance: f64,
    pub leverage: f64,
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
    let row = |(star, s): (usize, &PlannedStar)| Row {
        star,
        exposure: 0,
        x: s.x,
        y: s.y,
        sigma: s.variance.sqrt(),
    };
    let rows: Vec<Row> = stars.iter().enumerate().map(row).collect();
    let weights: Vec<f64> = stars.iter().map(|s| 1.0 / s.variance).collect();
    unseen_over_scatter(basis, 1, &rows, &weights)
}

/// As many checks as there are `ranks`, of equal probability: ranks (0 to 1) of the scatter of the
/// residuals and of their neighbours' covariance, independent of one another and of the change. The
/// scatter of all is chi-square, with `(exposures - 1) components (1 - leverage)` degrees of freedom
/// a star.
pub(super) fn planned_checks(
    stars: &[PlannedStar],
    design: Design,
    ranks: &[(f64, f64)],
    seed: u64,
) -> Vec<PlannedCheck> {
    let Design { exposures, components, functions, .. } = design;
    let contrasts = ((exposures - 1) * components) as f64;
    let dof = contrasts * stars.iter().map(|s| 1.0 - s.leverage).sum::<f64>();
    let (pairs, scatter_of_pairs) = expected_neighbours(stars, exposures, components);
    let mut rng = StdRng::seed_from_u64(seed);
    let check = |&(rank, rank_of_neighbours): &(f64, f64)| {
        let scatter = chi_square_quantile(rank, dof);
        let correlated = Correlated { variance: scatter_of_pairs * normal(rank_of_neighbours), ..pairs };
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
            correlated,
            unseen_elsewhere: design.unseen_elsewhere,
        };
        if functions >= functions_of_degree(ENOUGH_DEGREE) && !check.in_doubt() {
            return PlannedCheck { noise_factor: variance_factor, counted: None };
        }
        check.excess = drawn_excess(stars, contrasts, scatter, &mut rng);
        let mut noise_factor = variance_factor;
        if check.p_excess < SIGNIFICANT {
            check.excess_variance = check.excess.variance;
            noise_factor = information(stars, 0.0) / information(stars, check.excess_variance);
        }
        PlannedCheck { noise_factor, counted: Some(check) }
    };
    ranks.iter().map(check).collect()
}

/// What exceeds the errors if the scatter comes out as given, shared among the stars at random.
fn drawn_excess(stars: &[PlannedStar], contrasts: f64, scatter: f64, rng: &mut StdRng) -> Excess {
    let draw = ChiSquared::new(contrasts)
        .map_or(vec![contrasts; stars.len()], |chi2| stars.iter().map(|_| chi2.sample(rng)).collect());
    let pulls: Vec<f64> = stars.iter().zip(draw).map(|(s, d)| (1.0 - s.leverage) * d).collect();
    let scale = scatter / pulls.iter().sum::<f64>();
    let terms = stars
        .iter()
        .zip(pulls)
        .map(|(s, pull)| (scale * pull * s.variance, s.variance, contrasts * (1.0 - s.leverage)));
    Excess::of(&(0..stars.len()).collect::<Vec<_>>(), terms.collect())
}

fn information(stars: &[PlannedStar], floor: f64) -> f64 {
    stars.iter().map(|s| 1.0 / (s.variance + floor)).sum()
}

/// The neighbours' covariance of white scatter: zero, with the error that the check states, and the
/// standard deviation that it has, smaller because the fit takes up part of each residual.
fn expected_neighbours(stars: &[PlannedStar], exposures: usize, components: usize) -> (Correlated, f64) {
    let every = stars.len().div_ceil(MOST_PAIRED);
    let of = |variance: fn(&PlannedStar) -> f64| {
        let row = |(star, s): (usize, &PlannedStar)| Residual {
            star,
            exposure: 0,
            x: s.x,
            y: s.y,
            value: [0.0; 2],
            variance: variance(s),
            leverage: s.leverage,
        };
        let rows: Vec<Residual> = stars.iter().step_by(every).enumerate().map(row).collect();
        let stated: Vec<f64> = rows.iter().map(|r| r.variance).collect();
        let once = neighbours(&rows, &stated, exposures, components, |_, _| 0.0);
        // Nothing is drawn: what the pairs would scatter by is not known.
        Correlated { own: 0.0, err: once.err / ((exposures * every) as f64).sqrt(), ..once }
    };
    // Weights 1/(v_i v_j) and products of variance v_i v_j (1-h_i)(1-h_j): the sums of both.
    let stated = of(|s| s.variance);
    let left = of(|s| s.variance / (1.0 - s.leverage).max(1e-6));
    let scatter = if left.err > 0.0 { stated.err * stated.err / left.err } else { 0.0 };
    (stated, scatter)
}

fn chi_square_quantile(p: f64, dof: f64) -> f64 {
    statrs::distribution::ChiSquared::new(dof).map_or(dof, |chi2| chi2.inverse_cdf(p))
}

fn normal(p: f64) -> f64 {
    Normal::standard().inverse_cdf(p)
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
            leverage: 6.0 / count as f64,
        };
        (0..count).map(star).collect()
    }

    fn checks(functions: usize, rank: f64) -> PlannedCheck {
        let design = Design { exposures: 6, components: 1, functions, unseen_elsewhere: 0.0 };
        planned_checks(&stars(60), design, &[(rank, 0.5)], 1).remove(0)
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
