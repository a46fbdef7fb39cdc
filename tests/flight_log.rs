//! The flight log through the binary: the same again, measured anew, killed at any moment, two at once,
//! older and newer files.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use stackworthy::flight::{Flight, Log};

const PROGRAM: &str = env!("CARGO_BIN_EXE_stackworthy");

/// A verdict on so many exposures of one night, as `judge` would write it of star tables without optics.
fn verdict(night: usize, exposures: usize, e1: f64) -> Value {
    let rows: Vec<Value> = (0..exposures)
        .map(|k| {
            json!({
                "file": format!("night-{night}/{k:03}.fits"), "time": null, "exposure_s": 60.0, "stars": 80,
                "gate": "keep", "reasons": [], "size_arcsec2": 0.017, "size_pix2": 2.7, "size_err": 2e-5,
                "e1": e1 + 1e-4 * k as f64, "e2": -0.01, "e_err": 5e-4, "jitter_mas2": null, "fwhm_pix": 2.6,
                "sky_level": 10.0, "sky_noise": 1.0, "filter": "clear",
                "mjd_mid": 62991.9 + night as f64 + 0.001 * k as f64, "altitude_deg": 50.0, "target": "Lantern field",
                "housekeeping": {"TELTEMP": -20.0}, "refused": {}, "xxh3": format!("{night:032}{k:032}"), "notes": []
            })
        })
        .collect();
    json!({
        "schema": "stackworthy/verdict/1", "tool": {"version": "0", "arguments": ["judge", night.to_string()]},
        "decision": "combine", "also_allowed": [], "confidence": 0.95,
        "requirement": {"name": "x", "source": "x", "m": null, "c": null, "size_ratio": null, "size_limit": 0.0225,
                        "ellipticity_limit": 0.00414},
        "reasons": [], "repeatability": null, "all_exposures": null, "instrument": null, "own_model": null,
        "shear": null, "groups": [], "size_definition": {"weight": "adaptive", "weight_sigma_arcsec": null,
        "weight_sigma_pix": null}, "exposures": rows, "noise_check": {"size_pull": null, "ellipticity_pull": null},
        "optics": null, "undecided": null, "cautions": [], "notes": []
    })
}

struct Place {
    folder: tempfile::TempDir,
}

impl Place {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn put(&self, name: &str, verdict: &Value) {
        std::fs::create_dir_all(self.path(name)).unwrap();
        std::fs::write(self.path(name).join("verdict.json"), verdict.to_string()).unwrap();
    }

    fn flight(&self, args: &[&str]) -> Command {
        let mut command = Command::new(PROGRAM);
        command.current_dir(self.folder.path()).arg("flight").args(args);
        command
    }

    fn run(&self, args: &[&str]) -> (i32, String, String) {
        let Output { status, stdout, stderr } = self.flight(args).output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8_lossy(&bytes).into_owned();
        (status.code().unwrap(), text(stdout), text(stderr))
    }

    fn log(&self) -> Flight {
        Flight::new(Log::open(&self.path("flight.sqlite")).unwrap().contents().unwrap(), None)
    }
}

#[test]
fn the_same_again_changes_nothing_and_a_new_measurement_takes_its_place() {
    let place = Place::new();
    place.put("a", &verdict(0, 4, 0.02));
    assert!(place.run(&["add", "a"]).1.contains("4 new"));
    let before = place.log();
    // The same contents under another command line.
    let mut same = verdict(0, 4, 0.02);
    same["tool"]["arguments"] = json!(["other"]);
    place.put("b", &same);
    for given in ["a", "b/verdict.json"] {
        let (code, said, _) = place.run(&["add", given]);
        assert!(code == 0 && said.contains("nothing changed"), "{said}");
    }
    assert_eq!(place.log(), before);

    let mut anew = verdict(0, 4, 0.02);
    anew["exposures"][2]["e1"] = json!(0.5);
    place.put("c", &anew);
    let (_, said, _) = place.run(&["add", "c"]);
    assert!(said.contains("1 measured anew, 3 unchanged"), "{said}");
    let after = place.log();
    assert_eq!((after.exposures.len(), after.replaced, after.visits.len()), (4, 1, 1));
    assert_eq!(after.exposures[2].logged.terms["e1"].value, 0.5);
    let log = Log::open(&place.path("flight.sqlite")).unwrap();
    let history = log.history(&after.exposures[2].logged.frame).unwrap();
    assert_eq!(history, [before.exposures[2].logged.clone()]);
}

/// Verdicts made when frames were told apart by SHA-256 or BLAKE3 keep the identity of their frames.
#[test]
fn the_frames_of_an_older_verdict_are_known() {
    for name in ["sha256", "blake3"] {
        let text = verdict(1, 3, 0.01).to_string().replace("\"xxh3\"", &format!("\"{name}\""));
        let older: stackworthy::verdict::Verdict = serde_json::from_str(&text).unwrap();
        assert!(
            older.exposures.iter().all(|e| e.xxh3.as_ref().is_some_and(|hash| hash.len() == 64)),
            "{name}"
        );
    }
}

