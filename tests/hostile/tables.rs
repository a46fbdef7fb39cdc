//! Star tables that lie: their checksums are right, what they say is not.

use std::path::Path;

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use stackworthy::frame::{ExposureFacts, Region};
use stackworthy::moments::{HigherMoments, Shape};
use stackworthy::settings::Settings;
use stackworthy::stars::Star;
use stackworthy::table::{self, StarTable, TableError};
use stackworthy::verdict::judge;

use super::headers::mutate;
use super::tool::{assert_schema, row, run, verdict};

fn shape(size: f64, e1: f64) -> Shape {
    Shape {
        mxx: 0.5 * size * (1.0 + e1),
        myy: 0.5 * size * (1.0 - e1),
        mxy: 0.0,
        size,
        size_err: 0.02,
        e1,
        e2: 0.0,
        e_err: 0.004,
        size_response: 0.2,
        e_response: 0.2,
    }
}

fn star(k: usize, random: &mut StdRng) -> Star {
    let shape = shape(3.4 + 0.02 * random.random::<f64>(), 0.01 * random.random::<f64>());
    let higher = HigherMoments {
        coma1: 0.01,
        coma2: 0.0,
        coma_err: 0.01,
        trefoil1: 0.0,
        trefoil2: 0.0,
        trefoil_err: 0.01,
        kurtosis: 2.0,
        kurtosis_err: 0.05,
    };
    Star {
        x: 30.0 + (197 * k % 940) as f64,
        y: 30.0 + (331 * k % 940) as f64,
        sky: Some([10.0 + 1e-5 * (197 * k % 940) as f64, -5.0 + 1e-5 * (331 * k % 940) as f64]),
        flux: 1e5 - 100.0 * k as f64,
        flux_err: 200.0,
        snr: 500.0,
        adaptive: Some(shape),
        ladder: [Some(shape); 6].into(),
        higher: Some(Box::new(higher)),
        contamination: 0.0,
        refused: None,
        cutout: Some(Box::new(ndarray::Array2::from_elem((5, 5), 10.0))),
        cutout_mask: Some(Box::new(ndarray::Array2::from_elem((5, 5), false))),
    }
}

fn star_table(number: usize, stars: usize) -> StarTable {
    let mut random = StdRng::seed_from_u64(number as u64);
    StarTable {
        file: format!("frame-{number}.fits"),
        frame_xxh3: format!("{number:032}"),
        settings_sha256: Settings::default().measurement_sha256(),
        version: env!("CARGO_PKG_VERSION").into(),
        width: 1000,
        height: 1000,
        usable: Region { x0: 0, x1: 1000, y0: 0, y1: 1000 },
        facts: ExposureFacts {
            exposure_s: Some(60.0),
            mjd_mid: Some(62000.0 + 0.001 * number as f64),
            pixel_arcsec: Some(0.1),
            ..ExposureFacts::default()
        },
        sky_level: 100.0,
        sky_noise: 5.0,
        sigma_pixels: Some(1.3),
        narrowest_sigma_pixels: Some(1.3),
        has_wcs: true,
        sky_angle_deg: Some(0.0),
        notes: vec![],
        stars: (0..stars).map(|k| star(k, &mut random)).collect(),
        forgotten: Default::default(),
    }
}

fn bytes(stars: usize) -> Vec<u8> {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("t.fits");
    table::write(&star_table(1, stars), &path).unwrap();
    std::fs::read(path).unwrap()
}

/// Makes the ones'-complement sum of the file all ones again, by its last four bytes (FITS
/// Standard 4.0, 2018, appendix J).
fn seal(file: &mut [u8]) {
    let at = file.len() - 4;
    file[at..].fill(0);
    let words = file.chunks_exact(4).map(|w| u64::from(u32::from_be_bytes(w.try_into().unwrap())));
    let mut sum: u64 = words.sum();
    while sum >> 32 != 0 {
        sum = (sum & 0xffff_ffff) + (sum >> 32);
    }
    file[at..].copy_from_slice(&(u32::MAX - sum as u32).to_be_bytes());
}

