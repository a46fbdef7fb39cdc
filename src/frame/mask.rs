//! Pixels that must not be used: no value, masked, of no weight.

use ndarray::Array2;

use super::error::FrameError;
use super::image::{Contents, MASK_NAMES, WEIGHT_NAMES};
use super::pixels::Pixels;
use super::raw_header::Hdu;
use crate::settings::HeaderSettings;

/// Rows read at a time.
const STRIP: usize = 64;
/// A mask found on its own that covers more than this is taken to mean the contrary.
const PLAUSIBLE_SHARE: f64 = 0.5;

/// A kind of extension that rules pixels out.
struct Role<'s> {
    name: &'static str,
    /// The extension a setting names.
    wanted: Option<&'s str>,
    /// Names it is found by otherwise.
    usual: &'static [&'static str],
    /// True for a value that rules its pixel out.
    rules_out: Box<dyn Fn(f64) -> bool>,
}

/// Makes NaN what the mask and weight extensions rule out.
///
/// An extension that a setting names is used in any case; one that is found by its
/// name is used if it has the image's shape and leaves at least half of the pixels.
pub fn apply(
    contents: &Contents,
    chosen: &Hdu,
    settings: &HeaderSettings,
    pixels: &mut Pixels,
    notes: &mut Vec<String>,
) -> Result<(), FrameError> {
    let bits = settings.mask_bits;
    let masked = move |v: f64| match bits {
        Some(bits) if v.is_finite() => (v as i64) & i64::from(bits) != 0,
        _ => v != 0.0,
    };
    let weightless = |v: f64| v.is_nan() || v <= 0.0;
    let roles = [
        Role {
            name: "mask",
            wanted: settings.mask.as_deref(),
            usual: &MASK_NAMES,
            rules_out: Box::new(masked),
        },
        Role {
            name: "weight",
            wanted: settings.weight.as_deref(),
            usual: &WEIGHT_NAMES,
            rules_out: Box::new(weightless),
        },
    ];
    for role in &roles {
        let hdu = match role.wanted {
            Some(wanted) => contents.named(role.name, wanted)?,
            None => match found(contents.hdus, chosen, role.usual, notes) {
                Some(hdu) => hdu,
                None => continue,
            },
        };
        let marks = marks(contents, chosen, hdu, role)?;
        let percent = 100.0 * marks.iter().filter(|m| **m).count() as f64 / marks.len() as f64;
        let (name, label) = (role.name, hdu.label());
        if role.wanted.is_none() && percent > 100.0 * PLAUSIBLE_SHARE {
            notes.push(format!(
                "The {name} extension {label} would rule out {percent:.0} % of the pixels and is not used; \
                 [header] {name} makes it count."
            ));
            continue;
        }
        notes.push(format!("The {name} extension {label} rules out {percent:.2} % of the pixels."));
        pixels.rule_out(&marks);
    }
    Ok(())
}

/// The pixels an extension rules out, `[y, x]`.
fn marks(contents: &Contents, chosen: &Hdu, hdu: &Hdu, role: &Role) -> Result<Array2<bool>, FrameError> {
    if hdu.plane() != chosen.plane() {
        return Err(FrameError::Shape {
            path: contents.path.into(),
            role: role.name,
            found: hdu.axes_text(),
            wanted: chosen.axes_text(),
        });
    }
    let (mut file, width, height) = contents.open(hdu)?;
    let mut marks = Array2::from_elem((height, width), false);
    let mut strip = vec![0f64; width * STRIP.min(height)];
    for y in (0..height).step_by(STRIP) {
        let rows = STRIP.min(height - y);
        let values = &mut strip[..rows * width];
        file.read_f64(y * width, values).map_err(|e| contents.library(hdu, e))?;
        let target = marks.slice_mut(ndarray::s![y..y + rows, ..]);
        target.into_iter().zip(values.iter()).for_each(|(mark, v)| *mark = (role.rules_out)(*v));
    }
    Ok(marks)
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
