//! How wide the stars of a table are, from its header alone: what judging asks of all tables before it reads one.

use std::io::Read;
use std::path::Path;

use super::StarTable;
use crate::frame::card::{CARD, Header, is_end};
use crate::frame::source::RECORD;

/// More records than the headers of a star table have.
const MOST_RECORDS: usize = 256;

/// Widths of the stars of one exposure, `√(T/2)` of the pixel-convolved image, pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Widths {
    pub sigma_pixels: Option<f64>,
    /// Along the narrowest axis.
    pub narrowest_sigma_pixels: Option<f64>,
}

impl StarTable {
    pub fn widths(&self) -> Widths {
        let Self { sigma_pixels, narrowest_sigma_pixels, .. } = *self;
        Widths { sigma_pixels, narrowest_sigma_pixels }
    }
}

/// Of the star table in this file; `None` where its header cannot be read, which [`super::read`] tells more of.
pub fn read_widths(path: &Path) -> Option<Widths> {
    // A pipe would keep us waiting, and a device has no end.
    let mut file = std::fs::metadata(path).ok()?.is_file().then(|| std::fs::File::open(path).ok())??;
    let ends = |record: &[u8]| record.chunks_exact(CARD).any(is_end);
    let mut header = Vec::new();
    let mut primary = true;
    for _ in 0..MOST_RECORDS {
        let mut record = [0; RECORD];
        file.read_exact(&mut record).ok()?;
        match (primary, ends(&record)) {
            // The primary is nothing but a header.
            (true, ended) => primary = !ended,
            (false, false) => header.extend(record),
            (false, true) => {
                header.extend(record);
                let header = Header::parse(&header);
                let width = |key: &str| header.number(key).filter(|width| *width > 0.0);
                return Some(Widths {
                    sigma_pixels: width("PSFSIGMA"),
                    narrowest_sigma_pixels: width("PSFMINOR"),
                });
            }
        }
    }
    None
}
