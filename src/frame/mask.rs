//! Pixels that must not be used: no value, masked, of no weight.

use std::path::Path;

use ndarray::Array2;

use super::error::FrameError;
use super::image::{self, MASK_NAMES, WEIGHT_NAMES};
use super::raw_header::Hdu;
use crate::settings::HeaderSettings;

/// Rows read at a time.
const STRIP: usize = 64;
/// A mask found on its own that covers more than this is taken to mean the contrary.
const PLAUSIBLE_SHARE: f64 = 0.5;

/// Marks what the mask and weight extensions rule out; `bad` has the image's shape.
///
/// An extension that a setting names is used in any case; one that is found by its
/// name is used if it has the image's shape and leaves at least half of the pixels.
pub fn apply(
    path: &Path,
    bytes: &[u8],
    hdus: &[Hdu],
    chosen: &Hdu,
    settings: &HeaderSettings,
    bad: &mut Array2<bool>,
    notes: &mut Vec<String>,
) -> Result<(), FrameError> {
    let bits = settings.mask_bits;
    let masked = move |v: f64| match bits {
        Some(bits) if v.is_finite() => (v as i64) & i64::from(bits) != 0,
        _ => v != 0.0,
    };
    let weightless = |v: f64| v.is_nan() || v <= 0.0;
    extension(path, bytes, hdus, chosen, "mask", settings.mask.as_deref(), &MASK_NAMES, &masked, bad, notes)?;
    extension(
        path,
        bytes,
        hdus,
        chosen,
        "weight",
        settings.weight.as_deref(),
        &WEIGHT_NAMES,
        &weightless,
        bad,
        notes,
    )
}

#[allow(clippy::too_many_arguments)]
fn extension(
    path: &Path,
    bytes: &[u8],
    hdus: &[Hdu],
    chosen: &Hdu,
    role: &'static str,
    wanted: Option<&str>,
    names: &[&str],
    is_bad: &dyn Fn(f64) -> bool,
    bad: &mut Array2<bool>,
    notes: &mut Vec<String>,
) -> Result<(), FrameError> {
    let (hdu, asked) = match wanted {
        Some(wanted) => (image::named(path, hdus, role, wanted)?, true),
        None => match found(hdus, chosen, names, notes) {
            Some(hdu) => (hdu, false),
            None => return Ok(()),
        },
    };
    if hdu.plane() != chosen.plane() {
        return Err(FrameError::Shape {
            path: path.into(),
            role,
            found: hdu.axes_text(),
            wanted: chosen.axes_text(),
        });
    }
    let mut marks = Array2::from_elem(bad.dim(), false);
    let (mut file, width, height) = image::open(path, bytes, hdu)?;
    let mut strip = vec![0f64; width * STRIP.min(height)];
    for y in (0..height).step_by(STRIP) {
        let rows = STRIP.min(height - y);
        let values = &mut strip[..rows * width];
        file.read_f64(y * width, values).map_err(|e| image::library(path, hdu, e))?;
        let target = marks.slice_mut(ndarray::s![y..y + rows, ..]);
        target.into_iter().zip(values.iter()).for_each(|(mark, v)| *mark = is_bad(*v));
    }
    let share = marks.iter().filter(|m| **m).count() as f64 / marks.len() as f64;
    let percent = 100.0 * share;
    if !asked && share > PLAUSIBLE_SHARE {
        notes.push(format!(
            "The {role} extension {} would rule out {percent:.0} % of the pixels and is not used; \
             [header] {role} makes it count.",
            hdu.label()
        ));
        return Ok(());
    }
    notes.push(format!("The {role} extension {} rules out {percent:.2} % of the pixels.", hdu.label()));
    bad.zip_mut_with(&marks, |b, m| *b |= *m);
    Ok(())
}

/// The extension of one of these names that has the image's shape: first one of the
/// image's own version (EXTVER), else the first behind the image.
fn found<'a>(hdus: &'a [Hdu], chosen: &Hdu, names: &[&str], notes: &mut Vec<String>) -> Option<&'a Hdu> {
    let named = |h: &&Hdu| {
        h.index != chosen.index && h.name().is_some_and(|n| names.contains(&n.to_uppercase().as_str()))
    };
    let (fit, misfit): (Vec<&Hdu>, Vec<&Hdu>) =
        hdus.iter().filter(named).partition(|h| h.plane() == chosen.plane());
    let version = |h: &Hdu| h.header.integer("EXTVER").unwrap_or(1);
    let best = fit
        .iter()
        .find(|h| version(h) == version(chosen))
        .or_else(|| fit.iter().find(|h| h.index > chosen.index));
    if let (None, Some(other)) = (best, misfit.first()) {
        let (label, axes) = (other.label(), other.axes_text());
        notes.push(format!("Extension {label} is {axes}, not the image's {}: not used.", chosen.axes_text()));
    }
    best.copied()
}
