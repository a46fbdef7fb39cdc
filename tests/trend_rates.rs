//! How often a trend is seen where there is none, and where there is one: simulated white noise with
//! fixed seeds. Every bound on a rate is its nominal value and 3.3 counting errors of a binomial
//! number, `sqrt(p (1 - p) / runs)`, which a right rate passes in 999 of 1000 cases.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use stackworthy::trend::drift::drift;
use stackworthy::trend::follows::spearman;
use stackworthy::trend::many::false_discovery;
use stackworthy::trend::period::{Base, period};
use stackworthy::trend::shape::{Shape, step_or_drift};
use stackworthy::trend::stability::{Form, deviation};
use stackworthy::trend::step::{pettitt, step};

fn noise(n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..n).map(|_| StandardNormal.sample(rng)).collect()
}

fn even(n: usize) -> Vec<f64> {
    (0..n).map(|k| k as f64).collect()
}

fn uneven(n: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    let mut times: Vec<f64> = (0..n).map(|_| rng.random::<f64>() * n as f64).collect();
    times.sort_by(f64::total_cmp);
    times
}

/// Share of the runs in which `seen` holds.
fn rate(runs: usize, seed: u64, mut seen: impl FnMut(&mut ChaCha8Rng) -> bool) -> f64 {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..runs).filter(|_| seen(&mut rng)).count() as f64 / runs as f64
}

fn counting(p: f64, runs: usize) -> f64 {
    3.3 * (p * (1.0 - p) / runs as f64).sqrt()
}

fn at_most(what: &str, n: usize, found: f64, nominal: f64, runs: usize) {
    println!("{what}, n = {n}: {found:.4} of {runs} runs, nominal {nominal}");
    assert!(found <= nominal + counting(nominal, runs), "{what}, n = {n}: {found}, nominal {nominal}");
}

fn about(what: &str, n: usize, found: f64, nominal: f64, runs: usize) {
    println!("{what}, n = {n}: {found:.4} of {runs} runs, nominal {nominal}");
    let off = (found - nominal).abs();
    assert!(off <= counting(nominal, runs), "{what}, n = {n}: {found}, nominal {nominal}");
}

fn at_least(what: &str, n: usize, found: f64, least: f64, runs: usize) {
    println!("{what}, n = {n}: {found:.4} of {runs} runs, at least {least}");
    assert!(found >= least - counting(least, runs), "{what}, n = {n}: {found}, at least {least}");
}

/// S moves in steps, so the true rate at 5 % lies under it: 0.031 at n = 8, 0.048 beyond.
#[test]
fn drift_in_white_noise_at_its_stated_rate() {
    for n in [8, 20, 50] {
        let runs = if n == 50 { 2000 } else { 5000 };
        let (mut covered, mut seen) = (0, 0);
        rate(runs, n as u64, |rng| {
            let (times, y) = (uneven(n, rng), noise(n, rng));
            let found = drift(&times, &y, 0.95).unwrap();
            seen += usize::from(found.p_value <= 0.05);
            let (low, high) = found.interval.unwrap();
            covered += usize::from(low <= 0.0 && 0.0 <= high);
            false
        });
        let share = |count: usize| count as f64 / runs as f64;
        at_most("drift in white noise", n, share(seen), 0.05, runs);
        at_least("drift in white noise", n, share(seen), if n == 8 { 0.025 } else { 0.035 }, runs);
        at_least("interval of the slope holds it", n, share(covered), 0.95, runs);
    }
}

/// A first-order process with correlation 0.5 shows a drift at 5 % in over a fifth of the cases;
/// the second p-value, given where the likeness of neighbours is plain, brings most of them back.
#[test]
fn a_wandering_series_is_told() {
    let runs = 2000;
    let n = 50;
    let (mut first, mut second) = (0, 0);
    rate(runs, 5, |rng| {
        let mut last = 0.0;
        let y: Vec<f64> = noise(n, rng)
            .into_iter()
            .map(|draw| {
                last = 0.5 * last + draw;
                last
            })
            .collect();
        let found = drift(&even(n), &y, 0.95).unwrap();
        first += usize::from(found.p_value <= 0.05);
        second += usize::from(found.autocorrelation.map_or(found.p_value, |a| a.p_value) <= 0.05);
        false
    });
    println!("autocorrelation 0.5: {first} without, {second} with the allowance, of {runs}");
    assert!(first > runs / 5 && second < runs / 8, "{first} {second}");
    // White noise is seldom called so: the bound is one-sided at 5 %.
    let called =
        rate(runs, 6, |rng| drift(&even(n), &noise(n, rng), 0.95).unwrap().autocorrelation.is_some());
    at_most("autocorrelation in white noise", n, called, 0.05, runs);
}

