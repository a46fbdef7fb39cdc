//! The file as bytes: read once, hashed, unpacked where it is gzipped.
//!
//! The FITS library is only ever given bytes in memory: it then has no file name to
//! interpret, no other file to fall back to, and sees what was checked.

#![allow(clippy::disallowed_methods, reason = "reads frames")]

use std::io::Read;
use std::path::Path;

use super::error::FrameError;

/// Largest file, and largest unpacked file, that is accepted.
pub const MAX_FILE_BYTES: u64 = 4 << 30;

/// A gzipped file that unpacks to more times its size holds no frame, unless it is small.
const MAX_UNPACKING: u64 = 100;
const ALWAYS_UNPACKED: u64 = 1 << 28;

/// Bytes of a FITS record.
pub const RECORD: usize = 2880;

/// A file may grow while it is read.
fn read_up_to(path: &Path, most: u64, bytes: &mut Vec<u8>) -> std::io::Result<()> {
    let file = std::fs::File::open(path)?;
    // One byte more, so that the end is met without growing; where memory is short, reading says so.
    let _ = bytes.try_reserve_exact(file.metadata()?.len().min(most) as usize + 1);
    file.take(most).read_to_end(bytes)?;
    Ok(())
}

/// A file in memory.
pub struct Source {
    /// Unpacked content.
    pub bytes: Vec<u8>,
    /// Bytes read; `bytes` can have padding behind them.
    length: usize,
    /// The file as it lies on disk, where that differs from `bytes`.
    packed: Option<Vec<u8>>,
}

impl Source {
    /// Reads a regular file and unpacks it if it is gzipped; `bytes` gives its memory.
    pub fn open(path: &Path, mut bytes: Vec<u8>) -> Result<Source, FrameError> {
        let about = std::fs::metadata(path).map_err(|e| FrameError::read(path, e))?;
        if !about.is_file() {
            return Err(FrameError::NotAFile { path: path.into() });
        }
        let too_large = |bytes: String| FrameError::TooLarge {
            path: path.into(),
            what: "its length in bytes".into(),
            value: bytes,
            limit: MAX_FILE_BYTES,
        };
        if about.len() > MAX_FILE_BYTES {
            return Err(too_large(about.len().to_string()));
        }
        bytes.clear();
        read_up_to(path, MAX_FILE_BYTES + 1, &mut bytes).map_err(|e| FrameError::read(path, e))?;
        if bytes.len() as u64 > MAX_FILE_BYTES {
            return Err(too_large(format!("more than {MAX_FILE_BYTES}, and growing")));
        }
        if !bytes.starts_with(&[0x1f, 0x8b]) {
            return Ok(Source { length: bytes.len(), bytes, packed: None });
        }
        let most = MAX_FILE_BYTES.min((MAX_UNPACKING * bytes.len() as u64).max(ALWAYS_UNPACKED));
        let mut unpacked = Vec::new();
        let mut reader = flate2::read::MultiGzDecoder::new(&bytes[..]).take(most + 1);
        match reader.read_to_end(&mut unpacked) {
            Ok(n) if n as u64 > most => Err(FrameError::TooLarge {
                path: path.into(),
                what: "its unpacked length in bytes".into(),
                value: format!("over {most}"),
                limit: most,
            }),
            Ok(length) => Ok(Source { bytes: unpacked, length, packed: Some(bytes) }),
            Err(e) => {
                Err(FrameError::Gzip { path: path.into(), bytes: unpacked.len(), reason: e.to_string() })
            }
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

    /// BLAKE3 of the file as it lies on disk, hex.
    pub fn blake3(&self) -> String {
        let file = self.packed.as_deref().unwrap_or(&self.bytes[..self.length]);
        blake3::hash(file).to_hex().to_string()
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
