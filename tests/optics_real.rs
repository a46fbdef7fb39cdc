//! Blur on real frames, where they are at hand (see DEVELOPERS.md): trailing and lost focus seen as such.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use stackworthy::frame::read_frame;
use stackworthy::gate::Severity;
use stackworthy::measure::measure_frame;
use stackworthy::settings::Settings;
use stackworthy::table::StarTable;
use stackworthy::verdict::judge;
use stackworthy::verdict::model::Verdict;

/// The verdict on all frames of a series.
fn judged(series: &str, settings: &Settings) -> Option<Verdict> {
    let named = std::env::var_os("STACKWORTHY_REALDATA").map(PathBuf::from);
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/realdata");
    let folder = named.unwrap_or(beside).join(series);
    if !folder.is_dir() {
        println!("skipped: no real frames");
        return None;
    }
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|f| f.extension().is_some_and(|e| e.eq_ignore_ascii_case("fits")));
    files.sort();
    let table = |file: &PathBuf| -> StarTable {
        let frame = read_frame(file, settings).unwrap();
        measure_frame(&frame, &file.to_string_lossy(), settings, "").unwrap()
    };
    let tables: Vec<StarTable> = files.par_iter().map(table).collect();
    Some(judge(&tables, &[], settings).unwrap().verdict)
}

fn text(verdict: &Verdict, code: &str) -> String {
    verdict.reasons.iter().find(|r| r.code == code).unwrap_or_else(|| panic!("no {code}")).text.clone()
}

/// In this series trailing comes and goes along the detector's x, tilted a little downwards to
/// the right: e1 runs from about 0 to 0.6; its period is that of size and e1 through time. Its stars are too coarsely
/// sampled for the kurtosis to tell focus.
#[test]
fn trailing_of_real_frames_is_seen_with_its_direction_and_course() {
    let Some(verdict) = judged("series-a", &Settings::default()) else { return };
    let trailing = text(&verdict, "trailing");
    let direction = trailing.split_once("one axis, ").unwrap().1;
    let angle: f64 = direction.split_once(' ').unwrap().0.parse().unwrap();
    assert!((-25.0..-5.0).contains(&angle), "{trailing}");
    assert!(trailing.contains("No steady growth") && trailing.contains("period of 0.24"), "{trailing}");
    assert!(text(&verdict, "blur-changes").contains("do not tell apart"));
    let optics = verdict.optics.unwrap();
    let blurs: Vec<_> = optics.exposures.iter().filter_map(|e| e.blur.as_ref()).collect();
    let worst = blurs.iter().max_by(|a, b| (a.xx - a.yy).total_cmp(&(b.xx - b.yy))).unwrap();
    assert!(worst.xx > 3.0 * worst.yy.abs(), "{worst:?}");
}

/// In this one focus is lost, to rings in the red frame, which is compared only where it is asked for.
#[test]
fn lost_focus_of_real_frames_is_seen_as_defocus() {
    let Some(verdict) = judged("series-b", &Settings::default()) else { return };
    let said = text(&verdict, "blur-changes");
    assert!(said.contains("as defocus makes them"), "{said}");
    let checks = BTreeMap::from([("mixed-filter".into(), Severity::Remark)]).into();
    let settings = Settings { checks, ..Settings::default() };
    let said = text(&judged("series-b", &settings).unwrap(), "blur-changes");
    assert!(said.split_once("most of all in ").unwrap().1.contains("Red_0380"), "{said}");
}
