//! Are the stated errors true, and is what exceeds them white over the field?

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::interval::{RmsChange, two_sided_normal, with_extra};
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
}

/// The scatter beyond the stated errors: the variance v with `sum r^2/(noise + v)` equal to its
/// expectation (Paule & Mandel 1982, J. Res. NBS 87, 377).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Excess {
    pub variance: f64,
    /// Every residual that bears on it: sum of the components' squares, noise, degrees of freedom.
    terms: Vec<(f64, f64, f64)>,
    /// Degrees of freedom that a chi-square of the same relative scatter has: stars scatter by
    /// more than Gaussian noise where a change is strong in one part of the field.
    effective_dof: f64,
}

impl Excess {
    /// From `terms` (sum of the components' squares, noise, degrees of freedom), each of the star
    /// of the same index in `stars`.
    pub(super) fn of(stars: &[usize], terms: Vec<(f64, f64, f64)>) -> Self {
        let dof: f64 = terms.iter().map(|t| t.2).sum();
        let mut excess = Self { variance: 0.0, terms, effective_dof: dof };
        excess.variance = excess.reaching(dof);
        let mut by_star = std::collections::BTreeMap::<usize, f64>::new();
        for (star, (square, noise, free)) in stars.iter().zip(&excess.terms) {
            *by_star.entry(*star).or_default() += square / (noise + excess.variance) - free;
        }
        let scatter: f64 = by_star.values().map(|d| d * d).sum();
        excess.effective_dof = dof.min(2.0 * dof * dof / scatter.max(f64::MIN_POSITIVE));
        excess
    }

    /// The variance under which the scatter is `target`; 0 where it is less already.
    fn reaching(&self, target: f64) -> f64 {
        let scatter = |v: f64| self.terms.iter().map(|(square, noise, _)| square / (noise + v)).sum::<f64>();
        let typical = self.terms.iter().map(|t| t.1).sum::<f64>() / self.terms.len() as f64;
        if self.terms.is_empty() || scatter(0.0) <= target {
            return 0.0;
        }
        crossing_above(|v| scatter(v) - target, 0.0, typical, 1e-9).unwrap_or(0.0)
    }

    /// Upper bound, `tail` the probability beyond it.
    pub fn high(&self, tail: f64) -> f64 {
        let dof: f64 = self.terms.iter().map(|t| t.2).sum();
        let Ok(chi2) = ChiSquared::new(self.effective_dof) else { return f64::INFINITY };
        self.reaching(dof * chi2.inverse_cdf(tail) / self.effective_dof).max(self.variance)
    }
}

/// Covariance of neighbours' residuals: white scatter has none.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Correlated {
    pub variance: f64,
    pub err: f64,
    pub pairs: usize,
    /// Correlation that these pairs would have under the finest change looked for, of
    /// degree [`FINEST_DEGREE`] over the field; 0 where they are too far apart to tell.
    pub resolved: f64,
}

/// Probability below which stated errors are taken to be wrong, in each direction.
pub const SIGNIFICANT: f64 = 0.025;
/// Most neighbours of each star that make pairs.
const NEIGHBOURS: usize = 8;
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
    /// So its mean square is bounded by the whole excess, and by the neighbours' covariance
    /// over `resolved`; the smaller of two bounds holds the error rate where each is taken at half of it.
    pub fn counted_as_change(&self, confidence: f64) -> CountedAsChange {
        let Correlated { variance: c, err, resolved, .. } = self.correlated;
        let half_rate = 0.5 * (1.0 - confidence);
        let reach = two_sided_normal(1.0 - half_rate);
        let whole = self.excess.variance;
        // Could the neighbours have shown it, were all of the excess change?
        let shows = resolved > 0.0 && err > 0.0 && resolved * whole > reach * err;
        let variance = if shows { whole.min(c.max(0.0) / resolved) } else { whole };
        let by_neighbours =
            if resolved > 0.0 && err > 0.0 { (c + reach * err).max(0.0) / resolved } else { f64::INFINITY };
        let high = self.excess.high(0.5 * half_rate).min(by_neighbours).max(variance);
        // Change of high order must be plain before it raises the lower bound.
        let low = (c - reach.max(3.0) * err).max(0.0).min(variance);
        CountedAsChange { variance, low, high }
    }
}

