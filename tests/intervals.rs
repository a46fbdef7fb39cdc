//! The interval of the rms change: its distribution against scipy (central and non-central
//! chi-square, convolution of two, Monte Carlo; scripts/make_statistics_references.py), and its
//! coverage by simulation, with tolerances from the counting error.
//!
//! The full calibration is `examples/interval_coverage.rs`.

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use serde_json::Value;
use stackworthy::field::Basis;
use stackworthy::repeat::quadratic_form::{QuadraticForm, Term};
use stackworthy::repeat::random_effects::random_effects;
use stackworthy::repeat::subset::Products;
use stackworthy::repeat::{Change, Reference, RepeatError, RmsChange, Row, measure_change, rms_change};

#[test]
fn quadratic_forms_as_scipy() {
    let all: Value = serde_json::from_str(include_str!("../testdata-synth/statistics.json")).unwrap();
    let cases = all["quadratic_forms"].as_array().unwrap();
    assert!(cases.len() > 90);
    for case in cases {
        let terms = case["terms"].as_array().unwrap().iter().map(|t| Term {
            lambda: t[0].as_f64().unwrap(),
            dof: t[1].as_f64().unwrap(),
            noncentrality: t[2].as_f64().unwrap(),
        });
        let found = QuadraticForm::new(terms).cdf(case["x"].as_f64().unwrap());
        let (expected, err) = (case["cdf"].as_f64().unwrap(), case["err"].as_f64().unwrap());
        assert!((found - expected).abs() < err, "{case}: found {found}");
    }
}

/// A simulated stack: one component a vector of true coefficients (exposures by functions).
struct Stack {
    basis: Basis,
    exposures: usize,
    rows: Vec<Row>,
    values: Vec<Vec<f64>>,
}

fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

/// `seen[t]` is the share of the stars that exposure t has; errors are 1 to 4.
fn stack(stars: usize, seen: &[f64], degree: usize, truth: &[Vec<Vec<f64>>], seed: u64) -> Stack {
    let mut rng = StdRng::seed_from_u64(seed);
    let basis = Basis::over_rectangle(0.0, 2000.0, 0.0, 1500.0, degree).unwrap();
    let mut rows = vec![];
    for star in 0..stars {
        let (x, y) = (rng.random_range(0.0..2000.0), rng.random_range(0.0..1500.0));
        let sigma = 1.0 / rng.random_range(0.25f64..1.0);
        for (exposure, share) in seen.iter().enumerate() {
            if rng.random_range(0.0..1.0) < *share {
                rows.push(Row { star, exposure, x, y, sigma });
            }
        }
    }
    let values = truth
        .iter()
        .map(|c| {
            let offsets: Vec<f64> = (0..stars).map(|_| 2.0 * normal(&mut rng)).collect();
            rows.iter()
                .map(|r| {
                    let f: f64 =
                        basis.evaluate(r.x, r.y).iter().zip(&c[r.exposure]).map(|(p, c)| p * c).sum();
                    offsets[r.star] + f + r.sigma * normal(&mut rng)
                })
                .collect()
        })
        .collect();
    Stack { basis, exposures: seen.len(), rows, values }
}

impl Stack {
    fn change(&self, reference: Reference) -> Change {
        measure_change(&self.basis, self.exposures, &self.rows, &self.values, reference).unwrap()
    }

    fn rms(&self, reference: Reference) -> RmsChange {
        self.change(reference).rms(0.95).unwrap()
    }
}

fn none(exposures: usize, functions: usize) -> Vec<Vec<f64>> {
    vec![vec![0.0; functions]; exposures]
}

/// Coefficients drawn by `draw`, centred, scaled to an rms change of `rms`.
fn drawn(
    exposures: usize,
    functions: usize,
    rms: f64,
    seed: u64,
    used: impl Fn(usize, usize) -> bool,
) -> Vec<Vec<f64>> {
    let mut rng = StdRng::seed_from_u64(seed ^ 0x5eed);
    let mut c = none(exposures, functions);
    for (t, row) in c.iter_mut().enumerate() {
        for (k, value) in row.iter_mut().enumerate() {
            let g = normal(&mut rng);
            *value = if used(t, k) { g } else { 0.0 };
        }
    }
    for k in 0..functions {
        let mean = c.iter().map(|row| row[k]).sum::<f64>() / exposures as f64;
        c.iter_mut().for_each(|row| row[k] -= mean);
    }
    let norm: f64 = c.iter().flatten().map(|v| v * v).sum();
    let scale = rms * ((exposures as f64 - 1.0) / norm).sqrt();
    c.iter_mut().flatten().for_each(|v| *v *= scale);
    c
}

