//! Correlation functions of what the exposures' own models leave of the stars: the five rho
//! statistics over the separation, with jackknife errors.
//!
//! With e the ellipticity of a star and δ star minus model, a pair (i, j) adds to
//!
//! | | |
//! |---|---|
//! | ρ1 | `δe_i* δe_j` |
//! | ρ2 | `e_i* δe_j` |
//! | ρ3 | `(e_i δT_i/T)* (e_j δT_j/T)` |
//! | ρ4 | `δe_i* (e_j δT_j/T)` |
//! | ρ5 | `e_i* (e_j δT_j/T)` |
//!
//! (Rowe 2010, MNRAS 404, 350; Jarvis et al. 2016, MNRAS 460, 2245), the real part of
//! `a* b = a1 b1 + a2 b2`, which needs no tangential frame; those that are not symmetric are the
//! mean of both orders. All are weighted means over the pairs of stars of one exposure.

use rayon::prelude::*;

/// Exposures from which a jackknife over them is taken.
pub const MIN_EXPOSURES: usize = 8;

/// One star of one exposure.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrelatedStar {
    /// In the unit of the separations.
    pub x: f64,
    pub y: f64,
    pub weight: f64,
    /// Patch of the sky, for the jackknife; the same in every exposure.
    pub patch: usize,
    /// Fold in which the star is held out.
    pub fold: usize,
    pub e: [f64; 2],
    /// δe1, δe2, δT/T against the model without the star's own fold and that of the partner; one
    /// entry a fold of the partner. With both stars of a pair held out of the same fit their noise
    /// drops out of the mean product; held out one at a time it would leave `-K/N` of a variance.
    pub residuals: Vec<[f64; 3]>,
}

/// A mean and its standard error; none where too few exposures or patches have pairs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    pub value: f64,
    pub err: Option<f64>,
}

/// One bin of separations that has pairs.
#[derive(Debug, Clone, PartialEq)]
pub struct CorrelationBin {
    pub from: f64,
    pub to: f64,
    /// Weighted mean.
    pub separation: f64,
    pub pairs: u64,
    /// ρ1 to ρ5.
    pub rho: [Estimate; 5],
    /// `ρ1 + ρ3 + 2 ρ4`: the correlation function of `δe + e δT/T`.
    pub additive: Estimate,
}

/// Sums over the pairs of one bin.
#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    weight: f64,
    separation: f64,
    rho: [f64; 5],
    pairs: u64,
}

impl Sums {
    fn add(&mut self, other: &Sums) {
        self.weight += other.weight;
        self.separation += other.separation;
        self.rho.iter_mut().zip(other.rho).for_each(|(sum, part)| *sum += part);
        self.pairs += other.pairs;
    }

    /// ρ1 to ρ5 and the additive combination, without the pairs of `left_out`; `None` where no
    /// weight remains.
    fn means(&self, left_out: &Sums) -> Option<[f64; 6]> {
        let weight = self.weight - left_out.weight;
        let remains = self.pairs > left_out.pairs && weight > 0.0;
        let rho = |k: usize| (self.rho[k] - left_out.rho[k]) / weight;
        let additive = rho(0) + rho(2) + 2.0 * rho(3);
        remains.then(|| [rho(0), rho(1), rho(2), rho(3), rho(4), additive])
    }
}

/// `bins + 1` edges, evenly spaced in the logarithm, from the closest pair of any exposure to its
/// widest; `None` without two stars at different places.
pub fn logarithmic_edges(exposures: &[Vec<CorrelatedStar>], bins: usize) -> Option<Vec<f64>> {
    let of_exposure =
        |stars: &Vec<CorrelatedStar>| separations(&stars.iter().map(|s| [s.x, s.y]).collect::<Vec<_>>());
    edges_between(&exposures.par_iter().map(of_exposure).collect::<Vec<_>>(), bins)
}

/// The smallest separation of two places above zero, and the largest.
pub fn separations(places: &[[f64; 2]]) -> (f64, f64) {
    let (mut closest, mut widest) = (f64::INFINITY, 0.0f64);
    for (i, [x, y]) in places.iter().enumerate() {
        for [u, v] in &places[i + 1..] {
            let square = (x - u) * (x - u) + (y - v) * (y - v);
            widest = if square > widest { square } else { widest };
            closest = if square > 0.0 && square < closest { square } else { closest };
        }
    }
    (closest.sqrt(), widest.sqrt())
}

