//! The structure of a FITS file, read and checked from its bytes before the FITS
//! library sees them: a header it would trip over never reaches it.
//!
//! FITS Standard 4.0 (2018), sections 3 and 4; tile compression, section 10.

use std::path::Path;

use super::card::{CARD, Header, is_end};
use super::error::FrameError;
use super::source::RECORD;

/// Most axes of an array. The standard allows 999, at which the library fails.
pub const MAX_AXES: usize = 9;
/// Most pixels of a frame.
pub const MAX_PIXELS: u64 = 1 << 28;
/// Most pixels along an axis of a frame.
pub const MAX_SIDE: u64 = 1 << 20;
/// Most header-data units of a file.
pub const MAX_HDUS: usize = 1000;
/// Most columns of a table.
pub const MAX_COLUMNS: i64 = 999;
/// Most records of one header.
const MAX_HEADER_RECORDS: usize = 4096;

/// What an extension holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Image,
    /// An image in compressed tiles, kept in a binary table.
    Tiles,
    Other,
}

/// One header-data unit.
#[derive(Debug, Clone)]
pub struct Hdu {
    /// 0 is the primary.
    pub index: usize,
    pub header: Header,
    pub kind: Kind,
    /// Of the image, uncompressed.
    pub bitpix: i64,
    /// Of the image, uncompressed; axis 1 first.
    pub axes: Vec<u64>,
    /// Where the data begin in the file.
    pub data_start: usize,
    pub data_bytes: usize,
}

impl Hdu {
    pub fn name(&self) -> Option<&str> {
        self.header.text("EXTNAME").filter(|n| *n != "COMPRESSED_IMAGE")
    }

    /// `(width, height)` where the array has two axes, axes of length one aside.
    pub fn plane(&self) -> Option<(usize, usize)> {
        if self.kind == Kind::Other || self.axes.len() < 2 {
            return None;
        }
        let further = self.axes[2..].iter().all(|&n| n == 1);
        (further && self.axes[0] > 0 && self.axes[1] > 0)
            .then_some((self.axes[0] as usize, self.axes[1] as usize))
    }

    /// `1 (SCI)`
    pub fn label(&self) -> String {
        match self.name() {
            Some(name) => format!("{} ({name})", self.index),
            None => self.index.to_string(),
        }
    }

    /// `650 x 500`
    pub fn axes_text(&self) -> String {
        let axes: Vec<String> = self.axes.iter().map(u64::to_string).collect();
        if axes.is_empty() { "none".into() } else { axes.join(" x ") }
    }
}

/// Every header-data unit of a file, each checked against the length of the file.
///
/// Also gives where the last one ends with its padding, which may be beyond the file.
pub fn walk(path: &Path, bytes: &[u8]) -> Result<(Vec<Hdu>, usize), FrameError> {
    check_start(path, bytes)?;
    let mut hdus = Vec::new();
    let mut at = 0;
    while at == 0 || bytes.get(at..at + 8) == Some(b"XTENSION") {
        if hdus.len() == MAX_HDUS {
            return Err(FrameError::TooLarge {
                path: path.into(),
                what: "the number of extensions".into(),
                value: format!("more than {MAX_HDUS}"),
                limit: MAX_HDUS as u64,
            });
        }
        let hdu = read_hdu(path, bytes, at, hdus.len(), bytes.len())?;
        at = round_up(hdu.data_start + hdu.data_bytes);
        hdus.push(hdu);
    }
    Ok((hdus, at))
}

/// The first header-data unit of a file of this length, from the bytes that hold its header.
pub fn first(path: &Path, head: &[u8], length: usize) -> Result<Hdu, FrameError> {
    check_start(path, head)?;
    read_hdu(path, head, 0, 0, length)
}

fn check_start(path: &Path, bytes: &[u8]) -> Result<(), FrameError> {
    if bytes.starts_with(b"SIMPLE  =") {
        return Ok(());
    }
    let found = String::from_utf8_lossy(&bytes[..bytes.len().min(9)]).into_owned();
    Err(FrameError::NotFits { path: path.into(), found })
}

