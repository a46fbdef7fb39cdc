use std::path::Path;

use ndarray::Array2;
use proptest::prelude::*;
use proptest::strategy::ValueTree;

use super::*;
use crate::moments::{Asked, HigherMoments, Rungs, Shape};
use crate::stars::Refusal;

fn shape(t: f64, e1: f64, e2: f64) -> Shape {
    Shape {
        mxx: 0.5 * t * (1.0 + e1),
        myy: 0.5 * t * (1.0 - e1),
        mxy: 0.5 * t * e2,
        size: t,
        size_err: 0.01 * t,
        e1,
        e2,
        e_err: 0.007,
        size_response: 0.4 / t,
        e_response: 0.5 / t,
    }
}

fn number() -> impl Strategy<Value = f64> {
    -1e6..1e6
}

prop_compose! {
    fn any_shape()(t in 0.1..50.0, e1 in -0.9..0.9, e2 in -0.9..0.9) -> Shape {
        shape(t, e1, e2)
    }
}

prop_compose! {
    fn any_star()(
        place in (0.0..9000.0, 0.0..6000.0),
        sky in proptest::option::of((0.0..360.0, -90.0..90.0)),
        flux in number(),
        adaptive in proptest::option::of(any_shape()),
        rung in proptest::option::of(any_shape()),
        higher in proptest::option::of(number()),
        refused in proptest::option::of(0..Refusal::ALL.len()),
        pixels in proptest::option::of(proptest::collection::vec((-100f32..1e5, any::<bool>()), 25)),
    ) -> Star {
        let (cutout, cutout_mask) = pixels.map(|p| {
            let (values, bad): (Vec<f32>, Vec<bool>) = p.into_iter().unzip();
            (Array2::from_shape_vec((5, 5), values).unwrap(), Array2::from_shape_vec((5, 5), bad).unwrap())
        }).unzip();
        Star {
            x: place.0, y: place.1, sky: sky.map(<[f64; 2]>::from),
            flux, flux_err: flux.abs() / 50.0, snr: 50.0,
            adaptive, ladder: [rung, None, adaptive, rung, None, rung].into(),
            higher: higher.map(|k| Box::new(HigherMoments {
                coma1: 0.1 * k, coma2: -0.2 * k, coma_err: 0.01, trefoil1: 0.3, trefoil2: k,
                trefoil_err: 0.02, kurtosis: 2.0 + k, kurtosis_err: 0.03,
            })),
            contamination: 0.003, refused: refused.map(|i| Refusal::ALL[i]),
            cutout: cutout.map(Box::new), cutout_mask: cutout_mask.map(Box::new),
        }
    }
}

prop_compose! {
    fn any_table()(
        stars in proptest::collection::vec(any_star(), 0..12),
        file in "\\PC{0,120}",
        notes in proptest::collection::vec("\\PC{0,90}", 0..4),
        scale in proptest::option::of(0.01..3.0),
        temperature in number(),
        wcs in any::<bool>(),
    ) -> StarTable {
        StarTable {
            file, frame_xxh3: "ab".repeat(16), settings_sha256: "cd".repeat(32), version: "0.0.0".into(),
            width: 9576, height: 6388, usable: Region { x0: 4, x1: 9570, y0: 0, y1: 6388 },
            facts: ExposureFacts {
                mjd_mid: Some(60000.123456789), time: Some("2023-02-25T02:57:46.667".into()),
                exposure_s: Some(120.0), pixel_arcsec: scale, binning: Some([1, 2]),
                housekeeping: [("TEMP-1".to_string(), temperature), ("P".into(), 1e-9)].into(),
                ..ExposureFacts::default()
            },
            sky_level: 101.25, sky_noise: 3.5, sigma_pixels: Some(1.25), narrowest_sigma_pixels: Some(1.125), has_wcs: wcs, sky_angle_deg: wcs.then_some(12.5),
            notes, stars,
            forgotten: Default::default(),
        }
    }
}

fn close(a: f64, b: f64) -> bool {
    a == b || a.is_nan() && b.is_nan() || (a - b).abs() <= 1e-12 * a.abs().max(b.abs()).max(1.0)
}

fn same_shape(a: &Option<Shape>, b: &Option<Shape>) -> bool {
    let all = |s: &Shape| {
        [s.mxx, s.myy, s.mxy, s.size, s.size_err, s.e1, s.e2, s.e_err, s.size_response, s.e_response]
    };
    match (a, b) {
        (Some(a), Some(b)) => all(a).iter().zip(all(b)).all(|(a, b)| close(*a, b)),
        (None, None) => true,
        _ => false,
    }
}

