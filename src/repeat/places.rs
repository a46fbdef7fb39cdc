//! Do the places of the stars stand for the whole field?
//!
//! A change finer than the basis shows in two ways at the stars: the basis takes some of it for its own
//! functions, and the rest is scatter. With few stars both together may be less than its mean
//! square over the field: twenty places have few in the corners, where polynomials are large.

use nalgebra::{DMatrix, DVector};

use super::noise_check::FINEST_DEGREE;
use super::solve::Layout;
use crate::field::{Basis, basis::functions_of_degree};

/// At most so many exposures, evenly spread, are looked at.
const MOST_EXPOSURES: usize = 32;

/// Standard deviations of the spread over patterns of one degree by which an unlucky pattern shows less
/// than the mean of them.
const UNLUCKY: f64 = 1.0;

/// Of a change finer than `basis` and no finer than [`FINEST_DEGREE`]: the mean square over the
/// field that the rows do not show, as a multiple of the scatter about the fit that they do; that of
/// the degree for which it is largest. `weights` are those of the fit, one a row; 0 leaves a row out.
///
/// With X the functions of the basis and Z the orthonormal ones of one finer degree at the rows of an
/// exposure, a change `Z c` gives the fit `A = (X'WX)^-1 X'WZ` and the scatter `R = Z - X A`. It shows
/// the mean square `c' M c`, `M = A'A + R'WR / sum w (1 - h)`, where the field has `c' c`.
pub(super) fn unseen_over_scatter(basis: &Basis, layout: &Layout, weights: &[f64]) -> f64 {
    let fine = basis.refined(FINEST_DEGREE);
    let exposures = layout.rows_of_exposure.len();
    let shown_in = |t: usize| {
        let used = layout.rows_of_exposure.of(t).filter(|&i| weights[i] > 0.0);
        shown(basis, &fine, &used.map(|i| (layout.places[i], weights[i])).collect::<Vec<_>>())
    };
    let shown: Vec<Shown> =
        (0..exposures).step_by(exposures.div_ceil(MOST_EXPOSURES)).filter_map(shown_in).collect();
    (basis.degree() + 1..=fine.degree())
        .filter_map(|degree| unseen_of_degree(&shown, degree, basis.functions()))
        .fold(0.0, f64::max)
}

/// What the functions finer than the basis give in one exposure, in mean squares.
struct Shown {
    fitted: DMatrix<f64>,
    scatter: DMatrix<f64>,
}

/// From the places of an exposure's rows with their weights.
fn shown(basis: &Basis, fine: &Basis, rows: &[([f64; 2], f64)]) -> Option<Shown> {
    let (k, all) = (basis.functions(), fine.functions());
    let mut gram = DMatrix::<f64>::zeros(all, all);
    for ([x, y], weight) in rows {
        let phi = DVector::from_vec(fine.evaluate(*x, *y));
        gram.ger(*weight, &phi, &phi, 1.0);
    }
    let cross = gram.view((0, k), (k, all - k)).into_owned();
    let inverse = gram.view((0, 0), (k, k)).into_owned().cholesky()?.inverse();
    let free: f64 = rows
        .iter()
        .map(|([x, y], weight)| {
            let phi = DVector::from_vec(basis.evaluate(*x, *y));
            weight * (1.0 - weight * phi.dot(&(&inverse * &phi))).max(0.0)
        })
        .sum();
    let amounts = inverse * &cross;
    let left = gram.view((k, k), (all - k, all - k)) - cross.transpose() * &amounts;
    (free > 0.0).then(|| Shown { fitted: amounts.transpose() * &amounts, scatter: left / free })
}

