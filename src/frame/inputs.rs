//! From what the command line names to a list of files.

#![allow(clippy::disallowed_methods, reason = "lists folders")]

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use super::error::FrameError;

/// Files, folders and patterns as a list of paths, without repeats.
///
/// A named file stays as given, also where it does not exist: reading it will tell. A
/// folder stands for the FITS files directly inside, by name, sorted. A pattern
/// (`*`, `?`, `[...]`) stands for what it matches, sorted; a folder it matches for its
/// files. Refused: a path with a line break or that is not UTF-8 (a keep list could not
/// hold it), and a folder or pattern with no FITS file.
pub fn expand_inputs(inputs: &[String]) -> Result<Vec<String>, FrameError> {
    let mut list = Vec::new();
    for input in inputs {
        list.extend(expand(input)?);
    }
    if let Some(name) = list.iter().find(|n| n.contains(['\n', '\r'])) {
        return Err(FrameError::LineBreak { name: name.clone() });
    }
    let mut seen = HashSet::new();
    list.retain(|name| seen.insert(std::fs::canonicalize(name).unwrap_or_else(|_| PathBuf::from(name))));
    Ok(list)
}

fn expand(input: &str) -> Result<Vec<String>, FrameError> {
    let path = Path::new(input);
    if input.contains(['\n', '\r']) {
        return Err(FrameError::LineBreak { name: input.into() });
    }
    if path.is_dir() {
        return nonempty(input, folder(path)?);
    }
    if path.exists() || !input.contains(['*', '?', '[']) {
        return Ok(vec![input.to_string()]);
    }
    let fault = |e: glob::PatternError| FrameError::Pattern { name: input.into(), reason: e.msg.into() };
    let mut list = Vec::new();
    // As in a shell, a hidden file must be named.
    let options = glob::MatchOptions { require_literal_leading_dot: true, ..Default::default() };
    for found in glob::glob_with(input, options).map_err(fault)? {
        let found = found.map_err(|e| FrameError::read(e.path(), std::io::Error::from(e.error().kind())))?;
        match found.is_dir() {
            true => list.extend(folder(&found)?),
            false => list.push(utf8(&found)?),
        }
    }
    nonempty(input, list)
}

fn nonempty(input: &str, list: Vec<String>) -> Result<Vec<String>, FrameError> {
    if list.is_empty() { Err(FrameError::NothingFound { name: input.into() }) } else { Ok(list) }
}

/// The FITS files directly inside a folder, sorted.
fn folder(path: &Path) -> Result<Vec<String>, FrameError> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(path).map_err(|e| FrameError::read(path, e))? {
        let file = entry.map_err(|e| FrameError::read(path, e))?.path();
        if has_fits_extension(&file) && !file.is_dir() {
            files.push(utf8(&file)?);
        }
    }
    files.sort();
    Ok(files)
}

/// `.fits`, `.fit`, `.fts`, `.fz`, or one of them with `.gz` or `.fz` behind, in any case; a
/// hidden file is none.
pub fn has_fits_extension(path: &Path) -> bool {
    let name = path.file_name().map(|n| n.to_string_lossy().to_lowercase()).unwrap_or_default();
    let plain = name.strip_suffix(".gz").unwrap_or(&name);
    !name.starts_with('.') && [".fits", ".fit", ".fts", ".fz"].iter().any(|e| plain.ends_with(e))
}

fn utf8(path: &Path) -> Result<String, FrameError> {
    let name = path.to_str().map(str::to_string);
    name.ok_or_else(|| FrameError::NotUtf8 { name: path.to_string_lossy().into_owned() })
}
