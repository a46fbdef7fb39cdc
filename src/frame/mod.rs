//! FITS frames in: pixels, bad-pixel mask, exposure facts, world coordinates.
//!
//! A file goes through these steps, each a module:
//!
//! | step | module |
//! |---|---|
//! | bytes, unpacked and hashed | [`source`], [`hash`] |
//! | one plain image and nothing else: hashed and turned into numbers in strips | [`strips`] |
//! | structure, checked against the file's length and the limits | [`raw_header`], [`tiles`], [`tile_table`], [`streams`] |
//! | compressed tiles of whole numbers | [`whole_numbers`], [`rice`] |
//! | choice of the image, pixels, step of the values | [`image`], [`fits`] |
//! | mask and weight extensions | [`mask`] |
//! | overscan and dark borders | [`usable`] |
//! | exposure facts and times | [`facts`], [`housekeeping`], [`time`], [`date`] |
//! | world coordinates | [`wcs`] |
//! | pixels, as short as the file has them | [`pixels`] |
//! | highest pixels, saturation, colour mosaics | [`tops`], [`saturation`], [`mosaic`] |
//! | numbers as integers of the same order | [`key`] |

use std::path::{Path, PathBuf};

use crate::settings::Settings;

pub mod card;
mod date;
pub mod error;
mod facts;
pub mod fits;
pub mod hash;
mod housekeeping;
mod image;
mod inputs;
pub mod key;
mod mask;
mod mosaic;
mod pixels;
pub mod raw_header;
mod rice;
mod saturation;
pub mod source;
mod streams;
mod strips;
mod tile_table;
pub mod tiles;
mod time;
mod tops;
mod usable;
pub mod wcs;
mod whole_numbers;

pub use date::iso;
pub use error::FrameError;
pub use inputs::{expand_inputs, has_fits_extension};
pub use pixels::Pixels;
pub use tops::Tops;

/// A rectangle of pixels, 0-based and half open: `x0 <= x < x1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Region {
    pub x0: usize,
    pub x1: usize,
    pub y0: usize,
    pub y1: usize,
}

impl Region {
    pub fn width(&self) -> usize {
        self.x1.saturating_sub(self.x0)
    }
    pub fn height(&self) -> usize {
        self.y1.saturating_sub(self.y0)
    }
    /// Of the region cut into `side` by `side` equal zones the one of a place, row after row.
    pub fn zone(&self, x: f64, y: f64, side: usize) -> usize {
        let along = |value: f64, start: usize, length: usize| {
            let share = (value - start as f64 + 0.5) / length.max(1) as f64;
            ((share * side as f64) as usize).min(side - 1)
        };
        along(x, self.x0, self.width()) + side * along(y, self.y0, self.height())
    }
}

/// What the header says of the exposure. Missing is `None`, never zero.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ExposureFacts {
    /// Middle of the exposure, MJD in UTC, days.
    pub mjd_mid: Option<f64>,
    /// Middle of the exposure as ISO 8601 in UTC, as precise as the header.
    pub time: Option<String>,
    pub exposure_s: Option<f64>,
    /// Electrons per frame unit.
    pub gain: Option<f64>,
    /// Electrons.
    pub read_noise: Option<f64>,
    /// Frame units.
    pub saturation: Option<f64>,
    pub filter: Option<String>,
    pub target: Option<String>,
    pub binning: Option<[u32; 2]>,
    /// Pointing, degrees.
    pub ra_deg: Option<f64>,
    pub dec_deg: Option<f64>,
    pub altitude_deg: Option<f64>,
    pub pixel_arcsec: Option<f64>,
    pub focus: Option<f64>,
    /// Further numbers the header carries that may vary (temperatures in deg C), by card.
    pub housekeeping: std::collections::BTreeMap<String, f64>,
    /// The colour pattern, where the frame is a colour mosaic.
    pub colour_mosaic: Option<String>,
}

/// One frame, ready to be measured.
#[derive(Debug, Clone)]
pub struct Frame {
    pub path: PathBuf,
    pub pixels: Pixels,
    /// The region that holds exposed sky.
    pub usable: Region,
    /// The highest of each stretch of `pixels`; who raises a pixel takes them anew ([`Tops::of`]).
    pub tops: Tops,
    /// The level at and above which a pixel is saturated, frame units.
    pub saturation: Option<f64>,
    /// The smallest step between pixel values (1 for unscaled integers), if the
    /// data are quantised.
    pub quantum: Option<f64>,
    pub facts: ExposureFacts,
    pub wcs: Option<wcs::Wcs>,
    /// XXH3 of the file, hex.
    pub xxh3: String,
    /// Remarks for the person: which image was used, what was found on its own.
    pub notes: Vec<String>,
}

