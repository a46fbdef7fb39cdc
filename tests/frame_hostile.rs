//! Files that are damaged or made to harm: each must give a typed error that names the
//! file, and none may end the program.

use std::path::PathBuf;

use proptest::prelude::*;
use stackworthy::frame::{FrameError, read_frame};
use stackworthy::settings::Settings;

/// A header of these cards, padded to whole records.
fn header(cards: &[String]) -> Vec<u8> {
    let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80.80}").into_bytes()).collect();
    bytes.extend(format!("{:<80}", "END").bytes());
    bytes.resize(bytes.len().div_ceil(2880) * 2880, b' ');
    bytes
}

fn card(key: &str, value: impl std::fmt::Display) -> String {
    format!("{key:<8}= {value:>20}")
}

/// A primary of this BITPIX and these axes, with further cards and zeros for data.
fn image(bitpix: i64, axes: &[&str], more: &[String], data: usize) -> Vec<u8> {
    let mut cards = vec![card("SIMPLE", "T"), card("BITPIX", bitpix), card("NAXIS", axes.len())];
    cards.extend(axes.iter().enumerate().map(|(i, n)| card(&format!("NAXIS{}", i + 1), n)));
    cards.extend_from_slice(more);
    let mut bytes = header(&cards);
    bytes.resize(bytes.len() + data, 0);
    bytes
}

fn read(bytes: &[u8]) -> Result<stackworthy::frame::Frame, FrameError> {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("hostile.fits");
    std::fs::write(&path, bytes).unwrap();
    let result = read_frame(&path, &Settings::default());
    if let Err(error) = &result {
        let text = error.to_string();
        assert!(text.contains("hostile.fits"), "{text}");
        assert!(text.len() > 60 && text.ends_with('.'), "no remedy: {text}");
    }
    result
}

fn error(bytes: &[u8]) -> String {
    read(bytes).err().map(|e| e.to_string()).expect("an error")
}

