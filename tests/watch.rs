//! The watch of a folder, on simulated frames: what is taken, what is waited for, what is said,
//! and that a kill loses nothing. Runs the binary.

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use serde_json::Value;
use stackworthy::synth::{self, Scene};
use tempfile::TempDir;

const SCENE: &str = r#"
name = "f"
seed = 5
[optics]
aperture_m = 0.6
wavelength_nm = 600
obstruction = 0.3
[motion]
jitter_mas = 60
[stars]
per_frame = 60
flux_electrons = [2e4, 4e5]
sky_electrons = 60
[detector]
width = 300
height = 300
[sequence]
exposures = 6
wcs = true
dither_rms_pixels = 4
"#;

/// Frames f-1.fits to f-6.fits.
static FRAMES: LazyLock<TempDir> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let scene = Scene::from_toml(SCENE).unwrap();
    synth::run(&scene, folder.path(), true, &|_| ()).unwrap();
    folder
});

fn frame(n: usize) -> Vec<u8> {
    std::fs::read(FRAMES.path().join(format!("f-{n:02}.fits"))).unwrap()
}

/// A folder with an empty sub-folder `in`.
fn place() -> TempDir {
    let place = tempfile::tempdir().unwrap();
    std::fs::create_dir(place.path().join("in")).unwrap();
    place
}

fn command(place: &TempDir, more: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stackworthy"));
    command.current_dir(place.path()).args(["watch", "in", "--out", "out", "--every", "0.05"]);
    command.args(["--settle", "0.3", "--quiet"]).args(more);
    command
}

/// Its lines, each with what a slow link is promised.
fn run(place: &TempDir, more: &[&str]) -> Vec<Value> {
    let run = command(place, more).output().unwrap();
    let stderr = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(0), "{stderr}");
    assert_eq!(stderr, "");
    let stdout = String::from_utf8(run.stdout).unwrap();
    stdout
        .lines()
        .map(|line| {
            assert!(line.len() < 399, "{line}");
            serde_json::from_str(line).unwrap()
        })
        .collect()
}

fn files(lines: &[Value]) -> Vec<&str> {
    lines.iter().map(|line| line["file"].as_str().unwrap()).collect()
}

fn wait_for(path: &Path) {
    let began = Instant::now();
    while !path.exists() {
        assert!(began.elapsed() < Duration::from_secs(60), "{} never came", path.display());
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn verdict(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path.join("verdict.json")).unwrap()).unwrap()
}

#[test]
fn the_running_verdict_is_that_of_check() {
    let place = place();
    for n in 1..=6 {
        std::fs::write(place.path().join(format!("in/{n}.fits")), frame(n)).unwrap();
    }
    let lines = run(&place, &["--count", "6", "--idle-exit", "30"]);
    assert_eq!(lines.len(), 6);
    let mut check = Command::new(env!("CARGO_BIN_EXE_stackworthy"));
    check.current_dir(place.path()).args(["check", "in", "--out", "check", "--quiet"]).output().unwrap();
    let mut watched = verdict(&place.path().join("out"));
    let mut checked = verdict(&place.path().join("check"));
    for verdict in [&mut watched, &mut checked] {
        verdict["tool"]["arguments"] = Value::Null;
    }
    assert_eq!(watched, checked);
    let last = lines.last().unwrap();
    assert_eq!(last["decision"], checked["decision"]);
    assert_eq!(last["of"], 6);
    let row = checked["exposures"].as_array().unwrap().iter().find(|e| e["file"] == "in/6.fits").unwrap();
    let line = lines.iter().find(|line| line["file"] == "6.fits").unwrap();
    assert_eq!((&line["stars"], &line["gate"]), (&row["stars"], &row["gate"]));
    let size = line["size"][0].as_f64().unwrap() / row["size_arcsec2"].as_f64().unwrap();
    assert!((size - 1.0).abs() < 1e-3);
}

