//! Ctrl-C and `kill`: the end within a second, in words, with nothing half.

use std::path::Path;
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use super::stackworthy;

fn wait_for(what: &str, is_there: impl Fn() -> bool) {
    let start = Instant::now();
    while !is_there() {
        assert!(start.elapsed() < Duration::from_secs(30), "waited for {what} in vain");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Sends a signal; gives the exit code, the time to the end and what was said.
fn interrupt(child: Child, signal: &str) -> (Option<i32>, Duration, String) {
    let start = Instant::now();
    let sent = Command::new("kill").args([signal, &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    let output = child.wait_with_output().unwrap();
    (output.status.code(), start.elapsed(), String::from_utf8_lossy(&output.stderr).into_owned())
}

fn unfinished(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        if entry.path().is_dir() {
            found.extend(unfinished(&entry.path()));
        }
        if name.starts_with('.') {
            found.push(name);
        }
    }
    found
}

#[cfg(unix)]
#[test]
fn an_interrupt_ends_the_work_within_a_second() {
    let holder = tempfile::tempdir().unwrap();
    let root = holder.path();
    let scene = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/scenes/small.toml");
    let text = std::fs::read_to_string(scene).unwrap();
    // Long enough to be at work when the signal comes.
    let exposures = text.lines().map(|line| match line.split_once('=') {
        Some((key, _)) if key.trim() == "exposures" => "exposures = 400\n".to_string(),
        _ => format!("{line}\n"),
    });
    std::fs::write(root.join("long.toml"), exposures.collect::<String>()).unwrap();
    let count = |folder: &str| std::fs::read_dir(root.join(folder)).map_or(0, |f| f.count());
    for (signal, code) in [("-INT", 130), ("-TERM", 143)] {
        let out = format!("s{signal}");
        let child = stackworthy(root).args(["synth", "long.toml", "--out", &out]).spawn().unwrap();
        wait_for("frames", || count(&out) > 6);
        let (ended, took, said) = interrupt(child, signal);
        assert_eq!(ended, Some(code), "{said}");
        assert!(took < Duration::from_secs(1), "{took:?}");
        assert!(said.contains("interrupted") && said.contains("whole"), "{said}");
        assert_eq!(unfinished(&root.join(&out)), Vec::<String>::new());

        let result = format!("r{signal}");
        let child =
            stackworthy(root).args(["check", &out, "--out", &result, "--threads", "1"]).spawn().unwrap();
        wait_for("star tables", || count(&format!("{result}/stars")) > 1);
        let (ended, took, said) = interrupt(child, signal);
        // On a fast machine the last frame may have been measured.
        assert!(ended == Some(code) || root.join(&result).join("verdict.json").exists(), "{ended:?}: {said}");
        assert!(took < Duration::from_secs(1), "{took:?}");
        assert_eq!(unfinished(&root.join(&result)), Vec::<String>::new());
    }
}