impl Frame {
    /// Must this pixel not be used: blank, masked, or outside the usable region?
    pub fn is_bad(&self, y: usize, x: usize) -> bool {
        let Region { x0, x1, y0, y1 } = self.usable;
        !(y0..y1).contains(&y) || !(x0..x1).contains(&x) || self.pixels.at(y, x).is_nan()
    }
}

/// Memory that one frame after another uses: fresh pages cost more time than the pixels in them.
#[derive(Debug, Default)]
pub struct Space {
    bytes: Vec<u8>,
    pixels: pixels::Memory,
}

impl Space {
    /// Takes a frame's memory for the next one.
    pub fn take_back(&mut self, frame: Frame) {
        self.pixels.take_back(frame.pixels);
    }
}

/// Reads one frame: the pixels in the file's own units, what must not be used of them, and
/// what the header says.
///
/// Settings win over the header, with a note where both speak. Any file that is not a
/// plain, readable, two-dimensional frame gives an error that says what to do.
pub fn read_frame(path: &Path, settings: &Settings) -> Result<Frame, FrameError> {
    read_frame_with(path, settings, &mut Space::default())
}

/// As [`read_frame`], in memory that an earlier frame left.
pub fn read_frame_with(path: &Path, settings: &Settings, space: &mut Space) -> Result<Frame, FrameError> {
    let told = &settings.header;
    let plain = told.image.is_none() && told.mask.is_none() && told.weight.is_none();
    let strips = if plain { strips::Strips::open(path)? } else { None };
    match strips.map(|strips| in_strips(strips, path, settings, space)) {
        Some(Ok(Some(frame))) => Ok(frame),
        Some(Err(error)) => Err(error),
        Some(Ok(None)) | None => whole(path, settings, space),
    }
}

/// A file that holds one plain image; `None` where more is found behind it.
fn in_strips(
    strips: strips::Strips,
    path: &Path,
    settings: &Settings,
    space: &mut Space,
) -> Result<Option<Frame>, FrameError> {
    let mut notes = Vec::new();
    let hdu = strips.hdu.clone();
    let header = hdu.header.with_parent(&hdu.header);
    let colour_mosaic = refuse_mosaic(path, &header, settings, &mut notes)?;
    let Some((pixels, tops, xxh3)) = strips.read(&mut space.pixels, &mut notes)? else { return Ok(None) };
    let image = Image { header, colour_mosaic, xxh3, quantum: image::quantum(&pixels, &hdu), tops };
    finish(image, pixels, path, settings, notes, |_, _| Ok(())).map(Some)
}

/// Any other file, in memory.
fn whole(path: &Path, settings: &Settings, space: &mut Space) -> Result<Frame, FrameError> {
    let mut notes = Vec::new();
    let mut source = source::Source::open(path, std::mem::take(&mut space.bytes))?;
    let (hdus, end) = raw_header::walk(path, &source.bytes)?;
    source.fit(end, &mut notes);
    let contents = image::Contents { path, bytes: &source.bytes[..end], hdus: &hdus };

    let chosen = contents.choose(settings.header.image.as_deref(), &mut notes)?;
    let header = chosen.header.with_parent(&hdus[0].header);
    let colour_mosaic = refuse_mosaic(path, &header, settings, &mut notes)?;
    let (pixels, tops) = contents.pixels(chosen, &mut space.pixels)?;
    image::note_doubts(contents.bytes, chosen, &mut notes);
    let (xxh3, quantum) = (source.xxh3.clone(), image::quantum(&pixels, chosen));
    let image = Image { header, colour_mosaic, xxh3, quantum, tops };
    let frame = finish(image, pixels, path, settings, notes, |pixels, notes| {
        mask::apply(&contents, chosen, &settings.header, pixels, notes)
    });
    space.bytes = source.bytes;
    frame
}

/// What the file says of its image.
struct Image {
    header: card::Header,
    colour_mosaic: Option<String>,
    xxh3: String,
    quantum: Option<f64>,
    tops: Tops,
}

