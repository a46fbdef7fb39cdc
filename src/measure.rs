//! The first stage, the only one that touches pixels: one frame to one star table.

use crate::frame::Frame;
use crate::settings::Settings;
use crate::sky::SkyError;
use crate::stars::select::{FrameView, select};
use crate::table::StarTable;

/// Why a frame could be read but not measured.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeasureError {
    #[error("{file}: {source}")]
    Sky { file: String, source: SkyError },
}

/// Measures all stars of a frame. `file` is the path as given on the command line.
pub fn measure_frame(
    frame: &Frame,
    file: &str,
    settings: &Settings,
    settings_sha256: &str,
) -> Result<StarTable, MeasureError> {
    let view = FrameView {
        pixels: &frame.pixels,
        tops: &frame.tops,
        region: frame.usable,
        saturation: frame.saturation,
        quantum: frame.quantum,
        gain: frame.facts.gain,
    };
    let mut found = select(&view, &settings.stars)
        .map_err(|source| MeasureError::Sky { file: file.to_owned(), source })?;
    if let Some(wcs) = &frame.wcs {
        for star in &mut found.stars {
            star.sky = wcs.pixel_to_sky(star.x, star.y).map(<[f64; 2]>::from);
        }
    }
    let (height, width) = frame.pixels.dim();
    let mut notes = frame.notes.clone();
    notes.append(&mut found.notes);
    Ok(StarTable {
        file: file.to_owned(),
        frame_xxh3: frame.xxh3.clone(),
        settings_sha256: settings_sha256.to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        width,
        height,
        usable: frame.usable,
        facts: frame.facts.clone(),
        sky_level: found.sky_level,
        sky_noise: found.sky_noise,
        sigma_pixels: found.width.map(|w| w.sigma),
        narrowest_sigma_pixels: found.width.map(|w| w.narrowest),
        has_wcs: frame.wcs.is_some(),
        sky_angle_deg: None,
        notes,
        stars: found.stars,
        forgotten: Default::default(),
    })
}