fn read(file: &[u8]) -> Result<StarTable, TableError> {
    table::from_bytes(file, Path::new("lying.fits"))
}

/// The place of a card of the table, which follows the primary's one record.
fn find(file: &[u8], key: &str) -> usize {
    let key = format!("{key:<8}= ");
    let place = file[2880..].chunks(80).position(|c| c.starts_with(key.as_bytes()));
    2880 + 80 * place.unwrap_or_else(|| panic!("no {key}"))
}

/// The same file with one card's value changed, or the card put behind the last but END.
fn changed(key: &str, value: &str) -> Vec<u8> {
    let mut file = bytes(4);
    let known = file.chunks(80).any(|c| c.starts_with(format!("{key:<8}= ").as_bytes()));
    // A comment is of no use to the reader.
    let at = if known { find(&file, key) } else { find(&file, "TCOMM3") };
    file[at..at + 80].copy_from_slice(format!("{:<80}", format!("{key:<8}= {value:<20}")).as_bytes());
    seal(&mut file);
    file
}

#[test]
fn a_sealed_table_is_read() {
    let mut file = bytes(4);
    seal(&mut file);
    assert_eq!(read(&file).unwrap().stars.len(), 4);
    assert_eq!(read(&changed("TCOMM3", "'other'")).unwrap().stars.len(), 4);
}

#[test]
fn columns_and_lists_that_lie_about_their_size() {
    let fields: usize = {
        let file = bytes(4);
        let at = find(&file, "TFIELDS");
        std::str::from_utf8(&file[at + 10..at + 30]).unwrap().trim().parse().unwrap()
    };
    let number = |name: &str| {
        let file = bytes(4);
        let column = |n: &usize| {
            let at = find(&file, &format!("TTYPE{n}"));
            file[at + 10..at + 40].starts_with(format!("'{name:<8}'").as_bytes())
        };
        (1..=fields).find(column).unwrap_or_else(|| panic!("no column {name}"))
    };
    let (cutout, x) = (number("cutout"), number("x"));
    let of = |stem: &str, n: usize| format!("{stem}{n}");
    for (key, value) in [
        (of("TFORM", cutout), "'1PE(99999999)A'"),
        (of("TFORM", cutout), "'1PD(25)'"),
        (of("TFORM", cutout), "'1QE(25)'"),
        (of("TFORM", cutout), "'2PE(25)'"),
        (of("TFORM", cutout), "'0PE(25)'"),
        (of("TFORM", cutout), "'1PX(25)'"),
        (of("TFORM", x), "'999999999999D'"),
        (of("TFORM", x), "'0D'"),
        (of("TFORM", x), "'8B'"),
        (of("TFORM", x), "'8A'"),
        (of("TFORM", x), "'2E'"),
        (of("TFORM", x), "1D"),
        (of("TFORM", x), "''"),
        (of("TDIM", x), "'(1,1,1,1,1,1,1,1,1)'"),
        (of("TDIM", x), "'(1000000,1000000)'"),
        ("NAXIS1".into(), "0"),
        ("NAXIS2".into(), "0"),
        ("NAXIS2".into(), "4611686018427387904"),
        ("PCOUNT".into(), "0"),
        ("PCOUNT".into(), "-1"),
        ("GCOUNT".into(), "2"),
        ("THEAP".into(), "1"),
        ("THEAP".into(), "99999999"),
        ("TFIELDS".into(), "3"),
        ("TFIELDS".into(), "99999"),
        ("BITPIX".into(), "16"),
        ("FRAMEW".into(), "9000000000"),
        ("FRAMEH".into(), "0"),
        ("USABLEX1".into(), "1"),
        ("USABLEX0".into(), "1000"),
        ("USABLEY1".into(), "1001"),
        ("XPOSURE".into(), "-60.0"),
        ("PIXSCALE".into(), "0.0"),
        ("PSFSIGMA".into(), "-1.0"),
    ] {
        let file = changed(&key, value);
        // What changes nothing in the table's layout may also be read rightly.
        match read(&file) {
            Err(error) => assert!(error.to_string().starts_with("lying.fits: "), "{key} = {value}: {error}"),
            Ok(_) => {
                let harmless = [("TDIM", "'(1,1"), ("USABLEX0", "1000"), ("USABLEX1", "1")];
                let is_harmless = harmless.iter().any(|(k, v)| key.starts_with(k) && value.starts_with(v));
                assert!(is_harmless, "{key} = {value} was read");
            }
        }
    }
}