/// How often the truth lies below and above the 95 % interval, and checks either share against
/// 2.5 % with three counting errors plus `slack`.
fn check_coverage(name: &str, truth: f64, slack: (f64, f64), intervals: &[RmsChange]) {
    let total = intervals.len() as f64;
    let share =
        |test: &dyn Fn(&RmsChange) -> bool| intervals.iter().filter(|i| test(i)).count() as f64 / total;
    let below = share(&|i| truth < i.low);
    let above = share(&|i| truth > i.high);
    let counting = 3.0 * (0.025 * 0.975 / total).sqrt();
    assert!(below < 0.025 + counting + slack.0, "{name}: truth below the interval in {below}");
    assert!(above < 0.025 + counting + slack.1, "{name}: truth above the interval in {above}");
    // An interval that always holds would be useless: it must also be able to fail.
    if truth > 0.0 {
        assert!(below + above > 0.05 - 0.02 - 3.0 * (0.05 * 0.95 / total).sqrt(), "{name}: {below} {above}");
    }
}

#[test]
fn coverage_of_the_interval() {
    let even = vec![1.0; 6];
    let uneven = vec![1.0, 0.9, 0.5, 0.7, 1.0, 0.6];
    let repeats = 200u64;
    for (seen, frame, noise) in
        [(&even, Reference::Sky, 0.43), (&uneven, Reference::Sky, 0.53), (&uneven, Reference::Detector, 0.53)]
    {
        type Used = fn(usize, usize) -> bool;
        let kinds: [(&str, f64, Used); 5] = [
            ("no change", 0.0, |_, _| false),
            ("as large as the noise", 1.0, |_, _| true),
            ("five times the noise", 5.0, |_, _| true),
            ("in one exposure", 2.0, |t, _| t == 2),
            ("in the field mean", 2.0, |_, k| k == 0),
        ];
        for (name, strength, used) in kinds {
            let truth = strength * noise;
            let intervals: Vec<RmsChange> = (0..repeats)
                .into_par_iter()
                .map(|seed| {
                    let c = if truth > 0.0 { drawn(6, 6, truth, seed, used) } else { none(6, 6) };
                    stack(60, seen, 2, &[c], seed).rms(frame)
                })
                .collect();
            // The pre-test of the stated errors costs the lower bound up to 1 %.
            check_coverage(&format!("{frame:?}, {name}"), truth, (0.01, 0.005), &intervals);
        }
    }
}

#[test]
fn both_components_of_ellipticity_are_averaged() {
    // e1 changes by 3, e2 not at all: the mean of the squares is 4.5.
    let truth = (9.0f64 / 2.0).sqrt();
    let intervals: Vec<RmsChange> = (0..200)
        .into_par_iter()
        .map(|seed| {
            stack(60, &[1.0; 5], 2, &[drawn(5, 6, 3.0, seed, |_, _| true), none(5, 6)], seed)
                .rms(Reference::Sky)
        })
        .collect();
    check_coverage("two components", truth, (0.01, 0.01), &intervals);
    let mean = intervals.iter().map(|i| i.mean_square - i.noise).sum::<f64>() / 200.0;
    let spread = intervals.iter().map(|i| (i.mean_square - i.noise - mean).powi(2)).sum::<f64>() / 199.0;
    assert!((mean - 4.5).abs() < 4.0 * (spread / 200.0).sqrt(), "{mean}");
}

#[test]
fn one_wild_star_moves_nothing() {
    for reference in [Reference::Sky, Reference::Detector] {
        for exposures in [2, 3, 8] {
            let mut clean = stack(80, &vec![1.0; exposures], 2, &[none(exposures, 6)], 5);
            let before = clean.change(reference);
            // One measurement, in the last exposure.
            let wild = clean.rows.iter().rposition(|r| r.star == 33).unwrap();
            clean.values[0][wild] += 1e5;
            let after = clean.change(reference);
            assert!(!after.took_part[wild]);
            for t in 0..exposures {
                for k in 0..6 {
                    let shift = (after.coefficients[0][(t, k)] - before.coefficients[0][(t, k)]).abs();
                    let err = before.exposure_covariance[t][(k, k)].sqrt();
                    assert!(shift < err, "{reference:?}, {exposures} exposures: {shift} against {err}");
                }
            }
            let (a, b) = (before.rms(0.95).unwrap(), after.rms(0.95).unwrap());
            assert!((a.high / b.high - 1.0).abs() < 0.2);
        }
    }
}

