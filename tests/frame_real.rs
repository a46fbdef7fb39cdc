//! Frames from real telescopes, where they lie beside the project; skipped where they do not.
//! `STACKWORTHY_REALDATA` names another folder.

use std::path::PathBuf;

use stackworthy::frame::{Frame, FrameError, expand_inputs, read_frame};
use stackworthy::settings::Settings;

/// The folder of real frames, None where there is none.
fn folder() -> Option<PathBuf> {
    let beside = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../shared/realdata");
    let path = std::env::var_os("STACKWORTHY_REALDATA").map_or(beside, PathBuf::from);
    path.is_dir().then_some(path)
}

fn read_all(series: PathBuf) -> Vec<Frame> {
    let names = expand_inputs(&[series.to_string_lossy().into_owned()]).unwrap();
    names
        .iter()
        .map(|n| read_frame(n.as_ref(), &Settings::default()).unwrap_or_else(|e| panic!("{e}")))
        .collect()
}

#[test]
fn every_compression_holds_the_same_picture() {
    let Some(folder) = folder() else { return };
    let read = |name: &str| {
        let path = folder.join("odd/tile_compressed").join(name);
        read_frame(&path, &Settings::default()).unwrap_or_else(|e| panic!("{e}"))
    };
    let plain = read("m13.fits");
    assert_eq!(plain.pixels.dim(), (300, 300));
    for name in ["m13_rice.fits", "m13_gzip.fits", "m13_hcomp.fits", "m13_plio.fits"] {
        let packed = read(name);
        assert!(packed.pixels.iter().eq(plain.pixels.iter()), "{name}");
        assert_eq!(packed.wcs, plain.wcs, "{name}");
        assert_eq!(packed.quantum, plain.quantum, "{name}");
    }
    assert!((plain.wcs.as_ref().unwrap().pixel_scale_arcsec() - 0.99972).abs() < 1e-5);
    let hollow = read("compressed_with_nan.fits");
    let empty = hollow.pixels.iter().filter(|v| v.is_nan()).count();
    assert!(empty > 0 && empty < hollow.pixels.len());
    assert!(hollow.pixels.iter().filter(|v| v.is_finite()).all(|v| v.abs() < 1e6));
}

#[test]
fn a_colour_mosaic_is_named() {
    let Some(folder) = folder() else { return };
    let error = read_frame(&folder.join("odd/unsolved.fits"), &Settings::default()).unwrap_err();
    assert!(matches!(&error, FrameError::ColourMosaic { pattern, .. } if pattern == "RGGB"), "{error}");
    let mut settings = Settings::default();
    settings.detector.accept_colour_mosaic = true;
    assert!(read_frame(&folder.join("odd/unsolved.fits"), &settings).is_ok());
}

#[test]
fn the_first_series() {
    let Some(folder) = folder() else { return };
    let frames = read_all(folder.join("series-a"));
    assert_eq!(frames.len(), 72);
    for frame in &frames {
        let name = frame.path.display();
        assert_eq!(frame.pixels.dim(), (500, 650), "{name}");
        assert_eq!(frame.quantum, Some(1.0), "{name}");
        assert_eq!(frame.saturation, Some(4095.0), "{name}");
        // Dark rows at one edge only.
        assert!((2..=14).contains(&frame.usable.y0), "{name}: {:?}", frame.usable);
        assert_eq!(frame.usable.y1, 500, "{name}: {:?}", frame.usable);
        let f = &frame.facts;
        assert_eq!((f.exposure_s, f.filter.as_deref()), (Some(60.0), Some("Clear")), "{name}");
        assert_eq!(f.pixel_arcsec, Some(5.21), "{name}");
        let (ra, dec) = (f.ra_deg.unwrap(), f.dec_deg.unwrap());
        assert!((ra - 31.3).abs() < 0.3 && (dec - 46.8).abs() < 0.3, "{name}: {ra} {dec}");
        let camera = f.housekeeping["CAMTEMP"];
        assert!((-10.0..10.0).contains(&camera), "{name}: {camera}");
        assert!(f.focus.unwrap() > 1000.0 && f.altitude_deg.unwrap() > 10.0, "{name}");
        // The name tells the start in UTC: ...DDhhmmss at its end.
        let stem = frame.path.file_stem().unwrap().to_string_lossy().into_owned();
        let clock = &stem[stem.len() - 6..];
        let told: Vec<f64> = (0..3).map(|i| clock[2 * i..2 * i + 2].parse().unwrap()).collect();
        let start_s = told[0] * 3600.0 + told[1] * 60.0 + told[2];
        let middle_s = f.mjd_mid.unwrap().fract() * 86400.0;
        assert!((middle_s - start_s - 30.0).abs() < 2.0, "{name}: {middle_s} {start_s}");
        assert!(!frame.notes.iter().any(|n| n.contains("differ")), "{name}: {:?}", frame.notes);
    }
}

#[test]
fn the_second_series() {
    let Some(folder) = folder() else { return };
    let frames = read_all(folder.join("series-b"));
    assert_eq!(frames.len(), 11);
    for frame in &frames {
        let name = frame.path.display();
        assert_eq!(frame.pixels.dim(), (1024, 1536), "{name}");
        let f = &frame.facts;
        assert_eq!((f.gain, f.binning), (Some(1.5), Some([1, 1])), "{name}");
        assert_eq!((f.ra_deg, f.dec_deg), (None, None), "{name}");
        assert!((f.housekeeping["CCD-TEMP"] + 9.9).abs() < 0.3, "{name}");
        assert_eq!(frame.quantum, Some(1.0), "{name}");
        assert!(frame.pixels.iter().all(|v| v >= 0.0), "{name}");
    }
    let first = &frames[0].facts;
    assert_eq!(first.time.as_deref(), Some("2024-09-23T19:29:34.525Z"));
    assert_eq!((first.exposure_s, first.filter.as_deref()), (Some(20.0), Some("black")));
    let last = &frames[10].facts;
    assert_eq!((last.exposure_s, last.filter.as_deref()), (Some(30.0), Some("Red")));
}
