//! Every check is made to speak, on star tables made here, and its severity does what it says.
//!
//! To add a check: a line in `CASES`, which turns a steady stack into one of which it speaks.

use std::collections::BTreeMap;

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use stackworthy::frame::{ExposureFacts, Region};
use stackworthy::gate::{self, Severity};
use stackworthy::moments::Shape;
use stackworthy::settings::{CheckSettings, Settings};
use stackworthy::stars::Star;
use stackworthy::table::StarTable;
use stackworthy::verdict::model::{Decision, Gate};
use stackworthy::verdict::{Verdict, judge};

/// What is judged; as it stands a steady stack that may be combined.
struct Given {
    tables: Vec<StarTable>,
    unreadable: Vec<(String, String)>,
    settings: Settings,
}

/// A star's shapes under every weight.
fn shapes(star: &mut Star) -> impl Iterator<Item = &mut Shape> {
    star.adaptive.iter_mut().chain(star.ladder.shapes_mut())
}

/// A code, and what makes the check speak of a steady stack.
type Case = (&'static str, fn(&mut Given));

const CASES: &[Case] = &[
    ("size-change", |_| ()),
    ("ellipticity-change", |_| ()),
    ("own-model-size", |_| ()),
    ("own-model-ellipticity", |_| ()),
    ("noise-model", |given| given.change_shapes(|_, shape| shape.size_err *= 0.6)),
    // A change of size within its limit, of a PSF as elliptical as to leave its mark on c.
    ("shear-bias", |given| {
        given.change_shapes(|t, shape| {
            shape.e1 += 0.4;
            shape.size *= [1.015, 0.985][t % 2];
        })
    }),
    // The same wave over the field in every exposure: no change, but no polynomial either.
    ("residual-correlation", |given| {
        given.change_stars(|_, star| {
            let wave = 0.02 * (star.x / 60.0).sin();
            shapes(star).for_each(|s| s.e1 += wave);
        })
    }),
    ("registration", |given| {
        given.change_stars(|t, star| star.x += 0.35 * (12.9 * star.y + 78.2 * t as f64).sin())
    }),
    // The brightest four times as bright as most.
    ("brightness-dependent", |given| {
        given.change_stars(|_, star| {
            star.flux *= (star.snr / 400.0).powi(2);
            let grown = 1.0 + 3e-8 * star.flux;
            shapes(star).for_each(|s| s.size *= grown);
        })
    }),
    // Dithers of half a frame across a gradient of size that stays on the detector.
    ("field-rotation", |given| {
        given.tables = stack(&[0.0, 500.0, 0.0, 500.0, 0.0, 500.0], 1.0);
        given.change_stars(|_, star| {
            let here = 1.0 + 2e-4 * (star.x - 500.0);
            shapes(star).for_each(|s| s.size *= here);
        })
    }),
    ("drift", |given| given.change_shapes(|t, shape| shape.size *= 1.0 + 0.004 * t as f64)),
    ("step", |given| {
        given.tables = stack(&[0.0; 14], 1.0);
        given.change_shapes(|t, shape| shape.size *= if t < 7 { 1.0 } else { 1.008 });
    }),
    ("period", |given| {
        given.tables = stack(&[0.0; 24], 1.0);
        given.change_shapes(|t, shape| shape.size *= 1.0 + 0.008 * (1.3 * t as f64).sin());
    }),
    ("follows-housekeeping", |given| {
        const FOCUS: [f64; 8] = [3.0, 7.0, 1.0, 5.0, 0.0, 6.0, 2.0, 4.0];
        given.tables = stack(&[0.0; 8], 1.0);
        given.change_shapes(|t, shape| shape.size *= 1.0 + 0.002 * FOCUS[t]);
        given.tables.iter_mut().zip(FOCUS).for_each(|(table, focus)| table.facts.focus = Some(focus));
    }),
    ("no-gain", |given| given.tables[2].facts.gain = None),
    ("little-overlap", |given| given.tables = stack(&[0.0, 0.0, 0.0, 530.0, 530.0, 530.0], 1.0)),
    ("undersampled", |given| given.tables[1].narrowest_sigma_pixels = Some(0.8)),
    ("unreadable", |given| given.unreadable.push(("broken.fits".into(), "cut short".into()))),
    ("mixed-filter", |given| given.tables[1].facts.filter = Some("red".into())),
    ("mixed-target", |given| given.tables[1].facts.target = Some("field 8".into())),
    ("mixed-binning", |given| given.tables[1].facts.binning = Some([2, 2])),
    ("mixed-size", |given| given.tables[1].height = 900),
    ("few-stars", |given| given.tables[1].stars.truncate(5)),
    ("not-registered", |given| given.tables[1].stars.iter_mut().for_each(|s| (s.x, s.y) = (s.y, s.x))),
    ("psf-differs", |given| given.change_shapes(|t, shape| shape.size *= if t == 4 { 1.1 } else { 1.0 })),
    ("repeated", |given| {
        given.tables.push(StarTable { file: "copy.fits".into(), ..given.tables[0].clone() })
    }),
    ("one-exposure", |given| given.tables.truncate(1)),
];

/// Codes that only star images, many exposures or many stacks bring out, and the file whose own tests make them
/// speak.
const TESTED_BESIDE: [(&str, &str); 13] = [
    ("jitter-changes", "optics_stack.rs"),
    ("jitter-drifts", "optics_stack.rs"),
    ("jitter-recurs", "optics_stack.rs"),
    ("focus-changes", "optics_stack.rs"),
    ("focus-drifts", "optics_stack.rs"),
    ("alignment-changes", "optics_stack.rs"),
    ("alignment-drifts", "optics_stack.rs"),
    ("optics-misfit", "optics_stack.rs"),
    ("trailing", "blur/smear.rs"),
    ("blur-changes", "blur/round.rs"),
    ("flight-beyond-history", "../../flight/alarm.rs"),
    ("flight-will-cross", "../../flight/alarm.rs"),
    ("flight-over-limit", "../../flight/alarm.rs"),
];

fn is_tested_beside(code: &str) -> bool {
    TESTED_BESIDE.iter().any(|(of, _)| *of == code)
}

/// What is said of every stack, within the limit or not.
const ALWAYS: [&str; 4] = ["size-change", "ellipticity-change", "own-model-size", "own-model-ellipticity"];

impl Given {
    fn steady() -> Self {
        Self { tables: stack(&[0.0; 6], 1.0), unreadable: vec![], settings: Settings::default() }
    }

    fn of(code: &str) -> Self {
        let mut given = Self::steady();
        let (_, alter) = CASES.iter().find(|(of, _)| *of == code).unwrap();
        alter(&mut given);
        given
    }

    fn set(mut self, code: &str, severity: Severity) -> Self {
        self.settings.checks = CheckSettings::from(BTreeMap::from([(code.to_owned(), severity)]));
        self
    }

    /// Alters every shape of every star, given the number of its exposure.
    fn change_shapes(&mut self, change: impl Fn(usize, &mut Shape)) {
        self.change_stars(|t, star| shapes(star).for_each(|shape| change(t, shape)));
    }

    /// Alters every star, given the number of its exposure.
    fn change_stars(&mut self, change: impl Fn(usize, &mut Star)) {
        for (t, table) in self.tables.iter_mut().enumerate() {
            table.stars.iter_mut().for_each(|star| change(t, star));
        }
    }

    fn verdict(&self) -> Verdict {
        judge(&self.tables, &self.unreadable, &self.settings).unwrap().verdict
    }
}

/// Exposures of one field of random stars of SNR 80 to 800 times `brighter`, each shifted along x
/// by so many pixels. Errors are those of a star of SNR nu under sky noise, 2/nu, and true.
fn stack(shifts: &[f64], brighter: f64) -> Vec<StarTable> {
    let mut rng = StdRng::seed_from_u64(5);
    let sky: Vec<[f64; 3]> = (0..220)
        .map(|_| {
            [rng.random_range(-800.0..1800.0), rng.random_range(20.0..980.0), rng.random_range(80.0..800.0)]
        })
        .collect();
    let inside = |shift: f64, star: &&[f64; 3]| (10.0..990.0).contains(&(star[0] - shift));
    shifts
        .iter()
        .enumerate()
        .map(|(t, &shift)| {
            let seen = sky.iter().filter(|s| inside(shift, s));
            table(t, seen.map(|&[x, y, snr]| star(x - shift, y, brighter * snr, &mut rng)).collect())
        })
        .collect()
}

fn star(x: f64, y: f64, snr: f64, rng: &mut StdRng) -> Star {
    let mut noise = || rng.sample::<f64, _>(StandardNormal) * 2.0 / snr;
    let (size, e1, e2) = (4.0 * (1.0 + noise()), 0.02 + noise(), noise());
    let shape = Shape {
        mxx: 0.5 * size * (1.0 + e1),
        myy: 0.5 * size * (1.0 - e1),
        mxy: 0.5 * size * e2,
        size,
        size_err: 4.0 * 2.0 / snr,
        e1,
        e2,
        e_err: 2.0 / snr,
        size_response: 0.1,
        e_response: 0.1,
    };
    Star {
        // Centroids of one star differ a little from exposure to exposure.
        x: x + 0.01 * rng.sample::<f64, _>(StandardNormal),
        y,
        sky: None,
        flux: 200.0 * snr,
        flux_err: 200.0,
        snr,
        adaptive: Some(shape),
        ladder: [Some(shape); 6].into(),
        higher: None,
        contamination: 0.0,
        refused: None,
        cutout: None,
        cutout_mask: None,
    }
}

fn table(t: usize, stars: Vec<Star>) -> StarTable {
    StarTable {
        file: format!("frame-{t}.fits"),
        frame_xxh3: format!("{t:032}"),
        settings_sha256: String::new(),
        version: String::new(),
        width: 1000,
        height: 1000,
        usable: Region { x0: 0, x1: 1000, y0: 0, y1: 1000 },
        facts: ExposureFacts {
            exposure_s: Some(60.0),
            gain: Some(1.5),
            filter: Some("clear".into()),
            target: Some("field 7".into()),
            binning: Some([1, 1]),
            ..ExposureFacts::default()
        },
        sky_level: 100.0,
        sky_noise: 5.0,
        sigma_pixels: Some(1.4),
        narrowest_sigma_pixels: Some(1.4),
        has_wcs: false,
        sky_angle_deg: None,
        notes: vec![],
        stars,
        forgotten: Default::default(),
    }
}

/// All codes that a verdict speaks, of the stack or of an exposure.
fn spoken(verdict: &Verdict) -> Vec<String> {
    let of_stack = verdict.reasons.iter().map(|r| r.code.clone());
    of_stack.chain(verdict.exposures.iter().flat_map(|e| e.reasons.clone())).collect()
}

#[test]
fn every_check_has_a_case_that_makes_it_speak() {
    let silent = spoken(&Given::steady().verdict());
    for (code, file) in TESTED_BESIDE {
        let path = format!("{}/src/verdict/beside/{file}", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(path).unwrap();
        let tests = text.split("#[cfg(test)]").nth(1).unwrap();
        assert!(tests.contains(&format!("\"{code}\"")), "no test of {file} makes {code} speak");
    }
    for check in gate::ALL.iter().filter(|c| !is_tested_beside(c.code)) {
        assert!(CASES.iter().any(|(code, _)| *code == check.code), "no case makes {} speak", check.code);
        let found = spoken(&Given::of(check.code).verdict());
        assert!(found.iter().any(|code| code == check.code), "{} is silent: {found:?}", check.code);
        let always = ALWAYS.contains(&check.code);
        assert_eq!(silent.iter().any(|code| code == check.code), always, "{} of a steady stack", check.code);
    }
    for (code, _) in CASES {
        assert!(gate::find(code).is_some(), "{code} is no check");
    }
}

#[test]
fn a_steady_stack_may_be_combined() {
    assert_eq!(Given::steady().verdict().decision, Decision::Combine);
}

#[test]
fn an_exposure_is_left_out_by_a_check_of_that_severity_and_by_no_other() {
    for check in gate::ALL.iter().filter(|c| c.severity() == Severity::LeaveOut && c.code != "unreadable") {
        let verdict = Given::of(check.code).verdict();
        let named = verdict.exposures.iter().find(|e| e.reasons.iter().any(|code| code == check.code));
        assert_eq!(named.unwrap().gate, Gate::LeaveOut, "{}", check.code);
        assert!(matches!(verdict.decision, Decision::Combine | Decision::CombineSubset), "{}", check.code);
        let kept = verdict.exposures.iter().filter(|e| e.gate == Gate::Keep).count();
        assert_eq!(kept, verdict.exposures.len() - 1, "{}", check.code);
    }
}

#[test]
fn a_remark_raised_to_undecided_withholds_a_positive_answer() {
    let raisable =
        |c: &&&gate::Check| c.severity() == Severity::Remark && c.is_settable() && !is_tested_beside(c.code);
    assert!(gate::ALL.iter().filter(raisable).count() >= 4);
    for check in gate::ALL.iter().filter(raisable) {
        let as_it_stands = Given::of(check.code).verdict();
        assert_eq!(as_it_stands.decision, Decision::Combine, "{}", check.code);
        let raised = Given::of(check.code).set(check.code, Severity::Undecided).verdict();
        assert_eq!(raised.decision, Decision::Undecided, "{}", check.code);
        assert!(raised.also_allowed.is_empty());
        assert_eq!(raised.repeatability, as_it_stands.repeatability, "the numbers stay");
        let advice = raised.undecided.unwrap().text;
        assert!(advice.contains(check.code), "{advice}");
        // Where it does not speak, nothing changes.
        let silent = Given::steady().set(check.code, Severity::Undecided).verdict();
        assert_eq!(silent.decision, Decision::Combine, "{}", check.code);
    }
}

/// Withheld is a positive answer; a change shown to be over the limit stays shown.
#[test]
fn a_raised_remark_does_not_take_back_a_no() {
    let mut given = Given::of("no-gain").set("no-gain", Severity::Undecided);
    given.change_shapes(|t, shape| shape.size *= 1.0 + 0.05 * t as f64);
    given.settings.requirement.size_limit = Some(0.002);
    assert_eq!(given.verdict().decision, Decision::DoNotCombine);
}

#[test]
fn exposures_of_another_name_are_judged_together_where_that_is_a_remark() {
    for code in ["mixed-filter", "mixed-target"] {
        let verdict = Given::of(code).set(code, Severity::Remark).verdict();
        assert_eq!(verdict.decision, Decision::Combine, "{code}");
        assert_eq!(
            (verdict.exposures[1].gate, &verdict.exposures[1].reasons[..]),
            (Gate::Keep, &[code.into()][..])
        );
        let said = verdict.reasons.iter().find(|r| r.code == code).unwrap();
        assert!(said.text.contains("frame-1.fits"), "{}", said.text);
    }
}

#[test]
fn no_exposure_is_left_out_for_its_psf_where_that_is_a_remark() {
    let left_out = Given::of("psf-differs").verdict();
    assert_eq!((left_out.decision, left_out.exposures[4].gate), (Decision::CombineSubset, Gate::LeaveOut));
    let remarked = Given::of("psf-differs").set("psf-differs", Severity::Remark).verdict();
    // What remains is that each exposure keeps its own PSF.
    assert_eq!(remarked.decision, Decision::CombineWithOwnPsfs);
    assert!(!remarked.also_allowed.contains(&Decision::CombineSubset));
    assert!(remarked.exposures.iter().all(|e| e.gate == Gate::Keep));
}

#[test]
fn an_undecided_stack_says_which_stars_would_decide() {
    let verdict = |brighter: f64| {
        let mut given = Given { tables: stack(&[0.0; 6], brighter), ..Given::steady() };
        given.settings.requirement.size_limit = Some(0.0013);
        given.settings.requirement.ellipticity_limit = Some(0.9);
        given.verdict()
    };
    let undecided = verdict(1.0);
    assert_eq!(undecided.decision, Decision::Undecided);
    let advice = undecided.undecided.unwrap();
    let (now, needed) = (advice.star_snr.unwrap(), advice.star_snr_needed.unwrap());
    // The rms of an even spread between 80 and 800.
    assert!((now / 494.0 - 1.0).abs() < 0.1, "{now}");
    for words in
        [format!("worth an SNR of {now:.0} each"), format!("as many as now with an SNR of {needed:.0}")]
    {
        assert!(advice.text.contains(&words), "{}", advice.text);
    }
    assert!(needed > 1.05 * now, "{}", advice.text);
    assert_eq!(verdict(1.1 * needed / now).decision, Decision::Combine, "{}", advice.text);
}
