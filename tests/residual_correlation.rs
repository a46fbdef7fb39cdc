//! Correlation functions of the residuals: against a brute-force pair count in numpy
//! (scripts/make_correlation_references.py; definitions of Rowe 2010, MNRAS 404, 350, and Jarvis
//! et al. 2016, MNRAS 460, 2245); white noise gives zero within its stated errors, held-out
//! models included; a pattern that was put in is found again.

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use serde_json::Value;
use stackworthy::field::{Basis, order::fold_of_each};
use stackworthy::repeat::held_out::hold_out_pairs;
use stackworthy::repeat::residual_correlation::{
    CorrelatedStar, CorrelationBin, logarithmic_edges, residual_correlation,
};

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn stars(exposure: &Value) -> Vec<CorrelatedStar> {
    let column = |name: &str| numbers(&exposure[name]);
    let (x, y, w, e1, e2) = (column("x"), column("y"), column("w"), column("e1"), column("e2"));
    (0..x.len())
        .map(|i| {
            let by_fold = |name: &str| numbers(&exposure[name][i]);
            let (de1, de2, dt) = (by_fold("de1"), by_fold("de2"), by_fold("dt"));
            CorrelatedStar {
                x: x[i],
                y: y[i],
                weight: w[i],
                patch: exposure["patch"][i].as_u64().unwrap() as usize,
                fold: exposure["fold"][i].as_u64().unwrap() as usize,
                e: [e1[i], e2[i]],
                residuals: (0..dt.len()).map(|f| [de1[f], de2[f], dt[f]]).collect(),
            }
        })
        .collect()
}

#[test]
fn as_a_brute_force_pair_count() {
    let all: Value =
        serde_json::from_str(include_str!("../testdata-synth/residual_correlation.json")).unwrap();
    let mut errors = 0;
    for case in all["cases"].as_array().unwrap() {
        let exposures: Vec<Vec<CorrelatedStar>> =
            case["exposures"].as_array().unwrap().iter().map(stars).collect();
        let expected = case["bins"].as_array().unwrap();
        let of_numpy = numbers(&case["edges"]);
        let edges = logarithmic_edges(&exposures, of_numpy.len() - 1).unwrap();
        assert!(edges.iter().zip(of_numpy).all(|(a, b)| (a - b).abs() < 1e-12 * b));
        let found = residual_correlation(&exposures, &edges, case["patches"].as_u64().unwrap() as usize);
        assert_eq!(found.len(), expected.len());
        for (bin, expected) in found.iter().zip(expected) {
            // Sums of a few hundred products in another order.
            let close = |a: f64, b: &Value| (a - b.as_f64().unwrap()).abs() < 1e-12 * a.abs().max(1e-2);
            assert_eq!(bin.pairs, expected["pairs"].as_u64().unwrap());
            assert!(close(bin.from, &expected["from"]) && close(bin.to, &expected["to"]));
            assert!(close(bin.separation, &expected["separation"]));
            for (k, estimate) in bin.rho.iter().chain([&bin.additive]).enumerate() {
                assert!(close(estimate.value, &expected["value"][k]), "{k}: {bin:?}\n{expected}");
                match estimate.err {
                    Some(err) => assert!(close(err, &expected["err"][k]), "{k}: {bin:?}\n{expected}"),
                    None => assert!(expected["err"].is_null()),
                }
                errors += usize::from(estimate.err.is_some());
            }
        }
    }
    assert!(errors > 30, "only {errors} errors were compared");
}

const FOLDS: usize = 5;
const SIDE: f64 = 30.0;
const STARS: usize = 60;

fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

/// Exposures of the same stars, with `pattern` and noise of variance 1 in every component.
struct Simulated {
    xs: Vec<f64>,
    ys: Vec<f64>,
    /// By exposure: e1, e2, ln T of each star.
    values: Vec<[Vec<f64>; 3]>,
}