/// Descriptors of the first cut-out: its length, its place; and the square it must be.
#[test]
fn cut_outs_that_lie_about_their_size() {
    let good = bytes(4);
    let (row_bytes, start) = {
        let at = find(&good, "NAXIS1");
        let value = std::str::from_utf8(&good[at + 10..at + 30]).unwrap().trim().parse::<usize>().unwrap();
        let ends: Vec<usize> =
            good.chunks(80).enumerate().filter(|(_, c)| c.starts_with(b"END     ")).map(|(i, _)| i).collect();
        (value, (80 * (ends[1] + 1)).div_ceil(2880) * 2880)
    };
    // The two descriptors are the last columns of a row.
    let descriptor = start + row_bytes - 16;
    for (offset, value) in [
        (0, 1_000_000u32),
        (0, u32::MAX),
        (0, i32::MAX as u32),
        (0, 24),
        (0, 36),
        (0, 0),
        (4, u32::MAX),
        (4, 1 << 20),
        (8, 24),
        (8, 26),
        (12, u32::MAX - 3),
    ] {
        let mut file = good.clone();
        file[descriptor + offset..descriptor + offset + 4].copy_from_slice(&value.to_be_bytes());
        seal(&mut file);
        let read = read(&file);
        assert!(read.is_err(), "{offset}: {value}");
    }
    // All rows claim the whole heap: together they would be many times as large.
    let mut file = good.clone();
    for row in 0..4 {
        let at = descriptor + row * row_bytes;
        file[at..at + 4].copy_from_slice(&100u32.to_be_bytes());
        file[at + 4..at + 8].copy_from_slice(&0u32.to_be_bytes());
    }
    seal(&mut file);
    assert!(read(&file).unwrap_err().to_string().contains("add up to"));
}

/// Found by fuzzing: a letter of a mandatory card's name lost, and the library went on with a
/// number of columns that was never set.
#[test]
fn a_mandatory_card_without_its_name() {
    let mut file = bytes(2);
    let at = find(&file, "BITPIX");
    file[at + 6..at + 10].copy_from_slice(&[0xe0, 0xdf, 0xc2, 0xe8]);
    seal(&mut file);
    assert!(read(&file).unwrap_err().to_string().contains("BITPIX"));
}

#[test]
fn thousands_of_damaged_tables_are_read_or_refused() {
    let good = bytes(3);
    let mut random = StdRng::seed_from_u64(2033);
    let headers = good.len() - 5760;
    let mut readable = 0;
    for count in 0..3000 {
        let within = if count % 3 == 0 { good.len() } else { headers };
        let mut file = mutate(&good, within, &mut random);
        seal(&mut file);
        if let Ok(table) = read(&file) {
            readable += 1;
            assert!(table.stars.iter().all(|s| s.x.is_finite() && s.y.is_finite()));
        }
    }
    assert!((100..2900).contains(&readable), "{readable} of 3000");
}

const ODD: [f64; 12] =
    [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 0.0, -0.0, -1.0, 1e300, -1e300, 1e-300, 1e17, 0.5, 3.0];

