//! Are the stated errors true, and is what exceeds them white over the field?

use std::collections::HashMap;

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::groups::Groups;
use super::interval::{RmsChange, two_sided_normal, with_extra};
use super::near::near_pairs;
use super::root::crossing_above;

/// What the residuals say of the stated errors, before any floor is fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseCheck {
    /// Rms of the residuals over their stated errors, leverage allowed for: 1 if the errors are true.
    pub pull: f64,
    /// The same by exposure; none without degrees of freedom.
    pub exposure_pull: Vec<Option<f64>>,
    /// Residual degrees of freedom, all components.
    pub dof: f64,
    /// Probability of a scatter this large, if the errors are true.
    pub p_excess: f64,
    /// Probability of a scatter this small.
    pub p_deficit: f64,
    /// Variance per star and exposure that the errors do not explain (0 unless significant).
    pub excess_variance: f64,
    /// Factor on all stated variances (below 1 where they are significantly too large).
    pub variance_factor: f64,
    /// The variance that the errors do not explain, significant or not.
    pub excess: Excess,
    /// Covariance of the residuals of neighbouring stars in the same exposure, what the fit
    /// itself induces removed: change of higher order than the basis.
    pub correlated: Correlated,
    /// Of what is counted as change, the mean square elsewhere in the field that these places may not show,
    /// as a multiple of what they do.
    pub unseen_elsewhere: f64,
}

/// The scatter beyond the stated errors: the variance v with `sum r^2/(noise + v)` equal to its
/// expectation (Paule & Mandel 1982, J. Res. NBS 87, 377).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Excess {
    pub variance: f64,
    /// Every residual that bears on it: sum of the components' squares, noise.
    terms: Vec<(f64, f64)>,
    /// Degrees of freedom of all.
    dof: f64,
    /// Degrees of freedom that a chi-square of the same relative scatter has: stars scatter by
    /// more than Gaussian noise where a change is strong in one part of the field.
    effective_dof: f64,
}

/// What one residual says of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scatter {
    pub star: usize,
    /// Sum of the components' squares.
    pub square: f64,
    pub noise: f64,
    /// Degrees of freedom.
    pub free: f64,
}

impl Excess {
    /// From the scatter of every residual.
    pub(super) fn of<I: Iterator<Item = Scatter>>(rows: impl Fn() -> I) -> Self {
        let mut terms = Vec::with_capacity(rows().count());
        terms.extend(rows().map(|r| (r.square, r.noise)));
        let dof: f64 = rows().map(|r| r.free).sum();
        let mut excess = Self { variance: 0.0, terms, dof, effective_dof: dof };
        excess.variance = excess.reaching(dof);
        let mut by_star = std::collections::BTreeMap::<usize, f64>::new();
        for Scatter { star, square, noise, free } in rows() {
            *by_star.entry(star).or_default() += square / (noise + excess.variance) - free;
        }
        let scatter: f64 = by_star.values().map(|d| d * d).sum();
        excess.effective_dof = dof.min(2.0 * dof * dof / scatter.max(f64::MIN_POSITIVE));
        excess
    }

    /// The variance under which the scatter is `target`; 0 where it is less already.
    fn reaching(&self, target: f64) -> f64 {
        let scatter = |v: f64| self.terms.iter().map(|(square, noise)| square / (noise + v)).sum::<f64>();
        let typical = self.terms.iter().map(|t| t.1).sum::<f64>() / self.terms.len() as f64;
        if self.terms.is_empty() || scatter(0.0) <= target {
            return 0.0;
        }
        crossing_above(|v| scatter(v) - target, 0.0, typical, 1e-9).unwrap_or(0.0)
    }

    /// Makes room; no bound can be given any more.
    pub(super) fn forget_terms(&mut self) {
        self.terms = Vec::new();
    }

    /// Upper bound, `tail` the probability beyond it.
    pub fn high(&self, tail: f64) -> f64 {
        let Ok(chi2) = ChiSquared::new(self.effective_dof) else { return f64::INFINITY };
        self.reaching(self.dof * chi2.inverse_cdf(tail) / self.effective_dof).max(self.variance)
    }
}

/// Covariance of neighbours' residuals: white scatter has none.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Correlated {
    pub variance: f64,
    pub err: f64,
    /// What the same pairs scatter by beyond the stated errors (0 where they are few), with its error and
    /// the covariance of both errors.
    pub own: f64,
    pub own_err: f64,
    pub shared_err2: f64,
    pub pairs: usize,
    /// Correlation that these pairs would have under the finest change looked for, of
    /// degree [`FINEST_DEGREE`] over the field; 0 where they are too far apart to tell.
    pub resolved: f64,
}

