//! Frames whose content or facts are odd, each in a stack with three sound ones.

use std::path::Path;

use super::maker::{Picture, SIDE, card, facts, file, good};
use super::tool::{row, run, verdict};

/// What becomes of the odd frame.
enum Wanted {
    /// A row "unreadable", with these words in its message.
    Refused(&'static str),
    /// A row with a gate.
    Row,
}
use Wanted::{Refused, Row};

fn with(number: u32, key: &str, value: &str) -> Vec<String> {
    let mut cards: Vec<String> = facts(number).into_iter().filter(|c| !c.starts_with(key)).collect();
    cards.push(card(key, value));
    cards
}

fn judged(odd: &[u8], wanted: &Wanted, what: &str) {
    let holder = tempfile::tempdir().unwrap();
    let at = |name: &str| holder.path().join(name);
    for number in 1..=3 {
        std::fs::write(at(&format!("good-{number}.fits")), good(number)).unwrap();
    }
    std::fs::write(at("odd.fits"), odd).unwrap();
    let args = ["check", "good-1.fits", "good-2.fits", "odd.fits", "good-3.fits", "--out", "r"];
    let done = run(holder.path(), &args);
    assert!(done.code != 1 && done.code != 2, "{what}: {}", done.stderr);
    expect(&holder.path().join("r"), wanted, what);
}

fn expect(result: &Path, wanted: &Wanted, what: &str) {
    let verdict = verdict(result);
    let row = row(&verdict, "odd.fits");
    let text = row.to_string();
    match wanted {
        Refused(words) => {
            assert_eq!(row["gate"], "unreadable", "{what}: {text}");
            assert!(text.contains("odd.fits: ") && text.contains(words), "{what}: {text}");
        }
        Row => assert!(row["gate"].is_string(), "{what}: {text}"),
    }
}

fn stars() -> Picture {
    Picture::sky(9).stars()
}

#[test]
fn odd_pixels() {
    let galaxies = |mut p: Picture| {
        for k in 0..25 {
            let (long, wide) = (3.0 + 0.2 * f64::from(k), 2.0 + 0.1 * f64::from(k % 7));
            let place = [25.0 + 35.0 * f64::from(k % 5), 25.0 + 35.0 * f64::from(k / 5)];
            p.blob(place, 2e5, if k % 2 == 0 { [long, wide] } else { [wide, long] });
        }
        p
    };
    let trail = |mut p: Picture| {
        (0..1500).for_each(|k| {
            let along = f64::from(k) * 0.1;
            p.blob([20.0 + along, 40.0 + 0.7 * along], 3e3, [1.3, 1.3]);
        });
        p
    };
    let one = |mut p: Picture| {
        p.blob([100.2, 90.7], 1e5, [1.3, 1.3]);
        p
    };
    let nan = f64::NAN;
    let odd_values = [nan, f64::INFINITY, f64::NEG_INFINITY, 3e38, -3e38, 1e-40, 0.0];
    let sky = || Picture::sky(9);
    for (what, picture, wanted) in [
        ("all NaN", sky().each(|_, _, _| nan), Refused("none of its 40000 pixels")),
        ("all infinite", sky().each(|_, _, _| f64::INFINITY), Refused("none of its 40000 pixels")),
        ("NaN and infinity everywhere", stars().sprinkle(20_000, &odd_values), Row),
        ("a few NaN", stars().sprinkle(400, &odd_values), Row),
        ("all but one NaN", stars().each(|x, y, v| if x + y == 0 { v } else { nan }), Row),
        ("all saturated", sky().each(|_, _, _| 65535.0), Row),
        ("all equal", sky().each(|_, _, _| 1000.0), Row),
        ("all zero", sky().each(|_, _, _| 0.0), Row),
        ("largest floats", sky().each(|_, _, _| 3.4e38), Row),
        ("stars on a sky of 1e30", stars().each(|_, _, v| v * 1e30), Row),
        ("negative", stars().each(|_, _, v| -v), Row),
        ("no stars", sky(), Row),
        ("one star", one(sky()), Row),
        ("galaxies alone", galaxies(sky()), Row),
        ("cosmic rays alone", sky().sprinkle(400, &[3000.0, 20000.0, 60000.0]), Row),
        ("a comet's trail", trail(sky().stars()), Row),
        ("half saturated", stars().each(|x, _, v| if x < SIDE / 2 { 65535.0 } else { v }), Row),
        ("a checkerboard", stars().each(|x, y, v| v + 500.0 * ((x + y) % 2) as f64), Row),
    ] {
        judged(&picture.floats(&facts(4)), &wanted, what);
    }
}

#[test]
fn odd_facts() {
    for (what, cards, wanted) in [
        ("no facts at all", vec![], Row),
        ("huge gain", with(4, "GAIN", "1E30"), Row),
        ("tiny gain", with(4, "GAIN", "1E-30"), Row),
        ("gain that is no number", with(4, "GAIN", "'NaN'"), Row),
        ("zero exposure time", with(4, "EXPTIME", "0.0"), Row),
        ("negative exposure time", with(4, "EXPTIME", "-60"), Row),
        ("endless exposure time", with(4, "EXPTIME", "1E300"), Row),
        ("date of another century", with(4, "DATE-OBS", "'0001-01-01T00:00:00'"), Row),
        ("date before the others", with(4, "DATE-OBS", "'2030-12-31T23:59:59'"), Row),
        ("date that is none", with(4, "DATE-OBS", "'99999-99-99T99:99:99'"), Row),
        ("contradictory times", [with(4, "MJD-OBS", "10000.5"), vec![card("EXPOSURE", 20)]].concat(), Row),
        ("a scale of 1e-300", with(4, "BSCALE", "1E-300"), Row),
        ("a zero of 1e300", with(4, "BZERO", "1E300"), Refused("BZERO is 32768 and 1E300")),
        ("saturation under the sky", with(4, "SATURATE", "1.0"), Row),
        ("blank everywhere", with(4, "BLANK", "0"), Row),
        ("another filter", with(4, "FILTER", "'z'"), Row),
        ("absurd binning", with(4, "XBINNING", "4000000000"), Row),
        ("a section outside", with(4, "DATASEC", "'[500:900,1:3]'"), Row),
        ("a section that is none", with(4, "DATASEC", "'[9:1,0:0]'"), Row),
        (
            "world coordinates of a point",
            [("CTYPE1", "'RA---TAN'"), ("CTYPE2", "'DEC--TAN'"), ("CD1_1", "0.0"), ("CD2_2", "0.0")]
                .iter()
                .fold(facts(4), |mut cards, (k, v)| {
                    cards.push(card(k, v));
                    cards
                }),
            Row,
        ),
        (
            "world coordinates without end",
            [
                ("CTYPE1", "'RA---TAN-SIP'"),
                ("CTYPE2", "'DEC--TAN-SIP'"),
                ("CD1_1", "1E300"),
                ("CD2_2", "1E-300"),
            ]
            .iter()
            .chain(&[("A_ORDER", "9"), ("A_9_0", "1E300"), ("B_ORDER", "9999999"), ("CRVAL1", "1E308")])
            .fold(facts(4), |mut cards, (k, v)| {
                cards.push(card(k, v));
                cards
            }),
            Row,
        ),
    ] {
        judged(&stars().integers(&cards), &wanted, what);
    }
}

#[test]
fn odd_sizes() {
    let small = |side: usize| file(16, side, &facts(4), vec![0; 2 * side * side]);
    for (what, odd, wanted) in [
        ("one pixel", small(1), Row),
        ("two pixels a side", small(2), Row),
        ("nine pixels a side", small(9), Row),
        ("another size", file(16, 100, &facts(4), vec![1; 20_000]), Row),
        ("no pixels", small(0), Refused("two-dimensional")),
        ("zero bytes", vec![], Refused("not a FITS file")),
        ("no FITS", b"<html>not found</html>".to_vec(), Refused("not a FITS file")),
        ("zeros", vec![0; 28800], Refused("not a FITS file")),
        (
            "a single column",
            {
                let axes = [card("NAXIS", 2), card("NAXIS1", 1), card("NAXIS2", 40_000)];
                let mandatory = [vec![card("SIMPLE", "T"), card("BITPIX", 16)], axes.to_vec()].concat();
                let mut bytes = super::maker::header(&[mandatory, facts(4)].concat());
                bytes.resize(bytes.len() + 80_640, 7);
                bytes
            },
            Row,
        ),
    ] {
        judged(&odd, &wanted, what);
    }
}

/// The same bytes under two names count once, whatever they are called.
#[test]
fn duplicate_files() {
    let holder = tempfile::tempdir().unwrap();
    for (name, number) in [("a.fits", 1), ("b.fits", 2), ("copy of a.fits", 1)] {
        std::fs::write(holder.path().join(name), good(number)).unwrap();
    }
    let args = ["check", "a.fits", "./a.fits", "b.fits", "copy of a.fits", "--out", "r"];
    let done = run(holder.path(), &args);
    let verdict = verdict(&holder.path().join("r"));
    assert_eq!(verdict["exposures"].as_array().unwrap().len(), 2, "{}", done.stderr);
    assert!(verdict["notes"].to_string().contains("copy of a.fits is the same frame"));
}

/// Every frame odd in the same way: there is nothing sound to lean on.
#[test]
fn stacks_of_nothing_but_odd_frames() {
    for (what, make) in [
        ("no stars", &(|k| Picture::sky(k).floats(&facts(k as u32))) as &dyn Fn(u64) -> Vec<u8>),
        ("all equal", &|k| Picture::sky(k).each(|_, _, _| 500.0 + k as f64).floats(&facts(k as u32))),
        ("all unlike", &|k| file(16, 40 + k as usize, &facts(k as u32), vec![3; 20_000])),
        ("unreadable", &|k| vec![k as u8; 5000]),
        ("no facts", &|k| Picture::sky(k).stars().floats(&[])),
    ] {
        let holder = tempfile::tempdir().unwrap();
        for k in 1..=4 {
            std::fs::write(holder.path().join(format!("f{k}.fits")), make(k)).unwrap();
        }
        let done = run(holder.path(), &["check", ".", "--out", "r"]);
        if what == "unreadable" {
            assert_eq!(done.code, 1);
            assert!(
                (1..=4).all(|k| done.stderr.contains(&format!("f{k}.fits: not a FITS file"))),
                "{}",
                done.stderr
            );
        } else {
            let verdict = verdict(&holder.path().join("r"));
            assert_eq!(verdict["exposures"].as_array().unwrap().len(), 4, "{what}");
            assert!(done.stdout.starts_with("VERDICT: "), "{what}");
        }
    }
}
