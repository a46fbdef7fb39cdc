//! Blur on real frames, where they are at hand (see DEVELOPERS.md): trailing seen as such.

use std::path::{Path, PathBuf};

use stackworthy::frame::read_frame;
use stackworthy::measure::measure_frame;
use stackworthy::settings::Settings;
use stackworthy::table::StarTable;
use stackworthy::verdict::judge;

fn folder() -> Option<PathBuf> {
    let named = std::env::var_os("STACKWORTHY_REALDATA").map(PathBuf::from);
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/realdata");
    named.or(Some(beside)).map(|f| f.join("series-a")).filter(|f| f.is_dir())
}

/// In this series trailing comes and goes along the detector's x, tilted a little downwards to
/// the right: e1 runs from about 0 to 0.6.
#[test]
fn trailing_of_real_frames_is_seen_as_trailing() {
    let Some(folder) = folder() else {
        println!("skipped: no real frames");
        return;
    };
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|f| f.extension().is_some_and(|e| e == "FITS"));
    files.sort();
    let settings = Settings::default();
    let tables: Vec<StarTable> = files
        .iter()
        .step_by(12)
        .map(|file| {
            let frame = read_frame(file, &settings).unwrap();
            measure_frame(&frame, &file.to_string_lossy(), &settings, "").unwrap()
        })
        .collect();
    let verdict = judge(&tables, &[], &settings).unwrap().verdict;
    let codes: Vec<&str> = verdict.reasons.iter().map(|r| r.code.as_str()).collect();
    assert!(codes.contains(&"trailing"), "{codes:?}");
    let optics = verdict.optics.unwrap();
    let blurs: Vec<_> = optics.exposures.iter().filter_map(|e| e.blur.as_ref()).collect();
    let worst = blurs.iter().max_by(|a, b| (a.xx + a.yy).total_cmp(&(b.xx + b.yy))).unwrap();
    assert!(worst.angle_deg > -35.0 && worst.angle_deg < 5.0, "{worst:?}");
    assert!(worst.xx > 3.0 * worst.yy.abs(), "{worst:?}");
}
