//! The error where only k of N exposures cover a galaxy, against simulated galaxies: random
//! subsets drawn one by one, the combined PSF taken under the weights (derived in
//! src/repeat/overlap.rs; for equal weights the finite-population formula `rms² (1/k - 1/N)`).

use rand::seq::index::sample;
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stackworthy::field::Basis;
use stackworthy::repeat::overlap::overlap_error;
use stackworthy::repeat::{Change, Reference, Row, measure_change};

const EXPOSURES: usize = 8;
const STARS: usize = 60;

/// True changes: a level and two gradients an exposure.
fn truth(seed: u64) -> Vec<[f64; 3]> {
    let mut rng = StdRng::seed_from_u64(seed);
    // One exposure far off, so that it matters which ones cover a galaxy.
    (0..EXPOSURES)
        .map(|t| {
            let scale = if t == 2 { 6.0 } else { 1.0 };
            std::array::from_fn(|_| scale * rng.sample::<f64, _>(StandardNormal))
        })
        .collect()
}

fn measured(truth: &[[f64; 3]], noise: f64, seed: u64) -> Change {
    let mut rng = StdRng::seed_from_u64(seed);
    // Cubic, as for so many stars in judging: on a lower one scatter that may be change of higher
    // order would be added.
    let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 3).unwrap();
    let (mut rows, mut values) = (vec![], vec![]);
    for star in 0..STARS {
        let (x, y) = (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0));
        let offset: f64 = 3.0 * rng.sample::<f64, _>(StandardNormal);
        for (exposure, c) in truth.iter().enumerate() {
            let f: f64 = basis.evaluate(x, y).iter().zip(c).map(|(p, c)| p * c).sum();
            rows.push(Row { star, exposure, x, y, sigma: noise });
            values.push(offset + f + noise * rng.sample::<f64, _>(StandardNormal));
        }
    }
    measure_change(&basis, EXPOSURES, &rows, &[values], Reference::Sky).unwrap()
}

/// Mean square over galaxies, each under k exposures drawn at random, at a random place (the
/// field mean square of the difference), and its standard error.
fn over_galaxies(truth: &[[f64; 3]], weights: &[f64], k: usize) -> (f64, f64) {
    const GALAXIES: usize = 40_000;
    let mut rng = StdRng::seed_from_u64(99);
    let combined = |members: &[usize]| -> [f64; 3] {
        let total: f64 = members.iter().map(|&t| weights[t]).sum();
        std::array::from_fn(|j| members.iter().map(|&t| weights[t] * truth[t][j]).sum::<f64>() / total)
    };
    let all = combined(&(0..EXPOSURES).collect::<Vec<_>>());
    let squares: Vec<f64> = (0..GALAXIES)
        .map(|_| {
            let here = combined(&sample(&mut rng, EXPOSURES, k).into_vec());
            here.iter().zip(all).map(|(a, b)| (a - b).powi(2)).sum()
        })
        .collect();
    let n = GALAXIES as f64;
    let mean = squares.iter().sum::<f64>() / n;
    (mean, (squares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt())
}

const UNEQUAL: [f64; EXPOSURES] = [1.0, 0.3, 2.0, 1.0, 4.0, 0.5, 1.5, 1.0];

#[test]
fn as_simulated_galaxies_have_it() {
    let truth = truth(1);
    let change = measured(&truth, 1e-3, 2);
    for weights in [[1.0; EXPOSURES], UNEQUAL] {
        let mut last = f64::INFINITY;
        for k in 1..=EXPOSURES {
            let found = overlap_error(&change, &weights, k, 0.95).unwrap();
            let (square, err) = over_galaxies(&truth, &weights, k);
            // 3.5 counting errors, and what the noise of 1e-3 leaves.
            let off = found.rms.powi(2) - square;
            assert!(
                off.abs() < 3.5 * err + 2e-3 * square + 1e-20,
                "{k}: {} {square} {err}",
                found.rms.powi(2)
            );
            assert!(found.high >= found.rms && found.high < last, "{found:?}");
            last = found.high;
        }
    }
}

/// With noise as large as the change: the mean square less the noise is right on average, and
/// the truth lies above the upper bound in no more than 2.5 % (three counting errors allowed).
#[test]
fn noise_is_taken_off_and_bounded() {
    let truth: Vec<[f64; 3]> = truth(3).iter().map(|c| c.map(|v| 0.3 * v)).collect();
    const RUNS: u64 = 150;
    let changes: Vec<Change> = (0..RUNS).into_par_iter().map(|seed| measured(&truth, 4.0, seed)).collect();
    for k in [1, 4] {
        let (square, _) = over_galaxies(&truth, &UNEQUAL, k);
        let found: Vec<_> =
            changes.par_iter().map(|c| overlap_error(c, &UNEQUAL, k, 0.95).unwrap()).collect();
        let values: Vec<f64> = found.iter().map(|f| f.mean_square - f.noise).collect();
        let n = RUNS as f64;
        let mean = values.iter().sum::<f64>() / n;
        let err = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
        let above = found.iter().filter(|f| square.sqrt() > f.high).count() as f64 / n;
        println!("{k}: {mean} ± {err}, true {square}; above {above}");
        assert!((mean - square).abs() < 3.5 * err, "{k}: {mean} ± {err}, true {square}");
        assert!(above < 0.025 + 3.0 * (0.025f64 * 0.975 / n).sqrt(), "{k}: {above}");
    }
}

#[test]
fn weights_that_are_none_are_errors() {
    let change = measured(&truth(1), 0.1, 2);
    assert!(overlap_error(&change, &[1.0; 3], 2, 0.95).is_err());
    assert!(overlap_error(&change, &[0.0; EXPOSURES], 2, 0.95).is_err());
    assert!(overlap_error(&change, &[f64::NAN; EXPOSURES], 2, 0.95).is_err());
    let all = overlap_error(&change, &UNEQUAL, 8, 0.95).unwrap().high;
    assert!(all == 0.0 && all.is_sign_positive());
}