fn assert_same(a: &StarTable, b: &StarTable) {
    assert_eq!(a.file.trim_end_matches('\0'), b.file.trim_end_matches('\0'));
    assert_eq!(
        (&a.frame_xxh3, &a.settings_sha256, &a.version),
        (&b.frame_xxh3, &b.settings_sha256, &b.version)
    );
    assert_eq!((a.width, a.height, a.usable, &a.facts), (b.width, b.height, b.usable, &b.facts));
    assert_eq!((a.sky_level, a.sky_noise, a.has_wcs), (b.sky_level, b.sky_noise, b.has_wcs));
    assert_eq!(a.sigma_pixels, b.sigma_pixels);
    assert_eq!((a.sky_angle_deg, &a.notes, a.stars.len()), (b.sky_angle_deg, &b.notes, b.stars.len()));
    for (a, b) in a.stars.iter().zip(&b.stars) {
        assert!(close(a.x, b.x) && close(a.y, b.y) && a.sky == b.sky);
        assert_eq!(
            (a.flux, a.flux_err, a.snr, a.contamination),
            (b.flux, b.flux_err, b.snr, b.contamination)
        );
        assert!(same_shape(&a.adaptive, &b.adaptive));
        assert_eq!(a.ladder.held(), b.ladder.held());
        assert!((0..6).all(|k| same_shape(&a.ladder.get(k).copied(), &b.ladder.get(k).copied())));
        assert!((0..6).all(|k| a.ladder.ellipse(k).is_some() == b.ladder.ellipse(k).is_some()));
        assert_eq!(a.higher, b.higher);
        assert_eq!((a.refused, &a.cutout, &a.cutout_mask), (b.refused, &b.cutout, &b.cutout_mask));
    }
}

/// In each ninth of the frame those that lose their pixels are fainter than those that keep theirs.
#[test]
fn a_light_table_keeps_the_brightest_pixels_of_every_zone() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    for case in 0..60 {
        let stars = proptest::collection::vec(any_star(), 30).new_tree(&mut runner).unwrap().current();
        let mut table = any_table().new_tree(&mut runner).unwrap().current();
        table.stars = stars;
        let had: Vec<bool> = table.stars.iter().map(|s| s.cutout.is_some()).collect();
        let (most, each) = (case % 12, 25 * 5);
        // Up to the first that is twice as wide.
        let (sigma, rungs) = [(1.0, 2), (1.2, 3), (1.9, 5), (6.0, 6)][case % 4];
        table.sigma_pixels = Some(sigma);
        // Or what the stack asks for, whatever the table's own stars are like.
        let (one, four) = (Rungs::from_iter([1]), Rungs::from_iter([4]));
        let asked = (case % 3 == 0).then_some(Asked { whole: one, ellipses: four });
        let of = asked.unwrap_or(Asked { whole: Rungs::first(rungs), ..Asked::default() });
        let whole = table.clone();
        table.lighten(Share { cutout_bytes: most * each + 7, refused: usize::MAX, rungs: asked });
        let has = |k: usize| table.stars[k].cutout.is_some() && table.stars[k].cutout_mask.is_some();
        let all = had.iter().filter(|had| **had).count();
        assert_eq!((0..30).filter(|&k| has(k)).count(), most.min(all));
        let zone = |k: usize| {
            let third = |v: f64, from: f64, to: f64| (3.0 * (v - from) / (to - from)).floor().clamp(0.0, 2.0);
            let star = &table.stars[k];
            [third(star.x, 3.5, 9569.5), third(star.y, -0.5, 6387.5)]
        };
        for (j, k) in (0..30).flat_map(|j| (0..30).map(move |k| (j, k))) {
            let (kept, lost) = (has(j), had[k] && !has(k));
            assert!(!(kept && lost && zone(j) == zone(k)) || j < k, "{case}: {j} {k}");
        }
        for (star, before) in table.stars.iter().zip(&whole.stars) {
            let whole = |k: usize| before.ladder.get(k).copied().filter(|_| of.whole.contains(k));
            assert!((0..6).all(|k| same_shape(&star.ladder.get(k).copied(), &whole(k))));
            let ellipse = |k: usize| before.ladder.ellipse(k).filter(|_| of.all().contains(k));
            let words = |ellipse| format!("{ellipse:?}");
            assert!((0..6).all(|k| words(star.ladder.ellipse(k)) == words(ellipse(k))));
            assert!(same_shape(&star.adaptive, &before.adaptive));
        }
        assert!(to_bytes(&table, Path::new("light")).is_ok());
    }
}