/// The frame of an image; `mask` makes NaN what other extensions rule out.
fn finish(
    image: Image,
    mut pixels: Pixels,
    path: &Path,
    settings: &Settings,
    mut notes: Vec<String>,
    mask: impl FnOnce(&mut Pixels, &mut Vec<String>) -> Result<(), FrameError>,
) -> Result<Frame, FrameError> {
    let Image { header, colour_mosaic, xxh3, quantum, tops } = image;
    let usable = usable_region(path, &pixels, &header, settings, &mut notes)?;
    mask(&mut pixels, &mut notes)?;
    let mut exposed = (usable.y0..usable.y1).flat_map(|y| (usable.x0..usable.x1).map(move |x| (y, x)));
    if exposed.all(|(y, x)| pixels.at(y, x).is_nan()) {
        return Err(FrameError::NoPixels { path: path.into(), pixels: pixels.len() });
    }

    let (wcs, remarks) = wcs::Wcs::from_header(&header);
    notes.extend(remarks);
    let mut facts = facts::read(&header, settings, wcs.as_ref(), &mut notes);
    if let (None, Some(wcs)) = (facts.ra_deg.and(facts.dec_deg), &wcs) {
        let (height, width) = pixels.dim();
        let centre = wcs.pixel_to_sky((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
        (facts.ra_deg, facts.dec_deg) = centre.unzip();
    }
    if colour_mosaic.is_none() && mosaic::seen(&pixels, usable) {
        notes.push(
            "The levels repeat every two pixels in both directions, as in a colour mosaic, though the header \
             does not call it one: check that the frame is plain."
                .into(),
        );
    }
    facts.colour_mosaic = colour_mosaic;
    let pile = saturation::pile_up(&pixels, &tops, usable);
    let saturation = saturation_level(settings, facts.saturation, pile, &mut notes);
    Ok(Frame { path: path.into(), pixels, tops, usable, saturation, quantum, facts, wcs, xxh3, notes })
}

/// The colour pattern the header names; an error unless a mosaic is accepted.
fn refuse_mosaic(
    path: &Path,
    header: &card::Header,
    settings: &Settings,
    notes: &mut Vec<String>,
) -> Result<Option<String>, FrameError> {
    let Some((card, pattern)) = mosaic::named(header) else { return Ok(None) };
    if !settings.detector.accept_colour_mosaic {
        return Err(FrameError::ColourMosaic { path: path.into(), card, pattern });
    }
    notes.push(format!(
        "A colour mosaic ({card} = {pattern}), measured as if it were plain, as [detector] \
         accept_colour_mosaic says."
    ));
    Ok(Some(pattern))
}

/// The setting's region, or what header and data show.
fn usable_region(
    path: &Path,
    pixels: &Pixels,
    header: &card::Header,
    settings: &Settings,
    notes: &mut Vec<String>,
) -> Result<Region, FrameError> {
    let Some(told) = settings.detector.usable else {
        return Ok(usable::region(pixels, header, notes));
    };
    let (height, width) = pixels.dim();
    usable::from_setting(told, width, height).map_err(|limit| FrameError::Setting {
        path: path.into(),
        setting: "[detector] usable",
        value: format!("{told:?}"),
        limit,
    })
}

/// A pile-up this much under the level told shows that pixels saturate before it.
const PILE_UNDER_TOLD: f64 = 0.98;

/// The setting, else the header's level, else the level at which pixels pile up; a pile-up
/// plainly under the header's level is believed before it.
fn saturation_level(
    settings: &Settings,
    told: Option<f64>,
    pile: Option<f64>,
    notes: &mut Vec<String>,
) -> Option<f64> {
    let asked = settings.detector.saturation.is_some();
    match (told, pile) {
        (Some(told), Some(pile)) if pile < PILE_UNDER_TOLD * told => {
            let used = if asked { told } else { pile };
            notes.push(format!(
                "Pixels pile up at {pile}, under the saturation of {told} that {} gives; {used} is used.",
                if asked { "[detector] saturation" } else { "the header" }
            ));
            Some(used)
        }
        (None, Some(pile)) => {
            notes.push(format!("Pixels pile up at {pile}: this is taken as the saturation level."));
            Some(pile)
        }
        (told, _) => told,
    }
}
