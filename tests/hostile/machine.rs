//! Disks that are full, small or read only, and quotas: an error, the old result untouched.

use std::path::Path;

use super::maker::good;
use super::tool::{run, under};

fn frames(folder: &Path, count: u32) -> Vec<String> {
    (1..=count)
        .map(|number| {
            let name = format!("f{number}.fits");
            std::fs::write(folder.join(&name), good(number)).unwrap();
            name
        })
        .collect()
}

fn assert_full(stderr: &str) {
    assert!(stderr.contains("cannot be written") && stderr.contains("free space"), "{stderr}");
}

/// A limit on the length of files stands for a quota.
#[test]
fn files_over_a_limit_of_their_length() {
    let holder = tempfile::tempdir().unwrap();
    let args = [vec!["check".to_string(), "--out".into(), "r".into()], frames(holder.path(), 4)].concat();
    let done = under("ulimit -f 100", holder.path(), &args);
    assert_eq!(done.code, 1, "{}", done.stderr);
    assert_full(&done.stderr);
    assert!(!holder.path().join("r/verdict.json").exists());
    let scene = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata-synth/scenes/small.toml");
    assert_eq!(run(holder.path(), &["synth", scene, "--out", "s"]).code, 0);
    let done = under("ulimit -f 100", holder.path(), &["synth", scene, "--out", "s2"]);
    assert_eq!(done.code, 1, "{}", done.stderr);
}

#[cfg(target_os = "linux")]
#[test]
fn standard_output_that_is_full() {
    let holder = tempfile::tempdir().unwrap();
    for args in [&["settings"][..], &["explain"], &["explain", "drift"]] {
        let done = under("exec >/dev/full", holder.path(), args);
        assert_eq!(done.code, 1, "{args:?}");
        assert!(done.stderr.contains("standard output"), "{}", done.stderr);
    }
}

/// True where a file system of one's own can be mounted: needs rights that few have.
#[cfg(target_os = "linux")]
fn can_mount() -> bool {
    let tried = std::process::Command::new("unshare")
        .args([
            "-m",
            "sh",
            "-c",
            "d=$(mktemp -d) && mount -t tmpfs -o size=1m none $d && umount $d; rmdir $d",
        ])
        .output();
    let can = tried.is_ok_and(|t| t.status.success());
    if !can {
        println!("skipped: no file system can be mounted here");
    }
    can
}

/// Disks that fill at the start, among the star tables, and in the middle of the result; one
/// that holds it all.
#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_fills() {
    if !can_mount() {
        return;
    }
    let holder = tempfile::tempdir().unwrap();
    let args = [
        vec!["check".to_string(), "--again".into(), "--out".into(), "disk/r".into()],
        frames(holder.path(), 16),
    ]
    .concat();
    std::fs::create_dir(holder.path().join("disk")).unwrap();
    let (mut full, mut whole) = (0, 0);
    for kilobytes in [500, 1100, 1400, 1700, 2000, 2300, 2600, 16_000] {
        // What is there afterwards is told by the last line.
        let script = format!(
            "mount -t tmpfs -o size={kilobytes}k none disk && \"$@\"; code=$?; ls -A disk/r >list; exit $code"
        );
        let done = std::process::Command::new("unshare")
            .current_dir(holder.path())
            .args(["-m", "sh", "-c", &script, "sh", env!("CARGO_BIN_EXE_stackworthy")])
            .args(&args)
            .output()
            .unwrap();
        let stderr = String::from_utf8_lossy(&done.stderr);
        let list = std::fs::read_to_string(holder.path().join("list")).unwrap();
        let left: Vec<&str> = list.lines().filter(|l| *l != "stars").collect();
        assert!(!stderr.contains("panicked"), "{stderr}");
        match done.status.code() {
            Some(1) => {
                full += 1;
                assert_full(&stderr);
                assert!(left.is_empty(), "{kilobytes} kB: {left:?}");
            }
            code => {
                whole += 1;
                assert!((3..=7).chain([0]).any(|c| Some(c) == code), "{kilobytes} kB: {code:?}: {stderr}");
                assert_eq!(left.len(), 9, "{left:?}");
            }
        }
    }
    assert!(full >= 3 && whole >= 1, "{full} full, {whole} whole");
}

#[cfg(target_os = "linux")]
#[test]
fn a_result_stays_where_its_disk_turned_full_or_read_only() {
    if !can_mount() {
        return;
    }
    let holder = tempfile::tempdir().unwrap();
    std::fs::create_dir(holder.path().join("disk")).unwrap();
    let names = frames(holder.path(), 4).join(" ");
    let tool = env!("CARGO_BIN_EXE_stackworthy");
    let script = format!(
        "mount -t tmpfs -o size=4m none disk || exit 99
         {tool} check {names} --out disk/r >/dev/null 2>&1; cd disk/r; cat * | cksum >../../before; cd ../..
         head -c 100m /dev/zero >disk/filler 2>/dev/null
         {tool} check {names} --out disk/r --again --set requirement.m=0.01 2>full; echo $? >codes
         rm disk/filler; mount -o remount,ro disk
         {tool} check {names} --out disk/r --again --set requirement.m=0.01 2>readonly; echo $? >>codes
         {tool} check {names} --out disk/new 2>new; echo $? >>codes
         cd disk/r; cat * 2>/dev/null | cksum >../../after"
    );
    let done = std::process::Command::new("unshare")
        .current_dir(holder.path())
        .args(["-m", "sh", "-c", &script])
        .output();
    assert!(done.is_ok());
    let read = |name: &str| std::fs::read_to_string(holder.path().join(name)).unwrap();
    assert_eq!(read("codes"), "1\n1\n1\n", "{}{}{}", read("full"), read("readonly"), read("new"));
    for stderr in ["full", "readonly", "new"] {
        assert_full(&read(stderr));
    }
    assert_eq!(read("before"), read("after"));
}
