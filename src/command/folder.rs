//! The output folder: a finished result is never overwritten unasked, a folder that cannot be
//! written is known before the work starts, and one run at a time writes in it.
//!
//! A result is several files. They are made in a folder of their own, `.unfinished-result`;
//! when all are there it becomes `.finished-result`, and from this moment the new result
//! holds: its files then take the places of the old ones, `verdict.json` last, and a run that is
//! killed in between leaves the rest of that to the next one.

#![allow(clippy::disallowed_methods, reason = "owns the output folder")]

use std::collections::HashSet;
use std::fs::{File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};

use super::Usage;
use super::interrupt::{self, remove_unfinished};
use crate::report::VERDICT_JSON;
use crate::table::atomic;

/// Room that must be there at the start, bytes: about one star table.
const ROOM: usize = 1 << 20;
const FITS_ENDINGS: [&str; 5] = [".gz", ".fz", ".fits", ".fit", ".fts"];
/// A result in the making; its name begins as that of all that is unfinished.
const IN_THE_MAKING: &str = ".unfinished-result";
/// A result that holds, on its way to its place.
const MADE: &str = ".finished-result";

#[derive(Debug)]
pub struct Folder {
    pub root: PathBuf,
    pub stars: PathBuf,
    /// Held as long as this run may write; `None` where the file system knows no locks.
    _lock: Option<File>,
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
        let cannot = || format!("{}: cannot be written; free space or choose another --out", root.display());
        let mut lock = None;
        if root.is_dir() {
            lock = only_run(root)?;
            put_in_place(root).with_context(cannot)?;
        }
        if root.join(VERDICT_JSON).exists() && !again {
            anyhow::bail!(Usage(format!(
                "{} holds a finished result; choose another --out, or renew it with --again (unchanged star \
                 tables are taken up)",
                root.display()
            )));
        }
        let stars = root.join("stars");
        std::fs::create_dir_all(&stars).with_context(cannot)?;
        if lock.is_none() {
            lock = only_run(root)?;
        }
        for place in [root, &stars] {
            interrupt::tidies(place);
            remove_unfinished(place).with_context(cannot)?;
            let trial = place.join(".unfinished-trial");
            atomic::replace(&trial, &vec![0; ROOM]).with_context(cannot)?;
            std::fs::remove_file(&trial).with_context(cannot)?;
        }
        Ok(Self { root: root.into(), stars, _lock: lock })
    }

    /// Replaces the result by the files that `write` makes in the folder it is given: by all of
    /// them, or by none.
    pub fn replace_result(&self, write: impl FnOnce(&Path) -> Result<()>) -> Result<()> {
        let making = self.root.join(IN_THE_MAKING);
        let cannot =
            || format!("{}: cannot be written; free space or choose another --out", self.root.display());
        interrupt::stop_here();
        std::fs::create_dir_all(&making).with_context(cannot)?;
        if let Err(error) = write(&making) {
            interrupt::stop_here();
            let _ = std::fs::remove_dir_all(&making);
            return Err(error);
        }
        let place = || {
            std::fs::rename(&making, self.root.join(MADE))?;
            put_in_place(&self.root)
        };
        interrupt::uncut(place).with_context(cannot)
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

/// Refuses a folder in which another run is at work.
fn only_run(root: &Path) -> Result<Option<File>> {
    let Ok(folder) = File::open(root) else { return Ok(None) };
    match folder.try_lock() {
        Ok(()) => Ok(Some(folder)),
        Err(TryLockError::WouldBlock) => anyhow::bail!(
            "{}: another run is at work in this folder; wait for its end or choose another --out",
            root.display()
        ),
        Err(TryLockError::Error(_)) => Ok(None),
    }
}

/// Moves the files of a result that holds to their places, the verdict last.
fn put_in_place(root: &Path) -> io::Result<()> {
    let made = root.join(MADE);
    if !made.is_dir() {
        return Ok(());
    }
    let mut names = std::fs::read_dir(&made)?
        .map(|entry| entry.map(|e| e.file_name()))
        .collect::<io::Result<Vec<_>>>()?;
    names.sort_by_key(|name| (name == VERDICT_JSON, name.clone()));
    for name in names {
        std::fs::rename(made.join(&name), root.join(&name))?;
    }
    std::fs::remove_dir(&made)?;
    // Where a folder cannot be synchronised the file system sees to it.
    let _ = File::open(root).and_then(|folder| folder.sync_all());
    Ok(())
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
        let folder = Folder { root: "out".into(), stars: "s".into(), _lock: None };
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

    fn content(root: &Path) -> Vec<(String, String)> {
        let files = std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_file());
        let mut all: Vec<_> = files
            .map(|p| (p.file_name().unwrap().to_string_lossy().into(), std::fs::read_to_string(p).unwrap()))
            .collect();
        all.sort();
        all
    }

    /// Killed at any step of its replacement, a result is the old one, or the next run makes it
    /// the new one before anything else.
    #[test]
    fn a_result_is_replaced_whole_or_not_at_all() {
        let names = ["a.txt", "b.txt", VERDICT_JSON];
        let result = |word: &str| names.map(|n| (n.to_string(), word.to_string())).to_vec();
        for moved in 0..=names.len() {
            let temporary = tempfile::tempdir().unwrap();
            let root = temporary.path();
            let write = |folder: &Path, word: &str| -> Result<()> {
                Ok(names.iter().try_for_each(|n| std::fs::write(folder.join(n), word))?)
            };
            let folder = Folder::prepare(root, false).unwrap();
            folder.replace_result(|f| write(f, "old")).unwrap();
            assert_eq!(content(root), result("old"));
            // Killed while it was made.
            std::fs::create_dir(root.join(IN_THE_MAKING)).unwrap();
            write(&root.join(IN_THE_MAKING), "half").unwrap();
            assert_eq!(content(root), result("old"));
            drop(folder);
            // Killed on its way to its place.
            let folder = Folder::prepare(root, true).unwrap();
            assert!(!root.join(IN_THE_MAKING).exists());
            std::fs::create_dir(root.join(MADE)).unwrap();
            write(&root.join(MADE), "new").unwrap();
            for name in &names[..moved] {
                std::fs::rename(root.join(MADE).join(name), root.join(name)).unwrap();
            }
            drop(folder);
            assert!(Folder::prepare(root, false).unwrap_err().is::<Usage>());
            assert_eq!(content(root), result("new"), "{moved} moved");
            assert!(!root.join(MADE).exists());
            // Not written to its end.
            let folder = Folder::prepare(root, true).unwrap();
            let failed = folder.replace_result(|f| {
                std::fs::write(f.join("a.txt"), "half").unwrap();
                anyhow::bail!("full")
            });
            assert!(failed.is_err());
            assert_eq!(content(root), result("new"));
        }
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn one_run_at_a_time() {
        let temporary = tempfile::tempdir().unwrap();
        let first = Folder::prepare(temporary.path(), false).unwrap();
        let second = Folder::prepare(temporary.path(), false).unwrap_err();
        assert!(second.to_string().contains("another run") && !second.is::<Usage>(), "{second}");
        drop(first);
        Folder::prepare(temporary.path(), false).unwrap();
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