/// Probability below which stated errors are taken to be wrong, in each direction.
pub const SIGNIFICANT: f64 = 0.025;
/// Probability below which the excess is no matter of chance: a bound by neighbours who scatter less than
/// the others is then no bound for all.
const PLAIN: f64 = 0.001;
/// Fewer pairs of stars than this do not tell the scatter among them.
const ENOUGH_PAIRS: usize = 10;
/// Farthest apart that two stars make a pair, fraction of the field's side.
const CLOSE: f64 = 0.1;
/// Degree of the finest change that must not pass for white noise, and what its correlation loses with
/// distance, per side of the field.
pub const FINEST_DEGREE: usize = 5;
const FINEST_FALL: f64 = 6.3;

/// What of the scatter must be counted as change: a mean square with bounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountedAsChange {
    pub variance: f64,
    pub low: f64,
    pub high: f64,
}

impl NoiseCheck {
    /// Whether the scatter counts as change until shown white: it exceeds the errors, or
    /// neighbours scatter together.
    pub fn in_doubt(&self) -> bool {
        self.p_excess < SIGNIFICANT || self.correlated.variance > 1.96 * self.correlated.err
    }

    /// Scatter beyond the errors counts as change except for what the neighbours show to be
    /// white: a change no finer than [`FINEST_DEGREE`] gives them the covariance `resolved` times its mean square.
    /// Where the pairs' own scatter is plain, the ratio of both bounds the share of change in the whole excess,
    /// wherever in the field the pairs may lie. Where no plain excess is seen, the change is bounded by the
    /// possible excess and by the covariance over `resolved`. Two bounds hold the error rate together
    /// where each is taken at half of it. Last, what these places may not show of the field is allowed for.
    pub fn counted_as_change(&self, confidence: f64) -> CountedAsChange {
        let Correlated { variance: c, err, own, resolved, .. } = self.correlated;
        let half_rate = 0.5 * (1.0 - confidence);
        let reach = two_sided_normal(1.0 - half_rate);
        let whole = self.excess.variance;
        let whole_high = self.excess.high(0.5 * half_rate);
        // Could the neighbours have shown it, were all of the excess change?
        let shows = resolved > 0.0 && err > 0.0 && resolved * whole > reach * err;
        let (variance, at_the_stars) = if self.p_excess < PLAIN {
            // Where the pairs are need not stand for the field: their covariance over their own scatter does.
            match self.correlated.greatest_share(reach) {
                Some(share) if shows => {
                    let estimate = (c / (resolved * own)).clamp(0.0, 1.0);
                    (estimate * whole, share.min(1.0) * whole_high)
                }
                _ => (whole, whole_high),
            }
        } else {
            let variance = if shows { whole.min(c.max(0.0) / resolved) } else { whole };
            let by_neighbours = if resolved > 0.0 && err > 0.0 {
                (c + reach * err).max(0.0) / resolved
            } else {
                f64::INFINITY
            };
            (variance, whole_high.min(by_neighbours))
        };
        let at_the_stars = at_the_stars.max(variance);
        let high = variance + (at_the_stars - variance).hypot(self.unseen_elsewhere * variance);
        // Change of high order must be plain before it raises the lower bound.
        let low = (c - reach.max(3.0) * err).max(0.0).min(variance);
        CountedAsChange { variance, low, high }
    }
}

impl Correlated {
    /// Upper bound of the share of the scatter that is change: the ratio of the pairs' covariance to
    /// `resolved` times their own scatter, bounded by Fieller's theorem (1954, J. R. Stat. Soc. B 16, 175, from
    /// memory) at `reach` standard deviations. None where their own scatter is not plain.
    fn greatest_share(&self, reach: f64) -> Option<f64> {
        let square = reach * reach;
        let a = self.own.powi(2) - square * self.own_err.powi(2);
        if !(self.own > 0.0 && a > 0.0 && self.resolved > 0.0) {
            return None;
        }
        let b = self.variance * self.own - square * self.shared_err2;
        let c = self.variance.powi(2) - square * self.err.powi(2);
        Some(((b + (b * b - a * c).max(0.0).sqrt()) / (a * self.resolved)).max(0.0))
    }
}

