//! The house rules that a compiler does not hold: the data goes one way, and every code that a
//! verdict may speak has a text. The order is that of the module table in src/lib.rs.

use std::path::{Path, PathBuf};

/// A module may import those before it.
const PATH: [&str; 16] = [
    "gate", "settings", "frame", "sky", "moments", "field", "stars", "table", "measure", "repeat", "trend",
    "shear", "verdict", "flight", "report", "command",
];

/// What stands beside the path, with all that it may import.
const BESIDE: [(&str, &[&str]); 2] = [("optics", &[]), ("synth", &["frame", "moments", "optics", "table"])];

fn may_import(module: &str, other: &str) -> bool {
    if module == other {
        return true;
    }
    if let Some((_, allowed)) = BESIDE.iter().find(|(name, _)| *name == module) {
        return allowed.contains(&other);
    }
    let place = |name: &str| PATH.iter().position(|m| *m == name);
    match (place(module), place(other)) {
        (Some(own), Some(of_other)) => of_other < own,
        // Verdicts and the flight's log model the telescope; only the commands simulate.
        (Some(_), None) => {
            module == "command" || (["verdict", "flight"].contains(&module) && other == "optics")
        }
        _ => false,
    }
}

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") && !path.ends_with("tests.rs") {
            found.push(path);
        }
    }
}

/// Modules named after `crate::` in the part of a file that is not its tests.
fn imports(text: &str) -> Vec<String> {
    let text = text.split("#[cfg(test)]").next().unwrap_or_default();
    let word = |rest: &str| rest.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
    text.lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .flat_map(|line| line.split("crate::").skip(1).map(word).collect::<Vec<String>>())
        .collect()
}

#[test]
fn no_module_imports_from_later_in_the_path() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    rust_files(&source, &mut files);
    let (mut seen, mut wrong) = (0, Vec::new());
    for file in files {
        let inside = file.strip_prefix(&source).unwrap();
        let module = inside.components().next().unwrap().as_os_str().to_string_lossy().replace(".rs", "");
        if ["lib", "main"].contains(&module.as_str()) {
            continue;
        }
        for other in imports(&std::fs::read_to_string(&file).unwrap()) {
            seen += 1;
            if !may_import(&module, &other) {
                wrong.push(format!("{} imports {other}", inside.display()));
            }
        }
    }
    assert!(seen > 100, "only {seen} imports were found: the search itself is broken");
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn every_code_can_be_explained() {
    for check in stackworthy::gate::ALL {
        let run =
            assert_cmd::Command::cargo_bin("stackworthy").unwrap().args(["explain", check.code]).assert();
        let run = run.success();
        let text = String::from_utf8_lossy(&run.get_output().stdout).into_owned();
        let words = |text: &str| text.split_whitespace().map(str::to_owned).collect::<Vec<_>>().join(" ");
        for part in [check.what, check.why, check.remedy] {
            assert!(words(&text).contains(&words(part)), "{}: {text}", check.code);
        }
    }
}

/// Every code that the judging modules write is a check, so that `explain` knows it.
#[test]
fn every_code_that_is_spoken_is_a_check() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/verdict");
    let known = |code: &str| stackworthy::gate::find(code).is_some();
    let mut files = Vec::new();
    rust_files(&source, &mut files);
    assert!(files.len() > 15, "only {} files were found: the search itself is broken", files.len());
    for path in files.iter().filter(|path| !path.ends_with("model.rs")) {
        let file = path.display();
        let text = std::fs::read_to_string(path).unwrap();
        let text = text.split("#[cfg(test)]").next().unwrap_or_default();
        for line in text
            .lines()
            .filter(|line| line.contains("code") || line.contains("plain(") || line.contains("own_model("))
        {
            for quoted in line.split('"').skip(1).step_by(2) {
                let is_code =
                    quoted.contains('-') && quoted.chars().all(|c| c.is_ascii_lowercase() || c == '-');
                assert!(!is_code || known(quoted), "{file}: {quoted}");
            }
        }
    }
}