#[test]
fn step_in_white_noise_at_its_stated_rate() {
    for (n, runs) in [(8, 2000), (20, 800), (50, 300)] {
        let mut ranks = 0;
        let found = rate(runs, 100 + n as u64, |rng| {
            let y = noise(n, rng);
            ranks += usize::from(pettitt(&y).p_value <= 0.05);
            step(&y, 0.95).unwrap().p_value <= 0.05
        });
        about("step in white noise", n, found, 0.05, runs);
        at_most("the same by Pettitt's approximation", n, ranks as f64 / runs as f64, 0.05, runs);
    }
}

/// A single wild exposure is no step, and values with long tails seldom make one.
#[test]
fn long_tails_are_no_step() {
    for (n, runs) in [(8, 400), (11, 400), (12, 400), (20, 300), (50, 100)] {
        let student = rand_distr::StudentT::new(3.0).unwrap();
        let found = rate(runs, 150 + n as u64, |rng| {
            let y: Vec<f64> = (0..n).map(|_| student.sample(rng)).collect();
            step(&y, 0.95).unwrap().p_value <= 0.05
        });
        at_most("step in noise of Student's t with 3 degrees of freedom", n, found, 0.05, runs);
        let found = rate(runs, 160 + n as u64, |rng| {
            let y: Vec<f64> = (0..n).map(|_| -rng.random::<f64>().ln()).collect();
            step(&y, 0.95).unwrap().p_value <= 0.05
        });
        at_most("step in exponential noise", n, found, 0.05, runs);
        let found = rate(runs, 170 + n as u64, |rng| {
            let mut y = noise(n, rng);
            let wild = rng.random_range(0..n);
            y[wild] += 30.0;
            step(&y, 0.95).unwrap().p_value <= 0.05
        });
        at_most("step beside a wild exposure", n, found, 0.05, runs);
    }
}

/// The bound is an upper one, close where the false alarm is small.
#[test]
fn period_in_white_noise_at_most_at_its_stated_rate() {
    for (n, runs) in [(20, 3000), (50, 800)] {
        let errors = vec![1.0; n];
        for (what, on_even) in [("uneven", false), ("even", true)] {
            let found = rate(runs, 200 + n as u64, |rng| {
                let times = if on_even { even(n) } else { uneven(n, rng) };
                let y = noise(n, rng);
                period(&times, &y, &errors, Base::Constant).unwrap().false_alarm <= 0.05
            });
            at_most(&format!("period in white noise on {what} times"), n, found, 0.05, runs);
        }
        let found = rate(runs, 300 + n as u64, |rng| {
            let y: Vec<f64> = noise(n, rng).iter().zip(even(n)).map(|(y, t)| y + 0.5 * t).collect();
            period(&even(n), &y, &errors, Base::Line).unwrap().false_alarm <= 0.05
        });
        at_most("period beside a drift", n, found, 0.05, runs);
    }
    let too_few = period(&even(8), &even(8), &[1.0; 8], Base::Constant);
    assert!(too_few.is_err());
}

#[test]
fn rank_correlation_in_white_noise_at_its_stated_rate() {
    for (n, runs) in [(8, 1500), (20, 800), (50, 5000)] {
        let found = rate(runs, 400 + n as u64, |rng| {
            spearman(&noise(n, rng), &noise(n, rng), 0.95).unwrap().p_value <= 0.05
        });
        // Of 8 values the steps of rho leave 0.0458 under 5 %.
        about("rank correlation", n, found, if n == 8 { 0.0458 } else { 0.05 }, runs);
    }
}

/// Ten unrelated series: any discovery at a rate of 10 % in at most 10 % of the stacks.
#[test]
fn false_discoveries_at_their_stated_rate() {
    for (n, runs) in [(8, 300), (20, 120), (50, 1500)] {
        let found = rate(runs, 500 + n as u64, |rng| {
            let y = noise(n, rng);
            let p: Vec<f64> = (0..10).map(|_| spearman(&y, &noise(n, rng), 0.95).unwrap().p_value).collect();
            false_discovery(&p).iter().any(|q| *q <= 0.1)
        });
        at_most("any discovery among ten", n, found, 0.1, runs);
    }
}

/// Effects that stand well over the scatter are seen nearly always and described as what they are.
#[test]
fn real_effects_are_seen() {
    let runs = 200;
    let n = 20;
    let times = even(n);
    let with = |effect: fn(f64) -> f64, rng: &mut ChaCha8Rng| -> Vec<f64> {
        noise(n, rng).iter().zip(even(n)).map(|(y, t)| y + effect(t)).collect()
    };
    let line = |t: f64| 0.4 * t;
    let jump = |t: f64| if t < 12.0 { 0.0 } else { 4.0 };
    let wave = |t: f64| 4.0 * (std::f64::consts::TAU * t / 5.3).sin();

    let found = rate(runs, 1, |rng| drift(&times, &with(line, rng), 0.95).unwrap().p_value <= 0.01);
    at_least("a drift of 8 over the span", n, found, 0.98, runs);
    let found = rate(runs, 2, |rng| {
        let found = step(&with(jump, rng), 0.95).unwrap();
        found.p_value <= 0.01 && found.split.before.abs_diff(12) <= 1
    });
    at_least("a step of 4, at its place", n, found, 0.97, runs);
    let found = rate(runs, 3, |rng| {
        let found = period(&times, &with(wave, rng), &[1.0; 20], Base::Constant).unwrap();
        found.false_alarm <= 0.01 && (found.period - 5.3).abs() < 0.5
    });
    at_least("a wave of amplitude 4", n, found, 0.98, runs);
    let found = rate(runs, 4, |rng| {
        let other = noise(n, rng);
        let y: Vec<f64> = noise(n, rng).iter().zip(&other).map(|(e, x)| 2.0 * x + e).collect();
        spearman(&y, &other, 0.95).unwrap().p_value <= 0.01
    });
    at_least("a following of 2 to 1", n, found, 0.95, runs);
}