impl CountedAsChange {
    /// The change with `per_row` times this added to its mean square and bounds.
    pub(super) fn added_to(&self, change: RmsChange, per_row: f64) -> RmsChange {
        with_extra(change, per_row * self.variance, per_row * self.low, per_row * self.high)
    }
}

/// A row as the check needs it.
#[derive(Debug, Clone, Copy)]
pub struct Residual {
    /// Its number among all rows.
    pub row: usize,
    pub star: usize,
    pub x: f64,
    pub y: f64,
    /// Per component; the second is 0 where there is one.
    pub value: [f64; 2],
    /// Without any floor.
    pub stated: f64,
    /// As used by the fit: stated, or raised.
    pub variance: f64,
    pub leverage: f64,
}

impl Residual {
    fn square(&self, components: usize) -> f64 {
        self.value.iter().take(components).map(|v| v * v).sum()
    }
}

/// The pulls, the excess over the stated errors by chi-square, and the correlation of neighbours, from the
/// residuals of all rows by number, `None` for rejected ones: made anew each time they are looked at, for together
/// they would take more memory than all else. `induced` is the covariance that the fit itself gives to two of one
/// exposure when the noise is white (negative), per component.
pub fn check(
    residual: impl Fn(usize) -> Option<Residual>,
    rows_of_exposure: &Groups,
    components: usize,
    induced: impl FnMut(&Residual, &Residual) -> f64,
) -> NoiseCheck {
    let (q, exposures) = (components as f64, rows_of_exposure.len());
    let rows = || (0..rows_of_exposure.rows()).filter_map(&residual);
    let of_exposure = |t: usize| rows_of_exposure.of(t).filter_map(&residual);
    let chi2: f64 = rows().map(|r| r.square(components) / r.stated).sum();
    let dof: f64 = q * rows().map(|r| 1.0 - r.leverage).sum::<f64>();
    let summed = |t: usize| {
        of_exposure(t).fold((0.0, 0.0), |(free, scatter), r| {
            (free + (1.0 - r.leverage), scatter + r.square(components) / r.stated)
        })
    };
    let pull = |(free, scatter): (f64, f64)| (q * free > 0.5).then(|| (scatter / (q * free)).sqrt());
    let exposure_pull = (0..exposures).map(summed).map(pull).collect();
    let (p_excess, p_deficit) = match ChiSquared::new(dof) {
        Ok(distribution) => (distribution.sf(chi2), distribution.cdf(chi2)),
        Err(_) => (1.0, 1.0),
    };
    let scatter = |r: Residual| Scatter {
        star: r.star,
        square: r.square(components),
        noise: r.stated,
        free: q * (1.0 - r.leverage),
    };
    let excess = Excess::of(|| rows().map(scatter));
    let variance_factor = if p_deficit < SIGNIFICANT { chi2 / dof } else { 1.0 };
    NoiseCheck {
        pull: if dof > 0.0 { (chi2 / dof).sqrt() } else { 1.0 },
        exposure_pull,
        dof,
        p_excess,
        p_deficit,
        excess_variance: if p_excess < SIGNIFICANT { excess.variance } else { 0.0 },
        variance_factor,
        correlated: neighbours(
            (0..exposures).map(|t| of_exposure(t).collect()),
            side_of_the_field(rows),
            components,
            induced,
        ),
        excess,
        unseen_elsewhere: 0.0,
    }
}