/// The mean over the exposures and the patterns of one degree, less what an unlucky pattern lacks: the
/// variance of `c' M c` over directions of c is `2 |M - mean|^2 / (k (k + 2))`.
fn unseen_of_degree(shown: &[Shown], degree: usize, skipped: usize) -> Option<f64> {
    let first = functions_of_degree(degree - 1) - skipped;
    let k = degree + 1;
    let mean = |pick: fn(&Shown) -> &DMatrix<f64>| {
        shown.iter().fold(DMatrix::<f64>::zeros(k, k), |sum, s| sum + pick(s).view((first, first), (k, k)))
            / shown.len().max(1) as f64
    };
    let scatter = mean(|s| &s.scatter);
    let both = mean(|s| &s.fitted) + &scatter;
    let (seen, scattered) = (both.trace() / k as f64, scatter.trace() / k as f64);
    let spread = 2.0 * (&both - DMatrix::identity(k, k) * seen).norm_squared() / (k * (k + 2)) as f64;
    let least = (seen - UNLUCKY * spread.sqrt()).max(0.0);
    (scattered > 0.0).then(|| (1.0 - least).max(0.0) / scattered)
}

#[cfg(test)]
mod tests {
    use super::super::change::Place;
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    fn unseen(basis: &Basis, places: &[(f64, f64)]) -> f64 {
        let place = |(star, &(x, y)): (usize, &(f64, f64))| Place { star, exposure: 0, x, y };
        let layout = Layout::new(1, places.iter().enumerate().map(place));
        unseen_over_scatter(basis, &layout, &vec![1.0; places.len()])
    }

    #[test]
    fn many_places_miss_nothing_and_a_few_in_the_middle_much() {
        let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 1).unwrap();
        let grid = |side: usize, reach: f64| -> Vec<(f64, f64)> {
            let along = |k: usize| reach * ((2 * k + 1) as f64 / side as f64 - 1.0);
            (0..side * side).map(|k| (along(k % side), along(k / side))).collect()
        };
        let unseen = |places: &[(f64, f64)]| unseen(&basis, places);
        assert!(unseen(&grid(120, 1.0)) < 0.01, "{}", unseen(&grid(120, 1.0)));
        assert!(unseen(&grid(5, 0.5)) > 1.0, "{}", unseen(&grid(5, 0.5)));
    }

    /// What random cubic patterns show at twenty places, fitted by a general least-squares solver.
    #[test]
    fn the_share_shown_is_that_of_fits() {
        let cubic = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 3).unwrap();
        let linear = cubic.truncated(1);
        let mut rng = StdRng::seed_from_u64(4);
        let places: Vec<(f64, f64)> =
            (0..20).map(|_| (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0))).collect();
        let (xs, ys): (Vec<f64>, Vec<f64>) = places.iter().copied().unzip();
        let (x, z) = (linear.design(&xs, &ys), cubic.design(&xs, &ys).columns(6, 4).into_owned());
        let solver = x.clone().svd(true, true);
        let draws = 4000;
        let seen: Vec<f64> = (0..draws)
            .map(|_| {
                let c = DVector::from_fn(4, |_, _| rng.sample::<f64, _>(StandardNormal)).normalize();
                let pattern = &z * c;
                let fit = solver.solve(&pattern, 1e-12).unwrap();
                fit.norm_squared() + (pattern - &x * fit).norm_squared() / 17.0
            })
            .collect();
        let rows: Vec<([f64; 2], f64)> = places.iter().map(|&(x, y)| ([x, y], 1.0)).collect();
        let shown = shown(&linear, &cubic.refined(FINEST_DEGREE), &rows).unwrap();
        let both = (shown.fitted + shown.scatter).view((3, 3), (4, 4)).into_owned();
        let mean = seen.iter().sum::<f64>() / draws as f64;
        let spread = (seen.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / draws as f64).sqrt();
        let counting = spread / (draws as f64).sqrt();
        assert!((mean - both.trace() / 4.0).abs() < 4.0 * counting, "{mean} {}", both.trace() / 4.0);
        let expected =
            (2.0 * (&both - DMatrix::identity(4, 4) * (both.trace() / 4.0)).norm_squared() / 24.0).sqrt();
        assert!((spread / expected - 1.0).abs() < 0.1, "{spread} {expected}");
    }
}