/// As [`logarithmic_edges`], from the [`separations`] of each exposure.
pub fn edges_between(ranges: &[(f64, f64)], bins: usize) -> Option<Vec<f64>> {
    let closest = ranges.iter().map(|r| r.0).fold(f64::INFINITY, f64::min);
    let widest = ranges.iter().map(|r| r.1).fold(0.0, f64::max);
    let usable = bins > 0 && widest.is_finite() && closest < widest;
    usable.then(|| {
        let step = (widest / closest).ln() / bins as f64;
        let mut edges: Vec<f64> = (0..=bins).map(|k| closest * (step * k as f64).exp()).collect();
        // The closest and the widest pair belong to the outer bins, whatever rounding says.
        edges[0] = closest * (1.0 - 1e-13);
        edges[bins] = widest * (1.0 + 1e-12);
        edges
    })
}

/// The correlation functions over all exposures; only bins that have pairs are given.
///
/// Bin k holds separations from `edges[k]` up to but not at `edges[k + 1]`. The error is the
/// jackknife over `patches` patches of the sky (with a patch go all pairs that touch it) and,
/// from [`MIN_EXPOSURES`] exposures on, over the exposures too; of both the larger, since stars that
/// scatter alike in every exposure repeat their pairs. For residuals without any correlation
/// the patches overstate the error, by at most the root of two.
pub fn residual_correlation(
    exposures: &[Vec<CorrelatedStar>],
    edges: &[f64],
    patches: usize,
) -> Vec<CorrelationBin> {
    let counted: Vec<PairCounts> =
        exposures.par_iter().map(|stars| PairCounts::of(stars, edges, patches)).collect();
    correlation_of(&counted, edges, patches)
}

/// What the pairs of one exposure add to each bin.
#[derive(Debug, Clone)]
pub struct PairCounts {
    pub stars: usize,
    all: Vec<Sums>,
    by_patch: Vec<Sums>,
}

impl PairCounts {
    pub fn of(stars: &[CorrelatedStar], edges: &[f64], patches: usize) -> Self {
        let (all, by_patch) = count_pairs(stars, edges, patches);
        Self { stars: stars.len(), all, by_patch }
    }
}

/// As [`residual_correlation`], from the pairs of each exposure.
pub fn correlation_of(exposures: &[PairCounts], edges: &[f64], patches: usize) -> Vec<CorrelationBin> {
    let bins = edges.len().saturating_sub(1);
    let mut by_patch = vec![Sums::default(); patches * bins];
    for of_exposure in exposures {
        by_patch.iter_mut().zip(&of_exposure.by_patch).for_each(|(sum, part)| sum.add(part));
    }
    (0..bins)
        .filter_map(|bin| {
            let by_exposure: Vec<Sums> = exposures.iter().map(|counts| counts.all[bin]).collect();
            let mut total = Sums::default();
            by_exposure.iter().for_each(|part| total.add(part));
            let values = total.means(&Sums::default())?;
            let of_patches: Vec<Sums> = (0..patches).map(|p| by_patch[p * bins + bin]).collect();
            let mut errors = jackknife(&total, &of_patches);
            if exposures.len() >= MIN_EXPOSURES {
                let over_exposures = jackknife(&total, &by_exposure);
                let larger = |a: Option<f64>, b: Option<f64>| a.into_iter().chain(b).reduce(f64::max);
                errors = std::array::from_fn(|k| larger(errors[k], over_exposures[k]));
            }
            let estimate = |k: usize| Estimate { value: values[k], err: errors[k] };
            Some(CorrelationBin {
                from: edges[bin],
                to: edges[bin + 1],
                separation: total.separation / total.weight,
                pairs: total.pairs,
                rho: std::array::from_fn(estimate),
                additive: estimate(5),
            })
        })
        .collect()
}

/// Sums of one exposure by bin, and by patch and bin (index `patch * bins + bin`).
fn count_pairs(stars: &[CorrelatedStar], edges: &[f64], patches: usize) -> (Vec<Sums>, Vec<Sums>) {
    let bins = edges.len().saturating_sub(1);
    let squares: Vec<f64> = edges.iter().map(|edge| edge * edge).collect();
    // By the patches of both stars and the bin, so that a pair is added once.
    let mut by_patches = vec![Sums::default(); patches * patches * bins];
    for (i, a) in stars.iter().enumerate() {
        for b in &stars[i + 1..] {
            let square = (a.x - b.x) * (a.x - b.x) + (a.y - b.y) * (a.y - b.y);
            let bin: usize = squares.iter().map(|edge| usize::from(*edge <= square)).sum();
            if bin > 0 && bin <= bins {
                let place = (a.patch * patches + b.patch) * bins + bin - 1;
                by_patches[place].add(&pair(a, b, square.sqrt()));
            }
        }
    }
    let (mut all, mut by_patch) = (vec![Sums::default(); bins], vec![Sums::default(); patches * bins]);
    for (place, sums) in by_patches.iter().enumerate() {
        let (first, second, bin) = (place / bins / patches, place / bins % patches, place % bins);
        all[bin].add(sums);
        by_patch[first * bins + bin].add(sums);
        if second != first {
            by_patch[second * bins + bin].add(sums);
        }
    }
    (all, by_patch)
}

