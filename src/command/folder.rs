//! The output folder: a finished result is never overwritten unasked, and a folder
//! that cannot be written is known before the work starts.

#![allow(clippy::disallowed_methods, reason = "owns the output folder")]

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use super::Usage;
use crate::report::VERDICT_JSON;
use crate::table::atomic;

/// Room that must be there at the start, bytes: about one star table.
const ROOM: usize = 1 << 20;
const FITS_ENDINGS: [&str; 5] = [".gz", ".fz", ".fits", ".fit", ".fts"];

#[derive(Debug)]
pub struct Folder {
    pub root: PathBuf,
    pub stars: PathBuf,
}

impl Folder {
    /// Makes the folder and tries to write in it. A folder that holds a finished result
    /// is refused unless `again`; one of a run that never finished is taken up.
    pub fn prepare(root: &Path, again: bool) -> Result<Self> {
        if root.to_string_lossy().contains(['\n', '\r']) {
            anyhow::bail!(Usage(format!(
                "{root:?}: a path with a line break cannot be used; choose another --out"
            )));
        }
        if root.exists() && !root.is_dir() {
            anyhow::bail!(Usage(format!("{} is a file; --out takes a folder", root.display())));
        }
        if root.join(VERDICT_JSON).exists() && !again {
            anyhow::bail!(Usage(format!(
                "{} holds a finished result; choose another --out, or renew it with --again (unchanged star \
                 tables are taken up)",
                root.display()
            )));
        }
        let folder = Self { root: root.into(), stars: root.join("stars") };
        let cannot = || format!("{}: cannot be written; free space or choose another --out", root.display());
        std::fs::create_dir_all(&folder.stars).with_context(cannot)?;
        for place in [&folder.root, &folder.stars] {
            let trial = place.join(".unfinished-trial");
            atomic::replace(&trial, &vec![0; ROOM]).with_context(cannot)?;
            std::fs::remove_file(&trial).with_context(cannot)?;
        }
        Ok(folder)
    }

    /// One star table a frame, by the frame's name; frames of the same name are numbered
    /// in their order.
    pub fn table_paths(&self, frames: &[String]) -> Vec<PathBuf> {
        let mut names = TableNames::default();
        frames.iter().map(|frame| self.stars.join(names.free(frame))).collect()
    }
}

/// File names of star tables, each given once.
#[derive(Debug, Default)]
pub struct TableNames {
    taken: HashSet<String>,
}

impl TableNames {
    /// A name for the frame's table that none has yet.
    pub fn free(&mut self, frame: &str) -> String {
        let name = base_name(frame);
        let numbered = (2..).map(|n| format!("{name}-{n}"));
        let free = std::iter::once(name.clone()).chain(numbered).find(|n| self.take(&format!("{n}.fits")));
        format!("{}.fits", free.unwrap_or(name))
    }

    /// False where the name was taken. File systems differ in whether they tell A from a.
    pub fn take(&mut self, table: &str) -> bool {
        self.taken.insert(table.to_lowercase())
    }
}

/// Star tables in the folder that belong to none of the frames, sorted.
pub fn strangers(folder: &Folder, frames: &[String]) -> Vec<PathBuf> {
    let ours: HashSet<PathBuf> = folder.table_paths(frames).into_iter().collect();
    let there = std::fs::read_dir(&folder.stars).into_iter().flatten().flatten().map(|e| e.path());
    let mut strangers: Vec<PathBuf> =
        there.filter(|p| p.extension().is_some_and(|e| e == "fits") && !ours.contains(p)).collect();
    strangers.sort();
    strangers
}

/// The file's name without folder and FITS endings.
fn base_name(frame: &str) -> String {
    let mut name = frame.rsplit('/').next().unwrap_or(frame);
    while let Some(ending) = FITS_ENDINGS.iter().find(|e| {
        name.len() > e.len()
            && name.is_char_boundary(name.len() - e.len())
            && name[name.len() - e.len()..].eq_ignore_ascii_case(e)
    }) {
        name = &name[..name.len() - ending.len()];
    }
    name.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_of_the_same_name_get_numbered_tables() {
        let folder = Folder { root: "out".into(), stars: "s".into() };
        let frames = ["a/x.fits", "b/x.fits.gz", "c/X.FIT", "x-2.fits", "é.fts", ".fits"].map(String::from);
        let paths: Vec<String> =
            folder.table_paths(&frames).iter().map(|p| p.to_string_lossy().into_owned()).collect();
        assert_eq!(
            paths,
            ["s/x.fits", "s/x-2.fits", "s/X-3.fits", "s/x-2-2.fits", "s/é.fits", "s/.fits.fits"]
        );
    }

    #[test]
    fn a_finished_folder_is_refused_unless_again() {
        let temporary = tempfile::tempdir().unwrap();
        Folder::prepare(temporary.path(), false).unwrap();
        Folder::prepare(temporary.path(), false).unwrap();
        std::fs::write(temporary.path().join(VERDICT_JSON), "{}").unwrap();
        assert!(Folder::prepare(temporary.path(), false).unwrap_err().is::<Usage>());
        Folder::prepare(temporary.path(), true).unwrap();
        assert_eq!(std::fs::read_dir(temporary.path()).unwrap().count(), 2);
    }

    #[test]
    fn odd_folders_are_refused() {
        let temporary = tempfile::tempdir().unwrap();
        let file = temporary.path().join("file");
        std::fs::write(&file, "x").unwrap();
        assert!(Folder::prepare(&file, false).unwrap_err().is::<Usage>());
        assert!(!Folder::prepare(&file.join("below"), false).unwrap_err().is::<Usage>());
        assert!(Folder::prepare(Path::new("a\nb"), false).unwrap_err().is::<Usage>());
    }
}
