//! The file as bytes: read once, hashed, unpacked as it is read where it is gzipped.
//!
//! The FITS library is only ever given bytes in memory: it then has no file name to
//! interpret, no other file to fall back to, and sees what was checked.

#![allow(clippy::disallowed_methods, reason = "reads frames")]

use std::fs::File;
use std::io::{ErrorKind, Read, Seek};
use std::path::Path;

use super::error::FrameError;

/// Largest file, and largest unpacked file, that is accepted.
pub const MAX_FILE_BYTES: u64 = 4 << 30;

/// A gzipped file that unpacks to more times its size holds no frame, unless it is small.
const MAX_UNPACKING: u64 = 100;
const ALWAYS_UNPACKED: u64 = 1 << 28;

/// The first bytes of a gzipped file.
const GZIP: [u8; 2] = [0x1f, 0x8b];

/// Bytes of a FITS record.
pub const RECORD: usize = 2880;

/// A file in memory.
pub struct Source {
    /// Unpacked content.
    pub bytes: Vec<u8>,
    /// Bytes read; `bytes` can have padding behind them.
    length: usize,
    /// Of the file as it lies on disk, where that differs from `bytes`.
    packed: Option<blake3::Hash>,
}

impl Source {
    /// Reads a regular file and unpacks it if it is gzipped; `bytes` gives its memory.
    pub fn open(path: &Path, mut bytes: Vec<u8>) -> Result<Source, FrameError> {
        let failed = |e| FrameError::read(path, e);
        let about = std::fs::metadata(path).map_err(failed)?;
        if !about.is_file() {
            return Err(FrameError::NotAFile { path: path.into() });
        }
        if about.len() > MAX_FILE_BYTES {
            return Err(too_large(path, "its length in bytes", about.len().to_string(), MAX_FILE_BYTES));
        }
        let mut file = File::open(path).map_err(failed)?;
        bytes.clear();
        (&mut file).take(GZIP.len() as u64).read_to_end(&mut bytes).map_err(failed)?;
        if bytes == GZIP {
            file.rewind().map_err(failed)?;
            return unpack(path, file, about.len(), bytes);
        }
        // One byte more, so that the end is met without growing; where memory is short, reading says so.
        let _ = bytes.try_reserve_exact(about.len() as usize + 1);
        // A file may grow while it is read.
        file.take(MAX_FILE_BYTES).read_to_end(&mut bytes).map_err(failed)?;
        if bytes.len() as u64 > MAX_FILE_BYTES {
            let grown = format!("more than {MAX_FILE_BYTES}, and growing");
            return Err(too_large(path, "its length in bytes", grown, MAX_FILE_BYTES));
        }
        Ok(Source { length: bytes.len(), bytes, packed: None })
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

    /// BLAKE3 of the file as it lies on disk, hex.
    pub fn blake3(&self) -> String {
        self.packed.unwrap_or_else(|| blake3::hash(&self.bytes[..self.length])).to_hex().to_string()
    }
}

/// The content of a gzipped file of so many bytes, which are hashed and unpacked as they are read.
fn unpack(path: &Path, file: File, length: u64, mut bytes: Vec<u8>) -> Result<Source, FrameError> {
    let most = MAX_FILE_BYTES.min((MAX_UNPACKING * length).max(ALWAYS_UNPACKED));
    let hashed = Hashed { file: file.take(MAX_FILE_BYTES), hash: blake3::Hasher::new() };
    let mut decoder = flate2::read::MultiGzDecoder::new(hashed);
    bytes.clear();
    match (&mut decoder).take(most + 1).read_to_end(&mut bytes) {
        Ok(unpacked) if unpacked as u64 > most => {
            Err(too_large(path, "its unpacked length in bytes", format!("over {most}"), most))
        }
        Ok(length) => Ok(Source { bytes, length, packed: Some(decoder.into_inner().hash.finalize()) }),
        Err(e) => match e.kind() {
            ErrorKind::InvalidInput | ErrorKind::InvalidData | ErrorKind::UnexpectedEof => {
                Err(FrameError::Gzip { path: path.into(), bytes: bytes.len(), reason: e.to_string() })
            }
            _ => Err(FrameError::read(path, e)),
        },
    }
}

fn too_large(path: &Path, what: &str, value: String, limit: u64) -> FrameError {
    FrameError::TooLarge { path: path.into(), what: what.into(), value, limit }
}

/// A file that is hashed as it is read.
struct Hashed {
    file: std::io::Take<File>,
    hash: blake3::Hasher,
}

impl Read for Hashed {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let count = self.file.read(buffer)?;
        self.hash.update(&buffer[..count]);
        Ok(count)
    }
}

/// Notes what a file lacks to `end`, where its last extension ends with its padding.
pub fn lacks_padding(end: usize, length: usize, notes: &mut Vec<String>) -> bool {
    let missing = end.saturating_sub(length);
    if missing > 0 {
        notes.push(format!("The file lacks {missing} bytes of padding at its end; its data are all there."));
    }
    missing > 0
}
