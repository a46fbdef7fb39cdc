//! The promise to scripts: exit codes, files, refusals. Runs the binary on star tables
//! made here.

use std::path::Path;

use assert_cmd::Command;
use stackworthy::frame::{ExposureFacts, Region};
use stackworthy::moments::Shape;
use stackworthy::report::CAUTION;
use stackworthy::settings::Settings;
use stackworthy::stars::Star;
use stackworthy::table::{self, StarTable};
use tempfile::TempDir;

fn stackworthy(folder: &TempDir) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stackworthy"));
    command.current_dir(folder.path());
    command
}

fn star(i: usize) -> Star {
    let size = 5.0 + 0.01 * (i % 5) as f64;
    let shape = Shape {
        mxx: 0.5 * size,
        myy: 0.5 * size,
        mxy: 0.0,
        size,
        size_err: 0.02,
        e1: 0.0,
        e2: 0.0,
        e_err: 0.004,
        size_response: 0.1,
        e_response: 0.1,
    };
    Star {
        x: 100.0 + (197 * i % 1800) as f64,
        y: 100.0 + (331 * i % 1800) as f64,
        sky: None,
        flux: 1e5 - i as f64,
        flux_err: 200.0,
        snr: 500.0,
        adaptive: Some(shape),
        ladder: [Some(shape); 6].into(),
        higher: None,
        contamination: 0.0,
        refused: None,
        cutout: None,
        cutout_mask: None,
    }
}

fn star_table(file: &str, frame_xxh3: &str) -> StarTable {
    StarTable {
        file: file.into(),
        frame_xxh3: frame_xxh3.into(),
        settings_sha256: Settings::default().measurement_sha256(),
        version: env!("CARGO_PKG_VERSION").into(),
        width: 2000,
        height: 2000,
        usable: Region { x0: 0, x1: 2000, y0: 0, y1: 2000 },
        facts: ExposureFacts { exposure_s: Some(60.0), ..ExposureFacts::default() },
        sky_level: 100.0,
        sky_noise: 5.0,
        sigma_pixels: Some(1.2),
        narrowest_sigma_pixels: Some(1.2),
        has_wcs: false,
        sky_angle_deg: None,
        notes: vec![],
        stars: (0..60).map(star).collect(),
        forgotten: Default::default(),
    }
}

fn one_table() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    table::write(&star_table("night/a.fits", &"a".repeat(64)), &folder.path().join("a.fits")).unwrap();
    folder
}

fn verdict(path: &Path) -> serde_json::Value {
    serde_json::from_str(&std::fs::read_to_string(path.join("verdict.json")).unwrap()).unwrap()
}

#[test]
fn one_exposure_is_undecided_and_everything_is_written() {
    let folder = one_table();
    let run = stackworthy(&folder).args(["judge", "a.fits", "--out", "r"]).assert().code(7);
    let stdout = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    assert!(stdout.starts_with("VERDICT: undecided"), "{stdout}");
    let words = stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains(CAUTION), "{stdout}");
    assert!(run.get_output().stderr.is_empty(), "no progress where it is piped");
    let out = folder.path().join("r");
    for file in
        ["report.html", "keep.txt", "keep.ecsv", "exposures.fits", "exposures.ecsv", "field-models.fits"]
    {
        assert!(out.join(file).is_file(), "{file}");
    }
    assert_eq!(std::fs::read_to_string(out.join("keep.txt")).unwrap(), "");
    let verdict = verdict(&out);
    let schema = serde_json::from_str(include_str!("../schema/verdict-1.schema.json")).unwrap();
    assert!(jsonschema::validator_for(&schema).unwrap().is_valid(&verdict));
    assert_eq!(verdict["exposures"][0]["file"], "night/a.fits");
    assert_eq!(verdict["tool"]["arguments"][1], "judge");
    assert!(verdict["cautions"].as_array().unwrap().contains(&CAUTION.into()));
    let hidden = std::fs::read_dir(&out)
        .unwrap()
        .filter(|e| e.as_ref().unwrap().file_name().to_string_lossy().starts_with('.'));
    assert_eq!(hidden.count(), 0, "nothing unfinished stays behind");
}

#[test]
fn accepted_decisions_exit_with_zero() {
    let folder = one_table();
    let run = |accept: &str, out: &str| {
        let args = ["judge", "a.fits", "--out", out, "--accept", accept];
        stackworthy(&folder).args(args).output().unwrap().status.code()
    };
    assert_eq!(run("combine-subset,undecided", "r1"), Some(0));
    assert_eq!(run("combine-subset", "r2"), Some(7));
    assert_eq!(run("maybe", "r3"), Some(2));
    assert!(!folder.path().join("r3").exists());
}

