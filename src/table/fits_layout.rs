//! The layout of a FITS file of binary tables and its checksums, looked at without the
//! library.

#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::c_char;
use std::ops::Range;

use fitsio::sys;

use super::fits_columns;
use super::fits_table::FitsTableError;
use crate::frame::card::Header;
use crate::frame::raw_header::{contradiction, mandatory_fault};

type Result<T> = std::result::Result<T, FitsTableError>;

const BLOCK: usize = 2880;
const CARD: usize = 80;

/// FITS checksum arithmetic: 32-bit ones'-complement sum of big-endian words (FITS
/// 4.0, appendix J). An HDU that carries a right CHECKSUM sums to all ones, and so
/// does a file of such HDUs.
pub(super) fn ones_complement_sum(bytes: &[u8]) -> u32 {
    let mut sum: u64 = 0;
    for word in bytes.chunks_exact(4) {
        sum += u64::from(u32::from_be_bytes([word[0], word[1], word[2], word[3]]));
    }
    while sum >> 32 != 0 {
        sum = (sum & 0xffff_ffff) + (sum >> 32);
    }
    sum as u32
}

/// Walks the headers before the library sees them, for it trusts what they say:
/// the primary must be empty and every extension a binary table that fits into the
/// file and is what its columns say. Gives the place of each HDU, the primary first.
pub(super) fn look_at_layout(bytes: &[u8]) -> Result<Vec<Range<usize>>> {
    if !bytes.starts_with(b"SIMPLE  =                    T") {
        return Err(FitsTableError::NotFits);
    }
    let layout = |what: &str| FitsTableError::Layout { what: what.into() };
    let (mut at, mut hdus) = (0, Vec::new());
    while at < bytes.len() {
        let header = &bytes[at..];
        let cards = header
            .chunks_exact(CARD)
            .position(|c| c.starts_with(b"END     "))
            .ok_or_else(|| layout("a header without END"))?;
        let raw = &header[..cards * CARD];
        let header = Header::parse(raw);
        if let Some((card, value, limit)) = mandatory_fault(&header, raw) {
            return Err(layout(&format!("{card} is {value}, but {limit}")));
        }
        if let Some((key, value)) = contradiction(&header) {
            return Err(layout(&format!("{key} is {value}")));
        }
        let number = |key: &str| header.integer(key).and_then(|n| u64::try_from(n).ok());
        let data = if at == 0 {
            if number("NAXIS") != Some(0) {
                return Err(layout("the primary holds an image"));
            }
            0
        } else {
            if header.text("XTENSION") != Some("BINTABLE") || number("NAXIS") != Some(2) {
                return Err(layout("an extension that is no binary table"));
            }
            ["NAXIS1", "NAXIS2", "PCOUNT"]
                .map(number)
                .into_iter()
                .collect::<Option<Vec<u64>>>()
                .and_then(|n| n[0].checked_mul(n[1])?.checked_add(n[2]))
                .ok_or_else(|| layout("NAXIS1, NAXIS2 or PCOUNT is missing"))?
        };
        let blocks = |n: usize| n.div_ceil(BLOCK) * BLOCK;
        let end = at + blocks((cards + 1) * CARD);
        if data > (bytes.len() as u64).saturating_sub(end as u64) || end > bytes.len() {
            return Err(layout("it ends before its last table does"));
        }
        let next = end + blocks(data as usize);
        if next > bytes.len() {
            return Err(layout("it ends before its last table does"));
        }
        if at > 0 {
            fits_columns::check(&header, &bytes[end..end + data as usize]).map_err(|what| layout(&what))?;
        }
        hdus.push(at..next);
        at = next;
    }
    Ok(hdus)
}

/// The library dates its checksums. Without the dates the same tables always give the
/// same bytes; the checksum is made anew by the library's own encoding.
pub(super) fn take_dates_out(hdu: &mut [u8]) {
    let mut checksum_at = None;
    for (i, card) in hdu.chunks_exact_mut(CARD).enumerate() {
        let is_checksum = card.starts_with(b"CHECKSUM= '");
        if (is_checksum || card.starts_with(b"DATASUM = '"))
            && let Some(comment) = card.windows(3).position(|w| w == b" / ")
        {
            card[comment..].fill(b' ');
        }
        if is_checksum {
            card[11..27].fill(b'0');
            checksum_at = Some(i * CARD + 11);
        }
        if card.starts_with(b"END     ") {
            break;
        }
    }
    let Some(at) = checksum_at else { return };
    let mut encoded = [0 as c_char; 17];
    // SAFETY: the library writes sixteen letters and a zero.
    unsafe { sys::ffesum(ones_complement_sum(hdu).into(), 1, encoded.as_mut_ptr()) };
    for (place, letter) in hdu[at..at + 16].iter_mut().zip(encoded) {
        *place = letter as u8;
    }
}