fn round_up(bytes: usize) -> usize {
    bytes.div_ceil(RECORD) * RECORD
}

/// The header at `at`, and the extent of its data in a file of this length.
fn read_hdu(path: &Path, bytes: &[u8], at: usize, index: usize, length: usize) -> Result<Hdu, FrameError> {
    let end = find_end(path, bytes, at, index)?;
    let header = Header::parse(&bytes[at..end]);
    let bad = |card: &str, value: String, limit: &str| FrameError::card(path, index, card, value, limit);
    let shown = |card: &str| header.card(card).map_or("missing".into(), |c| c.value.clone());

    if let Some((card, value, limit)) = mandatory_fault(&header, &bytes[at..end]) {
        return Err(bad(&card, value, &limit));
    }
    if let Some((card, value)) = contradiction(&header) {
        return Err(bad(&card, value, "it may have one value only"));
    }
    let bitpix = bitpix(path, index, &header, "BITPIX")?;
    let axes = axes(path, index, &header, "NAXIS")?;
    let count = |card: &str, missing: u64| match header.card(card) {
        None => Ok(missing),
        Some(_) => header
            .integer(card)
            .and_then(|v| u64::try_from(v).ok())
            .ok_or_else(|| bad(card, shown(card), "it must be a whole number, zero or more")),
    };
    let (parameters, groups) = (count("PCOUNT", 0)?, count("GCOUNT", 1)?);
    let random_groups = index == 0 && axes.first() == Some(&0) && header.text("GROUPS") == Some("T");
    let elements = match (axes.is_empty(), random_groups) {
        (true, _) => Some(0),
        (_, true) => axes[1..].iter().try_fold(1u64, |n, &a| n.checked_mul(a)),
        _ => axes.iter().try_fold(1u64, |n, &a| n.checked_mul(a)),
    };
    let data_bytes = elements
        .and_then(|n| n.checked_add(parameters))
        .and_then(|n| n.checked_mul(groups))
        .and_then(|n| n.checked_mul(bitpix.unsigned_abs() / 8))
        .ok_or_else(|| bad("NAXIS", shown("NAXIS"), "the product of the axes overflows 64 bits"))?;
    let data_start = at + round_up(end - at);
    let needs = (data_start as u64).saturating_add(data_bytes);
    if needs > length as u64 && data_bytes > 0 {
        return Err(FrameError::Truncated { path: path.into(), hdu: index, needs, has: length as u64 });
    }

    let extension = header.text("XTENSION").filter(|_| index > 0).unwrap_or("").to_string();
    let mut hdu =
        Hdu { index, kind: Kind::Other, bitpix, axes, data_start, data_bytes: data_bytes as usize, header };
    if extension == "BINTABLE" && hdu.header.text("ZIMAGE") == Some("T") {
        hdu.kind = Kind::Tiles;
        hdu.bitpix = self::bitpix(path, index, &hdu.header, "ZBITPIX")?;
        hdu.axes = self::axes(path, index, &hdu.header, "ZNAXIS")?;
    } else if (index == 0 || extension == "IMAGE") && !random_groups {
        hdu.kind = Kind::Image;
    }
    Ok(hdu)
}

/// The offset of the END card.
fn find_end(path: &Path, bytes: &[u8], at: usize, index: usize) -> Result<usize, FrameError> {
    let limit = bytes.len().min(at + MAX_HEADER_RECORDS * RECORD);
    let end = (at..limit).step_by(CARD).find(|&c| bytes.get(c..c + CARD).is_some_and(is_end));
    end.ok_or_else(|| match limit == bytes.len() {
        true => FrameError::Truncated {
            path: path.into(),
            hdu: index,
            needs: round_up(limit + 1) as u64,
            has: bytes.len() as u64,
        },
        false => FrameError::card(path, index, "END", "missing", "a header ends with it within 4096 records"),
    })
}

