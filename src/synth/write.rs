//! Frames and truth to disk, each file whole or not at all.

#![allow(clippy::disallowed_methods, reason = "writes frames")]
#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::{CStr, CString};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::ptr;

use fitsio::sys;
use ndarray::Array2;
use tempfile::{NamedTempFile, TempPath};

use super::SynthError;
use super::detector::saturation_adu;
use super::render::Placed;
use super::scene::{Output, Scene};
use super::sequence::Exposure;

/// A header card.
enum Value {
    Number(f64),
    Text(String),
}

/// Name, value and comment.
type Card = (&'static str, Value, &'static str);

/// Writes a frame of pixel values in ADU as a FITS primary image.
pub(super) fn frame(
    path: &Path,
    scene: &Scene,
    exposure: &Exposure,
    adu: &Array2<f64>,
    overwrite: bool,
) -> Result<(), SynthError> {
    let temporary = temporary_beside(path)?.into_temp_path();
    fits_image(&temporary, scene.detector.output, adu, &cards(scene, exposure))
        .map_err(|reason| SynthError::Write { path: path.into(), reason })?;
    put(temporary, path, overwrite)
}

/// Writes text.
pub(super) fn text(path: &Path, content: &str, overwrite: bool) -> Result<(), SynthError> {
    let mut temporary = temporary_beside(path)?;
    temporary
        .write_all(content.as_bytes())
        .map_err(|e| SynthError::Write { path: path.into(), reason: e.to_string() })?;
    put(temporary.into_temp_path(), path, overwrite)
}

/// The sources, cosmic rays and hot pixels of one frame as comma-separated values;
/// positions in FITS pixels. A source's place is where the optical axis point of its
/// PSF falls; with coma the centroid lies beside it.
pub(super) fn source_list(sources: &[Placed]) -> String {
    let mut csv = String::from("kind,id,x,y,flux_electrons\n");
    for s in sources {
        // Writing to a string cannot fail.
        let _ =
            writeln!(csv, "{},{},{:.5},{:.5},{:.3}", s.kind, s.id, s.x + 1.0, s.y + 1.0, s.flux_electrons);
    }
    csv
}

fn temporary_beside(path: &Path) -> Result<NamedTempFile, SynthError> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut builder = tempfile::Builder::new();
    builder.prefix(".unfinished-");
    // Like any new file, rather than private to its owner.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder).map_err(|e| SynthError::Write { path: path.into(), reason: e.to_string() })
}

fn put(temporary: TempPath, path: &Path, overwrite: bool) -> Result<(), SynthError> {
    let placed = if overwrite { temporary.persist(path) } else { temporary.persist_noclobber(path) };
    placed.map_err(|e| match e.error.kind() {
        std::io::ErrorKind::AlreadyExists => SynthError::Exists(PathBuf::from(path)),
        _ => SynthError::Write { path: path.into(), reason: e.error.to_string() },
    })
}