#[test]
fn too_many_axes() {
    for naxis in [10, 100, 200, 999, 1_000_000, -1] {
        let mut cards = vec![card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", naxis)];
        cards.extend((1..=naxis.clamp(0, 999)).map(|n| card(&format!("NAXIS{n}"), 1)));
        let text = error(&header(&cards));
        assert!(text.contains("NAXIS") && text.contains(&naxis.to_string()), "{text}");
    }
}

#[test]
fn a_scale_that_leads_out_of_single_precision_leaves_gaps() {
    let mut bytes = image(16, &["10", "10"], &[card("BSCALE", "1E40")], 2880);
    let data = bytes.len() - 2880;
    bytes[data + 1] = 1;
    let frame = read(&bytes).unwrap();
    assert!(frame.pixels.at(0, 0).is_nan() && frame.pixels.at(0, 1) == 0.0);
}

#[test]
fn axes_larger_than_the_file() {
    for side in ["1000000", "4294967296", "9223372036854775807", "99999999999999999999", "-5"] {
        let text = error(&image(16, &[side, side], &[], 2880));
        assert!(text.contains("cut short") || text.contains("NAXIS"), "{text}");
    }
}

#[test]
fn a_scale_that_erases_the_pixels() {
    let text = error(&image(16, &["10", "10"], &[card("BSCALE", "0.0")], 2880));
    assert!(text.contains("BSCALE") && text.contains("zero"), "{text}");
    let text = error(&image(16, &["10", "10"], &[card("BZERO", "'much'")], 2880));
    assert!(text.contains("BZERO"), "{text}");
    let text = error(&image(16, &["10", "10"], &[card("BSCALE", 1), card("BSCALE", 2)], 2880));
    assert!(text.contains("BSCALE") && text.contains("1 and 2"), "{text}");
}

#[test]
fn cut_files() {
    let whole = image(16, &["100", "100"], &[], 20160);
    for length in [1, 80, 2879, 2880, 3000, 2880 + 19999] {
        assert!(read(&whole[..length]).is_err(), "{length} bytes");
    }
    assert!(matches!(read(&whole[..10_000]), Err(FrameError::Truncated { needs: 22880, has: 10_000, .. })));
    // A second extension that is cut short is not passed over in silence.
    let mut two = image(16, &["10", "10"], &[], 2880);
    let cards = [
        card("XTENSION", "'IMAGE   '"),
        card("BITPIX", 16),
        card("NAXIS", 2),
        card("NAXIS1", 100),
        card("NAXIS2", 100),
        card("PCOUNT", 0),
        card("GCOUNT", 1),
    ];
    two.extend(header(&cards));
    assert!(matches!(read(&two), Err(FrameError::Truncated { hdu: 1, .. })));
    let length = two.len() - 2000;
    assert!(matches!(read(&two[..length]), Err(FrameError::Truncated { hdu: 1, .. })));
}

#[test]
fn no_fits_at_all() {
    assert!(matches!(read(b""), Err(FrameError::NotFits { .. })));
    assert!(matches!(read(b"PNG and so on"), Err(FrameError::NotFits { .. })));
    assert!(matches!(read(&[0xff; 5760]), Err(FrameError::NotFits { .. })));
    assert!(matches!(read(&[0x1f, 0x8b, 8, 0, 1, 2, 3]), Err(FrameError::Gzip { .. })));
    let folder = tempfile::tempdir().unwrap();
    let is_folder = read_frame(folder.path(), &Settings::default());
    assert!(matches!(is_folder, Err(FrameError::NotAFile { .. })));
    let absent = read_frame(&folder.path().join("absent.fits"), &Settings::default());
    assert!(matches!(absent, Err(FrameError::Read { .. })));
}

#[test]
fn cards_out_of_order_or_missing() {
    let swapped = [card("SIMPLE", "T"), card("NAXIS", 0), card("BITPIX", 8)];
    assert!(error(&header(&swapped)).contains("BITPIX"));
    let odd = [card("SIMPLE", "T"), card("BITPIX", 17), card("NAXIS", 0)];
    assert!(error(&header(&odd)).contains("17"));
    let endless = vec![b' '; 2880 * 10];
    let mut bytes = b"SIMPLE  =                    T".to_vec();
    bytes.extend(endless);
    assert!(read(&bytes).is_err());
}

/// A one-tile Rice image of 10 x 10, its cards changed by `change`.
fn tiles(change: &[(&str, &str)]) -> Vec<u8> {
    let mut cards: Vec<(String, String)> = [
        ("XTENSION", "'BINTABLE'"),
        ("BITPIX", "8"),
        ("NAXIS", "2"),
        ("NAXIS1", "8"),
        ("NAXIS2", "10"),
        ("PCOUNT", "60"),
        ("GCOUNT", "1"),
        ("TFIELDS", "1"),
        ("TTYPE1", "'COMPRESSED_DATA'"),
        ("TFORM1", "'1PB(6)'"),
        ("ZIMAGE", "T"),
        ("ZBITPIX", "16"),
        ("ZNAXIS", "2"),
        ("ZNAXIS1", "10"),
        ("ZNAXIS2", "10"),
        ("ZTILE1", "10"),
        ("ZTILE2", "1"),
        ("ZCMPTYPE", "'RICE_1'"),
        ("ZNAME1", "'BLOCKSIZE'"),
        ("ZVAL1", "32"),
        ("ZNAME2", "'BYTEPIX'"),
        ("ZVAL2", "2"),
    ]
    .map(|(k, v)| (k.to_string(), v.to_string()))
    .into();
    for (key, value) in change {
        match cards.iter_mut().find(|c| c.0 == *key) {
            Some(card) => card.1 = value.to_string(),
            None => cards.push((key.to_string(), value.to_string())),
        }
    }
    let cards: Vec<String> = cards.iter().map(|(k, v)| card(k, v)).collect();
    let mut bytes = image(8, &[], &[], 0);
    bytes.extend(header(&cards));
    let start = bytes.len();
    for row in 0..10u32 {
        bytes.extend(6u32.to_be_bytes());
        bytes.extend((6 * row).to_be_bytes());
    }
    // First value 7, then a block of no differences.
    bytes.extend([0u8, 7, 0, 0, 0, 0].repeat(10));
    bytes.resize(start + 2880, 0);
    bytes
}

#[test]
fn sound_tiles_are_read() {
    let frame = read(&tiles(&[])).unwrap();
    assert!(frame.pixels.iter().all(|v| v == 7.0), "{:?}", frame.pixels);
}

#[test]
fn tiles_that_contradict_themselves() {
    for change in [
        &[("ZTILE1", "0")][..],
        &[("ZTILE1", "-10")],
        &[("ZTILE1", "1000000"), ("ZTILE2", "1000000")],
        &[("ZNAXIS1", "1000000"), ("ZNAXIS2", "1000000")],
        &[("ZNAXIS", "300")],
        &[
            ("ZNAXIS", "7"),
            ("ZNAXIS3", "1"),
            ("ZNAXIS4", "1"),
            ("ZNAXIS5", "1"),
            ("ZNAXIS6", "1"),
            ("ZNAXIS7", "1"),
        ],
        &[("ZNAXIS2", "11")],
        &[("ZBITPIX", "12")],
        &[("ZCMPTYPE", "'MAGIC'")],
        &[("ZVAL1", "1000000000")],
        &[("ZVAL2", "0")],
        &[("TFORM1", "'1PB(6'"), ("NAXIS1", "16")],
        &[("TFORM1", "''")],
        &[("TFORM1", "'99999999999PB'")],
        &[("TTYPE1", "'OTHER'")],
        &[("THEAP", "79")],
        &[("THEAP", "100000")],
        &[("TFIELDS", "100000")],
        &[("ZCMPTYPE", "'HCOMPRESS_1'")],
        &[("ZCMPTYPE", "'PLIO_1'"), ("TFORM1", "'1PI(6)'")],
        &[("ZCMPTYPE", "'GZIP_1'")],
    ] {
        assert!(read(&tiles(change)).is_err(), "{change:?}");
    }
}

#[test]
fn descriptors_outside_the_heap() {
    let sound = tiles(&[]);
    let table = sound.len() - 2880;
    for (at, value) in [(0, u32::MAX), (4, u32::MAX), (0, 1_000_000), (4, 60), (0, 1)] {
        let mut bytes = sound.clone();
        bytes[table + at..table + at + 4].copy_from_slice(&value.to_be_bytes());
        assert!(matches!(read(&bytes), Err(FrameError::Tile { .. })), "{at}: {value}");
    }
}

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/frames")
}