/// Mean product of the residuals of near pairs, weighted by the inverse of their variances, and what
/// their squares exceed the stated variances by; from the residuals of each exposure over a field of this `side`.
pub(super) fn neighbours(
    by_exposure: impl ExactSizeIterator<Item = Vec<Residual>>,
    side: f64,
    components: usize,
    mut induced: impl FnMut(&Residual, &Residual) -> f64,
) -> Correlated {
    let exposures = by_exposure.len();
    let (mut resolved, mut pairs) = (0.0, 0);
    // By pair of stars: one pattern that comes and goes ties their products in all exposures.
    let mut places = HashMap::<(usize, usize), usize>::new();
    let mut by_pair = Vec::<Sums>::new();
    let excess = |r: &Residual| r.square(components) - components as f64 * r.stated * (1.0 - r.leverage);
    let pairs_of = |rows: Vec<Residual>| {
        let near = near_pairs(&rows, CLOSE * side);
        near.into_iter().map(move |(i, j, apart)| (rows[i], rows[j], apart))
    };
    for (first, second, apart) in by_exposure.flat_map(pairs_of) {
        let weight = 1.0 / (first.variance * second.variance);
        let products: f64 = first.value.iter().zip(second.value).take(components).map(|(a, b)| a * b).sum();
        let (a, b) = (first.star, second.star);
        let place = *places.entry((a.min(b), a.max(b))).or_insert(by_pair.len());
        if place == by_pair.len() {
            by_pair.push(Sums::default());
        }
        let sums = &mut by_pair[place];
        sums.weight += components as f64 * weight;
        sums.product += weight * (products - components as f64 * induced(&first, &second));
        sums.excess += 0.5 * weight * (excess(&first) + excess(&second));
        resolved += components as f64 * weight * finest_correlation(apart / side);
        pairs += 1;
    }
    let total = |pick: fn(&Sums) -> f64| by_pair.iter().map(pick).sum::<f64>();
    let weight = total(|s| s.weight);
    if weight <= 0.0 {
        return Correlated::default();
    }
    let (variance, own) = (total(|s| s.product) / weight, total(|s| s.excess) / weight);
    let mut scatter = [0.0; 3];
    for sums in &by_pair {
        let (c, v) = (sums.product - sums.weight * variance, sums.excess - sums.weight * own);
        scatter = [scatter[0] + c * c, scatter[1] + v * v, scatter[2] + c * v];
    }
    // Products of one pair in n exposures are tied by the star offsets: (1 - 1/n).
    let white = ((1.0 - 1.0 / exposures as f64) / weight).sqrt();
    let tied = exposures as f64 / (exposures as f64 - 1.0);
    let [product2, excess2, shared_err2] = scatter.map(|s| s * tied / weight.powi(2));
    // So few do not tell by how much they scatter.
    let few = by_pair.len() < ENOUGH_PAIRS;
    Correlated {
        variance,
        err: if few { white } else { white.max(product2.sqrt()) },
        own: if few { 0.0 } else { own },
        own_err: excess2.sqrt(),
        shared_err2,
        pairs,
        resolved: (resolved / weight).max(0.0),
    }
}

/// Weighted sums of one pair of stars over the exposures and components.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    weight: f64,
    product: f64,
    excess: f64,
}

/// Correlation of the terms of degree [`FINEST_DEGREE`] of the orthonormal basis at a distance of so many
/// sides of a square field, over random places and directions: within 0.02 of this line up to 0.1
/// (computed; the test does it again). They are finest near the edges.
fn finest_correlation(sides: f64) -> f64 {
    1.0 - FINEST_FALL * sides
}

/// Side of a square of the extent of the rows.
pub(super) fn side_of_the_field<I: Iterator<Item = Residual>>(rows: impl Fn() -> I) -> f64 {
    let extent = |pick: fn(&Residual) -> f64| {
        let (low, high) = rows()
            .map(|r| pick(&r))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        (high - low).max(0.0)
    };
    (extent(|r| r.x) * extent(|r| r.y)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::field::{Basis, basis::functions_of_degree};
    use rand::{RngExt, SeedableRng, rngs::StdRng};

    #[test]
    fn the_finest_change_correlates_as_stated() {
        let basis = Basis::over_rectangle(-0.5, 0.5, -0.5, 0.5, FINEST_DEGREE).unwrap();
        let first = functions_of_degree(FINEST_DEGREE - 1);
        let mut rng = StdRng::seed_from_u64(3);
        for sides in [0.03, 0.05, 0.07, 0.1] {
            let (mut sum, mut squares, mut count) = (0.0, 0.0, 0.0);
            while count < 60_000.0 {
                let (x, y) = (rng.random_range(-0.5..0.5), rng.random_range(-0.5..0.5f64));
                let (sin, cos) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
                let (u, v) = (x + sides * cos, y + sides * sin);
                if u.abs() < 0.5 && v.abs() < 0.5 {
                    let (here, there) = (basis.evaluate(x, y), basis.evaluate(u, v));
                    let product: f64 = here[first..].iter().zip(&there[first..]).map(|(a, b)| a * b).sum();
                    sum += product;
                    squares += product * product;
                    count += 1.0;
                }
            }
            let of_degree = (basis.functions() - first) as f64;
            let found = sum / count / of_degree;
            let counting = (squares / count - (sum / count).powi(2)).sqrt() / count.sqrt() / of_degree;
            assert!((found - finest_correlation(sides)).abs() < 0.02 + 3.0 * counting, "{sides}: {found}");
        }
    }
}