/// What is wrong with the first cards of a header: the card, what was found, and what is wanted.
///
/// The library reads them by place, and where one of a table's does not read as a plain number
/// it goes on with memory that was never set.
pub fn mandatory_fault(header: &Header, raw: &[u8]) -> Option<(String, String, String)> {
    let extension = header.text("XTENSION").filter(|_| raw.starts_with(b"XTENSION"));
    let first = if extension.is_some() { "XTENSION" } else { "SIMPLE" };
    let is_table = extension.is_some_and(|x| x.ends_with("TABLE"));
    let axes = if is_table { 2 } else { header.integer("NAXIS").unwrap_or(0).clamp(0, MAX_AXES as i64) };
    let mut wanted = vec![first.to_string(), "BITPIX".into(), "NAXIS".into()];
    wanted.extend((1..=axes).map(|n| format!("NAXIS{n}")));
    if is_table {
        wanted.extend(["PCOUNT", "GCOUNT", "TFIELDS"].map(String::from));
    }
    for (place, want) in wanted.iter().enumerate() {
        let card = raw.get(place * CARD..(place + 1) * CARD).unwrap_or_default();
        let named = format!("{want:<8}= ");
        if !card.starts_with(named.as_bytes()) {
            let found = header.cards.get(place).map_or("nothing", |c| c.key.as_str());
            return Some((
                format!("card {}", place + 1),
                found.into(),
                format!("the standard wants {want} there"),
            ));
        }
        let value = header.card(want).map_or("missing".to_string(), |c| c.value.clone());
        if !card.iter().all(|b| (32..127).contains(b)) {
            return Some((want.clone(), value, "the card may hold printable ASCII only".into()));
        }
        if place > 0 && !is_plain_integer(&card[named.len()..]) {
            return Some((want.clone(), value, "it must be a whole number".into()));
        }
    }
    let is_compressed = is_table && header.card("ZIMAGE").is_some();
    if let Some(fault) = is_compressed.then(|| compression_fault(raw)).flatten() {
        return Some(fault);
    }
    let fields = header.integer("TFIELDS").unwrap_or(0);
    (is_table && !(0..=MAX_COLUMNS).contains(&fields))
        .then(|| ("TFIELDS".into(), fields.to_string(), format!("it must be 0 to {MAX_COLUMNS}")))
}

/// The same for the cards that say how an image is compressed: the library asks for as much memory as
/// whatever it takes from them says.
fn compression_fault(raw: &[u8]) -> Option<(String, String, String)> {
    const WHOLE: [&[u8]; 7] =
        [b"ZBITPIX", b"ZNAXIS", b"ZTILE", b"ZPCOUNT", b"ZGCOUNT", b"ZBLANK", b"ZDITHER0"];
    let name_of = |card: &[u8]| String::from_utf8_lossy(card[..8].trim_ascii()).into_owned();
    for card in raw.chunks_exact(CARD).filter(|card| card.starts_with(b"Z")) {
        let said = || String::from_utf8_lossy(&card[8..]).trim().to_string();
        let is_value = &card[8..10] == b"= ";
        if !card.iter().all(|b| (32..127).contains(b)) || !is_value && card[8] == b'=' {
            return Some((
                name_of(card),
                said(),
                "the card must hold = and a blank, and printable ASCII only".into(),
            ));
        }
        if is_value && WHOLE.iter().any(|key| card.starts_with(key)) && !is_plain_integer(&card[10..]) {
            return Some((name_of(card), said(), "it must be a whole number".into()));
        }
    }
    None
}

/// Digits with a sign or without, short enough for 64 bits, a comment behind a slash.
fn is_plain_integer(field: &[u8]) -> bool {
    let value = field.split(|b| *b == b'/').next().unwrap_or_default().trim_ascii();
    let digits = value.strip_prefix(b"-").or_else(|| value.strip_prefix(b"+")).unwrap_or(value);
    (1..=18).contains(&digits.len()) && digits.iter().all(u8::is_ascii_digit)
}