impl Simulated {
    fn new(exposures: usize, seed: u64, pattern: impl Fn(f64, f64, usize) -> [f64; 3]) -> Self {
        let mut rng = StdRng::seed_from_u64(seed);
        let mut coordinates = || (0..STARS).map(|_| rng.random_range(0.0..SIDE)).collect::<Vec<f64>>();
        let (xs, ys) = (coordinates(), coordinates());
        let mut component = |t: usize, k: usize| {
            (0..STARS).map(|i| pattern(xs[i], ys[i], t)[k] + normal(&mut rng)).collect::<Vec<f64>>()
        };
        let values = (0..exposures).map(|t| [component(t, 0), component(t, 1), component(t, 2)]).collect();
        Self { xs, ys, values }
    }

    /// With `degree`, models of it fitted without both stars of a pair; without, the values are
    /// the residuals.
    fn correlation(&self, degree: Option<usize>) -> Vec<CorrelationBin> {
        let fold = fold_of_each(STARS, FOLDS).unwrap();
        let left = |values: &Vec<f64>| match degree {
            Some(degree) => {
                let basis = Basis::over_rectangle(0.0, SIDE, 0.0, SIDE, degree).unwrap();
                hold_out_pairs(&basis, &self.xs, &self.ys, values, &[1.0; STARS], &fold).unwrap()
            }
            None => values.iter().map(|v| vec![*v; FOLDS]).collect(),
        };
        let third = |value: f64| (3.0 * value / SIDE) as usize;
        let of_exposure = |values: &[Vec<f64>; 3]| {
            let left = values.each_ref().map(left);
            let star = |i: usize| CorrelatedStar {
                x: self.xs[i],
                y: self.ys[i],
                weight: 1.0,
                patch: third(self.xs[i]) + 3 * third(self.ys[i]),
                fold: fold[i],
                // A large mean ellipticity makes rho 2 to 5 sensitive.
                e: [2.0 + values[0][i], values[1][i] - 1.0],
                residuals: (0..FOLDS).map(|f| [left[0][i][f], left[1][i][f], left[2][i][f]]).collect(),
            };
            (0..STARS).map(star).collect::<Vec<_>>()
        };
        let all: Vec<Vec<CorrelatedStar>> = self.values.iter().map(of_exposure).collect();
        residual_correlation(&all, &logarithmic_edges(&all, 6).unwrap(), 9)
    }
}

