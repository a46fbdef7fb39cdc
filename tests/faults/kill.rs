//! Killed at many moments, over an old result: what stands is all old or all new, and the same
//! command goes on from there to the same result as a run that nobody killed.

use std::path::Path;
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use super::{content, copy, frames, stackworthy};

const OLD: [&str; 2] = ["--set", "requirement.confidence=0.9"];

/// Runs to the end; gives the time it took and what it said.
fn whole(folder: &Path, args: &[String]) -> (Duration, String) {
    let start = Instant::now();
    let output = stackworthy(folder).args(args).output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.code().is_some_and(|c| c == 0 || c > 2), "{said}");
    (start.elapsed(), said)
}

/// `old` and `new` are two commands whose results differ; both write into `r`.
fn killed_at_any_moment(old: &[String], new: &[String], kills: u32, seed: u64) {
    let holder = tempfile::tempdir().unwrap();
    let root = holder.path();
    let result = root.join("r");
    whole(root, old);
    copy(&result, &root.join("before"));
    let old_content = content(&result);
    let (took, _) = whole(root, new);
    let new_content = content(&result);
    assert!(old_content.keys().eq(new_content.keys()) && old_content.len() == 9);
    assert!(old_content.iter().all(|(name, bytes)| name.ends_with("fits")
        || name.ends_with("txt")
        || name.ends_with("ecsv")
        || &new_content[name] != bytes));

    let mut random = StdRng::seed_from_u64(seed);
    let (mut still_old, mut already_new) = (0, 0);
    for kill in 0..kills {
        std::fs::remove_dir_all(&result).unwrap();
        copy(&root.join("before"), &result);
        let mut child = stackworthy(root).args(new).spawn().unwrap();
        std::thread::sleep(took.mul_f64(1.3 * random.random::<f64>()));
        let _ = child.kill();
        child.wait().unwrap();
        let left = content(&result);
        if result.join(".finished-result").exists() {
            // Between two renames: the new result holds, and the next run puts it in place.
            already_new += 1;
        } else if left == old_content {
            still_old += 1;
        } else {
            assert!(left == new_content, "kill {kill}: neither the old result nor the new");
            already_new += 1;
        }
        // Star tables are whole, whoever measured them.
        for entry in std::fs::read_dir(result.join("stars")).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "fits") {
                stackworthy::table::read(&path).unwrap();
            }
        }
        if kill % 5 == 0 {
            let (_, said) = whole(root, new);
            assert!(content(&result) == new_content, "kill {kill}: another result after a new start");
            if new[0] == "check" {
                assert!(said.contains("unchanged star tables taken up"), "{said}");
            }
            let hidden = std::fs::read_dir(&result).unwrap().map(|e| e.unwrap().file_name());
            assert!(hidden.into_iter().all(|n| !n.to_string_lossy().starts_with('.')), "kill {kill}");
        }
    }
    println!("{still_old} times the old result, {already_new} times the new");
    assert!(still_old > 0);
}

fn words(list: &[&str]) -> Vec<String> {
    list.iter().map(|w| w.to_string()).collect()
}

#[test]
fn check_killed_at_any_moment() {
    let frames = frames().iter().map(|f| f.to_string_lossy().into_owned()).collect::<Vec<_>>();
    let new = [words(&["check", "--again", "--out", "r"]), frames].concat();
    let old = [new.clone(), words(&OLD)].concat();
    killed_at_any_moment(&old, &new, 20, 2041);
}

#[test]
fn judge_killed_at_any_moment() {
    let holder = tempfile::tempdir().unwrap();
    let frames = frames().iter().map(|f| f.to_string_lossy().into_owned()).collect::<Vec<_>>();
    whole(holder.path(), &[words(&["check", "--out", "tables"]), frames].concat());
    let tables = holder.path().join("tables/stars").to_string_lossy().into_owned();
    let new = words(&["judge", "--again", "--out", "r", &tables]);
    let old = [new.clone(), words(&OLD)].concat();
    // The folder of the result needs star tables of its own for the look at them.
    killed_at_any_moment(&old, &new, 20, 2042);
}

/// A first run, killed while it measures: the next takes up what was measured and says so.
#[test]
fn a_first_run_goes_on_where_it_was_killed() {
    let holder = tempfile::tempdir().unwrap();
    let frames = frames().iter().map(|f| f.to_string_lossy().into_owned()).collect::<Vec<_>>();
    let args = [words(&["check", "--threads", "1", "--out", "r"]), frames].concat();
    let mut child = stackworthy(holder.path()).args(&args).spawn().unwrap();
    let stars = holder.path().join("r/stars");
    let measured = || content(&stars).keys().filter(|n| !n.starts_with('.')).count();
    let start = Instant::now();
    while measured() < 2 && start.elapsed() < Duration::from_secs(30) {
        std::thread::sleep(Duration::from_millis(2));
    }
    let _ = child.kill();
    child.wait().unwrap();
    let there = measured();
    assert!(there >= 2);
    if holder.path().join("r/verdict.json").exists() {
        println!("skipped: the run was over before it could be killed");
        return;
    }
    let (_, said) = whole(holder.path(), &args);
    assert!(said.contains(&format!("{there} unchanged star tables taken up")), "{said}");
}