impl CountedAsChange {
    /// The change with `per_row` times this added to its mean square and bounds.
    pub(super) fn added_to(&self, change: RmsChange, per_row: f64) -> RmsChange {
        with_extra(change, per_row * self.variance, per_row * self.low, per_row * self.high)
    }
}

/// A row as the check needs it. Rejected rows are left out by the caller.
#[derive(Debug, Clone, Copy)]
pub struct Residual {
    pub star: usize,
    pub exposure: usize,
    pub x: f64,
    pub y: f64,
    /// Per component; the second is 0 where there is one.
    pub value: [f64; 2],
    /// As used by the fit: stated, or raised.
    pub variance: f64,
    pub leverage: f64,
}

impl Residual {
    fn square(&self, components: usize) -> f64 {
        self.value.iter().take(components).map(|v| v * v).sum()
    }
}

/// The pulls, the excess over the stated errors by chi-square, and the correlation of neighbours.
/// `stated` are the variances of the rows without any floor. `induced(i, j)` is the covariance that
/// the fit itself gives to residuals i and j of one exposure when the noise is white
/// (negative), per component.
pub fn check(
    rows: &[Residual],
    stated: &[f64],
    exposures: usize,
    components: usize,
    induced: impl Fn(usize, usize) -> f64,
) -> NoiseCheck {
    let q = components as f64;
    let chi2: f64 = rows.iter().zip(stated).map(|(r, v)| r.square(components) / v).sum();
    let dof: f64 = q * rows.iter().map(|r| 1.0 - r.leverage).sum::<f64>();
    let exposure_pull = (0..exposures)
        .map(|t| {
            let own = || rows.iter().zip(stated).filter(|(r, _)| r.exposure == t);
            let dof = q * own().map(|(r, _)| 1.0 - r.leverage).sum::<f64>();
            (dof > 0.5).then(|| (own().map(|(r, v)| r.square(components) / v).sum::<f64>() / dof).sqrt())
        })
        .collect();
    let (p_excess, p_deficit) = match ChiSquared::new(dof) {
        Ok(distribution) => (distribution.sf(chi2), distribution.cdf(chi2)),
        Err(_) => (1.0, 1.0),
    };
    let stars: Vec<usize> = rows.iter().map(|r| r.star).collect();
    let term = |(r, v): (&Residual, &f64)| (r.square(components), *v, q * (1.0 - r.leverage));
    let excess = Excess::of(&stars, rows.iter().zip(stated).map(term).collect());
    let variance_factor = if p_deficit < SIGNIFICANT { chi2 / dof } else { 1.0 };
    NoiseCheck {
        pull: if dof > 0.0 { (chi2 / dof).sqrt() } else { 1.0 },
        exposure_pull,
        dof,
        p_excess,
        p_deficit,
        excess_variance: if p_excess < SIGNIFICANT { excess.variance } else { 0.0 },
        variance_factor,
        correlated: neighbours(rows, exposures, components, induced),
        excess,
    }
}

