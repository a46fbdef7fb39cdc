//! Trends of a series against published worked examples and other libraries.
//!
//! - Theil-Sen: Sen (1968, J. Am. Stat. Assoc. 63, 1379), worked example.
//! - Change point: annual flow of the Nile 1871-1970 (Cobb 1978, Biometrika 65, 243; from memory; the
//!   data as in statsmodels), split and Pettitt's test (Pettitt 1979, Appl. Stat. 28, 126).
//! - Allan deviation: Riley (2008), NIST SP 1065, Tables 30 and 31.
//! - False discovery rate: Benjamini & Hochberg (1995, J. R. Stat. Soc. B 57, 289), their example.
//! - False-alarm probability: Baluev (2008, MNRAS 385, 1279).
//! - testdata-synth/trends.json: scipy, statsmodels, astropy (scripts/make_trend_references.py).

use serde::Deserialize;
use stackworthy::trend::drift::{Kendall, drift};
use stackworthy::trend::follows::{spearman, spearman_given};
use stackworthy::trend::many::{false_discovery, family_wise};
use stackworthy::trend::period::{Base, false_alarm, period};
use stackworthy::trend::shape::{Shape, step_or_drift};
use stackworthy::trend::stability::{Form, deviation};
use stackworthy::trend::step::{pettitt, step};

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "found {found}, expected {expected}");
}

/// Sen prints the interval from the fourth slope to the eighteenth of 21 as one of 93 %, from
/// `P(|S| >= 13) = 0.07`. The true slope lies inside it where `|S| <= 13`, which has the chance
/// 0.9698; one of 93 % by that count is a slope narrower on either side.
#[test]
fn sen_1968() {
    let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
    let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
    let at = |confidence| drift(&x, &y, confidence).unwrap();
    close(at(0.93).slope, 4.0, 1e-12);
    for (confidence, low, high) in [(0.9698, 3.7143, 4.375), (0.9309, 3.75, 4.1818)] {
        let found = at(confidence).interval.unwrap();
        close(found.0, low, 5e-5);
        close(found.1, high, 5e-5);
    }
}

const NILE: [u16; 100] = [
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958,
    1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020,
    1050, 969, 831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796,
    1040, 759, 781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874,
    848, 890, 744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718,
    714, 740,
];

#[test]
fn flow_of_the_nile() {
    let flow = NILE.map(f64::from);
    let found = step(&flow, 0.95).unwrap();
    assert_eq!(found.split.before, 28, "the last year before the change is 1898");
    close(found.split.mean_before, 1097.75, 1e-9);
    close(found.split.mean_after, 849.97, 5e-3);
    close(found.split.residual, 1597457.19, 5e-3);
    // No random order of 9999 comes near.
    close(found.p_value, 1e-4, 1e-12);
    let ranks = pettitt(&flow);
    assert_eq!((ranks.statistic, ranks.before), (1617.0, 28));
    close(ranks.p_value, 3.59e-7, 5e-10);
    let years: Vec<f64> = (1871..1971).map(f64::from).collect();
    assert_eq!(step_or_drift(&years, &flow), Ok(Shape::Step));
}

/// The 1000-point series of SP 1065: `n -> 16807 n mod (2^31 - 1)`, from 1234567890.
fn thousand_points() -> Vec<f64> {
    const MODULUS: u64 = (1 << 31) - 1;
    std::iter::successors(Some(1_234_567_890u64), |n| Some(16807 * n % MODULUS))
        .take(1000)
        .map(|n| n as f64 / MODULUS as f64)
        .collect()
}

#[test]
fn allan_deviation_of_sp_1065() {
    let series = thousand_points();
    let published = [
        (Form::Plain, [2.922319e-1, 9.965736e-2, 3.897804e-2]),
        (Form::Overlapping, [2.922319e-1, 9.159953e-2, 3.241343e-2]),
        (Form::Modified, [2.922319e-1, 6.172376e-2, 2.170921e-2]),
    ];
    for (form, expected) in published {
        for (averaged, expected) in [1, 10, 100].into_iter().zip(expected) {
            let found = deviation(&series, averaged, form, 0.95).unwrap();
            close(found.value, expected, 0.5e-6 * 10f64.powi(expected.log10().floor() as i32));
        }
    }
    let nine = [892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0];
    for (form, averaged, expected) in [
        (Form::Plain, 1, 91.22945),
        (Form::Plain, 2, 115.8082),
        (Form::Overlapping, 1, 91.22945),
        (Form::Overlapping, 2, 85.95287),
    ] {
        close(
            deviation(&nine, averaged, form, 0.95).unwrap().value,
            expected,
            if averaged == 1 { 5e-6 } else { 5e-5 },
        );
    }
}

#[test]
fn benjamini_and_hochberg_1995() {
    let p = [
        0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
        0.6528, 0.7590, 1.0,
    ];
    assert_eq!(false_discovery(&p).iter().filter(|q| **q <= 0.05).count(), 4);
    assert_eq!(p.iter().filter(|p| **p * 15.0 <= 0.05).count(), 3);
    assert_eq!(family_wise(&p).iter().filter(|q| **q <= 0.05).count(), 3);
}