#[test]
fn a_finished_result_is_refused_unless_again() {
    let folder = one_table();
    let judge = |more: &[&str]| {
        stackworthy(&folder).args(["judge", "a.fits", "--out", "r"]).args(more).output().unwrap()
    };
    assert_eq!(judge(&[]).status.code(), Some(7));
    let before = std::fs::read(folder.path().join("r/verdict.json")).unwrap();
    let refused = judge(&[]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--again"));
    assert_eq!(std::fs::read(folder.path().join("r/verdict.json")).unwrap(), before);
    assert_eq!(judge(&["--again"]).status.code(), Some(7));
}

#[test]
fn what_cannot_be_read_is_a_row_and_does_not_end_the_run() {
    let folder = one_table();
    let good = std::fs::read(folder.path().join("a.fits")).unwrap();
    std::fs::write(folder.path().join("cut.fits"), &good[..good.len() / 2]).unwrap();
    std::fs::write(folder.path().join("text.fits"), "hello").unwrap();
    let args = ["judge", "a.fits", "cut.fits", "text.fits", "none.fits", "--out", "r"];
    stackworthy(&folder).args(args).assert().code(7);
    let verdict = verdict(&folder.path().join("r"));
    let gates: Vec<(&str, &str)> = verdict["exposures"]
        .as_array()
        .unwrap()
        .iter()
        .map(|e| (e["file"].as_str().unwrap(), e["gate"].as_str().unwrap()))
        .filter(|(_, gate)| *gate == "unreadable")
        .collect();
    assert_eq!(gates, [("cut.fits", "unreadable"), ("text.fits", "unreadable"), ("none.fits", "unreadable")]);
}

#[test]
fn nothing_readable_could_not_run() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("x.fits"), "hello").unwrap();
    for command in ["check", "judge"] {
        let run = stackworthy(&folder).args([command, "x.fits", "--out", command]).assert().code(1);
        assert!(String::from_utf8_lossy(&run.get_output().stderr).contains("x.fits"));
        assert!(!folder.path().join(command).join("verdict.json").exists());
    }
    stackworthy(&folder).args(["measure", "x.fits", "--out", "m"]).assert().code(1);
}

#[test]
fn wrong_usage_is_two() {
    let folder = one_table();
    std::fs::write(folder.path().join("bad.toml"), "[stars]\nmin_snrr = 3\n").unwrap();
    let wrong: [&[&str]; 9] = [
        &[],
        &["judge", "a.fits"],
        &["judge", "--out", "r"],
        &["judge", "a.fits", "--out", "r", "--settings", "bad.toml"],
        &["judge", "a.fits", "--out", "r", "--set", "stars.min_snr=-1"],
        &["judge", "a\nb.fits", "--out", "r"],
        &["judge", "a.fits", "--out", "a.fits"],
        &["judge", "a.fits", "--out", "r", "--threads", "0"],
        &["explain", "no-such-check"],
    ];
    for args in wrong {
        let run = stackworthy(&folder).args(args).output().unwrap();
        assert_eq!(run.status.code(), Some(2), "{args:?}: {}", String::from_utf8_lossy(&run.stderr));
    }
    assert!(!folder.path().join("r").exists());
}

#[test]
fn a_folder_that_cannot_be_made_could_not_run() {
    let folder = one_table();
    let run = stackworthy(&folder).args(["judge", "a.fits", "--out", "a.fits/below"]).assert().code(1);
    assert!(String::from_utf8_lossy(&run.get_output().stderr).contains("--out"));
}

/// A table that is there for the same frame, settings and version is not measured again:
/// the frame here could not be, for it is no FITS file.
#[test]
fn unchanged_star_tables_are_taken_up() {
    let folder = tempfile::tempdir().unwrap();
    let stars = folder.path().join("r/stars");
    std::fs::create_dir_all(&stars).unwrap();
    std::fs::write(folder.path().join("f.fits"), "not FITS").unwrap();
    let xxh3 = "d3b665374f81944f3b9028c586bf2f41";
    table::write(&star_table("elsewhere/f.fits", xxh3), &stars.join("f.fits")).unwrap();
    let check = |more: &[&str]| {
        stackworthy(&folder).args(["check", "f.fits", "--out", "r"]).args(more).output().unwrap()
    };
    let run = check(&[]);
    let stderr = String::from_utf8_lossy(&run.stderr).into_owned();
    assert_eq!(run.status.code(), Some(7), "{stderr}");
    assert!(stderr.contains("1 unchanged star table"), "{stderr}");
    assert_eq!(verdict(&folder.path().join("r"))["exposures"][0]["file"], "f.fits");
    assert!(check(&["--again", "--quiet"]).stderr.is_empty());
    assert_eq!(check(&["--again", "--set", "stars.min_snr=40"]).status.code(), Some(1));
}

