//! Decisions on whole stacks of star tables with known change (tests/star_tables): the scenes that a
//! verdict must tell apart. Their rates over many draws: `examples/calibration.rs`.

mod star_tables;

use stackworthy::table::StarTable;
use stackworthy::verdict::judge;
use stackworthy::verdict::model::{Decision, Gate, Verdict};
use star_tables::{Drawn, Over, Stack, Through, draw};

/// Enough stars for every answer: the limit is far above the noise.
const SCENE: Stack = Stack {
    exposures: 8,
    stars: 150,
    over: Over::Mixed,
    through: Through::Spread,
    strength: (0.0, 0.0),
    drawn: false,
    limit_over_noise: 8.0,
    contamination: star_tables::Contamination::None,
    stated_gain: 1.0,
    dither: 20.0,
    rotation_deg: 0.0,
    plainly_off: 0.0,
    static_field: 0.003,
};

fn verdict(drawn: &Drawn) -> Verdict {
    judge(&drawn.tables, &[], &drawn.settings).unwrap().verdict
}

fn gated(verdict: &Verdict, gate: Gate) -> Vec<usize> {
    (0..verdict.exposures.len()).filter(|&t| verdict.exposures[t].gate == gate).collect()
}

fn speaks(verdict: &Verdict, code: &str) -> bool {
    verdict.reasons.iter().any(|r| r.code == code)
}

#[test]
fn one_bad_exposure_in_eight_is_left_out_alone() {
    let drawn = draw(&Stack { through: Through::One, strength: (4.0, 4.0), ..SCENE }, 11);
    let found = verdict(&drawn);
    assert_eq!(found.decision, Decision::CombineSubset);
    assert_eq!(gated(&found, Gate::LeaveOut), [4]);
    assert_eq!(found.exposures[4].reasons, ["psf-differs"]);
}

/// With a hundred stars a half has too few to show the rest within; an exposure off beyond doubt leaves all of
/// them to judge. Of 60 such stacks all came out so (`calibration decide-off-none-100-limit-3`).
#[test]
fn an_exposure_off_beyond_doubt_leaves_all_stars_to_judge_the_rest() {
    let scene = Stack { stars: 100, limit_over_noise: 3.0, plainly_off: 6.0, ..SCENE };
    for seed in 21..27 {
        let found = verdict(&draw(&scene, seed));
        assert_eq!(found.decision, Decision::CombineSubset, "{seed}");
        assert_eq!(gated(&found, Gate::LeaveOut), [4], "{seed}");
        let said = &found.reasons[0].text;
        assert!(said.contains("judged by all stars, since what is left out is off beyond doubt"), "{said}");
    }
}

#[test]
fn two_steady_groups_come_back_as_two_groups() {
    let drawn = draw(&Stack { through: Through::Groups, strength: (4.0, 4.0), ..SCENE }, 12);
    let found = verdict(&drawn);
    assert_eq!(found.decision, Decision::Split);
    let names = |range: std::ops::Range<usize>| -> Vec<String> {
        range.map(|t| drawn.tables[t].file.clone()).collect()
    };
    assert_eq!(found.groups, [names(0..4), names(4..8)]);
    // Groups must not be smaller than asked.
    let mut settings = drawn.settings.clone();
    settings.combine.smallest_group = 5;
    let found = judge(&drawn.tables, &[], &settings).unwrap().verdict;
    assert_ne!(found.decision, Decision::Split);
    assert!(!found.also_allowed.contains(&Decision::Split));
}

#[test]
fn a_slow_drift_is_neither_a_subset_nor_groups() {
    let drawn = draw(&Stack { through: Through::Drift, strength: (5.0, 5.0), ..SCENE }, 13);
    let found = verdict(&drawn);
    assert!(
        matches!(found.decision, Decision::DoNotCombine | Decision::CombineWithOwnPsfs),
        "{:?}",
        found.decision
    );
    for positive in [Decision::Combine, Decision::CombineSubset, Decision::Split] {
        assert!(!found.also_allowed.contains(&positive), "{positive:?}");
    }
    let instrument = found.instrument.as_ref().unwrap();
    assert!(instrument.size.low > instrument.size.limit, "{instrument:?}");
    assert!(!speaks(&found, "field-rotation"));
}

#[test]
fn a_steady_telescope_under_a_turning_field_is_told_from_an_unsteady_one() {
    let turning =
        Stack { rotation_deg: 35.0, static_field: 0.05, dither: 100.0, limit_over_noise: 4.0, ..SCENE };
    let drawn = draw(&turning, 14);
    let truth = drawn.on_sky(&drawn.all());
    assert!(truth.ellipticity > 1.5 * drawn.limits.ellipticity, "{truth:?} {:?}", drawn.limits);
    let found = verdict(&drawn);
    assert!(matches!(found.decision, Decision::DoNotCombine | Decision::CombineWithOwnPsfs));
    let (sky, instrument) = (found.all_exposures.as_ref().unwrap(), found.instrument.as_ref().unwrap());
    assert!(sky.ellipticity.low > sky.ellipticity.limit, "{sky:?}");
    assert!(instrument.size.high < instrument.size.limit, "{instrument:?}");
    assert!(instrument.ellipticity.high < instrument.ellipticity.limit, "{instrument:?}");
    assert!(speaks(&found, "field-rotation"));
}

#[test]
fn a_steady_stack_is_combined_and_says_so_alike_on_any_number_of_threads() {
    for (through, strength) in [(Through::Spread, 0.0), (Through::One, 4.0)] {
        let drawn = draw(&Stack { through, strength: (strength, strength), ..SCENE }, 15);
        let on = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| serde_json::to_string(&verdict(&drawn)).unwrap())
        };
        let one = on(1);
        assert!(one == on(2) && one == on(5) && one == on(1));
        let decision = if strength == 0.0 { Decision::Combine } else { Decision::CombineSubset };
        assert_eq!(verdict(&drawn).decision, decision);
    }
}

#[test]
fn a_repeated_file_counts_once() {
    let drawn = draw(&SCENE, 16);
    let once = verdict(&drawn);
    let copy = StarTable { file: "copy.fits".into(), ..drawn.tables[2].clone() };
    let tables: Vec<StarTable> = drawn.tables.iter().cloned().chain([copy]).collect();
    let twice = judge(&tables, &[], &drawn.settings).unwrap().verdict;
    assert_eq!(twice.exposures[8].reasons, ["repeated"]);
    assert_eq!(twice.exposures[8].gate, Gate::LeaveOut);
    assert_eq!(twice.decision, once.decision);
    assert_eq!(twice.all_exposures, once.all_exposures);
    assert_eq!(twice.instrument, once.instrument);
    assert_eq!(twice.exposures[..8], once.exposures[..]);
}
