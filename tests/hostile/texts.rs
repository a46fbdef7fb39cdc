//! Settings, scenes and verdict files with a few bytes wrong.

use std::path::Path;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use stackworthy::report::{json, keep_list, terminal};
use stackworthy::settings::{Settings, to_annotated_toml};
use stackworthy::synth::Scene;
use stackworthy::verdict::Verdict;

use super::maker::good;
use super::tool::run;

const PIECES: [&str; 22] = [
    "nan",
    "inf",
    "-inf",
    "-1",
    "0",
    "1e400",
    "99999999999999999999",
    "[",
    "]",
    "{",
    "}",
    "\"",
    "null",
    "[[a]]",
    "=",
    "\n",
    "#",
    "'''",
    "true",
    "\u{0}",
    "é",
    ",",
];

fn mutate(good: &str, random: &mut StdRng) -> String {
    let mut text: Vec<char> = good.chars().collect();
    for _ in 0..random.random_range(1..5) {
        let at = random.random_range(0..text.len());
        let piece = PIECES[random.random_range(0..PIECES.len())].chars();
        match random.random_range(0..4) {
            0 => drop(text.splice(at..at, piece)),
            1 => drop(text.splice(at..(at + 4).min(text.len()), piece)),
            2 => drop(text.drain(at..(at + random.random_range(1..40)).min(text.len()))),
            _ => {
                let length = random.random_range(1..60).min(text.len() - at);
                let copy: Vec<char> = text[at..at + length].to_vec();
                let to = random.random_range(0..text.len());
                text.splice(to..to, copy);
            }
        }
        if text.is_empty() {
            break;
        }
    }
    text.into_iter().collect()
}

#[test]
fn damaged_settings_are_read_or_refused() {
    let good = to_annotated_toml(&Settings::load(None).unwrap());
    let mut random = StdRng::seed_from_u64(2036);
    let mut readable = 0;
    for _ in 0..1500 {
        match Settings::parse(&mutate(&good, &mut random), Path::new("odd.toml")) {
            Ok(loaded) => {
                readable += 1;
                let again = Settings::parse(&to_annotated_toml(&loaded), Path::new("odd.toml")).unwrap();
                assert_eq!(loaded.settings, again.settings);
            }
            Err(error) => assert!(error.to_string().starts_with("odd.toml"), "{error}"),
        }
    }
    assert!((50..1450).contains(&readable), "{readable} of 1500");
}

#[test]
fn damaged_scenes_are_read_or_refused() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/scenes/small.toml");
    let good = std::fs::read_to_string(path).unwrap();
    let mut random = StdRng::seed_from_u64(2037);
    for _ in 0..1000 {
        let _ = Scene::from_toml(&mutate(&good, &mut random));
    }
}

#[test]
fn damaged_verdicts_are_read_or_refused() {
    let holder = tempfile::tempdir().unwrap();
    for number in 1..=4 {
        std::fs::write(holder.path().join(format!("f{number}.fits")), good(number)).unwrap();
    }
    run(holder.path(), &["check", ".", "--out", "r"]);
    let good = std::fs::read_to_string(holder.path().join("r/verdict.json")).unwrap();
    // A number read and written again keeps its last digit.
    let whole: Verdict = serde_json::from_str(&good).unwrap();
    assert_eq!(json::to_text(&whole).unwrap(), good);
    let mut random = StdRng::seed_from_u64(2038);
    let mut readable = 0;
    for _ in 0..1500 {
        if let Ok(verdict) = serde_json::from_str::<Verdict>(&mutate(&good, &mut random)) {
            readable += 1;
            let _ = (terminal::summary(&verdict, "r"), keep_list(&verdict));
            json::to_text(&verdict).unwrap();
        }
    }
    assert!((50..1450).contains(&readable), "{readable} of 1500");
}

#[cfg(target_os = "linux")]
#[test]
fn settings_that_never_end_or_are_a_folder() {
    let holder = tempfile::tempdir().unwrap();
    std::fs::write(holder.path().join("f.fits"), good(1)).unwrap();
    for settings in ["/dev/zero", "/dev/full", ".", "absent.toml", "f.fits"] {
        let done = run(holder.path(), &["check", "f.fits", "--out", "r", "--settings", settings]);
        assert_eq!(done.code, 2, "{settings}: {}", done.stderr);
    }
    // An empty file says nothing.
    let done = run(holder.path(), &["check", "f.fits", "--out", "r", "--settings", "/dev/null"]);
    assert_eq!(done.code, 7, "{}", done.stderr);
}