#[test]
fn a_star_unlike_the_others_moves_nothing() {
    // A pair: the same odd value in every exposure, dithered over the detector.
    let mut s = stack(80, &[1.0; 4], 2, &[none(4, 6)], 8);
    for r in &mut s.rows {
        r.x += [0.0, 60.0, -40.0, 20.0][r.exposure];
    }
    let before = s.change(Reference::Detector);
    for (r, v) in s.rows.iter().zip(&mut s.values[0]) {
        *v += if r.star == 12 { 1e4 } else { 0.0 };
    }
    let after = s.change(Reference::Detector);
    let shift = (&after.coefficients[0] - &before.coefficients[0]).amax();
    assert!(shift < before.exposure_covariance[0][(0, 0)].sqrt(), "{shift}");
}

#[test]
fn scales_with_the_values() {
    let s = stack(60, &[1.0, 0.8, 0.9], 2, &[drawn(3, 6, 1.0, 3, |_, _| true)], 3);
    let one = s.rms(Reference::Sky);
    let scaled = Stack {
        rows: s.rows.iter().map(|r| Row { sigma: 1e-4 * r.sigma, ..*r }).collect(),
        values: vec![s.values[0].iter().map(|v| 1e-4 * v + 7.0).collect()],
        ..s
    };
    let other = scaled.rms(Reference::Sky);
    assert!((one.rms / other.rms / 1e4 - 1.0).abs() < 1e-5);
    assert!((one.high / other.high / 1e4 - 1.0).abs() < 1e-5);
}

/// Static gradient and dither: change on the sky, none in the detector.
#[test]
fn a_dithered_static_field_is_change_only_on_the_sky() {
    let mut s = stack(150, &[1.0; 5], 2, &[none(5, 6)], 21);
    let dither = [0.0, 300.0, -300.0, 150.0, -150.0];
    let sky_rows = s.rows.clone();
    for (r, v) in s.rows.iter_mut().zip(&mut s.values[0]) {
        r.x += dither[r.exposure];
        *v += 0.02 * r.x;
    }
    let detector = s.rms(Reference::Detector);
    s.rows = sky_rows;
    let sky = s.rms(Reference::Sky);
    let expected = 0.02 * (dither.iter().map(|d| d * d).sum::<f64>() / 4.0).sqrt();
    assert!(sky.low < expected && expected < sky.high, "{sky:?}, expected {expected}");
    assert!(detector.high < 0.3 * expected, "{detector:?}");
}

#[test]
fn many_exposures_are_solved_without_the_full_covariance() {
    let truth = drawn(130, 6, 0.5, 4, |_, _| true);
    let change = stack(80, &[0.9; 130], 2, &[truth], 4).change(Reference::Sky);
    assert!(change.covariance.is_none());
    let found = change.rms(0.95).unwrap();
    assert!(found.low < 0.5 && 0.5 < found.high && found.high < 0.6, "{found:?}");
}

#[test]
fn stated_errors_are_checked_before_they_are_raised() {
    let s = stack(100, &[1.0; 6], 2, &[none(6, 6)], 31);
    assert!((s.change(Reference::Sky).noise_check.pull - 1.0).abs() < 3.0 / (2.0f64 * 460.0).sqrt());
    // Errors stated half as large as they are.
    let low = Stack { rows: s.rows.iter().map(|r| Row { sigma: 0.5 * r.sigma, ..*r }).collect(), ..s };
    let change = low.change(Reference::Sky);
    assert!((change.noise_check.pull - 2.0).abs() < 0.2, "{:?}", change.noise_check);
    assert!(change.noise_check.excess_variance > 0.0);
    let found = change.rms(0.95).unwrap();
    assert!(found.low < 0.2 * found.high, "white scatter is no change: {found:?}");
}

#[test]
fn high_order_change_is_seen_as_correlated_scatter() {
    // Ripples of 12 over the field, of other phase in each exposure: far beyond a quadratic.
    let mut s = stack(400, &[1.0; 4], 2, &[none(4, 6)], 77);
    for (r, v) in s.rows.iter().zip(&mut s.values[0]) {
        let phase = 1.5 * r.exposure as f64;
        *v += 5.0 * (r.x / 130.0 + phase).sin() * (r.y / 130.0).cos();
    }
    let change = s.change(Reference::Sky);
    let correlated = change.noise_check.correlated;
    assert!(correlated.variance > 5.0 * correlated.err, "{correlated:?}");
    let found = change.rms(0.95).unwrap();
    // The ripples' own change between exposures has rms 2.5; neighbours see part of it.
    assert!(found.rms > 1.0 && found.high > 1.25, "{found:?}");
}