/// Some of the numbers of some of the stars, and of the table, made odd.
fn spoil(table: &mut StarTable, share: f64, random: &mut StdRng) {
    let mut odd = |value: &mut f64| {
        if random.random::<f64>() < share {
            *value = ODD[random.random_range(0..ODD.len())];
        }
    };
    for star in &mut table.stars {
        for value in [&mut star.flux, &mut star.flux_err, &mut star.snr, &mut star.contamination] {
            odd(value);
        }
        for value in [&mut star.x, &mut star.y] {
            let before = *value;
            odd(value);
            // The reader refuses a star that lies nowhere.
            if !value.is_finite() {
                *value = before;
            }
        }
        star.sky.iter_mut().flatten().for_each(&mut odd);
        for shape in star.adaptive.iter_mut().chain(star.ladder.shapes_mut()) {
            let Shape { mxx, myy, mxy, size, size_err, e1, e2, e_err, size_response, e_response } = shape;
            [mxx, myy, mxy, size, size_err, e1, e2, e_err, size_response, e_response]
                .into_iter()
                .for_each(&mut odd);
        }
        if let Some(h) = &mut star.higher {
            [&mut h.coma1, &mut h.coma_err, &mut h.trefoil1, &mut h.kurtosis, &mut h.kurtosis_err]
                .into_iter()
                .for_each(&mut odd);
        }
        if let Some(cutout) = &mut star.cutout {
            let mut value = f64::from(cutout[[2, 2]]);
            odd(&mut value);
            cutout[[2, 2]] = value as f32;
        }
    }
    [&mut table.sky_level, &mut table.sky_noise].into_iter().for_each(&mut odd);
    let facts = &mut table.facts;
    for value in [&mut facts.mjd_mid, &mut facts.altitude_deg, &mut facts.ra_deg, &mut facts.dec_deg] {
        let mut v = value.unwrap_or(45.0);
        odd(&mut v);
        *value = Some(v).filter(|v| v.is_finite());
    }
    facts.housekeeping = [("TEMP".to_string(), 3.0 + table.stars.len() as f64)].into();
}

/// NaN, infinities and absurd numbers everywhere in the tables: judged, and never a panic.
#[test]
fn odd_numbers_in_star_tables_are_judged() {
    let mut random = StdRng::seed_from_u64(2034);
    for stack in 0..30 {
        let share = [0.002, 0.02, 0.3, 1.0][stack % 4];
        let mut tables: Vec<StarTable> = (1..=5).map(|n| star_table(n, [40, 5, 1][stack % 3])).collect();
        tables.iter_mut().skip(stack % 2).for_each(|t| spoil(t, share, &mut random));
        let judged = judge(&tables, &[], &Settings::default());
        if let Ok(judgement) = judged {
            let text = stackworthy::report::json::to_text(&judgement.verdict).unwrap();
            assert_schema(&serde_json::from_str(&text).unwrap());
            stackworthy::report::page(&text, None, None).unwrap();
        }
    }
}

#[test]
fn lying_tables_are_rows_of_the_verdict() {
    let holder = tempfile::tempdir().unwrap();
    for number in 1..=3 {
        table::write(&star_table(number, 40), &holder.path().join(format!("t{number}.fits"))).unwrap();
    }
    std::fs::write(holder.path().join("lying.fits"), changed("NAXIS2", "4611686018427387904")).unwrap();
    let mut random = StdRng::seed_from_u64(2035);
    let mut spoilt = star_table(4, 40);
    spoil(&mut spoilt, 0.5, &mut random);
    table::write(&spoilt, &holder.path().join("spoilt.fits")).unwrap();
    let done = run(holder.path(), &["judge", ".", "--out", "r"]);
    assert!(done.code != 1, "{}", done.stderr);
    let verdict = verdict(&holder.path().join("r"));
    assert_eq!(row(&verdict, "./lying.fits")["gate"], "unreadable");
    assert!(row(&verdict, "frame-4.fits")["gate"].is_string());
}
