//! World coordinates against published values and against astropy.wcs.

use std::collections::BTreeMap;

use proptest::prelude::*;
use serde::Deserialize;
use stackworthy::frame::card::Header;
use stackworthy::frame::wcs::Wcs;

fn header(cards: &[impl AsRef<str>]) -> Header {
    let text: String = cards.iter().map(|c| format!("{:<80}", c.as_ref())).collect();
    Header::parse(text.as_bytes())
}

fn wcs(cards: &[impl AsRef<str>]) -> Wcs {
    let (wcs, notes) = Wcs::from_header(&header(cards));
    wcs.unwrap_or_else(|| panic!("{notes:?}"))
}

/// Calabretta & Greisen 2002, A&A 395, 1077: header (from memory) and positions of their
/// example of TAN; its pixels count from 1.
#[test]
fn the_published_example_of_tan() {
    let wcs = wcs(&[
        "CTYPE1  = 'RA---TAN'",
        "CTYPE2  = 'DEC--TAN'",
        "CRPIX1  = 256.0",
        "CRPIX2  = 257.0",
        "CDELT1  = -0.003",
        "CDELT2  = 0.003",
        "CRVAL1  = 45.83",
        "CRVAL2  = 63.57",
    ]);
    for (x, y, ra, dec) in [
        (1.0, 2.0, 47.503264, 62.795111),
        (1.0, 512.0, 47.595581, 64.324332),
        (511.0, 512.0, 44.064419, 64.324332),
    ] {
        let (a, d) = wcs.pixel_to_sky(x - 1.0, y - 1.0).unwrap();
        assert!((a - ra).abs() < 6e-7 && (d - dec).abs() < 6e-7, "{x} {y}: {a} {d}");
    }
    assert!((wcs.pixel_scale_arcsec() - 10.8).abs() < 1e-9);
}

#[derive(Deserialize)]
struct Case {
    cards: Vec<String>,
    /// x, y (0-based), right ascension, declination.
    points: Vec<[f64; 4]>,
}

fn cases() -> BTreeMap<String, Case> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata-synth/frames/wcs.json");
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// Angle between two places, degrees.
fn apart(a: (f64, f64), b: (f64, f64)) -> f64 {
    let unit = |(ra, dec): (f64, f64)| {
        let (ra, dec) = (ra.to_radians(), dec.to_radians());
        nalgebra::Vector3::new(dec.cos() * ra.cos(), dec.cos() * ra.sin(), dec.sin())
    };
    (unit(a) - unit(b)).norm().to_degrees()
}

/// 1e-11 degrees is 4e-8 arcsec: a few hundred rounding errors of 360 degrees.
const SAME_DEG: f64 = 1e-11;

#[test]
fn every_projection_agrees_with_astropy_both_ways() {
    let cases = cases();
    assert_eq!(cases.len(), 16);
    for (name, case) in &cases {
        let wcs = wcs(&case.cards);
        for &[x, y, ra, dec] in &case.points {
            let here = wcs.pixel_to_sky(x, y).unwrap();
            assert!(apart(here, (ra, dec)) < SAME_DEG, "{name} ({x}, {y}): {here:?}, astropy {ra} {dec}");
            let (bx, by) = wcs.sky_to_pixel(ra, dec).unwrap_or_else(|| panic!("{name} ({x}, {y})"));
            assert!((bx - x).hypot(by - y) < 1e-6, "{name} ({x}, {y}): back at ({bx}, {by})");
        }
    }
}

/// The jacobian against differences of positions: near the reference point the tangent
/// plane and the sky are the same to second order.
#[test]
fn the_jacobian_is_the_slope_of_the_positions() {
    for (name, case) in &cases() {
        let wcs = wcs(&case.cards);
        let [x, y] = wcs.reference_pixel();
        let Some(at) = wcs.pixel_to_sky(x, y) else { panic!("{name}") };
        if at.1.abs() > 89.0 {
            continue;
        }
        let step = 0.5;
        let slope = |dx: f64, dy: f64| {
            let (a, b) = (
                wcs.pixel_to_sky(x - dx * step, y - dy * step).unwrap(),
                wcs.pixel_to_sky(x + dx * step, y + dy * step).unwrap(),
            );
            let east = (b.0 - a.0 + 540.0).rem_euclid(360.0) - 180.0;
            [east * at.1.to_radians().cos(), b.1 - a.1]
        };
        let jacobian = wcs.jacobian_at(x, y);
        let scale = wcs.pixel_scale_arcsec() / 3600.0;
        for (j, d) in [slope(1.0, 0.0), slope(0.0, 1.0)].iter().enumerate() {
            for i in 0..2 {
                assert!((jacobian[i][j] - d[i]).abs() < 1e-4 * scale, "{name}: {jacobian:?}, slope {d:?}");
            }
        }
    }
}