/// Of those left out the reasons are counted; the used stars stay, in their order.
#[test]
fn a_light_table_keeps_a_share_of_the_refused_and_counts_the_rest() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut table = any_table().new_tree(&mut runner).unwrap().current();
    table.stars = proptest::collection::vec(any_star(), 200).new_tree(&mut runner).unwrap().current();
    let whole = table.clone();
    table.lighten(Share { cutout_bytes: 0, refused: 20, rungs: None });
    let places = |table: &StarTable| -> Vec<[f64; 2]> {
        table.stars.iter().filter(|s| s.refused.is_none()).map(|s| [s.x, s.y]).collect()
    };
    assert_eq!(places(&table), places(&whole));
    let count = |table: &StarTable, reason: Refusal| {
        let there = table.stars.iter().filter(|s| s.refused == Some(reason)).count() as u32;
        there + table.forgotten.get(&reason).copied().unwrap_or(0)
    };
    for reason in Refusal::ALL {
        assert_eq!(count(&table, reason), count(&whole, reason), "{reason:?}");
    }
    let refused = table.stars.iter().filter(|s| s.refused.is_some()).count();
    assert!((10..=20).contains(&refused), "{refused}");
    assert!(table.stars.iter().all(|s| s.refused.is_none() || s.higher.is_none()));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn a_star_table_comes_back_as_it_went(table in any_table()) {
        let path = Path::new("a.fits");
        let bytes = to_bytes(&table, path).unwrap();
        assert_same(&table, &from_bytes(&bytes, path).unwrap());
    }

    #[test]
    fn the_widths_are_told_without_reading_the_table(table in any_table(), cut in 0.0..1.0) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.fits");
        write(&table, &path).unwrap();
        prop_assert_eq!(read_widths(&path), Some(read(&path).unwrap().widths()));
        let asked = Asked { whole: [0].into_iter().collect(), ellipses: [3].into_iter().collect() };
        let share = Share { rungs: Some(asked), ..Share::of_one_in(7) };
        let mut lightened = read(&path).unwrap();
        lightened.lighten(share);
        assert_same(&lightened, &read_light(&path, share).unwrap());
        // Cut short they are told or not, and no other ones.
        let bytes = std::fs::read(&path).unwrap();
        std::fs::write(&path, &bytes[..(cut * bytes.len() as f64) as usize]).unwrap();
        let found = read_widths(&path);
        prop_assert!(found.is_none_or(|found| found == table.widths()), "{found:?}");
    }

    #[test]
    fn a_damaged_table_is_an_error_and_never_a_panic(
        table in any_table(), at in 0.0..1.0, bit in 0..8u8, cut in any::<bool>(),
    ) {
        let path = Path::new("a.fits");
        let mut bytes = to_bytes(&table, path).unwrap();
        let at = (at * bytes.len() as f64) as usize;
        if cut { bytes.truncate(at) } else { bytes[at] ^= 1 << bit }
        prop_assert!(from_bytes(&bytes, path).is_err());
    }
}

#[test]
fn files_that_are_no_star_tables_are_named_as_such() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("odd.fits");
    let refused = |bytes: &[u8]| {
        std::fs::write(&path, bytes).unwrap();
        read(&path).unwrap_err()
    };
    assert!(matches!(refused(b""), TableError::Foreign { .. }));
    assert!(matches!(refused(b"x,y\n1,2\n"), TableError::Foreign { .. }));
    let other = fits_table::to_bytes(&[fits_table::Table::new("other")]).unwrap();
    assert!(matches!(refused(&other), TableError::Foreign { .. }));
    let mut newer = fits_table::Table::new(STARS);
    newer.text("SCHEMA", "stackworthy/star-table/9", "");
    let newer = fits_table::to_bytes(&[newer]).unwrap();
    let error = refused(&newer);
    assert!(matches!(&error, TableError::Format { found, .. } if found.ends_with("/9")), "{error}");
    assert!(matches!(read(&folder.path().join("none.fits")), Err(TableError::Read { .. })));
}

#[test]
fn names_the_library_would_interpret_are_plain_names_here() {
    let folder = tempfile::tempdir().unwrap();
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let table = any_table().new_tree(&mut runner).unwrap().current();
    for name in ["a[1].fits", "a+1", "!a.fits", "a(b).fits", "a b.fits.gz", "ä.fits"] {
        let path = folder.path().join(name);
        write(&table, &path).unwrap();
        assert_same(&table, &read(&path).unwrap());
    }
}

#[test]
fn sizes_are_written_in_arcsec2_where_the_scale_is_known() {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut star = any_star().new_tree(&mut runner).unwrap().current();
    star.adaptive = Some(shape(4.0, 0.1, 0.0));
    let columns = star_columns::write(&[star], Some(0.5)).unwrap();
    let size = columns.iter().find(|c| c.name == "size").unwrap();
    assert_eq!((size.unit.as_str(), &size.data), ("arcsec2", &fits_table::Data::F64(vec![1.0])));
}

/// Two tables for `scripts/check_tables.py`, left in `target/sample-report`: with and
/// without a pixel scale.
#[test]
fn samples_for_other_readers() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/sample-report");
    std::fs::create_dir_all(&folder).unwrap();
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    for (name, scale) in [("stars-arcsec2.fits", Some(0.1)), ("stars-pix2.fits", None)] {
        let mut table = any_table().new_tree(&mut runner).unwrap().current();
        let stars = (0..20).map(|_| any_star().new_tree(&mut runner).unwrap().current());
        table.stars = stars.collect();
        table.facts.pixel_arcsec = scale;
        let path = folder.join(name);
        write(&table, &path).unwrap();
        assert_same(&table, &read(&path).unwrap());
    }
}
