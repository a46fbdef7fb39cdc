//! Frames of every kind, written by astropy (scripts/make_frames.py), must come out with
//! the pixels astropy put in.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;

use serde::Deserialize;
use stackworthy::frame::hash::FrameHash;
use stackworthy::frame::{Frame, FrameError, Region, read_frame};
use stackworthy::settings::Settings;

#[derive(Deserialize)]
struct Expected {
    height: usize,
    width: usize,
    pixels: Option<Vec<Option<f64>>>,
    #[serde(default)]
    tolerance: f64,
    #[serde(default, deserialize_with = "told")]
    quantum: Told<f64>,
    usable: Option<[usize; 4]>,
    saturation: Option<f64>,
    second: Option<Vec<Option<f64>>>,
    masked: Option<Vec<[usize; 2]>>,
    masked_bit_2: Option<Vec<[usize; 2]>>,
    weightless: Option<Vec<[usize; 2]>>,
}

/// Absent, or a value that may be null.
type Told<T> = Option<Option<T>>;

fn told<'de, D: serde::Deserializer<'de>>(d: D) -> Result<Told<f64>, D::Error> {
    Option::<f64>::deserialize(d).map(Some)
}

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/frames")
}

fn expected() -> BTreeMap<String, Expected> {
    let text = std::fs::read_to_string(folder().join("expected.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

fn read(name: &str, settings: &Settings) -> Result<Frame, FrameError> {
    read_frame(&folder().join(name), settings)
}

/// Pixels that masks and weights rule out, which `masks_and_weights_rule_pixels_out` holds exactly.
fn ruled_out(want: &Expected) -> Vec<[usize; 2]> {
    [&want.masked, &want.weightless].into_iter().flatten().flatten().copied().collect()
}

fn assert_pixels(name: &str, frame: &Frame, want: &[Option<f64>], tolerance: f64, ruled_out: &[[usize; 2]]) {
    assert_eq!(frame.pixels.len(), want.len(), "{name}");
    for ((at, got), want) in frame.pixels.indexed_iter().zip(want) {
        match want {
            None => assert!(got.is_nan() && frame.is_bad(at.0, at.1), "{name} {at:?}: {got} for no value"),
            Some(_) if ruled_out.contains(&[at.0, at.1]) => assert!(got.is_nan(), "{name} {at:?}: {got}"),
            Some(want) => {
                let same = got == *want as f32 || f64::from((got - *want as f32).abs()) < tolerance;
                assert!(same, "{name} {at:?}: {got} for {want}");
            }
        }
    }
}

#[test]
fn every_kind_of_file_gives_the_pixels_that_were_written() {
    let all = expected();
    assert!(all.len() > 30);
    for (name, want) in &all {
        let frame = read(name, &Settings::default()).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(frame.pixels.dim(), (want.height, want.width), "{name}");
        if let Some(pixels) = &want.pixels {
            assert_pixels(name, &frame, pixels, want.tolerance, &ruled_out(want));
        }
        if let Some(quantum) = want.quantum {
            assert_eq!(frame.quantum, quantum, "{name}");
        }
        if let Some([x0, x1, y0, y1]) = want.usable {
            assert_eq!(frame.usable, Region { x0, x1, y0, y1 }, "{name}");
        }
        if want.saturation.is_some() {
            assert_eq!(frame.saturation, want.saturation, "{name}");
        }
    }
}

#[test]
fn outside_the_usable_region_every_pixel_is_bad() {
    let frame = read("detector.fits", &Settings::default()).unwrap();
    let u = frame.usable;
    for ((y, x), _) in frame.pixels.indexed_iter() {
        let inside = (u.x0..u.x1).contains(&x) && (u.y0..u.y1).contains(&y);
        assert_eq!(frame.is_bad(y, x), !inside, "x {x}, y {y}");
    }
    assert!(frame.notes.iter().any(|n| n.contains("usable region")), "{:?}", frame.notes);
    assert!(frame.notes.iter().any(|n| n.contains("pile up at 4095")), "{:?}", frame.notes);
}

#[test]
fn settings_of_the_detector_win() {
    let mut settings = Settings::default();
    settings.detector.usable = Some([2, 100, 3, 90]);
    settings.detector.saturation = Some(5000.0);
    let frame = read("detector_header.fits", &settings).unwrap();
    assert_eq!(frame.usable, Region { x0: 1, x1: 100, y0: 2, y1: 90 });
    assert_eq!(frame.saturation, Some(5000.0));
    assert!(frame.notes.iter().any(|n| n.contains("SATURATE = 60000")), "{:?}", frame.notes);

    settings.detector.usable = Some([2, 1000, 3, 90]);
    let error = read("detector_header.fits", &settings).unwrap_err().to_string();
    assert!(error.contains("usable") && error.contains("1000") && error.contains("160"), "{error}");
}

#[test]
fn the_header_of_the_primary_counts_for_the_extension() {
    let frame = read("several.fits", &Settings::default()).unwrap();
    assert_eq!(frame.facts.exposure_s, Some(30.0));
    assert_eq!(frame.facts.filter.as_deref(), Some("r"));
    assert_eq!(frame.facts.gain, Some(1.7));
}

#[test]
fn the_first_image_is_used_and_the_others_named() {
    let all = expected();
    let frame = read("several.fits", &Settings::default()).unwrap();
    let note = frame.notes.iter().find(|n| n.contains("The image is")).unwrap();
    assert!(
        note.contains("3 (SCI)") && note.contains("4 (SCI)") && note.contains("[header] image"),
        "{note}"
    );

    let mut settings = Settings::default();
    settings.header.image = Some("4".into());
    let second = read("several.fits", &settings).unwrap();
    assert_pixels(
        "second",
        &second,
        all["several.fits"].second.as_ref().unwrap(),
        0.0,
        &ruled_out(&all["several.fits"]),
    );
    settings.header.image = Some("sci".into());
    assert_pixels(
        "by name",
        &read("several.fits", &settings).unwrap(),
        all["several.fits"].pixels.as_ref().unwrap(),
        0.0,
        &ruled_out(&all["several.fits"]),
    );
    settings.header.image = Some("NOPE".into());
    let error = read("several.fits", &settings).unwrap_err().to_string();
    assert!(error.contains("NOPE") && error.contains("3 (SCI): 17 x 12"), "{error}");
}

fn bad_pixels(frame: &Frame) -> Vec<[usize; 2]> {
    frame.pixels.indexed_iter().filter(|(at, _)| frame.is_bad(at.0, at.1)).map(|((y, x), _)| [y, x]).collect()
}

#[test]
fn masks_and_weights_rule_pixels_out() {
    let all = expected();
    let want = &all["several.fits"];
    let merged = |a: &Option<Vec<[usize; 2]>>, b: &Option<Vec<[usize; 2]>>| {
        let mut all = [a.clone().unwrap(), b.clone().unwrap()].concat();
        all.sort_unstable();
        all
    };
    let frame = read("several.fits", &Settings::default()).unwrap();
    assert_eq!(bad_pixels(&frame), merged(&want.masked, &want.weightless));
    assert!(frame.notes.iter().any(|n| n.contains("5 (MASK)")), "{:?}", frame.notes);

    let mut settings = Settings::default();
    settings.header.mask_bits = Some(2);
    let frame = read("several.fits", &settings).unwrap();
    assert_eq!(bad_pixels(&frame), merged(&want.masked_bit_2, &want.weightless));
}

#[test]
fn a_mask_that_rules_out_most_pixels_is_only_used_when_asked() {
    let frame = read("inverted_mask.fits", &Settings::default()).unwrap();
    assert!(bad_pixels(&frame).is_empty());
    assert!(frame.notes.iter().any(|n| n.contains("not used")), "{:?}", frame.notes);
    let mut settings = Settings::default();
    settings.header.mask = Some("MASK".into());
    let frame = read("inverted_mask.fits", &settings).unwrap();
    assert_eq!(bad_pixels(&frame).len(), 17 * 12 - 3);
}

#[test]
fn a_mask_of_another_shape_is_noted_and_refused_when_asked_for() {
    let frame = read("wrong_mask.fits", &Settings::default()).unwrap();
    assert!(bad_pixels(&frame).is_empty());
    assert!(frame.notes.iter().any(|n| n.contains("17 x 5") && n.contains("not used")), "{:?}", frame.notes);
    let mut settings = Settings::default();
    settings.header.mask = Some("BAD".into());
    let error = read("wrong_mask.fits", &settings).unwrap_err();
    assert!(matches!(error, FrameError::Shape { .. }), "{error}");
    assert!(error.to_string().contains("17 x 5") && error.to_string().contains("17 x 12"), "{error}");
}

#[test]
fn what_is_no_plain_frame_is_refused_by_name() {
    let refused = |name: &str| read(name, &Settings::default()).unwrap_err();
    assert!(matches!(refused("colour_planes.fits"), FrameError::ColourPlanes { .. }));
    assert!(matches!(refused("cube.fits"), FrameError::NotTwoDimensional { .. }));
    assert!(matches!(refused("nothing_but_nan.fits"), FrameError::NoPixels { .. }));
    assert!(matches!(refused("table_only.fits"), FrameError::NoImage { .. }));
    let error = refused("mosaic.fits");
    assert!(matches!(&error, FrameError::ColourMosaic { pattern, .. } if pattern == "RGGB"));
    assert!(error.to_string().contains("accept_colour_mosaic"), "{error}");

    let mut settings = Settings::default();
    settings.detector.accept_colour_mosaic = true;
    let frame = read("mosaic.fits", &settings).unwrap();
    assert_eq!(frame.facts.colour_mosaic.as_deref(), Some("RGGB"));
    assert!(frame.notes.iter().any(|n| n.contains("colour mosaic")), "{:?}", frame.notes);
}

/// The file as it lies on disk is hashed: packed or not, in strips or whole. The hash itself is held against its reference
/// library where it is made, `frame::hash`.
#[test]
fn the_hash_is_that_of_the_file_on_disk() {
    let holder = tempfile::tempdir().unwrap();
    let several = holder.path().join("several.fits.gz");
    std::fs::write(&several, gzipped(&std::fs::read(folder().join("several.fits")).unwrap())).unwrap();
    let here = ["bitpix16.fits", "packed.fits.gz", "several.fits", "tiles_rice_1.fits.fz"];
    for path in here.map(|name| folder().join(name)).into_iter().chain([several]) {
        let frame = read_frame(&path, &Settings::default()).unwrap();
        let mut hash = FrameHash::default();
        hash.add(&std::fs::read(&path).unwrap());
        assert_eq!(frame.xxh3, hash.hex(), "{}", path.display());
    }
}

fn gzipped(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// In one member or two, and with an extension behind the image, a gzipped frame is the plain one; damaged, it is
/// refused.
#[test]
fn a_gzipped_frame_is_the_plain_one() {
    let holder = tempfile::tempdir().unwrap();
    let read_as = |name: &str, bytes: &[u8]| {
        let path = holder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        read_frame(&path, &Settings::default())
    };
    for name in ["bitpix16.fits", "several.fits", "detector.fits", "inverted_mask.fits"] {
        let bytes = std::fs::read(folder().join(name)).unwrap();
        let plain = read(name, &Settings::default()).unwrap();
        let (first, rest) = bytes.split_at(bytes.len() / 3);
        let members = [gzipped(first), gzipped(rest)].concat();
        for (kind, packed) in [("one", gzipped(&bytes)), ("two", members)] {
            let frame = read_as("packed.fits.gz", &packed).unwrap();
            let same = frame
                .pixels
                .iter()
                .zip(plain.pixels.iter())
                .all(|(a, b)| a == b || (a.is_nan() && b.is_nan()));
            assert!(same && frame.pixels.dim() == plain.pixels.dim(), "{name}, {kind}");
            assert_eq!((frame.usable, frame.quantum), (plain.usable, plain.quantum), "{name}, {kind}");
        }
        let mut wrong = gzipped(&bytes);
        let checksum = wrong.len() - 8;
        wrong[checksum] ^= 1;
        assert!(matches!(read_as("wrong.fits.gz", &wrong), Err(FrameError::Gzip { .. })), "{name}");
        let cut = &gzipped(&bytes)[..gzipped(&bytes).len() - 9];
        assert!(read_as("cut.fits.gz", cut).is_err(), "{name}");
    }
}

#[test]
fn a_file_without_its_last_padding_is_whole() {
    let bytes = std::fs::read(folder().join("bitpix16.fits")).unwrap();
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("unpadded.fits");
    std::fs::write(&path, &bytes[..2880 + 2 * 17 * 12]).unwrap();
    let frame = read_frame(&path, &Settings::default()).unwrap();
    assert_pixels("unpadded", &frame, expected()["bitpix16.fits"].pixels.as_ref().unwrap(), 0.0, &[]);
    assert!(frame.notes.iter().any(|n| n.contains("padding")), "{:?}", frame.notes);
}

#[test]
fn a_name_the_library_would_interpret_is_only_a_name() {
    let holder = tempfile::tempdir().unwrap();
    for name in ["a[1].fits", "b+1.fits", "c(2).fits", "d @e.fits", "mem:.fits"] {
        let path = holder.path().join(name);
        std::fs::copy(folder().join("bitpix16.fits"), &path).unwrap();
        assert!(read_frame(&path, &Settings::default()).is_ok(), "{name}");
    }
    // A missing file is missing, though its packed twin is there.
    std::fs::copy(folder().join("packed.fits.gz"), holder.path().join("twin.fits.gz")).unwrap();
    let error = read_frame(&holder.path().join("twin.fits"), &Settings::default()).unwrap_err();
    assert!(matches!(error, FrameError::Read { .. }), "{error}");
}

#[test]
fn frames_cross_threads() {
    fn sendable<T: Send + Sync>() {}
    sendable::<Frame>();
    sendable::<FrameError>();
}