/// Mean product of the residuals of near pairs, weighted by the inverse of their variances.
pub(super) fn neighbours(
    rows: &[Residual],
    exposures: usize,
    components: usize,
    induced: impl Fn(usize, usize) -> f64,
) -> Correlated {
    let side = side_of_the_field(rows);
    let (mut weight_sum, mut product_sum, mut resolved, mut pairs) = (0.0, 0.0, 0.0, 0);
    let mut products = vec![];
    let mut own = vec![vec![]; exposures];
    for (i, row) in rows.iter().enumerate() {
        own[row.exposure].push(i);
    }
    for (i, j, apart) in own.iter().flat_map(|own| near_pairs(rows, own, CLOSE * side)) {
        let weight = 1.0 / (rows[i].variance * rows[j].variance);
        let expected = induced(i, j);
        for component in 0..components {
            let product = rows[i].value[component] * rows[j].value[component] - expected;
            product_sum += weight * product;
            weight_sum += weight;
            products.push((weight, product));
        }
        resolved += components as f64 * weight * finest_correlation(apart / side);
        pairs += 1;
    }
    if weight_sum <= 0.0 {
        return Correlated::default();
    }
    let variance = product_sum / weight_sum;
    // Products of one pair in n exposures are tied by the star offsets: (1 - 1/n).
    let white = ((1.0 - 1.0 / exposures as f64) / weight_sum).sqrt();
    let scatter: f64 = products.iter().map(|(w, p)| (w * (p - variance)).powi(2)).sum();
    let tied = exposures as f64 / (exposures as f64 - 1.0);
    let err = white.max((scatter * tied).sqrt() / weight_sum);
    Correlated { variance, err, pairs, resolved: (resolved / weight_sum).max(0.0) }
}

/// Correlation of the terms of degree [`FINEST_DEGREE`] of the orthonormal basis at a distance of so many
/// sides of a square field, over random places and directions: within 0.01 of this line up to 0.1
/// (computed; the test does it again). They are finest near the edges.
fn finest_correlation(sides: f64) -> f64 {
    1.0 - FINEST_FALL * sides
}

/// Side of a square of the extent of the rows.
fn side_of_the_field(rows: &[Residual]) -> f64 {
    let extent = |pick: fn(&Residual) -> f64| {
        let (low, high) = rows
            .iter()
            .map(pick)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
        (high - low).max(0.0)
    };
    (extent(|r| r.x) * extent(|r| r.y)).sqrt()
}

/// Pairs of each star of one exposure with its nearest neighbours within `reach`, each pair once,
/// with their distance.
fn near_pairs(rows: &[Residual], own: &[usize], reach: f64) -> Vec<(usize, usize, f64)> {
    let mut by_x = own.to_vec();
    by_x.sort_by(|a, b| rows[*a].x.total_cmp(&rows[*b].x).then(a.cmp(b)));
    let apart = |i: usize, j: usize| (rows[i].x - rows[j].x).hypot(rows[i].y - rows[j].y);
    let mut near = vec![vec![]; by_x.len()];
    for (a, &i) in by_x.iter().enumerate() {
        for (b, &j) in by_x.iter().enumerate().skip(a + 1) {
            if rows[j].x - rows[i].x > reach {
                break;
            }
            let distance = apart(i, j);
            if distance <= reach {
                near[a].push((distance, i.min(j), i.max(j)));
                near[b].push((distance, i.min(j), i.max(j)));
            }
        }
    }
    let mut pairs: Vec<(usize, usize, f64)> = vec![];
    for list in &mut near {
        list.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        pairs.extend(list.iter().take(NEIGHBOURS).map(|&(d, i, j)| (i, j, d)));
    }
    pairs.sort_by_key(|p| (p.0, p.1));
    pairs.dedup_by_key(|p| (p.0, p.1));
    pairs
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
            let (mut sum, mut count) = (0.0, 0.0);
            while count < 60_000.0 {
                let (x, y) = (rng.random_range(-0.5..0.5), rng.random_range(-0.5..0.5f64));
                let (sin, cos) = rng.random_range(0.0..std::f64::consts::TAU).sin_cos();
                let (u, v) = (x + sides * cos, y + sides * sin);
                if u.abs() < 0.5 && v.abs() < 0.5 {
                    let (here, there) = (basis.evaluate(x, y), basis.evaluate(u, v));
                    sum += here[first..].iter().zip(&there[first..]).map(|(a, b)| a * b).sum::<f64>();
                    count += 1.0;
                }
            }
            let found = sum / count / (basis.functions() - first) as f64;
            // The products scatter by about 1.5 a draw: 0.006 of 60 000.
            assert!((found - finest_correlation(sides)).abs() < 0.01 + 3.0 * 0.006, "{sides}: {found}");
        }
    }
}
