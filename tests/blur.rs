//! Blur told from moments alone, on simulated frames: smears with their direction and course, blur in all
//! directions, defocus that makes rings; and each not said where it is not. The rates of many draws are in
//! DEVELOPERS.md.

mod blurred;

use blurred::{Case, DIRECTION_DEG, Said};

fn two(name: &str) -> Vec<Said> {
    [101, 102].map(|seed| Case::named(name).said(seed)).into()
}

/// Four errors of the direction, and the tenth of a degree to which it is printed.
fn is_along(said: &Said) -> bool {
    said.direction_deg.is_some_and(|(angle, error)| (angle - DIRECTION_DEG).abs() < 4.0 * error.hypot(0.1))
}

#[test]
fn of_a_steady_stack_nothing_is_said() {
    for name in ["fine-steady", "wide-steady"] {
        for said in two(name) {
            assert!(said.texts.is_empty(), "{name}: {said:?}");
        }
    }
}

#[test]
fn trailing_that_comes_and_goes_under_a_changing_round_blur_is_seen_beside_it() {
    for name in ["fine-both", "wide-both"] {
        let put_in = Case::named(name).longest_mas().unwrap();
        for said in two(name) {
            assert!(is_along(&said) && said.smear_swings && !said.smear_grows, "{name}: {said:?}");
            assert!(said.round && said.flattest.is_none(), "{name}: {said:?}");
            // The round blur is a Gaussian, the smear uniform, as they are taken to be: the rest is the field's variety.
            assert!((said.length_mas.unwrap() / put_in - 1.0).abs() < 0.05, "{name}: {said:?}");
        }
    }
}

#[test]
fn trailing_that_grows_alone_is_no_round_blur() {
    for name in ["fine-smear-grows", "wide-smear-grows"] {
        for said in two(name) {
            assert!(is_along(&said) && said.smear_grows && !said.smear_swings, "{name}: {said:?}");
            assert!(!said.round, "{name}: {said:?}");
        }
    }
}

#[test]
fn lost_focus_that_makes_rings_is_told_from_jitter_of_the_same_size() {
    for said in two("wide-defocus-rings") {
        assert_eq!(
            said.flattest.as_deref(),
            Some(Case::named("wide-defocus-rings").most_defocused().as_str())
        );
    }
    for said in two("wide-jitter") {
        assert!(said.round && said.flattest.is_none() && !said.smeared, "{said:?}");
    }
}
