//! Frames to star tables, in parallel, each frame dropped once it is measured; tables
//! that are there already and unchanged are taken up.

#![allow(clippy::disallowed_methods, reason = "hashes frames and removes stale tables")]

use std::io::Read;
use std::path::Path;

use anyhow::Result;
use rayon::prelude::*;

use super::common::Common;
use super::folder::Folder;
use super::interrupt;
use crate::frame::hash::FrameHash;
use crate::frame::source::MAX_FILE_BYTES;
use crate::frame::{Space, read_frame_with};
use crate::measure::measure_frame;
use crate::settings::Settings;
use crate::table::{self, Share, StarTable};

/// What became of the frames, in their order.
#[derive(Debug, Default)]
pub struct Measured {
    pub tables: Vec<StarTable>,
    /// Path as given, and why it could not be measured.
    pub unreadable: Vec<(String, String)>,
    pub taken_up: usize,
}

pub enum Outcome {
    TakenUp(StarTable),
    New(StarTable),
    Unreadable(String, String),
}

/// Measures every frame into its star table. A frame that cannot be read is listed as
/// such; only a table that cannot be written ends the run.
pub fn measure_all(
    frames: &[String],
    folder: &Folder,
    settings: &Settings,
    common: &Common,
) -> Result<Measured> {
    let hash = settings.measurement_sha256();
    let paths = folder.table_paths(frames);
    let bar = common.progress("measuring", frames.len());
    let share = Share::of_one_in(frames.len());
    let work = || {
        let one = |space: &mut Space, (frame, path): (&String, &std::path::PathBuf)| {
            let outcome = measure_one(frame, path, settings, &hash, share, space);
            bar.inc(1);
            outcome
        };
        frames.par_iter().zip(&paths).map_init(Space::default, one).collect::<Result<Vec<Outcome>>>()
    };
    let outcomes = common.in_pool(work)??;
    bar.finish_and_clear();
    let mut measured = Measured::default();
    for outcome in outcomes {
        match outcome {
            Outcome::TakenUp(table) => {
                measured.taken_up += 1;
                measured.tables.push(table);
            }
            Outcome::New(table) => measured.tables.push(table),
            Outcome::Unreadable(frame, why) => measured.unreadable.push((frame, why)),
        }
    }
    Ok(measured)
}

/// One frame into its star table, or why not. What judging does not need is left on disk.
pub fn measure_one(
    frame: &str,
    path: &Path,
    settings: &Settings,
    hash: &str,
    share: Share,
    space: &mut Space,
) -> Result<Outcome> {
    if let Some(mut table) = take_up(frame, path, hash)? {
        table.lighten(share);
        return Ok(Outcome::TakenUp(table));
    }
    let measured =
        read_frame_with(Path::new(frame), settings, space).map_err(anyhow::Error::from).and_then(|read| {
            let table = measure_frame(&read, frame, settings, hash);
            space.take_back(read);
            Ok(table?)
        });
    match measured {
        Ok(mut table) => {
            table.file = frame.into();
            interrupt::stop_here();
            table::write(&table, path)?;
            table.lighten(share);
            Ok(Outcome::New(table))
        }
        Err(error) => {
            // A table of what the frame was before must not be judged in its place.
            let _ = std::fs::remove_file(path);
            Ok(Outcome::Unreadable(frame.into(), format!("{error:#}")))
        }
    }
}

/// The table of an earlier run, where frame, settings and version are the same.
fn take_up(frame: &str, path: &Path, hash: &str) -> Result<Option<StarTable>> {
    // A table that does not read is made anew.
    let Ok(mut table) = table::read(path) else { return Ok(None) };
    if table.settings_sha256 != hash || table.version != env!("CARGO_PKG_VERSION") {
        return Ok(None);
    }
    if xxh3_of_file(frame).ok().as_deref() != Some(table.frame_xxh3.as_str()) {
        return Ok(None);
    }
    if table.file != frame {
        table.file = frame.into();
        table::write(&table, path)?;
    }
    Ok(Some(table))
}

/// XXH3, hex, of a file as it lies on disk.
fn xxh3_of_file(path: &str) -> std::io::Result<String> {
    // A pipe would keep us waiting, and a device has no end.
    if !std::fs::metadata(path)?.is_file() {
        return Err(std::io::ErrorKind::InvalidInput.into());
    }
    let mut file = std::fs::File::open(path)?.take(MAX_FILE_BYTES);
    let (mut hasher, mut buffer) = (FrameHash::default(), vec![0; 1 << 18]);
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            n => hasher.add(&buffer[..n]),
        }
    }
    Ok(hasher.hex())
}