/// A copy in pieces, a file under a temporary name, a broken one, one that vanishes, and the
/// same frame twice, while two frames come as they should.
#[test]
fn what_is_not_whole_is_waited_for_and_what_is_broken_is_said_once() {
    let place = place();
    let inside = |name: &str| place.path().join("in").join(name);
    let long = format!("{}\u{1}\"é.fits", "n".repeat(200));
    std::fs::write(inside(&long), "junk").unwrap();
    std::fs::write(inside("gone.fits"), &frame(4)[..9000]).unwrap();
    std::fs::write(inside("notes.txt"), "no frame").unwrap();
    std::fs::create_dir(inside("folder.fits")).unwrap();
    let child = command(&place, &["--patience", "2", "--count", "5"]).stdout(Stdio::piped()).spawn().unwrap();
    let whole = frame(1);
    let out = place.path().join("out");
    // Longer without a change than it takes to be looked into, and not whole.
    std::fs::write(inside("slow.fits"), &whole[..100_000]).unwrap();
    std::thread::sleep(Duration::from_millis(700));
    assert!(!out.join("stars/slow.fits").exists());
    std::fs::remove_file(inside("gone.fits")).unwrap();
    std::fs::write(inside("slow.fits"), &whole).unwrap();
    std::fs::write(inside(".hidden.fits"), frame(2)).unwrap();
    std::fs::write(inside("two.fits.part"), frame(2)).unwrap();
    wait_for(&out.join("stars/slow.fits"));
    std::fs::rename(inside("two.fits.part"), inside("two.fits")).unwrap();
    std::fs::write(inside("packed.fits.gz"), &gzipped(&frame(3))[..50_000]).unwrap();
    wait_for(&out.join("stars/two.fits"));
    std::fs::write(inside("packed.fits.gz"), gzipped(&frame(3))).unwrap();
    wait_for(&out.join("stars/packed.fits"));
    std::fs::write(inside("same.fits"), &whole).unwrap();
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(text.lines().all(|line| line.len() < 399), "{text}");
    let of = |name: &str| lines.iter().find(|line| line["file"] == name).unwrap_or_else(|| panic!("{text}"));
    assert_eq!(of("slow.fits")["gate"], "keep");
    assert_eq!(of("two.fits")["gate"], "keep");
    assert_eq!(of("packed.fits.gz")["gate"], "keep");
    assert!(of("same.fits")["why"][0].as_str().unwrap().contains("in/slow.fits"));
    let broken: Vec<&Value> = lines.iter().filter(|line| line["gate"] == "unreadable").collect();
    assert_eq!(broken.len(), 1, "{text}");
    let name = broken[0]["file"].as_str().unwrap();
    assert!(name.starts_with('…') && name.ends_with("\u{1}\"é.fits"), "{name}");
    assert_eq!(lines.len(), 5);
}

fn gzipped(bytes: &[u8]) -> Vec<u8> {
    use std::io::Write;
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    writer.write_all(bytes).unwrap();
    writer.finish().unwrap()
}

#[cfg(unix)]
fn signal(child: &Child, name: &str) {
    Command::new("kill").args([name, &child.id().to_string()]).status().unwrap();
}

#[cfg(unix)]
#[test]
fn it_goes_on_after_a_kill_and_ends_on_a_signal() {
    let place = place();
    let put = |n: usize| std::fs::write(place.path().join(format!("in/{n}.fits")), frame(n)).unwrap();
    (1..=3).for_each(put);
    let mut child = command(&place, &[]).stdout(Stdio::piped()).spawn().unwrap();
    let journal = place.path().join("out/watch.jsonl");
    let began = Instant::now();
    while std::fs::read_to_string(&journal).is_ok_and(|text| text.lines().count() < 4) || !journal.exists() {
        assert!(began.elapsed() < Duration::from_secs(60));
        std::thread::sleep(Duration::from_millis(20));
    }
    signal(&child, "-KILL");
    child.wait().unwrap();
    // A frame that was moved away stays in the stack; what a kill left of a file does not.
    std::fs::remove_file(place.path().join("in/1.fits")).unwrap();
    std::fs::write(place.path().join("out/stars/.unfinished-x"), "").unwrap();
    let before = std::fs::metadata(place.path().join("out/stars/2.fits")).unwrap().modified().unwrap();
    (4..=6).for_each(put);
    let lines = run(&place, &["--count", "3"]);
    let mut names = files(&lines);
    names.sort_unstable();
    assert_eq!(names, ["4.fits", "5.fits", "6.fits"]);
    assert_eq!(verdict(&place.path().join("out"))["exposures"].as_array().unwrap().len(), 6);
    assert!(!place.path().join("out/stars/.unfinished-x").exists());
    let after = std::fs::metadata(place.path().join("out/stars/2.fits")).unwrap().modified().unwrap();
    assert_eq!(before, after, "measured once");

    for name in ["-INT", "-TERM"] {
        let mut child = command(&place, &[]).stdout(Stdio::piped()).spawn().unwrap();
        std::thread::sleep(Duration::from_millis(500));
        let began = Instant::now();
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), Some(0));
        assert!(began.elapsed() < Duration::from_secs(1));
    }
}

