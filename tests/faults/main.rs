//! Runs that are killed, interrupted, or spread over other numbers of threads: the result is the
//! old one or the new one, and the same to the bit.

mod interrupt;
mod kill;
mod threads;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Four small frames of the simulator.
pub fn frames() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/frames");
    (1..=4).map(|n| folder.join(format!("small-0{n}.fits"))).collect()
}

pub fn stackworthy(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_stackworthy"));
    command.current_dir(folder).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
    command
}

/// The files directly inside a folder, but for those that a run left unfinished.
pub fn content(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let Ok(entries) = std::fs::read_dir(folder) else { return BTreeMap::new() };
    let files = entries.map(|e| e.unwrap().path()).filter(|p| p.is_file());
    let named = files.map(|p| (p.file_name().unwrap().to_string_lossy().into_owned(), p));
    let finished = named.filter(|(name, _)| !name.starts_with(".unfinished-"));
    finished.map(|(name, path)| (name, std::fs::read(path).unwrap())).collect()
}

pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let target = to.join(path.file_name().unwrap());
        if path.is_dir() {
            copy(&path, &target);
        } else {
            std::fs::copy(&path, &target).unwrap();
        }
    }
}
