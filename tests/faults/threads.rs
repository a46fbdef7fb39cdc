//! The same stack on one, two and five threads: star tables, result tables and verdict are the
//! same to the bit.

use std::collections::BTreeMap;

use super::{content, frames, stackworthy};

fn result(threads: &str, flag: bool) -> BTreeMap<String, Vec<u8>> {
    let holder = tempfile::tempdir().unwrap();
    let mut command = stackworthy(holder.path());
    command.arg("check").args(frames()).args(["--out", "r"]);
    command.args(["--set", "telescope.aperture_m=0.5", "--set", "telescope.wavelength_nm=600"]);
    if flag {
        command.args(["--threads", threads]);
    } else {
        command.env("RAYON_NUM_THREADS", threads);
    }
    let output = command.output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code().is_some_and(|c| c == 0 || c > 2), "{said}");
    let mut all = content(&holder.path().join("r"));
    all.extend(content(&holder.path().join("r/stars")).into_iter().map(|(n, b)| (format!("stars/{n}"), b)));
    // The words of the command line are the run's own.
    let mut verdict: serde_json::Value = serde_json::from_slice(&all["verdict.json"]).unwrap();
    verdict["tool"] = serde_json::Value::Null;
    all.insert("verdict.json".into(), verdict.to_string().into_bytes());
    all.remove("report.html");
    all
}

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let one = result("1", false);
    assert_eq!(one.len(), 12, "{:?}", one.keys());
    for (threads, flag) in [("2", false), ("5", false), ("3", true)] {
        let other = result(threads, flag);
        // Tables bear the command line, which a flag changes.
        let is_like = |name: &str| {
            !flag || !["exposures", "field-models", "keep.ecsv"].iter().any(|n| name.starts_with(n))
        };
        for (name, bytes) in one.iter().filter(|(name, _)| is_like(name)) {
            assert!(other.get(name) == Some(bytes), "{name} differs on {threads} threads");
        }
    }
}
