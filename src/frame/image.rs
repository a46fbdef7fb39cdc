//! Which image of the file is the frame, and its pixels.
//!
//! The rule: the extension that `[header] image` names; otherwise the first
//! two-dimensional image that holds pixels and does not call itself a mask, a
//! weight, an error or a data-quality array.

use std::path::Path;

use super::error::FrameError;
use super::fits::{LibraryError, MemoryFile};
use super::pixels::{Memory, Pixels};
use super::raw_header::{Hdu, Kind, check_image};
use super::tiles;
use super::tops::Tops;
use super::whole_numbers::WholeNumbers;

/// Names of extensions that accompany an image, in words or parts of the name.
pub const MASK_NAMES: [&str; 13] = [
    "MASK",
    "BAD",
    "BPM",
    "BADPIX",
    "BAD_PIXELS",
    "DQ",
    "DQI",
    "FLAG",
    "FLAGS",
    "QUALITY",
    "DATA_QUALITY",
    "BADPIXELS",
    "PIXELMASK",
];
pub const WEIGHT_NAMES: [&str; 8] = ["WEIGHT", "WEIGHTS", "WHT", "WGT", "WT", "IVAR", "INVVAR", "WEIGHTMAP"];
const ERROR_NAMES: [&str; 11] =
    ["ERR", "ERROR", "SIGMA", "VAR", "VARIANCE", "NOISE", "RMS", "UNCERT", "STD", "BACKGROUND", "SKY"];

/// True where the extension's name says that it goes with an image.
pub fn is_companion(hdu: &Hdu) -> bool {
    hdu.name().is_some_and(|name| {
        let name = name.to_uppercase();
        [&MASK_NAMES[..], &WEIGHT_NAMES, &ERROR_NAMES].iter().any(|list| list.contains(&name.as_str()))
    })
}

/// A file in memory, its structure checked.
#[derive(Clone, Copy)]
pub struct Contents<'a> {
    pub path: &'a Path,
    pub bytes: &'a [u8],
    pub hdus: &'a [Hdu],
}

impl<'a> Contents<'a> {
    /// For messages: `0: none; 1 (SCI): 650 x 500`.
    fn held(&self) -> String {
        let one = |h: &Hdu| match h.kind {
            Kind::Other => format!("{}: a table", h.label()),
            _ => format!("{}: {}", h.label(), h.axes_text()),
        };
        self.hdus.iter().map(one).collect::<Vec<_>>().join("; ")
    }

    /// The extension a setting names, by name or by number.
    pub fn named(&self, role: &'static str, wanted: &str) -> Result<&'a Hdu, FrameError> {
        let name = wanted.trim();
        let by_name = self.hdus.iter().find(|h| h.name().is_some_and(|n| n.eq_ignore_ascii_case(name)));
        let by_number = || name.parse().ok().and_then(|n: usize| self.hdus.get(n));
        by_name.or_else(by_number).ok_or_else(|| FrameError::NoSuchExtension {
            path: self.path.into(),
            role,
            wanted: wanted.into(),
            held: self.held(),
        })
    }

    /// The image that is the frame, with a note where there was a choice.
    pub fn choose(&self, wanted: Option<&str>, notes: &mut Vec<String>) -> Result<&'a Hdu, FrameError> {
        if let Some(wanted) = wanted {
            let hdu = self.named("image", wanted)?;
            notes.push(format!("The image is extension {}, as [header] image says.", hdu.label()));
            return Ok(hdu);
        }
        let planes: Vec<&Hdu> =
            self.hdus.iter().filter(|h| h.plane().is_some() && !is_companion(h)).collect();
        let Some(&first) = planes.first() else {
            return Err(self.no_image());
        };
        if planes.len() > 1 {
            let others: Vec<String> = planes[1..].iter().map(|h| h.label()).collect();
            notes.push(format!(
                "The image is extension {}, the first of {}; not used: {}. [header] image chooses another.",
                first.label(),
                planes.len(),
                others.join(", ")
            ));
        } else if first.index > 0 {
            notes.push(format!("The image is extension {}, the only one.", first.label()));
        }
        Ok(first)
    }

    /// Why no image can be used: a cube is named as such.
    fn no_image(&self) -> FrameError {
        let is_cube = |h: &&Hdu| h.kind != Kind::Other && h.axes.iter().filter(|&&n| n > 1).count() > 2;
        match self.hdus.iter().find(is_cube) {
            Some(hdu) => self.not_a_plane(hdu),
            None => FrameError::NoImage { path: self.path.into(), held: self.held() },
        }
    }

    fn not_a_plane(&self, hdu: &Hdu) -> FrameError {
        let (path, axes) = (self.path.into(), hdu.axes_text());
        match hdu.axes[..] {
            [_, _, 3] | [3, _, _] => FrameError::ColourPlanes { path, axes },
            _ => FrameError::NotTwoDimensional { path, hdu: hdu.index, axes },
        }
    }

