//! Thousands of headers a few bytes away from a sound one, and files cut at every place.

use std::io::Write;
use std::path::Path;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use stackworthy::frame::raw_header::walk;
use stackworthy::frame::{FrameError, read_frame};
use stackworthy::settings::Settings;

use super::maker::{card, facts, file, good, header};
use super::tool::{row, run, verdict};

fn read(path: &Path, bytes: &[u8]) -> Result<(), FrameError> {
    std::fs::write(path, bytes).unwrap();
    let read = read_frame(path, &Settings::default()).map(|_| ());
    if let Err(error) = &read {
        let text = error.to_string();
        assert!(text.starts_with(&*path.to_string_lossy()) && text.ends_with('.'), "{text}");
    }
    read
}

fn small_frame() -> Vec<u8> {
    let more = [card("BSCALE", 1.5), card("BZERO", 100), card("BLANK", -5), card("DATASEC", "'[1:20,1:20]'")];
    file(16, 20, &[facts(1), more.to_vec()].concat(), (0..800).map(|i| (i % 251) as u8).collect())
}

/// A table before the image, as the library passes over it.
fn with_table() -> Vec<u8> {
    let mut bytes = header(&[card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0)]);
    bytes.extend(header(&[
        card("XTENSION", "'BINTABLE'"),
        card("BITPIX", 8),
        card("NAXIS", 2),
        card("NAXIS1", 12),
        card("NAXIS2", 3),
        card("PCOUNT", 0),
        card("GCOUNT", 1),
        card("TFIELDS", 2),
        card("TFORM1", "'1D'"),
        card("TFORM2", "'4A'"),
    ]));
    bytes.resize(bytes.len() + 2880, 0);
    bytes.extend(header(&[
        card("XTENSION", "'IMAGE'"),
        card("BITPIX", 16),
        card("NAXIS", 2),
        card("NAXIS1", 20),
        card("NAXIS2", 20),
        card("PCOUNT", 0),
        card("GCOUNT", 1),
    ]));
    bytes.resize(bytes.len() + 2880, 1);
    bytes
}

/// Numbers that headers should not hold.
const EXTREMES: [&str; 14] = [
    "0",
    "-1",
    "1",
    "2",
    "999",
    "1000",
    "2147483648",
    "4294967296",
    "9223372036854775807",
    "1E30",
    "-0",
    "NaN",
    "'T'",
    "",
];

/// A few changes to the first `bytes` of a file: bits, bytes, cards and numbers.
pub fn mutate(good: &[u8], within: usize, random: &mut StdRng) -> Vec<u8> {
    let mut bytes = good.to_vec();
    for _ in 0..random.random_range(1..4) {
        let at = random.random_range(0..within);
        let start = at / 80 * 80;
        match random.random_range(0..7) {
            0 => bytes[at] ^= 1 << random.random_range(0..8),
            1 => bytes[at] = random.random(),
            2 => bytes[at] = b" '/=0129TFEND-+."[random.random_range(0..16)],
            3 => {
                let other = random.random_range(0..within) / 80 * 80;
                let (a, b) = (bytes[start..start + 80].to_vec(), bytes[other..other + 80].to_vec());
                bytes[start..start + 80].copy_from_slice(&b);
                bytes[other..other + 80].copy_from_slice(&a);
            }
            4 => {
                let other = random.random_range(0..within) / 80 * 80;
                bytes.copy_within(start..start + 80, other);
            }
            5 => {
                bytes.drain(start..start + 80);
                bytes.resize(good.len(), 0);
            }
            _ => {
                let value = EXTREMES[random.random_range(0..EXTREMES.len())];
                bytes[start + 10..start + 30].copy_from_slice(format!("{value:>20.20}").as_bytes());
            }
        }
    }
    bytes
}

#[test]
fn thousands_of_damaged_headers_are_read_or_refused() {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("mutated.fits");
    let mut random = StdRng::seed_from_u64(2031);
    for (good, count) in [(small_frame(), 2500), (with_table(), 2500)] {
        assert!(read(&path, &good).is_ok());
        let within = good.len() - 2880;
        let refused =
            (0..count).filter(|_| read(&path, &mutate(&good, within, &mut random)).is_err()).count();
        // Neither every change nor none is seen.
        assert!((count / 10..count).contains(&refused), "{refused} of {count}");
    }
}

