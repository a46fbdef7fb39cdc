//! What a watch has done so far, on disk: `watch.jsonl` in its output folder. A line is added
//! for each file when it was spoken of, so that a watch that was killed goes on where it was.

#![allow(clippy::disallowed_methods, reason = "owns the journal")]

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Seek, Write};
use std::path::Path;

use anyhow::{Context, Result};
use serde::{Deserialize, Serialize};

use super::Usage;
use super::arrivals::Stamp;

pub const JOURNAL: &str = "watch.jsonl";
const SCHEMA: &str = "stackworthy/watch/1";

/// The first line: what all others hold for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Heading {
    pub schema: String,
    pub version: String,
    /// The folder that is watched.
    pub folder: String,
    /// Of the settings that bear on the measurement.
    pub settings_sha256: String,
}

impl Heading {
    pub fn new(folder: &str, settings_sha256: String) -> Self {
        let version = env!("CARGO_PKG_VERSION").into();
        Self { schema: SCHEMA.into(), version, folder: folder.into(), settings_sha256 }
    }
}

/// A file that was spoken of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    pub path: String,
    #[serde(flatten)]
    pub stamp: Stamp,
    /// Its star table, in the sub-folder stars; none where the file is not in the stack.
    pub table: Option<String>,
    /// Why the file gave no star table.
    pub unreadable: Option<String>,
}

#[derive(Debug)]
pub struct Journal {
    file: File,
}

impl Journal {
    /// Opens the journal in `root`, held against a second watch. Gives the records of an
    /// earlier watch of the same folder under the same settings and version; under others all
    /// frames are measured again, and the journal begins anew. That of another folder is
    /// refused unless `again`.
    pub fn open(root: &Path, heading: &Heading, again: bool) -> Result<(Self, Vec<Record>)> {
        let path = root.join(JOURNAL);
        let cannot = || format!("{}: cannot be written; choose another --out", path.display());
        let mut options = OpenOptions::new();
        let mut file = options.read(true).append(true).create(true).open(&path).with_context(cannot)?;
        if file.try_lock().is_err() {
            anyhow::bail!(Usage(format!(
                "another watch writes into {}; choose another --out",
                root.display()
            )));
        }
        let (before, records, ends) = read(&file).with_context(cannot)?;
        if let Some(other) = before.as_ref().filter(|b| b.folder != heading.folder && !again) {
            anyhow::bail!(Usage(format!(
                "{} belongs to a watch of {}; choose another --out, or begin anew with --again",
                root.display(),
                other.folder
            )));
        }
        if before.as_ref() == Some(heading) {
            if !ends {
                file.write_all(b"\n").with_context(cannot)?;
            }
            return Ok((Self { file }, records));
        }
        file.set_len(0).with_context(cannot)?;
        file.rewind().with_context(cannot)?;
        let mut journal = Self { file };
        journal.put(heading).with_context(cannot)?;
        Ok((journal, Vec::new()))
    }

    pub fn add(&mut self, record: &Record) -> Result<()> {
        self.put(record).context("the journal of the watch cannot be written; free space")
    }

    fn put(&mut self, line: &impl Serialize) -> std::io::Result<()> {
        let text = serde_json::to_string(line)? + "\n";
        self.file.write_all(text.as_bytes())
    }
}

/// Heading, the last record of each file in the order of their lines, and whether the last
/// line is whole. A line that does not read, cut off by a kill, is passed over.
fn read(file: &File) -> std::io::Result<(Option<Heading>, Vec<Record>, bool)> {
    let (mut heading, mut records, mut ends) = (None, Vec::<Record>::new(), true);
    let (mut reader, mut line) = (BufReader::new(file), Vec::new());
    while reader.read_until(b'\n', &mut line)? > 0 {
        ends = line.ends_with(b"\n");
        match heading {
            None => heading = Some(serde_json::from_slice(&line).ok()),
            Some(_) => records.extend(serde_json::from_slice::<Record>(&line)),
        }
        line.clear();
    }
    let mut seen = std::collections::HashSet::new();
    records.reverse();
    records.retain(|r| seen.insert(r.path.clone()));
    records.reverse();
    Ok((heading.flatten(), records, ends))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn record(path: &str, bytes: u64) -> Record {
        let table = Some(format!("{path}.fits"));
        Record { path: path.into(), stamp: Stamp { bytes, changed_ns: 1 }, table, unreadable: None }
    }

    #[test]
    fn what_was_done_is_known_after_a_kill_in_the_middle_of_a_line() {
        let folder = tempfile::tempdir().unwrap();
        let heading = Heading::new("d", "s".into());
        let open = |heading: &Heading, again| Journal::open(folder.path(), heading, again);
        let (mut journal, records) = open(&heading, false).unwrap();
        assert!(records.is_empty());
        assert!(open(&heading, false).unwrap_err().is::<Usage>(), "held by the first");
        for (path, bytes) in [("a", 1), ("b", 2), ("a", 3)] {
            journal.add(&record(path, bytes)).unwrap();
        }
        journal.file.write_all(b"{\"path\":\"c").unwrap();
        drop(journal);
        let (mut journal, records) = open(&heading, false).unwrap();
        assert_eq!(records, [record("b", 2), record("a", 3)]);
        journal.add(&record("c", 4)).unwrap();
        drop(journal);
        assert_eq!(open(&heading, false).unwrap().1.len(), 3);
        // Another folder is refused; other settings, and --again, begin anew.
        let other = Heading::new("e", "s".into());
        assert!(open(&other, false).unwrap_err().is::<Usage>());
        assert!(open(&other, true).unwrap().1.is_empty());
        assert!(open(&Heading::new("e", "t".into()), false).unwrap().1.is_empty());
    }
}