/// Mean over the runs, its standard error from their scatter, and that scatter over the stated error.
fn over_runs(runs: &[Vec<CorrelationBin>], bin: usize, rho: usize) -> (f64, f64, f64) {
    let found: Vec<_> =
        runs.iter().filter_map(|r| Some((r[bin].rho[rho].value, r[bin].rho[rho].err?))).collect();
    let n = found.len() as f64;
    assert!(n > 40.0);
    let mean = found.iter().map(|v| v.0).sum::<f64>() / n;
    let scatter = (found.iter().map(|v| (v.0 - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let stated = (found.iter().map(|v| v.1 * v.1).sum::<f64>() / n).sqrt();
    (mean, scatter / n.sqrt(), scatter / stated)
}

const SEEDS: u64 = 60;

/// Over the seeds the mean of each of the 25 numbers lies within 3.5 standard errors of zero (chance
/// of one outside 1 %), and the scatter is at most 1.3 of the stated error (counting error 0.09) and not
/// less than a third of it. The closest bin holds too few pairs for errors in many runs.
#[test]
fn white_noise_is_zero_within_its_errors() {
    for exposures in [4, 10] {
        let runs: Vec<Vec<CorrelationBin>> =
            (0..SEEDS).map(|s| Simulated::new(exposures, s, |_, _, _| [0.0; 3]).correlation(None)).collect();
        for (bin, rho) in (1..6).flat_map(|bin| (0..5).map(move |rho| (bin, rho))) {
            let (mean, err, ratio) = over_runs(&runs, bin, rho);
            assert!(
                mean.abs() < 3.5 * err,
                "{exposures} exposures, bin {bin}, rho {}: {mean} {err}",
                rho + 1
            );
            assert!(
                (0.33..1.3).contains(&ratio),
                "{exposures} exposures, bin {bin}, rho {}: {ratio}",
                rho + 1
            );
        }
    }
}

/// With models fitted to white noise only their own error is left, `K / (0.95 N)` of the variance on
/// average over the field (K = 3 functions, N = 36 stars in a fit without two folds of five, 0.95
/// the efficiency of the bisquare) in each of two components: rho 1 of close pairs. The stars' own noise
/// leaves nothing in rho 2, 4 and 5, though it is in e as well.
#[test]
fn a_model_of_white_noise_leaves_its_own_error() {
    let runs: Vec<Vec<CorrelationBin>> =
        (0..SEEDS).map(|s| Simulated::new(4, s, |_, _, _| [0.0; 3]).correlation(Some(1))).collect();
    let (mean, err, _) = over_runs(&runs, 2, 0);
    let expected = 2.0 * 3.0 / (0.95 * 36.0);
    assert!((mean - expected).abs() < 3.0 * err && err < 0.2 * expected, "{mean} {err} {expected}");
    for (bin, rho) in (1..5).flat_map(|bin| [1, 3, 4].map(|rho| (bin, rho))) {
        let (mean, err, _) = over_runs(&runs, bin, rho);
        assert!(mean.abs() < 3.5 * err, "bin {bin}, rho {}: {mean} {err}", rho + 1);
    }
}

/// J0(x) = (1/pi) int_0^pi cos(x sin t) dt.
fn bessel_j0(x: f64) -> f64 {
    let at = |k: usize| (x * (std::f64::consts::PI * (k as f64 + 0.5) / 200.0).sin()).cos();
    (0..200).map(at).sum::<f64>() / 200.0
}

/// Waves `A exp(i k.x)` in the ellipticity, their direction going round with the exposures, so that
/// every pair has `A^2 J0(k r)` on average, whatever the noise (ten directions: to the order of
/// J20(k r), under 1e-4 here). Held within 3.5 errors of the mean over the seeds.
#[test]
fn a_wave_over_the_field_is_found_again() {
    let (amplitude, wavenumber, exposures) = (1.0, 0.35, 10);
    let wave = |x: f64, y: f64, t: usize| {
        let (sin, cos) = (std::f64::consts::PI * t as f64 / exposures as f64).sin_cos();
        let (im, re) = (wavenumber * (x * cos + y * sin)).sin_cos();
        [amplitude * re, amplitude * im, 0.0]
    };
    let stacks: Vec<Simulated> = (0..SEEDS).map(|seed| Simulated::new(exposures, seed, wave)).collect();
    let runs: Vec<Vec<CorrelationBin>> = stacks.iter().map(|s| s.correlation(None)).collect();
    for bin in 1..6 {
        let expected = |stack: &Simulated, bin: &CorrelationBin| {
            let pairs = (0..STARS).flat_map(|i| (0..i).map(move |j| (i, j)));
            let separations =
                pairs.map(|(i, j)| (stack.xs[i] - stack.xs[j]).hypot(stack.ys[i] - stack.ys[j]));
            let inside: Vec<f64> = separations.filter(|r| (bin.from..bin.to).contains(r)).collect();
            inside.iter().map(|r| amplitude * amplitude * bessel_j0(wavenumber * r)).sum::<f64>()
                / inside.len() as f64
        };
        let off: Vec<f64> =
            stacks.iter().zip(&runs).map(|(s, r)| r[bin].rho[0].value - expected(s, &r[bin])).collect();
        let n = off.len() as f64;
        let mean = off.iter().sum::<f64>() / n;
        let err = (off.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
        let value = runs.iter().map(|r| r[bin].rho[0].value).sum::<f64>() / n;
        println!("bin {bin}: rho 1 {value:.4}, off by {mean:.4} ± {err:.4}");
        assert!(mean.abs() < 3.5 * err && err < 0.05, "bin {bin}: off by {mean} ± {err}");
    }
}
