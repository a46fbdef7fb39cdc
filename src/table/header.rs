//! Facts and provenance of a star table as header cards. Names that the FITS
//! standard reserves for a meaning carry that meaning (XPOSURE, MJD-AVG, DATE-AVG,
//! TIMESYS, OBJECT). SETSHA is the SHA-256 of the settings that bear on the measurement, which
//! leaves no room for a comment.

use crate::frame::raw_header::MAX_SIDE;
use crate::frame::{ExposureFacts, Region};

use super::fits_table::{CardValue, Table};
use super::{SCHEMA, StarTable};

pub(super) fn write(table: &StarTable, fits: &mut Table) {
    let facts = &table.facts;
    fits.text("SCHEMA", SCHEMA, "name and version of this format");
    fits.text("TOOLVER", &table.version, "version of stackworthy that measured");
    fits.text("FRAME", &table.file, "path of the frame as given");
    fits.text("FRAMEXX3", &table.frame_xxh3, "XXH3 of the frame, 128 bits");
    fits.text("SETSHA", &table.settings_sha256, "");
    fits.int("FRAMEW", table.width as i64, "[pix] width of the frame");
    fits.int("FRAMEH", table.height as i64, "[pix] height of the frame");
    fits.int("USABLEX0", table.usable.x0 as i64 + 1, "[pix] first usable column (FITS)");
    fits.int("USABLEX1", table.usable.x1 as i64, "[pix] last usable column (FITS)");
    fits.int("USABLEY0", table.usable.y0 as i64 + 1, "[pix] first usable row (FITS)");
    fits.int("USABLEY1", table.usable.y1 as i64, "[pix] last usable row (FITS)");
    fits.float("SKYLEVEL", Some(table.sky_level), "median sky, frame units");
    fits.float("SKYNOISE", Some(table.sky_noise), "noise per pixel, frame units");
    fits.float("PSFSIGMA", table.sigma_pixels, "[pix] width of the stars, sqrt(T/2)");
    fits.float("PSFMINOR", table.narrowest_sigma_pixels, "[pix] the same along the narrowest axis");
    fits.flag("HASWCS", table.has_wcs, "frame has world coordinates");
    fits.float("SKYANGLE", table.sky_angle_deg, "[deg] detector +x to the sky");
    fits.text("TIMESYS", "UTC", "time scale");
    fits.float("MJD-AVG", facts.mjd_mid, "[d] middle of the exposure, MJD");
    text(fits, "DATE-AVG", &facts.time, "middle of the exposure");
    fits.float("XPOSURE", facts.exposure_s, "[s] exposure time");
    fits.float("GAIN", facts.gain, "electrons per frame unit");
    fits.float("RDNOISE", facts.read_noise, "[electron] read noise");
    fits.float("SATLEVEL", facts.saturation, "saturation, frame units");
    text(fits, "FILTER", &facts.filter, "filter");
    text(fits, "OBJECT", &facts.target, "target");
    if let Some([x, y]) = facts.binning {
        fits.int("BINX", x.into(), "binning along x");
        fits.int("BINY", y.into(), "binning along y");
    }
    fits.float("POINTRA", facts.ra_deg, "[deg] pointing, right ascension");
    fits.float("POINTDEC", facts.dec_deg, "[deg] pointing, declination");
    fits.float("ALTITUDE", facts.altitude_deg, "[deg] altitude of the pointing");
    fits.float("PIXSCALE", facts.pixel_arcsec, "[arcsec] pixel scale");
    fits.float("FOCUS", facts.focus, "focus position, as the frame has it");
    text(fits, "MOSAIC", &facts.colour_mosaic, "colour pattern");
    let finite = facts.housekeeping.iter().filter(|(_, v)| v.is_finite());
    for (i, (name, value)) in finite.enumerate() {
        fits.text(&format!("HKNAME{}", i + 1), name, "housekeeping: card of the frame");
        fits.float(&format!("HKVAL{}", i + 1), Some(*value), "housekeeping: its value");
    }
    for (i, note) in table.notes.iter().enumerate() {
        fits.text(&format!("NOTE{}", i + 1), note, "");
    }
}