/// What a table says of a frame that has changed since, and cannot be read, is not judged.
#[test]
fn the_table_of_a_changed_frame_does_not_stand_in_for_it() {
    let folder = one_table();
    let stars = folder.path().join("r/stars");
    std::fs::create_dir_all(&stars).unwrap();
    std::fs::write(folder.path().join("f.fits"), "changed").unwrap();
    table::write(&star_table("f.fits", &"b".repeat(64)), &stars.join("f.fits")).unwrap();
    table::write(&star_table("g.fits", &"c".repeat(64)), &stars.join("g.fits")).unwrap();
    let run = stackworthy(&folder).args(["check", "f.fits", "--out", "r"]).assert().code(1);
    assert!(!stars.join("f.fits").exists());
    assert!(String::from_utf8_lossy(&run.get_output().stderr).contains("g.fits is of no frame"));
}

#[test]
fn a_result_folder_stands_for_its_star_tables_and_a_frame_counts_once() {
    let folder = one_table();
    let stars = folder.path().join("r/stars");
    std::fs::create_dir_all(&stars).unwrap();
    let same = star_table("night/again.fits", &"a".repeat(64));
    table::write(&same, &stars.join("again.fits")).unwrap();
    stackworthy(&folder).args(["judge", "r", "a.fits", "--out", "j"]).assert().code(7);
    let verdict = verdict(&folder.path().join("j"));
    assert_eq!(verdict["exposures"].as_array().unwrap().len(), 1);
    let notes = verdict["notes"].to_string();
    assert!(notes.contains("night/a.fits is the same frame"), "{notes}");
}

#[test]
fn a_plan_needs_no_frames() {
    let folder = tempfile::tempdir().unwrap();
    let plan = |more: &[&str]| {
        let args = ["plan", "--field-arcmin", "12x8", "--stars", "30:2.5,100:0.9", "--exposure-s", "120"];
        stackworthy(&folder).args(args).args(["--exposures", "10"]).args(more).output().unwrap()
    };
    let answer = plan(&["--json", "--set", "requirement.confidence=0.9"]);
    assert_eq!(answer.status.code(), Some(0));
    let answer: serde_json::Value = serde_json::from_slice(&answer.stdout).unwrap();
    assert_eq!(answer["schema"], "stackworthy/plan/1");
    assert_eq!((&answer["confidence"], &answer["planned"]["exposures"]), (&0.9.into(), &10.into()));
    let chance = |word: &str| answer["planned"][word].as_f64().unwrap();
    assert!((chance("combine") + chance("not_together") + chance("undecided") - 1.0).abs() < 1e-9);
    let text = String::from_utf8_lossy(&plan(&[]).stdout).into_owned();
    assert!(text.starts_with("PLAN: 10 exposures of 120 s that share 96.0 arcmin2"), "{text}");
    for wrong in [["--slope", "0"], ["--max-snr", "-1"], ["--read-noise-share", "2"], ["--size-change", "x"]]
    {
        assert_eq!(plan(&wrong).status.code(), Some(2), "{wrong:?}");
    }
}