#[test]
fn exposures_that_share_too_little_are_named() {
    let mut s = stack(60, &[1.0; 4], 2, &[none(4, 6)], 2);
    let keep: Vec<usize> =
        (0..s.rows.len()).filter(|i| s.rows[*i].exposure != 2 || s.rows[*i].star < 5).collect();
    s.values = vec![keep.iter().map(|i| s.values[0][*i]).collect()];
    s.rows = keep.iter().map(|i| s.rows[*i]).collect();
    let error = measure_change(&s.basis, 4, &s.rows, &s.values, Reference::Sky).unwrap_err();
    assert_eq!(error, RepeatError::TooFewShared { exposure: 2, shared: 5, functions: 6, needed: 7 });

    // Two pairs of exposures without a star in common.
    let mut s = stack(60, &[1.0; 4], 2, &[none(4, 6)], 2);
    for r in &mut s.rows {
        r.star += if r.exposure < 2 { 0 } else { 1000 };
    }
    let error = measure_change(&s.basis, 4, &s.rows, &s.values, Reference::Sky).unwrap_err();
    assert!(matches!(error, RepeatError::NotLinked { exposure: 0 | 2, .. }), "{error:?}");
    assert!(measure_change(&s.basis, 4, &s.rows, &s.values, Reference::Detector).is_ok());

    assert_eq!(
        measure_change(&s.basis, 1, &[], &[vec![]], Reference::Sky).unwrap_err(),
        RepeatError::TooFewExposures { exposures: 1 }
    );
    s.values[0][3] = f64::NAN;
    assert!(matches!(
        measure_change(&s.basis, 4, &s.rows, &s.values, Reference::Sky),
        Err(RepeatError::BadRow { row: 3, .. })
    ));
}

#[test]
fn noiseless_data_give_the_change_itself() {
    let truth = drawn(4, 6, 3.0, 9, |_, _| true);
    let mut s = stack(50, &[1.0; 4], 2, std::slice::from_ref(&truth), 9);
    for (r, v) in s.rows.iter_mut().zip(&mut s.values[0]) {
        *v = s.basis.evaluate(r.x, r.y).iter().zip(&truth[r.exposure]).map(|(p, c)| p * c).sum();
        r.sigma = 1e-9;
    }
    let found = s.rms(Reference::Sky);
    assert!((found.rms - 3.0).abs() < 1e-6 && (found.high - 3.0).abs() < 1e-6, "{found:?}");
}

#[test]
fn the_odd_exposure_is_left_out_first_and_groups_are_found() {
    let odd = drawn(8, 6, 6.0, 1, |t, _| t == 5);
    let change = stack(80, &[1.0; 8], 2, &[odd], 1).change(Reference::Sky);
    let products = Products::new(&change);
    let removals = products.leave_out_candidates();
    assert_eq!(removals[0].exposure, 5);
    assert_eq!(removals.len(), 6);
    let all: Vec<usize> = (0..8).collect();
    let found = rms_change(change.modes(), 0.95).unwrap();
    assert!((products.rms(&all).unwrap() / found.rms - 1.0).abs() < 1e-6);
    assert!(removals[0].rms_after < 0.3 * found.rms);

    // Two levels of focus.
    let mut levels = none(8, 6);
    for (t, row) in levels.iter_mut().enumerate() {
        row[0] = if [0, 2, 3, 6].contains(&t) { 3.0 } else { -3.0 };
    }
    let change = stack(80, &[1.0; 8], 2, &[levels], 6).change(Reference::Sky);
    let groups = Products::new(&change).groups(2, 3).unwrap();
    assert_eq!(groups, vec![vec![0, 2, 3, 6], vec![1, 4, 5, 7]]);
    assert_eq!(Products::new(&change).groups(3, 3), None);
}

#[test]
fn the_population_is_far_less_certain_than_the_change_in_hand() {
    let change = stack(100, &[1.0; 6], 2, &[drawn(6, 6, 3.0, 12, |_, k| k == 0)], 12).change(Reference::Sky);
    let (means, variances): (Vec<f64>, Vec<f64>) =
        change.field_mean(0).into_iter().map(|(c, err)| (c, err * err)).unzip();
    let population = random_effects(&means, &variances, 0.95).unwrap();
    let realised = change.rms(0.95).unwrap();
    assert!((population.tau2_paule_mandel.sqrt() - 3.0).abs() < 0.3);
    assert!(population.tau2_high.sqrt() - population.tau2_low.sqrt() > 2.0 * (realised.high - realised.low));
}