/// For very many values the share of the squares is `2 z / n`, and the bound becomes the one for
/// known variance, `f_max sqrt(4 pi var t) sqrt(z) exp(-z)` beside the chance `exp(-z)` of a single
/// frequency: at z = 9 and 60 cycles of a span of uniform times 0.0227, three times the
/// `60 exp(-z)` of as many independent frequencies.
#[test]
fn false_alarm_of_very_many_values_is_that_of_known_variance() {
    let n = 100_000_000_u32;
    let z = 9.0_f64;
    for (cycles, rounded) in [(1.0, 0.00038), (60.0, 0.0227)] {
        let known = cycles * (4.0 * std::f64::consts::PI / 12.0_f64).sqrt() * z.sqrt() * (-z).exp();
        close(known, rounded, 0.005 * rounded);
        let single = (-z).exp();
        let found = false_alarm(2.0 * z / f64::from(n), cycles, 1.0 / 12.0, n as usize, 1);
        close(found / (1.0 - (1.0 - single) * (-known).exp()), 1.0, 1e-5);
    }
}

#[derive(Deserialize)]
struct References {
    kendall: Vec<KendallCase>,
    theil_sen: Vec<TheilSenCase>,
    spearman: Vec<SpearmanCase>,
    partial: Vec<PartialCase>,
    many: Vec<ManyCase>,
    wave: Vec<WaveCase>,
}

#[derive(Deserialize)]
struct KendallCase {
    x: Vec<f64>,
    y: Vec<f64>,
    s: f64,
    variance: Option<f64>,
    p_exact: Option<f64>,
}

#[derive(Deserialize)]
struct TheilSenCase {
    x: Vec<f64>,
    y: Vec<f64>,
    slope: f64,
    intercept: f64,
}

#[derive(Deserialize)]
struct SpearmanCase {
    a: Vec<f64>,
    b: Vec<f64>,
    rho: f64,
    p: f64,
}

#[derive(Deserialize)]
struct PartialCase {
    a: Vec<f64>,
    b: Vec<f64>,
    c: Vec<f64>,
    rho: f64,
    p: f64,
}

#[derive(Deserialize)]
struct ManyCase {
    p: Vec<f64>,
    false_discovery: Vec<f64>,
    family_wise: Vec<f64>,
}

#[derive(Deserialize)]
struct WaveCase {
    t: Vec<f64>,
    y: Vec<f64>,
    err: Vec<f64>,
    power: f64,
    false_alarm: f64,
    highest: f64,
    period: f64,
    period_err: f64,
    amplitude: f64,
    amplitude_err: f64,
}

fn references() -> References {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata-synth/trends.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn kendall_and_theil_sen_as_scipy() {
    let references = references();
    for case in &references.kendall {
        let found = Kendall::new(&case.x, &case.y);
        assert_eq!(found.s, case.s);
        if let Some(variance) = case.variance {
            close(found.variance / variance, 1.0, 1e-9);
        }
        if let Some(p) = case.p_exact {
            close(found.p_value(1.0), p, 1e-12);
        }
    }
    for case in &references.theil_sen {
        let found = drift(&case.x, &case.y, 0.95).unwrap();
        close(found.slope, case.slope, 1e-12);
        close(found.intercept, case.intercept, 1e-12);
    }
}

#[test]
fn rank_correlations_as_scipy() {
    let references = references();
    for case in &references.spearman {
        let found = spearman(&case.a, &case.b, 0.95).unwrap();
        close(found.value, case.rho, 1e-12);
        close(found.p_value, case.p, 1e-10);
    }
    for case in &references.partial {
        let (rho, p) = spearman_given(&case.a, &case.b, &case.c).unwrap();
        close(rho, case.rho, 1e-10);
        close(p, case.p, 1e-9);
    }
}

#[test]
fn many_tests_as_statsmodels() {
    for case in references().many {
        for (found, expected) in
            [(false_discovery(&case.p), case.false_discovery), (family_wise(&case.p), case.family_wise)]
        {
            assert_eq!(found.len(), expected.len());
            found.iter().zip(&expected).for_each(|(a, b)| close(*a, *b, 1e-12));
        }
    }
}

#[test]
fn waves_as_astropy_and_scipy() {
    for case in references().wave {
        let found = period(&case.t, &case.y, &case.err, Base::Constant).unwrap();
        close(1.0 / found.shortest, case.highest, 1e-9);
        // The grid of the reference finds the top to 1e-6 of the power.
        close(found.power, case.power, 2e-6);
        close(found.false_alarm / case.false_alarm, 1.0, 1e-6);
        close(found.period / case.period, 1.0, 1e-6);
        close(found.amplitude / case.amplitude, 1.0, 1e-5);
        close(found.period_err / case.period_err, 1.0, 1e-5);
        close(found.amplitude_err / case.amplitude_err, 1.0, 1e-5);
    }
}