#[test]
fn what_is_no_verdict_is_refused_and_the_others_are_added() {
    let place = Place::new();
    place.put("a", &verdict(0, 3, 0.02));
    place.put("wrong", &json!({"schema": "something"}));
    let mut newer = verdict(1, 3, 0.02);
    newer["schema"] = json!("stackworthy/verdict/9");
    place.put("newer", &newer);
    let (code, said, why) = place.run(&["add", "wrong", "newer", "a", "missing.json"]);
    assert_eq!(code, 1);
    assert!(said.contains("3 new"), "{said}");
    for part in
        ["no verdict of stackworthy", "stackworthy/verdict/9", "missing.json: cannot be read", "3 of 4"]
    {
        assert!(why.contains(part), "{part}: {why}");
    }
    std::fs::create_dir(place.path("empty")).unwrap();
    assert_eq!(place.run(&["add", "empty"]).0, 2);
    assert_eq!(place.run(&["show", "--log", "none.sqlite"]).0, 1);
    assert!(!place.path("none.sqlite").exists(), "looking makes no file");
}

#[test]
fn every_view_and_the_report_stand_on_one_exposure_and_on_thousands() {
    let place = Place::new();
    place.put("one", &verdict(0, 1, 0.02));
    assert_eq!(place.run(&["add", "one"]).0, 0);
    let page = |name: &str| {
        assert_eq!(place.run(&["report", "--out", name]).0, 0);
        std::fs::read_to_string(place.path(name)).unwrap()
    };
    let of_one = page("one.html");
    assert!(of_one.contains("1 night, 1 target, 1 visit, 1 exposure:"), "{of_one}");
    assert!(of_one.contains("nothing can be said of its trend"));
    for night in 1..30 {
        place.put(&format!("many/{night:02}"), &verdict(night, 90, 0.02));
    }
    let (code, said, _) = place.run(&["add", "many"]);
    assert_eq!((code, said.lines().count()), (0, 29), "a folder of results");
    let of_many = page("many.html");
    assert!(of_many.contains("2611 exposures") && of_many.contains("mean of a bin"));
    assert!(of_many.len() < 2_000_000, "{}", of_many.len());
    for text in [&of_one, &of_many] {
        // The name of the SVG format is no address that is fetched.
        let text = text.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "");
        assert!(!text.contains("<script") && !text.contains("http"), "no script, no network");
        assert!(text.contains("flight team"), "the caution");
    }
    assert!(place.run(&["show"]).1.contains("2031-05-06"));
    assert!(place.run(&["show", "--by", "target"]).1.contains("Lantern field"));
    assert_eq!(place.run(&["show", "--by", "time"]).1.lines().count(), 2612);
}

#[test]
fn an_alarm_has_its_exit_code_and_a_caution() {
    let place = Place::new();
    for night in 0..7 {
        place.put(&format!("v/{night}"), &verdict(night, 4, if night == 6 { 0.024 } else { 0.02 }));
    }
    for night in 0..6 {
        assert_eq!(place.run(&["add", &format!("v/{night}")]).0, 0);
    }
    let (code, said, _) = place.run(&["alarm"]);
    assert_eq!(code, 0, "{said}");
    assert!(said.starts_with("NO ALARM"), "{said}");
    place.run(&["add", "v/6"]);
    let (code, said, _) = place.run(&["alarm", "--set", "requirement.confidence=0.9"]);
    assert_eq!(code, 8, "{said}");
    assert!(said.contains("(flight-beyond-history)") && said.contains("flight team"), "{said}");
    let since = place.run(&["alarm", "--since", "2031-05-11T12:00:00"]);
    assert!(since.0 == 0 && since.1.contains("Not asked"), "{since:?}");
    for wrong in [["--within-hours", "0"], ["--since", "soon"], ["--set", "flight.coma_nm=-1"]] {
        assert_eq!(place.run(&["alarm", wrong[0], wrong[1]]).0, 2, "{wrong:?}");
    }
}