/// A stream that lacks its last byte is never handed to a decoder, which would read past it.
#[test]
fn streams_without_their_last_byte() {
    for name in
        ["tiles_rice_1.fits.fz", "tiles_hcompress_1.fits.fz", "tiles_plio_1.fits", "tiles_unsigned.fits"]
    {
        let mut bytes = std::fs::read(folder().join(name)).unwrap();
        assert!(read(&bytes).is_ok(), "{name}");
        // The table follows the header of the first extension: its first descriptor's count.
        let headers = bytes.chunks(80).scan(0, |ends, card| {
            *ends += usize::from(card.starts_with(b"END     "));
            Some(*ends)
        });
        let cards = headers.take_while(|ends| *ends < 2).count();
        let table = (80 * cards).div_ceil(2880) * 2880;
        let count = u32::from_be_bytes(bytes[table..table + 4].try_into().unwrap());
        assert!((4..100_000).contains(&count), "{name}: {count}");
        bytes[table..table + 4].copy_from_slice(&(count - 1).to_be_bytes());
        assert!(matches!(read(&bytes), Err(FrameError::Tile { .. })), "{name}");
    }
}

/// Found by fuzzing: where a card of the compression does not read, the library takes a block size from memory
/// that was never set and asks for as much.
#[test]
fn damaged_cards_of_a_compression() {
    let good = std::fs::read(folder().join("tiles_rice_1.fits.fz")).unwrap();
    for (key, damaged) in [
        ("ZVAL1   = ", &b"ZVAL1   =\x0b"[..]),
        ("ZVAL1   = ", b"ZVAL1   =1"),
        ("ZTILE1  = ", b"ZTILE1  = x"),
        ("ZNAXIS1 = ", b"ZNAXIS1 = 1e"),
        ("ZBITPIX = ", b"ZBITPIX = T"),
    ] {
        let at = good.windows(10).position(|w| w == key.as_bytes()).unwrap();
        let mut bytes = good.clone();
        bytes[at..at + damaged.len()].copy_from_slice(damaged);
        let text = error(&bytes);
        assert!(text.contains(key[..8].trim()), "{text}");
    }
}