fn cards(scene: &Scene, exposure: &Exposure) -> Vec<Card> {
    let (sequence, detector) = (&scene.sequence, &scene.detector);
    let number = Value::Number;
    let text = |value: &str| Value::Text(value.into());
    let mut cards = vec![
        ("OBJECT", text(&sequence.target), "target"),
        ("FILTER", text(&sequence.filter), "filter"),
        ("BUNIT", text("adu"), "unit of the pixels"),
        ("DATE-OBS", text(&exposure.start.to_string()), "start of the exposure"),
        ("TIMESYS", text("UTC"), "time scale"),
        ("EXPTIME", number(sequence.exposure_s), "[s] exposure time"),
        ("GAIN", number(detector.gain), "[electron/adu] gain"),
        ("RDNOISE", number(detector.read_noise), "[electron] read noise"),
        ("SATURATE", number(saturation_adu(detector)), "[adu] full pixel"),
        ("XBINNING", number(1.0), "binning along x"),
        ("YBINNING", number(1.0), "binning along y"),
    ];
    if let Some(altitude) = exposure.altitude_deg {
        cards.push(("ALTITUDE", number(altitude), "[deg] altitude of the target"));
        if altitude > 0.0 {
            let airmass = 1.0 / altitude.to_radians().sin();
            cards.push(("AIRMASS", number(airmass), "secant of the zenith distance"));
        }
    }
    if let Some(temperature) = exposure.temperature_c {
        cards.push(("TELTEMP", number(temperature), "[Celsius] telescope temperature"));
    }
    if let Some(focus) = exposure.focus_position {
        cards.push(("FOCUS", number(focus), "reading of the focus drive"));
    }
    if sequence.wcs {
        let scale = detector.pixel_arcsec / 3600.0;
        let (sin, cos) = exposure.geometry.rotation_deg.to_radians().sin_cos();
        let [x, y] = exposure.geometry.to_pixel([0.0; 2]);
        cards.extend([
            ("CTYPE1", text("RA---TAN"), "gnomonic projection"),
            ("CTYPE2", text("DEC--TAN"), "gnomonic projection"),
            ("CUNIT1", text("deg"), "unit of axis 1"),
            ("CUNIT2", text("deg"), "unit of axis 2"),
            ("CRVAL1", number(sequence.pointing_deg[0]), "[deg] right ascension"),
            ("CRVAL2", number(sequence.pointing_deg[1]), "[deg] declination"),
            ("CRPIX1", number(x + 1.0), "[pixel] reference pixel"),
            ("CRPIX2", number(y + 1.0), "[pixel] reference pixel"),
            ("CD1_1", number(0.0 - scale * cos), "[deg/pixel]"),
            ("CD1_2", number(0.0 - scale * sin), "[deg/pixel]"),
            ("CD2_1", number(0.0 - scale * sin), "[deg/pixel]"),
            ("CD2_2", number(scale * cos), "[deg/pixel]"),
            ("RADESYS", text("ICRS"), "reference system"),
        ]);
    }
    cards.push(("ORIGIN", text("stackworthy synth"), "simulated frame"));
    cards
}

/// Writes one image with the FITS library. Its own functions are called because its
/// wrapper takes names apart (`x[1].fits`) and lets an error on closing pass.
fn fits_image(path: &Path, output: Output, adu: &Array2<f64>, cards: &[Card]) -> Result<(), String> {
    let c = |text: &str| CString::new(text).map_err(|e| e.to_string());
    let name = c(path.to_str().ok_or("the path is not UTF-8")?)?;
    // The library makes the file itself and refuses one that is there.
    std::fs::remove_file(path).map_err(|e| e.to_string())?;
    let (rows, columns) = adu.dim();
    let mut size = [columns, rows].map(|n| n as std::os::raw::c_long);
    let (image_type, data_type) = match output {
        Output::Integer => (20, 20), // unsigned 16-bit, as BZERO = 32768
        Output::Float => (-32, 42),
    };
    let mut integers: Vec<u16> = Vec::new();
    let mut floats: Vec<f32> = Vec::new();
    let data = match output {
        Output::Integer => {
            integers.extend(adu.iter().map(|&v| v as u16));
            integers.as_mut_ptr().cast()
        }
        Output::Float => {
            floats.extend(adu.iter().map(|&v| v as f32));
            floats.as_mut_ptr().cast()
        }
    };

    let mut file = ptr::null_mut();
    let mut status = 0;
    // SAFETY: every pointer is to a live buffer of the stated length or a
    // NUL-terminated string; the library does nothing once `status` is not zero; the
    // handle stays in this function.
    unsafe {
        sys::ffdkinit(&mut file, name.as_ptr(), &mut status);
        sys::ffcrim(file, image_type, 2, size.as_mut_ptr(), &mut status);
        for (key, value, comment) in cards {
            let (key, comment) = (c(key)?, c(comment)?);
            match value {
                Value::Number(v) => sys::ffpkyd(file, key.as_ptr(), *v, -15, comment.as_ptr(), &mut status),
                Value::Text(v) => {
                    let v = c(v)?;
                    sys::ffpkys(file, key.as_ptr(), v.as_ptr(), comment.as_ptr(), &mut status)
                }
            };
        }
        sys::ffppr(file, data_type, 1, adu.len() as i64, data, &mut status);
        if !file.is_null() {
            // Closing reports its own error (a full disk), kept apart from an earlier one.
            let mut closing = 0;
            sys::ffclos(file, &mut closing);
            if status == 0 {
                status = closing;
            }
        }
        if status == 0 {
            return Ok(());
        }
        let mut message = [0; 81];
        sys::ffgerr(status, message.as_mut_ptr());
        Err(CStr::from_ptr(message.as_ptr()).to_string_lossy().into_owned())
    }
}