#[test]
fn the_stack_holds_the_last_frames_and_says_so() {
    let place = place();
    for n in 1..=6 {
        std::fs::write(place.path().join(format!("in/{n}.fits")), frame(n)).unwrap();
    }
    let lines = run(&place, &["--count", "6", "--last", "4"]);
    assert_eq!(lines.len(), 6);
    let verdict = verdict(&place.path().join("out"));
    assert_eq!(verdict["exposures"].as_array().unwrap().len(), 4);
    assert!(verdict["notes"].to_string().contains("the last 4 of 6 frames"), "{}", verdict["notes"]);
    assert_eq!(std::fs::read_dir(place.path().join("out/stars")).unwrap().count(), 6);
}

/// Peak memory of a process, kB.
#[cfg(target_os = "linux")]
fn peak_kb(id: u32) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    status.lines().find_map(|line| line.strip_prefix("VmHWM:")?.split_whitespace().next()?.parse().ok())
}

/// The peak after 240 frames is that after 60: nothing is kept of what left the stack but its
/// name.
#[cfg(target_os = "linux")]
#[test]
fn memory_stays_flat_over_many_frames() {
    use std::io::BufRead;
    let place = place();
    let whole = frame(1);
    let end = whole.chunks(80).position(|card| card.starts_with(b"END     ")).unwrap();
    let data = ((end + 1) * 80).next_multiple_of(2880);
    for n in 0..240u8 {
        // One pixel differs, so that no two frames are the same.
        let mut bytes = whole.clone();
        bytes[data + 1] = n;
        std::fs::write(place.path().join(format!("in/{n:03}.fits")), bytes).unwrap();
    }
    let mut child = command(&place, &["--last", "6"]).stdout(Stdio::piped()).spawn().unwrap();
    let lines = std::io::BufReader::new(child.stdout.take().unwrap()).lines();
    let mut peaks = Vec::new();
    for (number, _) in lines.enumerate().map(|(i, line)| (i + 1, line.unwrap())).take(240) {
        if [60, 240].contains(&number) {
            peaks.push(peak_kb(child.id()).unwrap());
        }
    }
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(peaks[1] < peaks[0] + 8_000 && peaks[1] < 2 * peaks[0], "{peaks:?} kB");
}

#[test]
fn wrong_usage_is_two() {
    let place = place();
    let code = |args: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_stackworthy"));
        command.current_dir(place.path()).arg("watch").args(args).output().unwrap().status.code()
    };
    assert_eq!(code(&["none", "--out", "out"]), Some(2));
    assert_eq!(code(&["in", "--out", "in"]), Some(2));
    assert_eq!(code(&["in", "--out", "out", "--every", "0"]), Some(2));
    assert_eq!(code(&["in", "--out", "out", "--last", "1"]), Some(2));
    std::fs::create_dir(place.path().join("out")).unwrap();
    std::fs::write(place.path().join("out/verdict.json"), "{}").unwrap();
    assert_eq!(code(&["in", "--out", "out", "--idle-exit", "0.1"]), Some(2));
    assert_eq!(code(&["in", "--out", "out", "--idle-exit", "0.1", "--again"]), Some(0));
}
