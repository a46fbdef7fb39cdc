//! Names, kinds and numbers of files; files that change while they are read.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use stackworthy::frame::read_frame;
use stackworthy::settings::Settings;

use super::maker::{card, facts, file, good};
use super::tool::{row, run, verdict};

#[test]
fn names_with_blanks_and_signs() {
    let holder = tempfile::tempdir().unwrap();
    let names = [
        "a b.fits",
        " leading.fits",
        "x[1].fits",
        "x+1.fits",
        "-q.fits",
        "ünï.fits",
        "'quoted' \"$(x)\".fits",
        "%41.fits",
    ];
    for (number, name) in names.iter().enumerate() {
        std::fs::write(holder.path().join(name), good(number as u32 + 1)).unwrap();
    }
    let args = [&["check", "--out", "out put/r [1]", "--"][..], &names].concat();
    let done = run(holder.path(), &args);
    assert!(done.code != 1 && done.code != 2, "{}", done.stderr);
    let result = holder.path().join("out put/r [1]");
    let verdict = verdict(&result);
    for name in names {
        assert_ne!(row(&verdict, name)["gate"], "unreadable", "{name}");
    }
    let again = run(holder.path(), &["judge", "out put/r [1]", "--out", "j"]);
    assert_eq!(again.code, done.code, "{}", again.stderr);
}

#[cfg(unix)]
#[test]
fn names_that_are_not_utf8_or_hold_a_line_break() {
    use std::ffi::OsStr;
    use std::os::unix::ffi::OsStrExt;
    let holder = tempfile::tempdir().unwrap();
    let odd = OsStr::from_bytes(b"caf\xe9.fits");
    if std::fs::write(holder.path().join(odd), good(1)).is_err() {
        println!("skipped: this file system takes UTF-8 names only");
        return;
    }
    let out = OsStr::from_bytes(b"r\xe9sult");
    let words = |plain: &[&'static str], last: &OsStr| -> Vec<std::ffi::OsString> {
        plain.iter().map(|w| (*w).into()).chain([last.to_owned()]).collect()
    };
    let by_name = run(holder.path(), &words(&["check", "--out", "r"], odd));
    assert_eq!(by_name.code, 2, "{}", by_name.stderr);
    let by_folder = run(holder.path(), &["check", ".", "--out", "r"]);
    assert_eq!(by_folder.code, 1, "{}", by_folder.stderr);
    assert!(by_folder.stderr.contains("caf") && by_folder.stderr.contains("UTF-8"), "{}", by_folder.stderr);
    std::fs::rename(holder.path().join(odd), holder.path().join("plain.fits")).unwrap();
    let into = run(holder.path(), &words(&["check", "plain.fits", "--out"], out));
    assert!(into.code == 7 && holder.path().join(out).join("verdict.json").is_file(), "{}", into.stderr);
    std::fs::rename(holder.path().join("plain.fits"), holder.path().join("two\nlines.fits")).unwrap();
    let broken = run(holder.path(), &["check", ".", "--out", "r"]);
    assert_eq!(broken.code, 2, "{}", broken.stderr);
    assert!(!holder.path().join("r").exists());
}

/// Pipes, devices, folders and links that lead nowhere: rows, and no waiting.
#[cfg(target_os = "linux")]
#[test]
fn what_is_no_regular_file() {
    let holder = tempfile::tempdir().unwrap();
    let at = |name: &str| holder.path().join(name);
    for name in ["one.fits", "two.fits", "three.fits"] {
        std::fs::write(at(name), good(name.len() as u32)).unwrap();
    }
    std::fs::create_dir(at("folder.fits")).unwrap();
    std::os::unix::fs::symlink("absent", at("nowhere.fits")).unwrap();
    std::os::unix::fs::symlink("loop.fits", at("loop.fits")).unwrap();
    std::os::unix::fs::symlink("one.fits", at("link.fits")).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(at("pipe.fits")).status().unwrap().success());
    let odd = ["pipe.fits", "nowhere.fits", "loop.fits", "/dev/zero", "/dev/null"];
    let args =
        [&["check", "one.fits", "two.fits", "three.fits", "link.fits", "--out", "r"][..], &odd].concat();
    let done = run(holder.path(), &args);
    let verdict_of_frames = verdict(&at("r"));
    for name in odd {
        assert_eq!(row(&verdict_of_frames, name)["gate"], "unreadable", "{name}: {}", done.stderr);
    }
    // Again: now there are tables of these names to be held against the files.
    for name in ["pipe", "zero"] {
        std::fs::copy(at("r/stars/one.fits"), at("r/stars").join(format!("{name}.fits"))).unwrap();
    }
    let again = run(holder.path(), &[&args[..], &["--again"]].concat());
    assert!(again.stderr.contains("3 unchanged star tables"), "{}", again.stderr);
    let judged = run(holder.path(), &["judge", "r", "pipe.fits", "/dev/zero", "nowhere.fits", "--out", "j"]);
    assert_eq!(row(&verdict(&at("j")), "/dev/zero")["gate"], "unreadable", "{}", judged.stderr);
    let empty = run(holder.path(), &["check", "folder.fits", "--out", "e"]);
    assert_eq!(empty.code, 1);
}

