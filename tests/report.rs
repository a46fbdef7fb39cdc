//! `stackworthy report`: the page again from what lies in a result folder, with neither frames nor star
//! tables. Runs the binary on a small simulated stack.

use std::path::Path;
use std::process::Output;

use assert_cmd::Command;
use tempfile::TempDir;

fn stackworthy(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_stackworthy")).current_dir(folder).args(args).output().unwrap()
}

/// A folder with a finished result in `r`, whose frames and star tables are gone.
fn result() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let scene = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata-synth/scenes/small.toml");
    assert!(stackworthy(folder.path(), &["synth", scene, "--out", "frames"]).status.success());
    let set = ["aperture_m=0.6", "obstruction=0.3", "wavelength_nm=600", "pixel_arcsec=0.08"]
        .map(|fact| format!("telescope.{fact}"));
    let set: Vec<&str> = set.iter().flat_map(|fact| ["--set", fact.as_str()]).collect();
    let run = stackworthy(folder.path(), &[&["check", "frames", "--out", "r"], &set[..]].concat());
    assert!(folder.path().join("r/verdict.json").is_file(), "{}", String::from_utf8_lossy(&run.stderr));
    std::fs::remove_dir_all(folder.path().join("frames")).unwrap();
    std::fs::remove_dir_all(folder.path().join("r/stars")).unwrap();
    folder
}

fn read(folder: &TempDir, file: &str) -> String {
    std::fs::read_to_string(folder.path().join(file)).unwrap()
}

#[test]
fn the_page_is_made_again_without_measuring() {
    let folder = result();
    let page = read(&folder, "r/report.html");
    for heading in ["Through time", "Over the field", "The mean star", "Optics and jitter", "Stars", "Inputs"]
    {
        assert!(page.contains(&format!("<h2>{heading}</h2>")), "{heading}");
    }
    // Beside, by its folder, and in place.
    let run = stackworthy(folder.path(), &["report", "r/verdict.json", "--out", "again.html"]);
    assert!(run.status.success() && run.stderr.is_empty(), "{}", String::from_utf8_lossy(&run.stderr));
    assert!(read(&folder, "again.html") == page, "the page made again is another");
    std::fs::remove_file(folder.path().join("r/report.html")).unwrap();
    assert!(stackworthy(folder.path(), &["report", "r"]).status.success());
    assert!(read(&folder, "r/report.html") == page, "the page made again is another");
    // The settings that were in force can be given again.
    let printed = stackworthy(folder.path(), &["settings", "--settings", "r/settings.toml"]);
    let printed = String::from_utf8_lossy(&printed.stdout).into_owned();
    assert!(printed.contains("aperture_m = 0.6") && printed.contains("r/settings.toml"), "{printed}");
}

#[test]
fn what_is_gone_is_left_out_with_a_sentence() {
    let folder = result();
    let page = read(&folder, "r/report.html");
    let figures = folder.path().join("r/figures.fits");
    let whole = std::fs::read(&figures).unwrap();
    std::fs::write(&figures, &whole[..whole.len() / 2]).unwrap();
    std::fs::remove_file(folder.path().join("r/settings.toml")).unwrap();
    let run = stackworthy(folder.path(), &["report", "r"]);
    assert!(run.status.success());
    assert!(String::from_utf8_lossy(&run.stderr).contains("figures.fits is left aside"));
    let less = read(&folder, "r/report.html");
    assert!(
        less.contains("figures.fits is not beside the verdict")
            && less.contains("settings.toml is not beside")
    );
    assert!(!less.contains("<h2>The mean star</h2>") && less.contains("<h2>Through time</h2>"));
    assert!(!page.contains("figures.fits is not beside the verdict") && less.len() < page.len());
}

#[test]
fn what_is_no_verdict_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    for (content, said) in [
        ("{", "no verdict of stackworthy"),
        ("{}", "no verdict of stackworthy"),
        ("{\"schema\": \"stackworthy/verdict/1\"}", "no verdict of stackworthy"),
        ("{\"schema\": \"stackworthy/verdict/7\"}", "stackworthy/verdict/7"),
    ] {
        std::fs::write(folder.path().join("verdict.json"), content).unwrap();
        let run = stackworthy(folder.path(), &["report", "verdict.json"]);
        let stderr = String::from_utf8_lossy(&run.stderr).into_owned();
        assert!(run.status.code() == Some(1) && stderr.contains(said), "{content}: {stderr}");
        assert!(!folder.path().join("report.html").exists());
    }
    assert_eq!(stackworthy(folder.path(), &["report", "nowhere"]).status.code(), Some(1));
}