/// What scripts rely on stands in the help and in the manual page.
#[test]
fn help_and_manual_tell_the_exit_codes() {
    let folder = tempfile::tempdir().unwrap();
    let words = |args: &[&str]| {
        let run = stackworthy(&folder).args(args).assert().success();
        let text = String::from_utf8_lossy(&run.get_output().stdout).replace('\\', "");
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    for (command, codes) in [
        ("check", "Exit codes: 0 combine, 3 combine-subset, 4 split,"),
        ("judge", "Exit codes: 0 combine, 3 combine-subset, 4 split,"),
        ("measure", "Exit codes: 0 at least one frame measured,"),
        ("watch", "Exit codes: 0 ended as asked,"),
    ] {
        for args in [[command, "--help"], ["man", command]] {
            assert!(words(&args).contains(codes), "{args:?}");
        }
    }
}

/// With `--json -` stdout is verdict.json and nothing else; the words go to stderr.
#[test]
fn the_verdict_alone_goes_to_stdout_when_asked() {
    let folder = one_table();
    let judge = |more: &[&str]| {
        let args = ["judge", "a.fits", "--out", "r", "--again"];
        stackworthy(&folder).args(args).args(more).output().unwrap()
    };
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let piped = judge(&["--json", "-"]);
    assert_eq!(piped.status.code(), Some(7));
    let written = std::fs::read_to_string(folder.path().join("r/verdict.json")).unwrap();
    assert_eq!(text(&piped.stdout), written);
    assert!(text(&piped.stderr).starts_with("VERDICT: undecided"));
    let quiet = judge(&["--json", "-", "--quiet"]);
    assert!(quiet.stderr.is_empty() && text(&quiet.stdout).starts_with('{'));
    let beside = judge(&["--json", "v.json"]);
    assert!(text(&beside.stdout).starts_with("VERDICT"));
    let written = std::fs::read(folder.path().join("r/verdict.json")).unwrap();
    assert_eq!(std::fs::read(folder.path().join("v.json")).unwrap(), written);
    let failed = judge(&["--json", "none/v.json"]);
    assert_eq!(failed.status.code(), Some(1));
    assert!(text(&failed.stderr).contains("none/v.json"));
}

/// Subcommands and long flags, from the definitions.
fn definitions() -> Vec<(String, Vec<String>)> {
    use clap::CommandFactory;
    let mut tool = stackworthy::command::Cli::command();
    tool.build();
    let flags =
        |c: &clap::Command| c.get_arguments().filter_map(|a| a.get_long().map(str::to_owned)).collect();
    tool.get_subcommands()
        .filter(|c| c.get_name() != "help")
        .map(|c| (c.get_name().to_owned(), flags(c)))
        .collect()
}

#[test]
fn completions_know_every_command_and_flag() {
    let folder = tempfile::tempdir().unwrap();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let run = stackworthy(&folder).args(["completions", shell]).assert().success();
        let script = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        for (command, flags) in definitions() {
            assert!(script.contains(&command), "{shell}: {command}");
            for flag in flags {
                assert!(script.contains(&flag), "{shell}: {command} --{flag}");
            }
        }
    }
    // What the shell itself makes of it, where there is one.
    let words = "source <(\"$0\" completions bash); COMP_WORDS=(stackworthy watch --idl); COMP_CWORD=2; \
                 _stackworthy stackworthy --idl watch; echo \"${COMPREPLY[*]}\"";
    let binary = env!("CARGO_BIN_EXE_stackworthy");
    match std::process::Command::new("bash").args(["-c", words, binary]).output() {
        Ok(run) => assert_eq!(String::from_utf8_lossy(&run.stdout).trim(), "--idle-exit"),
        Err(_) => eprintln!("skipped: no bash here"),
    }
    stackworthy(&folder).args(["completions", "no-shell"]).assert().code(2);
}

#[test]
fn every_command_has_a_manual_page_with_all_its_flags() {
    let folder = tempfile::tempdir().unwrap();
    stackworthy(&folder).args(["man", "--out", "."]).assert().success();
    let page = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
    assert!(page("stackworthy.1").contains("stackworthy\\-watch(1)"));
    for (command, flags) in definitions() {
        let page = page(&format!("stackworthy-{command}.1"));
        assert!(page.contains(&format!(".TH stackworthy-{command} 1")), "{page}");
        for flag in flags {
            assert!(page.contains(&flag.replace('-', "\\-")), "{command} --{flag}");
        }
        let run = stackworthy(&folder).args(["man", &command]).assert().success();
        assert_eq!(String::from_utf8_lossy(&run.get_output().stdout), page);
    }
    stackworthy(&folder).args(["man", "no-command"]).assert().code(2);
}

#[test]
fn schemas_are_printed_as_they_stand() {
    let folder = tempfile::tempdir().unwrap();
    let schema = |of: &str| stackworthy(&folder).args(["schema", of]).output().unwrap().stdout;
    assert_eq!(schema("verdict"), include_bytes!("../schema/verdict-1.schema.json"));
    assert_eq!(schema("settings"), include_bytes!("../schema/settings-1.schema.json"));
}

#[test]
fn settings_are_printed_with_their_origin() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("p.toml"), "[detector]\ngain = 1.5\n").unwrap();
    let args = ["settings", "--settings", "p.toml", "--set", "requirement.confidence=0.9"];
    let run = stackworthy(&folder).args(args).assert().success();
    let stdout = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
    for line in [
        ("gain = 1.5", "# [electrons per frame unit] p.toml, line 2"),
        ("confidence = 0.9", "# --set"),
        ("min_snr", "# default"),
        ("# aperture_m", "# [m] not set"),
    ] {
        assert!(stdout.lines().any(|l| l.starts_with(line.0) && l.ends_with(line.1)), "{stdout}");
    }
}

#[test]
fn help_names_every_command() {
    let folder = tempfile::tempdir().unwrap();
    let run = stackworthy(&folder).arg("--help").assert().success();
    insta::assert_snapshot!(String::from_utf8_lossy(&run.get_output().stdout));
}
