//! Which image of the file is the frame, and its pixels.
//!
//! The rule: the extension that `[header] image` names; otherwise the first
//! two-dimensional image that holds pixels and does not call itself a mask, a
//! weight, an error or a data-quality array.

use std::path::Path;

use ndarray::Array2;

use super::error::FrameError;
use super::fits::{LibraryError, MemoryFile};
use super::raw_header::{Hdu, Kind, check_image};
use super::tiles;

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
fn is_companion(hdu: &Hdu) -> bool {
    hdu.name().is_some_and(|name| {
        let name = name.to_uppercase();
        [&MASK_NAMES[..], &WEIGHT_NAMES, &ERROR_NAMES].iter().any(|list| list.contains(&name.as_str()))
    })
}

/// What the file holds, for messages: `0: none; 1 (SCI): 650 x 500`.
pub fn held(hdus: &[Hdu]) -> String {
    let list: Vec<String> = hdus
        .iter()
        .map(|h| match h.kind {
            Kind::Other => format!("{}: a table", h.label()),
            _ => format!("{}: {}", h.label(), h.axes_text()),
        })
        .collect();
    list.join("; ")
}

/// The extension a setting names, by number or by name.
pub fn named<'a>(
    path: &Path,
    hdus: &'a [Hdu],
    role: &'static str,
    wanted: &str,
) -> Result<&'a Hdu, FrameError> {
    let by_name = hdus.iter().find(|h| h.name().is_some_and(|n| n.eq_ignore_ascii_case(wanted.trim())));
    by_name.or_else(|| wanted.trim().parse().ok().and_then(|n: usize| hdus.get(n))).ok_or_else(|| {
        FrameError::NoSuchExtension { path: path.into(), role, wanted: wanted.into(), held: held(hdus) }
    })
}

/// The image that is the frame, with a note where there was a choice.
pub fn choose<'a>(
    path: &Path,
    hdus: &'a [Hdu],
    wanted: Option<&str>,
    notes: &mut Vec<String>,
) -> Result<&'a Hdu, FrameError> {
    if let Some(wanted) = wanted {
        let hdu = named(path, hdus, "image", wanted)?;
        notes.push(format!("The image is extension {}, as [header] image says.", hdu.label()));
        return Ok(hdu);
    }
    let planes: Vec<&Hdu> = hdus.iter().filter(|h| h.plane().is_some() && !is_companion(h)).collect();
    let Some(&first) = planes.first() else {
        return Err(no_image(path, hdus));
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
fn no_image(path: &Path, hdus: &[Hdu]) -> FrameError {
    let cube = hdus.iter().find(|h| h.kind != Kind::Other && h.axes.iter().filter(|&&n| n > 1).count() > 2);
    match cube {
        Some(hdu) => not_a_plane(path, hdu),
        None => FrameError::NoImage { path: path.into(), held: held(hdus) },
    }
}

fn not_a_plane(path: &Path, hdu: &Hdu) -> FrameError {
    let planes = hdu.axes.len() == 3 && (hdu.axes[2] == 3 || hdu.axes[0] == 3);
    match planes {
        true => FrameError::ColourPlanes { path: path.into(), axes: hdu.axes_text() },
        false => FrameError::NotTwoDimensional { path: path.into(), hdu: hdu.index, axes: hdu.axes_text() },
    }
}

/// Opens the file at an image that passed every check; gives its width and height.
pub fn open<'a>(
    path: &Path,
    bytes: &'a [u8],
    hdu: &Hdu,
) -> Result<(MemoryFile<'a>, usize, usize), FrameError> {
    if hdu.plane().is_none() {
        return Err(not_a_plane(path, hdu));
    }
    check_image(path, hdu)?;
    if hdu.kind == Kind::Tiles {
        tiles::check(path, bytes, hdu)?;
    }
    let failed = |e| library(path, hdu, e);
    let mut file = MemoryFile::open(bytes).map_err(failed)?;
    file.go_to(hdu.index).map_err(failed)?;
    let axes = file.axes().map_err(failed)?;
    if axes != hdu.axes {
        let limit = format!("the library reads {axes:?}");
        return Err(FrameError::card(path, hdu.index, "NAXIS", hdu.axes_text(), &limit));
    }
    Ok((file, axes[0] as usize, axes[1] as usize))
}

/// The library's failure, with the file's name.
pub fn library(path: &Path, hdu: &Hdu, error: LibraryError) -> FrameError {
    let LibraryError { doing, status, message } = error;
    FrameError::Library { path: path.into(), hdu: hdu.index, doing, status, message }
}

/// The pixels, scaled, `[y, x]`; NaN where there is no finite value.
pub fn read(path: &Path, bytes: &[u8], hdu: &Hdu) -> Result<Array2<f32>, FrameError> {
    let (mut file, width, height) = open(path, bytes, hdu)?;
    let mut pixels = Array2::<f32>::zeros((height, width));
    if let Some(values) = pixels.as_slice_mut() {
        file.read_f32(0, values).map_err(|e| library(path, hdu, e))?;
        if hdu.bitpix < 0 {
            values.iter_mut().filter(|v| v.is_infinite()).for_each(|v| *v = f32::NAN);
        }
    }
    Ok(pixels)
}

/// Notes what in the header contradicts the data without harm to the pixels.
pub fn note_doubts(bytes: &[u8], hdu: &Hdu, notes: &mut Vec<String>) {
    if hdu.bitpix < 0 && hdu.header.card("BLANK").is_some() {
        notes.push("BLANK means nothing for floating-point pixels and was passed over.".into());
    }
    if hdu.kind == Kind::Image
        && tiles::data_sum_agrees(bytes, hdu).is_some_and(|(told, found)| told != found)
    {
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
pub fn quantum(pixels: &Array2<f32>, hdu: &Hdu) -> Option<f64> {
    let number = |card: &str| hdu.header.number(card);
    let unit = if hdu.bitpix > 0 { number("BSCALE").unwrap_or(1.0).abs() } else { 1.0 };
    let values = pixels.as_slice()?;
    let stride = (values.len() / STEP_SAMPLE).max(1) | 1;
    let mut sample = values.iter().step_by(stride).copied().filter(|v| v.is_finite());
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
    if hdu.bitpix < 0 && (factor == 0 || values.iter().any(|v| v.is_finite() && v.fract() != 0.0)) {
        return None;
    }
    Some(unit * factor.max(1) as f64)
}

fn common_factor(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { common_factor(b, a % b) }
}