/// The first card that contradicts itself, with both its values. A card that shapes the data may
/// be repeated, but not with another value: the library and this reader could each believe a
/// different one.
pub fn contradiction(header: &Header) -> Option<(String, String)> {
    let shapes = |key: &str| {
        let stem = key.trim_end_matches(|c: char| c.is_ascii_digit());
        matches!(
            stem,
            "BITPIX"
                | "NAXIS"
                | "PCOUNT"
                | "GCOUNT"
                | "TFIELDS"
                | "TFORM"
                | "TDIM"
                | "THEAP"
                | "BSCALE"
                | "BZERO"
                | "BLANK"
                | "ZIMAGE"
                | "ZBITPIX"
                | "ZNAXIS"
                | "ZTILE"
                | "ZCMPTYPE"
                | "ZBLANK"
                | "ZSCALE"
                | "ZZERO"
                | "ZNAME"
                | "ZVAL"
                | "ZQUANTIZ"
                | "ZDITHER"
        )
    };
    let mut seen = std::collections::HashMap::new();
    for card in header.cards.iter().filter(|c| shapes(&c.key)) {
        let before = *seen.entry(card.key.as_str()).or_insert(card.value.as_str());
        if before != card.value {
            return Some((card.key.clone(), format!("{before} and {}", card.value)));
        }
    }
    None
}

fn bitpix(path: &Path, index: usize, header: &Header, card: &str) -> Result<i64, FrameError> {
    let value = header.integer(card).unwrap_or(0);
    if [8, 16, 32, 64, -32, -64].contains(&value) {
        return Ok(value);
    }
    let shown = header.card(card).map_or("missing".into(), |c| c.value.clone());
    Err(FrameError::card(path, index, card, shown, "it must be 8, 16, 32, 64, -32 or -64"))
}

/// The lengths of the axes under `NAXIS`, `NAXIS1` ... or their tile twins.
fn axes(path: &Path, index: usize, header: &Header, card: &str) -> Result<Vec<u64>, FrameError> {
    let shown = |card: &str| header.card(card).map_or("missing".into(), |c| c.value.clone());
    let number = header
        .integer(card)
        .and_then(|n| usize::try_from(n).ok())
        .filter(|n| *n <= MAX_AXES)
        .ok_or_else(|| FrameError::card(path, index, card, shown(card), "it must be 0 to 9"))?;
    (1..=number)
        .map(|n| {
            let card = format!("{card}{n}");
            header.integer(&card).and_then(|v| u64::try_from(v).ok()).ok_or_else(|| {
                FrameError::card(path, index, &card, shown(&card), "it must be a whole number, zero or more")
            })
        })
        .collect()
}

/// The limits an image must keep before it is read: its size, and a scale that
/// does not erase it.
pub fn check_image(path: &Path, hdu: &Hdu) -> Result<(), FrameError> {
    let Some((width, height)) = hdu.plane() else {
        return Err(FrameError::NotTwoDimensional {
            path: path.into(),
            hdu: hdu.index,
            axes: hdu.axes_text(),
        });
    };
    let (width, height) = (width as u64, height as u64);
    if width > MAX_SIDE || height > MAX_SIDE || width.saturating_mul(height) > MAX_PIXELS {
        return Err(FrameError::TooLarge {
            path: path.into(),
            what: format!("the number of pixels of extension {}", hdu.index),
            value: hdu.axes_text(),
            limit: MAX_PIXELS,
        });
    }
    for card in ["BSCALE", "BZERO"] {
        let Some(found) = hdu.header.card(card) else { continue };
        let limit = "it must be a finite number";
        let value =
            found.number().ok_or_else(|| FrameError::card(path, hdu.index, card, &found.value, limit))?;
        if card == "BSCALE" && value == 0.0 {
            let limit = "a scale of zero leaves no pixel values";
            return Err(FrameError::card(path, hdu.index, card, &found.value, limit));
        }
    }
    Ok(())
}