/// Any prefix of a good file, and any file with bytes changed, is read or refused.
#[test]
fn damaged_copies_of_good_files_never_end_the_program() {
    use rand::{RngExt, SeedableRng};
    let mut random = rand::rngs::StdRng::seed_from_u64(5);
    for name in [
        "bitpix16.fits",
        "several.fits",
        "scaled_blank.fits",
        "packed.fits.gz",
        "tiles_rice_1.fits.fz",
        "tiles_gzip_2.fits.fz",
        "tiles_hcompress_1.fits.fz",
        "tiles_plio_1.fits",
        "tiles_quantised_dithered.fits",
        "tiles_lossless_float.fits",
    ] {
        let good = std::fs::read(folder().join(name)).unwrap();
        for _ in 0..60 {
            let mut bytes = good.clone();
            for _ in 0..random.random_range(1..20) {
                let at = random.random_range(0..bytes.len());
                bytes[at] = random.random();
            }
            let _ = read(&bytes);
            let _ = read(&good[..random.random_range(0..good.len())]);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever a header says of the exposure, a sound image is read; what cannot be
    /// understood is missing, and no fact is a number that is not finite.
    #[test]
    fn any_words_in_the_header(values in proptest::collection::vec("[ -~]{0,30}", 24)) {
        let keys = [
            "EXPTIME", "DATE-OBS", "TIME-OBS", "MJD-OBS", "GAIN", "RDNOISE", "SATURATE", "FILTER", "RA", "DEC", "TELALT",
            "CCD-TEMP", "FOCUS", "XBINNING", "CCDSUM", "DATASEC", "TIMESYS", "JD", "DATE-AVG", "PIXSCALE", "DATE-END",
            "UT", "ZD", "FOCALLEN",
        ];
        let cards: Vec<String> = keys.iter().zip(&values).map(|(k, v)| format!("{k:<8}= {v}")).collect();
        match read(&image(16, &["20", "20"], &cards, 2880)) {
            Err(e) => prop_assert!(matches!(e, FrameError::ColourMosaic { .. }), "{e}"),
            Ok(frame) => {
                let f = &frame.facts;
                let numbers = [f.mjd_mid, f.exposure_s, f.gain, f.read_noise, f.ra_deg, f.dec_deg, f.altitude_deg, f.focus];
                prop_assert!(numbers.iter().flatten().all(|v| v.is_finite()), "{f:?}");
            }
        }
    }

    /// Numbers and dates near the right form, as a damaged header holds them.
    #[test]
    fn any_date_of_nearly_the_right_form(date in "'?[0-9]{1,5}[-/][0-9]{1,3}[-/][0-9]{1,3}[T ]?[0-9:.+-]{0,14}'?") {
        let cards = [format!("DATE-OBS= {date}"), card("EXPTIME", 10)];
        prop_assert!(read(&image(16, &["20", "20"], &cards, 2880)).is_ok());
    }
}