fn text(fits: &mut Table, key: &str, value: &Option<String>, comment: &str) {
    if let Some(value) = value {
        fits.text(key, value, comment);
    }
}

pub(super) fn schema(fits: &Table) -> Option<&str> {
    match fits.value("SCHEMA") {
        Some(CardValue::Text(t)) => Some(t),
        _ => None,
    }
}

/// The table without its stars, or what is wrong with the header.
pub(super) fn read(fits: &Table) -> Result<StarTable, String> {
    let text = |key: &str| match fits.value(key) {
        Some(CardValue::Text(t)) => Some(t.clone()),
        _ => None,
    };
    let float = |key: &str| match fits.value(key) {
        Some(CardValue::Float(v)) => Some(*v),
        Some(CardValue::Int(v)) => Some(*v as f64),
        _ => None,
    };
    let whole = |key: &str| match fits.value(key) {
        Some(CardValue::Int(v)) => usize::try_from(*v).ok(),
        _ => None,
    };
    let lacks = |key: &str| format!("its header lacks the card {key}");
    let need = |key: &str| whole(key).ok_or_else(|| lacks(key));
    let first = |key: &str| {
        need(key)?.checked_sub(1).ok_or_else(|| format!("its card {key} is 0, FITS pixels begin at 1"))
    };
    let words = |key: &str| text(key).ok_or_else(|| lacks(key));
    let small = |key: &str| whole(key).and_then(|v| u32::try_from(v).ok());
    let positive = |key: &str| match float(key) {
        Some(v) if v <= 0.0 => Err(format!("its card {key} is {v}, not a positive number")),
        v => Ok(v),
    };
    let facts = ExposureFacts {
        mjd_mid: float("MJD-AVG"),
        time: text("DATE-AVG"),
        exposure_s: positive("XPOSURE")?,
        gain: positive("GAIN")?,
        read_noise: positive("RDNOISE")?,
        saturation: positive("SATLEVEL")?,
        filter: text("FILTER"),
        target: text("OBJECT"),
        binning: small("BINX").zip(small("BINY")).map(|(x, y)| [x, y]),
        ra_deg: float("POINTRA"),
        dec_deg: float("POINTDEC"),
        altitude_deg: float("ALTITUDE"),
        pixel_arcsec: positive("PIXSCALE")?,
        focus: float("FOCUS"),
        housekeeping: (1..)
            .map_while(|i| text(&format!("HKNAME{i}")).zip(float(&format!("HKVAL{i}"))))
            .collect(),
        colour_mosaic: text("MOSAIC"),
    };
    let (width, height) = (need("FRAMEW")?, need("FRAMEH")?);
    let (x0, x1, y0, y1) = (first("USABLEX0")?, need("USABLEX1")?, first("USABLEY0")?, need("USABLEY1")?);
    if width.max(height) as u64 > MAX_SIDE {
        return Err(format!("its frame is {width} x {height} pixels, more than {MAX_SIDE} along a side"));
    }
    if x0 >= x1 || x1 > width || y0 >= y1 || y1 > height {
        return Err(format!("its usable region {}:{x1}, {}:{y1} is not in its frame", x0 + 1, y0 + 1));
    }
    Ok(StarTable {
        file: words("FRAME")?,
        // Tables made before name the frame by its BLAKE3 or SHA-256.
        frame_xxh3: words("FRAMEXX3").or_else(|_| words("FRAMEB3")).or_else(|_| words("FRAMESHA"))?,
        settings_sha256: words("SETSHA")?,
        version: words("TOOLVER")?,
        width,
        height,
        usable: Region { x0, x1, y0, y1 },
        facts,
        sky_level: float("SKYLEVEL").unwrap_or(f64::NAN),
        sky_noise: float("SKYNOISE").unwrap_or(f64::NAN),
        sigma_pixels: positive("PSFSIGMA")?,
        narrowest_sigma_pixels: positive("PSFMINOR")?,
        has_wcs: fits.value("HASWCS") == Some(&CardValue::Bool(true)),
        sky_angle_deg: float("SKYANGLE"),
        notes: (1..).map_while(|i| text(&format!("NOTE{i}"))).collect(),
        stars: vec![],
        forgotten: Default::default(),
    })
}