/// A preference needs odds of ten to one: the wrong one is seldom preferred.
#[test]
fn steps_are_told_from_drifts() {
    let runs = 1000;
    for n in [8, 20, 50] {
        let times = even(n);
        let share = |effect: &dyn Fn(f64) -> f64, shape: Shape, seed: u64| {
            rate(runs, seed, |rng| {
                let y: Vec<f64> = noise(n, rng).iter().zip(&times).map(|(y, t)| y + effect(*t)).collect();
                step_or_drift(&times, &y).unwrap() == shape
            })
        };
        let line = |t: f64| 10.0 * t / n as f64;
        let jump = |t: f64| if t < (n / 2) as f64 { 0.0 } else { 5.0 };
        at_most("a drift of 10 taken for a step", n, share(&line, Shape::Step, 10), 0.05, runs);
        at_most("a step of 5 taken for a drift", n, share(&jump, Shape::Drift, 11), 0.05, runs);
        if n >= 20 {
            at_least("a drift of 10 told", n, share(&line, Shape::Drift, 12), 0.8, runs);
            at_least("a step of 5 told", n, share(&jump, Shape::Step, 13), 0.9, runs);
        }
    }
}

/// Errors of period and amplitude, and of the step's size at its place, against their scatter.
#[test]
fn stated_errors_are_the_scatter() {
    let runs = 400;
    let n = 30;
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let pulls: Vec<[f64; 2]> = (0..runs)
        .map(|_| {
            let times = uneven(n, &mut rng);
            let wave = |t: f64| 5.0 * (std::f64::consts::TAU * t / 6.1 + 0.3).cos();
            let y: Vec<f64> = noise(n, &mut rng).iter().zip(&times).map(|(y, t)| y + wave(*t)).collect();
            let found = period(&times, &y, &[1.0; 30], Base::Constant).unwrap();
            [(found.period - 6.1) / found.period_err, (found.amplitude - 5.0) / found.amplitude_err]
        })
        .collect();
    for k in 0..2 {
        let square = pulls.iter().map(|p| p[k] * p[k]).sum::<f64>() / runs as f64;
        println!("rms pull of {}: {:.3}", ["the period", "the amplitude"][k], square.sqrt());
        // The scatter is estimated with 26 degrees of freedom: the mean square pull is 26/24. The
        // variance of a mean square is 2/runs and a little more for Student's tails.
        assert!((square - 26.0 / 24.0).abs() < 3.3 * (2.6 / runs as f64).sqrt(), "{square}");
    }
}

#[test]
fn intervals_of_the_allan_deviation_hold_white_noise() {
    let runs = 3000;
    for form in [Form::Plain, Form::Overlapping, Form::Modified] {
        for (n, averaged) in [(8, 1), (20, 4), (50, 16)] {
            // White noise of variance 1: 1/m; the modified form by its filter's own sum of squares,
            // the mean of m differences: (m² + 1)/(2 m²) of it.
            let m = averaged as f64;
            let variance = if form == Form::Modified { (m * m + 1.0) / (2.0 * m.powi(3)) } else { 1.0 / m };
            let mut squares = 0.0;
            let mut dof = 0.0;
            let found = rate(runs, 600 + n as u64, |rng| {
                let found = deviation(&noise(n, rng), averaged, form, 0.95).unwrap();
                squares += found.value.powi(2) / runs as f64;
                dof = found.dof;
                found.interval.0 <= variance.sqrt() && variance.sqrt() <= found.interval.1
            });
            // A chi-square of as many degrees of freedom has two moments right, not all: the interval
            // is a little wide.
            at_least(&format!("interval of {form:?} at m = {averaged}"), n, found, 0.95, runs);
            at_most(&format!("interval of {form:?} at m = {averaged}"), n, found, 0.97, runs);
            let error = 3.3 * (2.0 / dof / runs as f64).sqrt();
            assert!(
                (squares / variance - 1.0).abs() < error,
                "{form:?} {n} {averaged}: {squares} {variance}"
            );
        }
    }
}
