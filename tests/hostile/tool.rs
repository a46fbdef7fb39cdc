//! The binary under a limit of time and of address space.

use std::ffi::OsStr;
use std::path::Path;
use std::time::Duration;

use assert_cmd::Command;
use serde_json::Value;

/// Address space, kilobytes: many times what these small stacks need.
const MOST_KILOBYTES: u64 = 3_000_000;
const MOST_TIME: Duration = Duration::from_secs(60);

pub struct Run {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

/// Runs the binary in a folder; panics where it ends in another way than the contract has.
pub fn run<S: AsRef<OsStr>>(folder: &Path, args: &[S]) -> Run {
    under(&format!("ulimit -v {MOST_KILOBYTES} 2>/dev/null"), folder, args)
}

/// The same behind a shell command.
pub fn under<S: AsRef<OsStr>>(before: &str, folder: &Path, args: &[S]) -> Run {
    let output = Command::new("sh")
        .current_dir(folder)
        .args(["-c", &format!("{before}; exec \"$@\""), "sh", env!("CARGO_BIN_EXE_stackworthy")])
        .args(args)
        .env("RAYON_NUM_THREADS", "2")
        .timeout(MOST_TIME)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (stdout, stderr) = (text(&output.stdout), text(&output.stderr));
    let shown: Vec<&OsStr> = args.iter().take(8).map(AsRef::as_ref).collect();
    assert!(!stderr.contains("panicked"), "{shown:?}: {stderr}");
    let code = output.status.code().unwrap_or_else(|| panic!("{shown:?}: {}: {stderr}", output.status));
    assert!((0..=7).contains(&code), "{shown:?}: {code}: {stderr}");
    if code == 1 || code == 2 {
        assert!(stderr.starts_with("error: ") && stderr.len() > 40, "{shown:?}: no clear error: {stderr:?}");
    }
    Run { code, stdout, stderr }
}

/// The verdict in a result folder, which must keep the schema.
pub fn verdict(result: &Path) -> Value {
    let verdict =
        serde_json::from_str(&std::fs::read_to_string(result.join("verdict.json")).unwrap()).unwrap();
    assert_schema(&verdict);
    verdict
}

pub fn assert_schema(verdict: &Value) {
    let schema = serde_json::from_str(include_str!("../../schema/verdict-1.schema.json")).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    let faults: Vec<String> = validator.iter_errors(verdict).map(|e| e.to_string()).collect();
    assert!(faults.is_empty(), "{faults:#?}");
}

/// The row of a file.
pub fn row<'v>(verdict: &'v Value, file: &str) -> &'v Value {
    let rows = verdict["exposures"].as_array().unwrap();
    rows.iter().find(|r| r["file"] == file).unwrap_or_else(|| panic!("no row for {file}"))
}
