//! Random-effects estimates against published worked examples.
//!
//! A. Key-comparison data of Kacker (2004, Metrologia 41, 132), Table 1, as in the
//!    statsmodels meta-analysis notebook; DL and PM also from statsmodels.
//! B. Viechtbauer (2005, J. Educ. Behav. Stat. 30, 261), p. 271.
//! C. Viechtbauer (2007, Stat. Med. 26, 37), Table II, p. 44; log odds ratios from counts.

use stackworthy::repeat::RepeatError;
use stackworthy::repeat::random_effects::{RandomEffects, random_effects, weighted_mean};

fn close(found: f64, expected: f64, half_last_digit: f64) {
    assert!((found - expected).abs() <= half_last_digit, "found {found}, published {expected}");
}

const KACKER: ([f64; 9], [f64; 9]) = (
    [61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90],
    [0.2025, 1.21, 0.09, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225],
);

#[test]
fn kacker_2004() {
    let found = random_effects(&KACKER.0, &KACKER.1, 0.95).unwrap();
    close(found.q, 24.801898, 5e-7);
    close(found.i2, 0.67744, 5e-6);
    close(found.tau2_dersimonian_laird, 0.28804925, 5e-9);
    close(found.tau2_paule_mandel, 0.70539531, 5e-9);
    close(found.tau2_paule_mandel.sqrt(), 0.8399, 5e-5);
    close(found.tau2_reml, 0.294343, 5e-7);
    close(found.tau2_low, 0.068804, 5e-7);
    close(found.tau2_high, 5.591598, 5e-7);
    close(found.mean, 62.407620, 5e-7);
    close(found.mean_err, 0.338031, 5e-7);
    let (mean, weight) = weighted_mean(&KACKER.0, &KACKER.1, 0.0);
    close(mean, 62.583397, 5e-7);
    close(weight.sqrt().recip(), 0.107846, 5e-7);
}

#[test]
fn viechtbauer_2005() {
    let y = [-0.581, 0.530, 0.771, 1.031, 0.553, 0.295, 0.078, 0.573, -0.176, -0.232];
    let v = [0.023, 0.052, 0.060, 0.115, 0.095, 0.203, 0.200, 0.211, 0.051, 0.040];
    let found = random_effects(&y, &v, 0.95).unwrap();
    close(found.tau2_dersimonian_laird, 0.277, 5e-4);
    close(found.tau2_reml, 0.223, 5e-4);
    close(100.0 * found.i2, 80.44, 5e-3);
    close(found.tau2_paule_mandel, 0.192005, 5e-7);
    close(found.tau2_low, 0.062848, 5e-7);
    close(found.tau2_high, 0.779286, 5e-7);
}

#[test]
fn viechtbauer_2007() {
    let treated =
        [(14, 131), (21, 385), (14, 57), (6, 38), (12, 1011), (138, 1370), (15, 506), (6, 108), (65, 153)];
    let control =
        [(14, 136), (17, 134), (24, 48), (18, 40), (35, 760), (175, 1336), (20, 524), (2, 103), (40, 102)];
    let (mut y, mut v) = (vec![], vec![]);
    for ((a, n1), (c, n2)) in treated.into_iter().zip(control) {
        let [a, b, c, d] = [a, n1 - a, c, n2 - c].map(f64::from);
        y.push((a * d / (b * c)).ln());
        v.push(1.0 / a + 1.0 / b + 1.0 / c + 1.0 / d);
    }
    let found = random_effects(&y, &v, 0.95).unwrap();
    close(found.tau2_dersimonian_laird, 0.230, 5e-4);
    close(found.tau2_reml, 0.301, 5e-4);
    close(found.tau2_low, 0.072, 5e-4);
    close(found.tau2_high, 2.203, 5e-4);
}

#[test]
fn scatter_below_the_noise_gives_zero() {
    let RandomEffects { tau2_paule_mandel, tau2_reml, tau2_low, i2, .. } =
        random_effects(&[1.0, 1.01, 0.99, 1.0], &[1.0; 4], 0.95).unwrap();
    assert_eq!([tau2_paule_mandel, tau2_reml, tau2_low, i2], [0.0; 4]);
}

#[test]
fn unusable_input_is_an_error() {
    assert_eq!(random_effects(&[1.0], &[1.0], 0.95), Err(RepeatError::TooFewExposures { exposures: 1 }));
    assert!(matches!(
        random_effects(&[1.0, f64::NAN], &[1.0; 2], 0.95),
        Err(RepeatError::BadRow { row: 1, .. })
    ));
    assert!(matches!(
        random_effects(&[1.0, 2.0], &[1.0, 0.0], 0.95),
        Err(RepeatError::BadRow { row: 1, .. })
    ));
    assert!(random_effects(&[1.0, 2.0], &[1.0; 3], 0.95).is_err());
    assert!(random_effects(&[1.0, 2.0], &[1.0; 2], 1.5).is_err());
}