#[test]
fn any_bytes_have_a_structure_or_none() {
    let good = with_table();
    let mut random = StdRng::seed_from_u64(2032);
    for _ in 0..20_000 {
        let bytes = mutate(&good, good.len(), &mut random);
        if let Ok((hdus, end)) = walk(Path::new("any.fits"), &bytes) {
            assert!(!hdus.is_empty() && end % 2880 == 0);
        }
    }
}

/// Where a mandatory card of a table does not read as a plain number, the FITS library goes on
/// with memory that was never set.
#[test]
fn mandatory_cards_of_tables_are_plain() {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("table.fits");
    let good = with_table();
    for (place, bad) in [
        (1, "BITPIX\u{e9} =                    8"),
        (3, "NAXIS1  =                 12.0"),
        (3, "NAXIS1  =                 '12'"),
        (4, "NAXIS2  =                    3 rows"),
        (4, "NAXIS2  =                    3D0"),
        (5, "PCOUNT  =                     "),
        (7, "TFIELDS =                 2.5"),
        (7, "TFIELDS =                 1000"),
        (7, "TFIELDS                      2"),
        (7, "COMMENT TFIELDS"),
    ] {
        let mut bytes = good.clone();
        let start = 2880 + 80 * place;
        let mut card = bad.as_bytes().to_vec();
        card.resize(80, b' ');
        bytes[start..start + 80].copy_from_slice(&card);
        assert!(matches!(read(&path, &bytes), Err(FrameError::Header { hdu: 1, .. })), "{bad}");
    }
}

fn folder() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata-synth/frames")
}

/// Cut at every card, around every record and in the middle of the pixels: only a cut within
/// the last padding leaves a whole frame.
#[test]
fn files_cut_at_every_place() {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("cut.fits");
    let plain = small_frame();
    let tiles = std::fs::read(folder().join("tiles_rice_1.fits.fz")).unwrap();
    let gzipped = {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
        encoder.write_all(&plain).unwrap();
        encoder.finish().unwrap()
    };
    let data_end = 2880 + 800;
    for (what, whole, padding) in
        [("plain", &plain, plain.len() - data_end), ("tiles", &tiles, 2880), ("gzipped", &gzipped, 0)]
    {
        assert!(read(&path, whole).is_ok(), "{what}");
        let odd = (0..whole.len()).step_by(if what == "gzipped" { 1 } else { 80 });
        let borders = (0..whole.len()).step_by(2880).flat_map(|b| [b.saturating_sub(1), b + 1, b + 79]);
        for length in odd.chain(borders).chain([data_end - 1]).filter(|l| *l < whole.len()) {
            let cut = read(&path, &whole[..length]);
            assert!(cut.is_err() || length + padding >= whole.len(), "{what}: {length} of {}", whole.len());
        }
    }
    let whole = read(&path, &plain[..data_end]);
    assert!(whole.is_ok(), "{whole:?}");
}

#[test]
fn cut_frames_are_rows_of_the_verdict() {
    let holder = tempfile::tempdir().unwrap();
    let whole = good(1);
    std::fs::write(holder.path().join("good.fits"), &whole).unwrap();
    let lengths = [0, 1, 79, 80, 2879, 2880, 2881, 5000, 40_000, whole.len() - 2880];
    for length in lengths {
        std::fs::write(holder.path().join(format!("cut-{length}.fits")), &whole[..length]).unwrap();
    }
    let done = run(holder.path(), &["check", ".", "--out", "r"]);
    assert_eq!(done.code, 7, "{}", done.stderr);
    let verdict = verdict(&holder.path().join("r"));
    for length in lengths {
        let row = row(&verdict, &format!("./cut-{length}.fits")).to_string();
        assert!(row.contains("unreadable"), "{row}");
        assert!(row.contains("cut short") || row.contains("not a FITS file"), "{row}");
    }
}

/// A few kilobytes that unpack to gigabytes.
#[test]
fn a_gzipped_file_that_unpacks_without_end() {
    let holder = tempfile::tempdir().unwrap();
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(&small_frame()).unwrap();
    let zeros = vec![0; 1 << 20];
    (0..1500).for_each(|_| encoder.write_all(&zeros).unwrap());
    std::fs::write(holder.path().join("bomb.fits.gz"), encoder.finish().unwrap()).unwrap();
    std::fs::write(holder.path().join("good.fits"), good(1)).unwrap();
    run(holder.path(), &["check", "bomb.fits.gz", "good.fits", "--out", "r"]);
    let text = row(&verdict(&holder.path().join("r")), "bomb.fits.gz").to_string();
    assert!(text.contains("unreadable") && text.contains("unpacked length"), "{text}");
}
