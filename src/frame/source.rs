//! The file as bytes: read once, hashed, unpacked as it is read where it is gzipped.
//!
//! The FITS library is only ever given bytes in memory: it then has no file name to
//! interpret, no other file to fall back to, and sees what was checked.

#![allow(clippy::disallowed_methods, reason = "reads frames")]

use std::fs::File;
use std::io::{ErrorKind, Read, Seek};
use std::path::Path;

use super::error::FrameError;
use super::hash::FrameHash;

/// Largest file, and largest unpacked file, that is accepted.
pub const MAX_FILE_BYTES: u64 = 4 << 30;

/// A gzipped file that unpacks to more times its size holds no frame, unless it is small.
pub const MAX_UNPACKING: u64 = 100;
const ALWAYS_UNPACKED: u64 = 1 << 28;

/// The first bytes of a gzipped file.
const GZIP: [u8; 2] = [0x1f, 0x8b];

/// Bytes of a FITS record.
pub const RECORD: usize = 2880;

/// What a regular file holds, unpacked where it is gzipped; the file is hashed as it is read.
pub enum Content {
    Plain(Hashed),
    Packed(Box<flate2::read::MultiGzDecoder<Hashed>>),
}

impl Content {
    /// With the file's length.
    pub fn open(path: &Path) -> Result<(Self, u64), FrameError> {
        let failed = |e| FrameError::read(path, e);
        let about = std::fs::metadata(path).map_err(failed)?;
        if !about.is_file() {
            return Err(FrameError::NotAFile { path: path.into() });
        }
        if about.len() > MAX_FILE_BYTES {
            return Err(too_large(path, "its length in bytes", about.len().to_string(), MAX_FILE_BYTES));
        }
        let mut file = File::open(path).map_err(failed)?;
        let mut start = Vec::new();
        (&mut file).take(GZIP.len() as u64).read_to_end(&mut start).map_err(failed)?;
        file.rewind().map_err(failed)?;
        // A file may grow while it is read.
        let hashed = Hashed { file: file.take(MAX_FILE_BYTES + 1), hash: Box::default() };
        let is_packed = start == GZIP;
        let packed = |hashed| Self::Packed(Box::new(flate2::read::MultiGzDecoder::new(hashed)));
        Ok((if is_packed { packed(hashed) } else { Self::Plain(hashed) }, about.len()))
    }

    pub fn is_packed(&self) -> bool {
        matches!(self, Self::Packed(_))
    }

    /// Most bytes that a file of this length may hold.
    pub fn most(&self, length: u64) -> u64 {
        match self {
            Self::Plain(_) => MAX_FILE_BYTES,
            Self::Packed(_) => MAX_FILE_BYTES.min((MAX_UNPACKING * length).max(ALWAYS_UNPACKED)),
        }
    }

    /// XXH3 of what was read of the file, hex.
    pub fn xxh3(self) -> String {
        let hashed = match self {
            Self::Plain(hashed) => hashed,
            Self::Packed(decoder) => decoder.into_inner(),
        };
        hashed.hash.hex()
    }

    /// Why reading failed behind so many bytes.
    fn failed(&self, path: &Path, bytes: usize, error: std::io::Error) -> FrameError {
        match (self, error.kind()) {
            (
                Self::Packed(_),
                ErrorKind::InvalidInput | ErrorKind::InvalidData | ErrorKind::UnexpectedEof,
            ) => FrameError::Gzip { path: path.into(), bytes, reason: error.to_string() },
            _ => FrameError::read(path, error),
        }
    }
}

impl Read for Content {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        match self {
            Self::Plain(hashed) => hashed.read(buffer),
            Self::Packed(decoder) => decoder.read(buffer),
        }
    }
}

/// A file that is hashed as it is read.
pub struct Hashed {
    file: std::io::Take<File>,
    hash: Box<FrameHash>,
}

impl Read for Hashed {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.hash.add(&buffer[..count]);
        Ok(count)
    }
}

/// A file in memory.
pub struct Source {
    /// Unpacked content.
    pub bytes: Vec<u8>,
    /// Bytes read; `bytes` can have padding behind them.
    length: usize,
    /// XXH3 of the file as it lies on disk, hex.
    pub xxh3: String,
}

impl Source {
    /// Reads a regular file and unpacks it if it is gzipped; `bytes` gives its memory.
    pub fn open(path: &Path, mut bytes: Vec<u8>) -> Result<Source, FrameError> {
        let (mut content, length) = Content::open(path)?;
        let most = content.most(length);
        bytes.clear();
        if !content.is_packed() {
            // One byte more, so that the end is met without growing; where memory is short, reading says so.
            let _ = bytes.try_reserve_exact(length as usize + 1);
        }
        match (&mut content).take(most + 1).read_to_end(&mut bytes) {
            Ok(read) if read as u64 > most && content.is_packed() => {
                Err(too_large(path, "its unpacked length in bytes", format!("over {most}"), most))
            }
            Ok(read) if read as u64 > most => {
                Err(too_large(path, "its length in bytes", format!("more than {most}, and growing"), most))
            }
            Ok(length) => Ok(Source { bytes, length, xxh3: content.xxh3() }),
            Err(e) => Err(content.failed(path, bytes.len(), e)),
        }
    }

    /// Makes the content reach to `end`, where its last extension ends with its padding.
    pub fn fit(&mut self, end: usize, notes: &mut Vec<String>) {
        if lacks_padding(end, self.length, notes) {
            self.bytes.resize(end, 0);
        }
        if self.bytes[end..].iter().any(|b| *b != 0) {
            let behind = self.length - end;
            notes.push(format!("{behind} bytes behind the last extension are no FITS and were passed over."));
        }
    }
}

fn too_large(path: &Path, what: &str, value: String, limit: u64) -> FrameError {
    FrameError::TooLarge { path: path.into(), what: what.into(), value, limit }
}

/// Notes what a file lacks to `end`, where its last extension ends with its padding.
pub fn lacks_padding(end: usize, length: usize, notes: &mut Vec<String>) -> bool {
    let missing = end.saturating_sub(length);
    if missing > 0 {
        notes.push(format!("The file lacks {missing} bytes of padding at its end; its data are all there."));
    }
    missing > 0
}