fn pair(a: &CorrelatedStar, b: &CorrelatedStar, separation: f64) -> Sums {
    let dot = |p: [f64; 2], q: [f64; 2]| p[0] * q[0] + p[1] * q[1];
    let both = |p: [[f64; 2]; 2], q: [[f64; 2]; 2]| 0.5 * (dot(p[0], q[1]) + dot(p[1], q[0]));
    let [ra, rb] = [a.residuals[b.fold], b.residuals[a.fold]];
    let e = [a.e, b.e];
    let de = [[ra[0], ra[1]], [rb[0], rb[1]]];
    let e_dt = [a.e.map(|v| v * ra[2]), b.e.map(|v| v * rb[2])];
    let weight = a.weight * b.weight;
    let products = [dot(de[0], de[1]), both(e, de), dot(e_dt[0], e_dt[1]), both(de, e_dt), both(e, e_dt)];
    Sums { weight, separation: weight * separation, rho: products.map(|v| weight * v), pairs: 1 }
}

/// Standard errors from leaving out one unit after the other; `None` where fewer than three units
/// have pairs, or one has all of them.
fn jackknife(total: &Sums, units: &[Sums]) -> [Option<f64>; 6] {
    let with_pairs: Vec<&Sums> = units.iter().filter(|unit| unit.pairs > 0).collect();
    let n = with_pairs.len() as f64;
    let without: Option<Vec<[f64; 6]>> = with_pairs.iter().map(|unit| total.means(unit)).collect();
    let Some(without) = without.filter(|found| found.len() >= 3) else { return [None; 6] };
    std::array::from_fn(|k| {
        let mean = without.iter().map(|v| v[k]).sum::<f64>() / n;
        let square: f64 = without.iter().map(|v| (v[k] - mean).powi(2)).sum();
        Some(((n - 1.0) / n * square).sqrt())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn star(x: f64, e: [f64; 2], residual: [f64; 3]) -> CorrelatedStar {
        CorrelatedStar { x, y: 0.0, weight: 1.0, patch: 0, fold: 0, e, residuals: vec![residual] }
    }

    #[test]
    fn one_pair_by_hand() {
        let stars =
            vec![star(0.0, [0.1, 0.2], [0.01, 0.02, 0.5]), star(2.0, [0.3, -0.1], [0.03, 0.01, -1.0])];
        let edges = logarithmic_edges(&[stars.clone(), vec![star(0.0, [0.0; 2], [0.0; 3])]], 1);
        assert_eq!(edges, None, "one separation spans no bins");
        let found = residual_correlation(&[stars], &[1.0, 3.0], 1);
        assert_eq!((found.len(), found[0].pairs, found[0].separation), (1, 1, 2.0));
        // e δT/T is (0.05, 0.1) and (-0.3, 0.1).
        let expected =
            [0.0005, 0.5 * (0.005 + 0.001), -0.005, 0.5 * (-0.001 + 0.0025), 0.5 * (-0.01 + 0.005)];
        for (rho, expected) in found[0].rho.iter().zip(expected) {
            assert!((rho.value - expected).abs() < 1e-15 && rho.err.is_none(), "{rho:?} {expected}");
        }
        assert!((found[0].additive.value - (0.0005 - 0.005 + 0.0015)).abs() < 1e-15);
    }

    #[test]
    fn edges_run_from_the_closest_pair_to_the_widest() {
        let stars: Vec<_> = [0.0, 1.0, 9.0].map(|x| star(x, [0.0; 2], [0.0; 3])).to_vec();
        let edges = logarithmic_edges(&[stars], 2).unwrap();
        for (edge, expected) in edges.iter().zip([1.0, 3.0, 9.0]) {
            assert!((edge - expected).abs() < 1e-9);
        }
        assert_eq!(logarithmic_edges(&[], 5), None);
    }
}