    /// Opens the file at an image that passed every check; gives its width and height.
    pub fn open(&self, hdu: &Hdu) -> Result<(MemoryFile<'a>, usize, usize), FrameError> {
        if hdu.plane().is_none() {
            return Err(self.not_a_plane(hdu));
        }
        check_image(self.path, hdu)?;
        if hdu.kind == Kind::Tiles {
            tiles::check(self.path, self.bytes, hdu)?;
        }
        let failed = |e| self.library(hdu, e);
        let mut file = MemoryFile::open(self.bytes).map_err(failed)?;
        file.go_to(hdu.index).map_err(failed)?;
        let axes = file.axes().map_err(failed)?;
        if axes != hdu.axes {
            let limit = format!("the library reads {axes:?}");
            return Err(FrameError::card(self.path, hdu.index, "NAXIS", hdu.axes_text(), &limit));
        }
        Ok((file, axes[0] as usize, axes[1] as usize))
    }

    /// The library's failure, with the file's name.
    pub fn library(&self, hdu: &Hdu, error: LibraryError) -> FrameError {
        let LibraryError { doing, status, message } = error;
        FrameError::Library { path: self.path.into(), hdu: hdu.index, doing, status, message }
    }

    /// The pixels, and the highest of them. `memory` gives what it has.
    pub fn pixels(&self, hdu: &Hdu, memory: &mut Memory) -> Result<(Pixels, Tops), FrameError> {
        let (width, height) = hdu.plane().ok_or_else(|| self.not_a_plane(hdu))?;
        check_image(self.path, hdu)?;
        let whole_numbers = match hdu.kind {
            Kind::Tiles => WholeNumbers::open(self.path, self.bytes, hdu)?,
            _ => None,
        };
        let file = match whole_numbers {
            None => Some(self.open(hdu)?.0),
            Some(_) => None,
        };
        let mut values = memory.floats(width * height);
        let mut tops = None;
        if let Some(image) = whole_numbers {
            let tops = tops.insert(Tops::before(height, width));
            image.unpack(&mut values, tops)?;
        }
        if let Some(mut file) = file {
            file.read_f32(0, &mut values).map_err(|e| self.library(hdu, e))?;
            values.iter_mut().filter(|v| v.is_infinite()).for_each(|v| *v = f32::NAN);
        }
        let pixels = Pixels::of_floats((height, width), values).ok_or_else(|| self.not_a_plane(hdu))?;
        let tops = tops.unwrap_or_else(|| Tops::of(&pixels));
        Ok((pixels, tops))
    }
}

/// Notes what in the header contradicts the data without harm to the pixels.
pub fn note_doubts(bytes: &[u8], hdu: &Hdu, notes: &mut Vec<String>) {
    note_blank(hdu, notes);
    if let Some((_, found)) = tiles::data_sum_agrees(bytes, hdu).filter(|_| hdu.kind == Kind::Image) {
        note_sum(hdu, found, notes);
    }
}

pub fn note_blank(hdu: &Hdu, notes: &mut Vec<String>) {
    if hdu.bitpix < 0 && hdu.header.card("BLANK").is_some() {
        notes.push("BLANK means nothing for floating-point pixels and was passed over.".into());
    }
}

/// Notes where the data of an image do not add up to what its header says.
pub fn note_sum(hdu: &Hdu, found: u32, notes: &mut Vec<String>) {
    let told = hdu.header.integer("DATASUM").and_then(|v| u32::try_from(v).ok());
    if told.is_some_and(|told| told != found) {
        notes.push(format!(
            "The data sum of extension {} is not that of its header: the file was changed after it was written.",
            hdu.label()
        ));
    }
}

/// Whole numbers up to here are exact in single precision.
const EXACT: f64 = 16_777_216.0;
/// Pixels looked at to find the step.
const STEP_SAMPLE: usize = 1 << 18;

/// The smallest step between pixel values: |BSCALE| times the common factor of the
/// stored integers; for floats only where every pixel is a whole number. None where
/// the data are not quantised, or too large for single precision to tell.
pub fn quantum(pixels: &Pixels, hdu: &Hdu) -> Option<f64> {
    let number = |card: &str| hdu.header.number(card);
    let unit = if hdu.bitpix > 0 { number("BSCALE").unwrap_or(1.0).abs() } else { 1.0 };
    let stride = (pixels.len() / STEP_SAMPLE).max(1) | 1;
    let mut sample =
        (0..pixels.len()).step_by(stride).map(|place| pixels.nth(place)).filter(|v| v.is_finite());
    let is_exact = |v: f32| (f64::from(v) / unit).abs() < EXACT && (hdu.bitpix > 0 || v.fract() == 0.0);
    let first = sample.next()?;
    let mut factor = 0u64;
    for value in sample {
        if !is_exact(first) || !is_exact(value) {
            return (hdu.bitpix > 0).then_some(unit);
        }
        let steps = (f64::from(value) - f64::from(first)) / unit;
        factor = common_factor(factor, steps.round().abs() as u64);
        if factor == 1 {
            break;
        }
    }
    if hdu.bitpix < 0 && (factor == 0 || pixels.iter().any(|v| v.is_finite() && v.fract() != 0.0)) {
        return None;
    }
    Some(unit * factor.max(1) as f64)
}

fn common_factor(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { common_factor(b, a % b) }
}