/// Each verdict is in the log whole or not at all, and the log can be read and written on.
#[test]
fn killed_at_any_moment_it_leaves_all_or_nothing_of_each_verdict() {
    const EACH: usize = 150;
    let place = Place::new();
    for night in 0..12 {
        place.put(&format!("v/{night:02}"), &verdict(night, EACH, 0.02));
    }
    // How long a whole run takes here, so that the kills fall all over it.
    let began = std::time::Instant::now();
    assert_eq!(place.run(&["add", "v", "--log", "timed.sqlite"]).0, 0);
    let whole = began.elapsed();
    let mut partial = 0;
    for round in 0..24u32 {
        let _ = std::fs::remove_file(place.path("flight.sqlite"));
        let _ = std::fs::remove_file(place.path("flight.sqlite-journal"));
        let mut child = place.flight(&["add", "v"]).stdout(Stdio::null()).spawn().unwrap();
        std::thread::sleep(whole * (round + 1) / 24 + Duration::from_micros(u64::from(round) * 137));
        let _ = child.kill();
        child.wait().unwrap();
        if !place.path("flight.sqlite").exists() {
            continue;
        }
        // An empty file is what a kill before the first table leaves: it is taken up as a new log.
        let found = Log::open_or_begin(&place.path("flight.sqlite")).unwrap().contents().unwrap();
        let flight = Flight::new(found, None);
        for visit in &flight.visits {
            assert_eq!(visit.places.len(), EACH, "round {round}");
        }
        assert!(flight.exposures.iter().all(|e| e.logged.terms.len() == 4), "round {round}");
        partial += usize::from((1..12).contains(&flight.visits.len()));
        if round % 6 == 5 {
            let (code, _, why) = place.run(&["add", "v"]);
            assert_eq!(code, 0, "{why}");
            assert_eq!(place.log().exposures.len(), 12 * EACH);
        }
    }
    assert!(partial >= 3, "only {partial} kills fell into a run: the test itself is broken");
}

#[test]
fn two_processes_may_write_at_once() {
    let place = Place::new();
    for night in 0..16 {
        place.put(&format!("{}/{night:02}", ["even", "odd"][night % 2]), &verdict(night, 40, 0.02));
    }
    for _ in 0..3 {
        let _ = std::fs::remove_file(place.path("flight.sqlite"));
        let start = |which: &str| place.flight(&["add", which]).stdout(Stdio::null()).spawn().unwrap();
        // Both find no log and begin one; "even" is added twice.
        let children = [start("even"), start("odd"), start("even")];
        for mut child in children {
            assert!(child.wait().unwrap().success());
        }
        let flight = place.log();
        assert_eq!((flight.exposures.len(), flight.visits.len(), flight.replaced), (640, 16, 0));
    }
}

fn copy_of_layout_1(place: &Place) {
    let stored = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/flight/layout-1.sqlite");
    std::fs::copy(stored, place.path("flight.sqlite")).unwrap();
}

/// `scripts/make_flight_log_layout_1.py` wrote the older file.
#[test]
fn an_older_log_is_brought_up_and_nothing_of_it_is_lost() {
    let place = Place::new();
    copy_of_layout_1(&place);
    let flight = place.log();
    assert_eq!((flight.exposures.len(), flight.replaced, flight.verdicts.len()), (3, 1, 1));
    assert_eq!(flight.exposures[1].logged.terms["size_arcsec2"].value, 0.017 + 1e-5);
    assert_eq!((flight.exposures[1].logged.stars, flight.exposures[1].logged.ra_deg), (Some(81), None));
    assert_eq!(flight.verdicts[&1].sign_settled, None);
    let log = Log::open(&place.path("flight.sqlite")).unwrap();
    assert_eq!(log.history(&format!("{:064x}", 2)).unwrap()[0].gate, "leave-out");
    drop(log);
    place.put("a", &verdict(3, 2, 0.02));
    assert_eq!(place.run(&["add", "a"]).0, 0);
    assert_eq!(place.log().exposures[4].logged.housekeeping["TELTEMP"], -20.0);
}

#[test]
fn newer_foreign_and_damaged_files_are_refused_and_left_alone() {
    let place = Place::new();
    copy_of_layout_1(&place);
    place.put("a", &verdict(0, 2, 0.02));
    // The layout stands at byte 60 of the file, the program's own number at byte 68 (SQLite's file format).
    let old = std::fs::read(place.path("flight.sqlite")).unwrap();
    let mut newer = old.clone();
    newer[63] = 7;
    let mut foreign = old.clone();
    foreign[71] ^= 1;
    let cases: [(&str, Vec<u8>, &str); 3] = [
        ("newer.sqlite", newer, "has layout 7, and this version of stackworthy knows layouts up to 2"),
        ("foreign.sqlite", foreign, "another program's database"),
        ("text.sqlite", vec![b'x'; 4096], "it is no flight log"),
    ];
    for (name, bytes, said) in cases {
        std::fs::write(place.path(name), &bytes).unwrap();
        for args in [vec!["add", "a", "--log", name], vec!["show", "--log", name]] {
            let (code, _, why) = place.run(&args);
            assert!(code == 1 && why.contains(said) && why.contains("--log"), "{name}: {why}");
        }
        assert_eq!(std::fs::read(place.path(name)).unwrap(), bytes, "{name}");
    }
}
