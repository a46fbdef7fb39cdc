//! The stored response of shear to a change of the PSF against an independent simulation.
//!
//! testdata-synth/shear/bias.json is made by scripts/make_shear_references.py with numpy and scipy alone:
//! exponential discs drawn in real space, convolved with a changed PSF (jitter in one direction, defocus, astigmatism
//! with and without defocus, coma, spherical aberration), fitted with the unchanged one. It shares nothing with
//! the generator of the table, and its pixel, obstructions, size ratios, amplitudes and shears lie between
//! those of the table. The formula beside it: Paulin-Henriksson et al. 2008, A&A 484, 67.

use stackworthy::moments::{LADDER_SIGMA_PIXELS, rungs_used};
use stackworthy::shear::{Cause, Reference, Response, Width, best_width, c_response, m_response};

struct Case {
    cause: Cause,
    with_defocus: bool,
    reference: Reference,
    /// Weight, change of ln T and of e under it.
    changes: Vec<(Width, f64, f64)>,
    m: f64,
    c: f64,
}

fn cases() -> Vec<Case> {
    let text = std::fs::read_to_string("testdata-synth/shear/bias.json").unwrap();
    let stored: serde_json::Value = serde_json::from_str(&text).unwrap();
    let numbers = |v: &serde_json::Value| -> Vec<f64> {
        v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
    };
    let widths = numbers(&stored["widths"]);
    let case = |row: &serde_json::Value| {
        let number = |key: &str| row[key].as_f64().unwrap();
        let name = row["cause"].as_str().unwrap();
        let first = name.split(' ').next().unwrap();
        let (sizes, es) = (numbers(&row["size_change"]), numbers(&row["e_change"]));
        let fixed = widths.iter().zip(sizes).zip(es).map(|((&w, t), e)| (Width::Fixed(w), t, e));
        let adaptive = (Width::Adaptive, number("adaptive_size_change"), number("adaptive_e_change"));
        Case {
            cause: Cause::ALL.into_iter().find(|c| c.word() == first).unwrap(),
            with_defocus: name.contains("with"),
            reference: Reference {
                size_ratio: number("size_ratio"),
                obstruction: Some(number("obstruction")),
            },
            changes: std::iter::once(adaptive).chain(fixed).collect(),
            m: number("m"),
            c: number("c"),
        }
    };
    let found: Vec<Case> = stored["rows"].as_array().unwrap().iter().map(case).collect();
    assert_eq!(found.len(), 24);
    found
}

/// Within the range of the table's set-ups, 2 % on either side. At one and the same set-up (computed by
/// `scripts/shear_response.py` for each case) the two simulations differ by up to 1.5 %, and by 5.5 % for spherical
/// aberration in adaptive size, which it hardly changes: images end at 5.5 lambda / D, and the pixel is the
/// mean of 5 points. Interpolation between the points of the table takes up to 1.1 % (jitter).
fn within(response: Response, found: f64, what: &str) {
    assert!(response.low * 0.98 < found && found < response.high * 1.02, "{what}: {found} {response:?}");
}

/// The value is that of the middle one of the set-ups, while the pixel here, of 0.5 lambda / D, lies a fifth of the way
/// in its square from the fine one (0.4) to the coarse one (0.8): spherical aberration, for which these two differ
/// most, is found 7 % off, every other cause 5 % or less.
const FROM_THE_MIDDLE: f64 = 0.08;

#[test]
fn m_of_every_cause() {
    let mut compared = 0;
    for case in cases().iter().filter(|c| !c.with_defocus) {
        for &(width, size_change, _) in &case.changes {
            let found = (case.m / size_change).abs();
            let response = m_response(case.cause, case.reference, width).unwrap();
            let what = format!("{} {:?} {width:?}", case.cause.word(), case.reference);
            println!("{what}: simulated {found:.3}, table {response:.3?}");
            within(response, found, &what);
            // Under the galaxy-sized weight the value itself, except for astigmatism, whose m is
            // small and passes through zero near here.
            if width == Width::Fixed(1.35) && case.cause != Cause::Astigmatism {
                assert!(
                    (found / response.value - 1.0).abs() < FROM_THE_MIDDLE,
                    "{what}: {found} {response:?}"
                );
            }
            compared += 1;
        }
    }
    assert_eq!(compared, 60);
}

#[test]
fn c_of_causes_that_turn_a_round_psf_elliptical() {
    let mut compared = 0;
    for case in cases() {
        let at_focus = case.cause == Cause::Astigmatism && !case.with_defocus;
        for &(width, _, e_change) in &case.changes {
            let what = format!("{} {:?} {width:?}", case.cause.word(), case.reference);
            match c_response(case.cause, case.reference, width).unwrap() {
                Some(response) if !at_focus => {
                    let found = (case.c / e_change).abs();
                    println!("{what}: simulated {found:.3}, table {response:.3?}");
                    within(response, found, &what);
                    if width == Width::Fixed(1.35) {
                        assert!(
                            (found / response.value - 1.0).abs() < FROM_THE_MIDDLE,
                            "{what}: {found} {response:?}"
                        );
                    }
                    compared += 1;
                }
                // A round PSF stays round.
                _ => assert!(case.c.abs() < 1e-4 && e_change.abs() < 1e-4, "{what}: {} {e_change}", case.c),
            }
        }
    }
    assert_eq!(compared, 36);
}

/// What the plain formula leaves out: by how much the simulated m exceeds `dT / T / size_ratio`.
#[test]
fn the_formula_understates_changes_of_the_wings() {
    for case in cases().iter().filter(|c| !c.with_defocus) {
        let (_, adaptive_change, _) = case.changes[0];
        let times = (case.m / (adaptive_change / case.reference.size_ratio)).abs();
        println!("{} {:?}: {times:.2} times the formula", case.cause.word(), case.reference);
        let expected = match case.cause {
            Cause::Jitter => 1.1..1.7,
            Cause::Defocus => 2.0..4.0,
            Cause::Coma => 2.9..8.0,
            Cause::Spherical => 7.0..30.0,
            _ => 0.3..1.3,
        };
        assert!(expected.contains(&times), "{}: {times}", case.cause.word());
    }
}

/// Of the whole ladder the rung under which causes differ least is among those that a light table keeps, for stars of
/// any width that the ladder serves and galaxies of any size.
#[test]
fn light_tables_keep_the_weight_that_shear_is_looked_at_under() {
    let mut widest: f64 = 0.0;
    for size_ratio in [0.5, 0.8, 1.0, 1.5, 2.5, 4.0] {
        for obstruction in [Some(0.0), Some(0.2), Some(0.45), None] {
            for step in 0..80 {
                let sigma = 0.8 * 1.02_f64.powi(step);
                let widths = LADDER_SIGMA_PIXELS.map(|rung| rung / sigma);
                let Some(best) = best_width(Reference { size_ratio, obstruction }, &widths) else { continue };
                widest = widest.max(widths[best]);
                let kept = rungs_used(Some(sigma));
                assert!(
                    kept.contains(best),
                    "{size_ratio} {obstruction:?} {sigma}: {best} {kept:?} {:?}",
                    widths[best]
                );
            }
        }
    }
    println!("at most {widest} times as wide as the stars");
}