/// With CROTA2 = r and east to the left, the +y axis points r degrees from north towards
/// the east for a negative CDELT1 (Greisen & Calabretta 2002, section 6.1).
#[test]
fn position_angle_of_the_y_axis() {
    let rotated = wcs(&[
        "CTYPE1  = 'RA---TAN'",
        "CTYPE2  = 'DEC--TAN'",
        "CRPIX1  = 1.0",
        "CRPIX2  = 1.0",
        "CDELT1  = -0.001",
        "CDELT2  = 0.001",
        "CRVAL1  = 10.0",
        "CRVAL2  = 0.0",
        "CROTA2  = 30.0",
    ]);
    let angle = rotated.position_angle_deg(0.0, 0.0).unwrap();
    let [[_, east], [_, north]] = rotated.jacobian_at(0.0, 0.0);
    assert!((angle - east.atan2(north).to_degrees()).abs() < 1e-6);
    assert!((angle.abs() - 30.0).abs() < 1e-6, "{angle}");
    assert!(!rotated.is_mirrored());
}

#[test]
fn the_far_half_of_the_sky_has_no_pixel() {
    let w = Wcs::tangent([0.0, 0.0], [10.0, 20.0], [[-1e-3, 0.0], [0.0, 1e-3]]).unwrap();
    assert_eq!(w.sky_to_pixel(190.0, -20.0), None);
    assert_eq!(w.sky_to_pixel(10.0, -70.0), None);
    assert_eq!(w.sky_to_pixel(f64::NAN, 0.0), None);
    assert_eq!(w.pixel_to_sky(f64::NAN, 0.0), None);
    assert!(Wcs::tangent([0.0, 0.0], [10.0, 91.0], [[1.0, 0.0], [0.0, 1.0]]).is_none());
    assert!(Wcs::tangent([0.0, 0.0], [10.0, 0.0], [[1.0, 1.0], [1.0, 1.0]]).is_none());
}

#[test]
fn odd_headers_give_none_and_a_note() {
    let base = [
        "CRPIX1  = 1.0",
        "CRPIX2  = 1.0",
        "CRVAL1  = 10.0",
        "CRVAL2  = 0.0",
        "CD1_1   = 1e-3",
        "CD2_2   = 1e-3",
    ];
    for types in [
        ["CTYPE1  = 'RA'", "CTYPE2  = 'DEC'"],
        ["CTYPE1  = 'R'", "CTYPE2  = ''"],
        ["CTYPE1  = 'RA---ZPN'", "CTYPE2  = 'DEC--ZPN'"],
        ["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--SIN'"],
        ["CTYPE1  = 'GLON-TAN'", "CTYPE2  = 'GLAT-TAN'"],
        ["CTYPE1  = 'LINEAR'", "CTYPE2  = 'LINEAR'"],
        ["CTYPE1  = 'RA---TAN'", "OBJECT  = 'x'"],
        ["CTYPE1  = '-----'", "CTYPE2  = '-'"],
    ] {
        let (wcs, notes) = Wcs::from_header(&header(&[&types[..], &base[..]].concat()));
        assert!(wcs.is_none() && notes.len() == 1, "{types:?}: {notes:?}");
    }
    let good = ["CTYPE1  = 'RA---TAN'", "CTYPE2  = 'DEC--TAN'"];
    for change in
        ["CRVAL1  = 'here'", "CD1_1   = 0.0", "CRVAL2  = 100.0", "CUNIT1  = 'furlong'", "A_ORDER = 77"]
    {
        let kept = base.iter().filter(|c| c[..8] != change[..8]).copied();
        let cards: Vec<&str> = good.into_iter().chain(kept).chain([change]).collect();
        let (wcs, notes) = Wcs::from_header(&header(&cards));
        assert!(wcs.is_none() && notes.len() == 1, "{change}: {notes:?}");
    }
    let (none, notes) = Wcs::from_header(&header(&["OBJECT  = 'x'"]));
    assert!(none.is_none() && notes.is_empty());
}

proptest! {
    /// Any header text is read without a panic.
    #[test]
    fn no_header_panics(types in "[ -~]{0,10}", value in "[ -~]{0,12}", order in -3i64..99) {
        let cards = [
            format!("CTYPE1  = '{types}'"), format!("CTYPE2  = '{types}'"), format!("CRVAL1  = {value}"),
            format!("A_ORDER = {order}"), format!("CD1_1   = {value}"), format!("CUNIT1  = '{value}'"),
        ];
        let _ = Wcs::from_header(&header(&cards));
    }

    /// There and back again, wherever the reference point is.
    #[test]
    fn the_inverse_is_the_inverse(
        ra in 0.0..360.0f64, dec in -89.9..89.9f64, angle in 0.0..360.0f64, x in -3000.0..3000.0f64, y in -3000.0..3000.0f64,
    ) {
        let (s, c) = angle.to_radians().sin_cos();
        let w = Wcs::tangent([100.0, 50.0], [ra, dec], [[-1e-4 * c, 1e-4 * s], [1e-4 * s, 1e-4 * c]]).unwrap();
        let (a, d) = w.pixel_to_sky(x, y).unwrap();
        let (bx, by) = w.sky_to_pixel(a, d).unwrap();
        prop_assert!((bx - x).hypot(by - y) < 1e-7, "({x}, {y}) came back as ({bx}, {by})");
    }
}