/// A writer that truncates, lengthens, removes and replaces the file all the while.
#[test]
fn a_file_that_changes_while_it_is_read() {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("busy.fits");
    let whole = good(1);
    std::fs::write(&path, &whole).unwrap();
    let done = AtomicBool::new(false);
    let (mut read, mut refused) = (0, 0);
    std::thread::scope(|scope| {
        scope.spawn(|| {
            let mut step = 0usize;
            while !done.load(Ordering::Relaxed) {
                step += 1;
                match step % 4 {
                    0 => drop(std::fs::remove_file(&path)),
                    1 => std::fs::write(&path, &whole).unwrap(),
                    2 => std::fs::write(&path, &whole[..whole.len() * (step % 97) / 97]).unwrap(),
                    _ => std::fs::write(&path, [&whole[..], &whole].concat()).unwrap(),
                }
            }
        });
        let start = Instant::now();
        while start.elapsed() < Duration::from_millis(800) {
            match read_frame(&path, &Settings::default()) {
                Ok(frame) => {
                    read += 1;
                    assert_eq!(frame.pixels.dim(), (200, 200));
                }
                Err(_) => refused += 1,
            }
        }
        done.store(true, Ordering::Relaxed);
    });
    assert!(read > 0 && refused > 0, "{read} read, {refused} refused");
}

/// A frame that is gone when its turn comes is a row.
#[test]
fn frames_that_vanish_between_listing_and_reading() {
    let holder = tempfile::tempdir().unwrap();
    for number in 1..=3 {
        std::fs::write(holder.path().join(format!("f{number}.fits")), good(number)).unwrap();
    }
    let args = ["check", "f1.fits", "f2.fits", "f3.fits", "gone.fits", "--out", "r"];
    run(holder.path(), &args);
    let text = row(&verdict(&holder.path().join("r")), "gone.fits").to_string();
    assert!(text.contains("gone.fits: cannot be read"), "{text}");
    // Gone since: what was measured of it is not judged in its place.
    std::fs::remove_file(holder.path().join("f2.fits")).unwrap();
    run(holder.path(), &[&args[..], &["--again"]].concat());
    assert_eq!(row(&verdict(&holder.path().join("r")), "f2.fits")["gate"], "unreadable");
}

fn many(folder: &Path, count: u32) {
    for number in 0..count {
        let pixels = (0..16 * 16).flat_map(|k: u32| (100 + ((k * 7 + number) % 13) as i16).to_be_bytes());
        let cards = [facts(number % 60), vec![card("NUMBER", number)]].concat();
        std::fs::write(folder.join(format!("f{number:05}.fits")), file(16, 16, &cards, pixels.collect()))
            .unwrap();
    }
}

/// By folder and one by one on the command line.
#[test]
fn thousands_of_frames() {
    let holder = tempfile::tempdir().unwrap();
    let frames = holder.path().join("frames");
    std::fs::create_dir(&frames).unwrap();
    many(&frames, 2000);
    let by_folder = run(holder.path(), &["check", "frames", "--out", "r"]);
    assert_eq!(by_folder.code, 7, "{}", by_folder.stderr);
    assert_eq!(verdict(&holder.path().join("r"))["exposures"].as_array().unwrap().len(), 2000);
    let names: Vec<String> = (0..2000).map(|n| format!("frames/f{n:05}.fits")).collect();
    let mut args = vec!["check", "--out", "r", "--again"];
    args.extend(names.iter().map(String::as_str));
    let by_name = run(holder.path(), &args);
    assert_eq!(by_name.code, 7, "{}", by_name.stderr);
    assert!(by_name.stderr.contains("2000 unchanged star tables"), "{}", by_name.stderr);
}
