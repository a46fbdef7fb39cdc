//! The columns of a star table.
//!
//! Positions are FITS pixels (the centre of the first pixel is 1, 1). Fluxes and
//! pixels are in the frame's own units, written as `adu`. Sizes and their errors
//! are in arcsec2 where the pixel scale is known, in pix2 otherwise; the moments
//! `mxx`, `myy`, `mxy` are always in pix2. Missing is NaN.
//!
//! The block `mxx` ... `e_response` stands once for the adaptive moments, and again
//! for each rung of the ladder of fixed circular weights, with the ending `_w15`
//! (sigma = 1.5 pixels) and so on.

use ndarray::Array2;

use crate::moments::{Asked, HigherMoments, LADDER_SIGMA_PIXELS, Shape};
use crate::stars::{Ladder, Refusal, Star};

use super::fits_table::{Column, Data, Table};

/// Values of the mask: pixel used, pixel not used, star without cut-out.
const MASK_USED: u8 = 0;
const MASK_BAD: u8 = 1;

const CUTOUT: &str = "cutout";
const CUTOUT_MASK: &str = "cutout_mask";

/// Two different shapes of cut-outs, `(rows, columns)`.
type Unequal = ((usize, usize), (usize, usize));

/// Ending of the columns of one rung: sigma in tenths of a pixel.
pub fn rung_ending(sigma_pixels: f64) -> String {
    format!("_w{:.0}", sigma_pixels * 10.0)
}

/// Fails with two different shapes where the cut-outs are not all alike.
pub(super) fn write(stars: &[Star], pixel_arcsec: Option<f64>) -> Result<Vec<Column>, Unequal> {
    let mut columns = vec![
        floats(stars, "x", "pix", "pos.cartesian.x;instr.det", "centroid along x, FITS pixels", |s| {
            s.x + 1.0
        }),
        floats(stars, "y", "pix", "pos.cartesian.y;instr.det", "centroid along y, FITS pixels", |s| {
            s.y + 1.0
        }),
        floats(stars, "ra", "deg", "pos.eq.ra", "right ascension", |s| or_nan(s.sky.map(|[ra, _]| ra))),
        floats(stars, "dec", "deg", "pos.eq.dec", "declination", |s| or_nan(s.sky.map(|[_, dec]| dec))),
        floats(stars, "flux", "adu", "phot.count", "flux, the frame's units", |s| s.flux),
        floats(stars, "flux_err", "adu", "stat.error;phot.count", "error of flux", |s| s.flux_err),
        floats(stars, "snr", "", "stat.snr", "flux over its error, matched filter", |s| s.snr),
        floats(
            stars,
            "contamination",
            "",
            "stat.value;phot.flux",
            "bound on neighbours' light under the weight, share of flux",
            |s| s.contamination,
        ),
    ];
    columns.extend(shape_columns(stars, "", "adaptive weight", pixel_arcsec, |s| s.adaptive.as_ref()));
    for (i, sigma) in LADDER_SIGMA_PIXELS.iter().enumerate() {
        let weight = format!("circular weight, sigma {sigma} pix");
        columns
            .extend(shape_columns(stars, &rung_ending(*sigma), &weight, pixel_arcsec, |s| s.ladder.get(i)));
    }
    for (name, what, get) in HIGHER {
        let description = format!("{what}, third or fourth moment in units of the second-moment ellipse");
        columns.push(floats(stars, name, "", "src.morph.param", &description, |s| {
            s.higher.as_deref().map_or(f64::NAN, get)
        }));
    }
    let words = stars.iter().map(|s| s.refused.map_or(String::new(), |r| r.word().into())).collect();
    columns.push(Column::new(
        "refused",
        "",
        "meta.code",
        "empty for a star that is used, or why it is not, in a word",
        Data::Text(words),
    ));
    columns.extend(cutout_columns(stars)?);
    Ok(columns)
}

type Get<T> = fn(&T) -> f64;

const HIGHER: [(&str, &str, Get<HigherMoments>); 8] = [
    ("coma1", "coma-like (spin 1), along x", |h| h.coma1),
    ("coma2", "coma-like (spin 1), along y", |h| h.coma2),
    ("coma_err", "error of each coma component", |h| h.coma_err),
    ("trefoil1", "trefoil-like (spin 3), first component", |h| h.trefoil1),
    ("trefoil2", "trefoil-like (spin 3), second component", |h| h.trefoil2),
    ("trefoil_err", "error of each trefoil component", |h| h.trefoil_err),
    ("kurtosis", "kurtosis (2 for a Gaussian)", |h| h.kurtosis),
    ("kurtosis_err", "error of the kurtosis", |h| h.kurtosis_err),
];

fn floats(
    stars: &[Star],
    name: &str,
    unit: &str,
    ucd: &str,
    description: &str,
    get: impl Fn(&Star) -> f64,
) -> Column {
    Column::new(name, unit, ucd, description, Data::F64(stars.iter().map(get).collect()))
}

fn or_nan(value: Option<f64>) -> f64 {
    value.unwrap_or(f64::NAN)
}

fn shape_columns(
    stars: &[Star],
    ending: &str,
    weight: &str,
    pixel_arcsec: Option<f64>,
    shape: impl Fn(&Star) -> Option<&Shape>,
) -> Vec<Column> {
    let area = pixel_arcsec.map_or(1.0, |s| s * s);
    let size_unit = if pixel_arcsec.is_some() { "arcsec2" } else { "pix2" };
    let column = |name: &str, unit: &str, ucd: &str, what: &str, get: &dyn Fn(&Shape) -> f64| {
        let values = stars.iter().map(|s| shape(s).map_or(f64::NAN, get)).collect();
        let (name, description) = (format!("{name}{ending}"), format!("{what}; {weight}"));
        Column::new(&name, unit, ucd, &description, Data::F64(values))
    };
    vec![
        column("mxx", "pix2", "src.morph.param", "second moment xx", &|s| s.mxx),
        column("myy", "pix2", "src.morph.param", "second moment yy", &|s| s.myy),
        column("mxy", "pix2", "src.morph.param", "second moment xy", &|s| s.mxy),
        column("size", size_unit, "phys.angSize", "size T = mxx + myy", &|s| s.size * area),
        column("size_err", size_unit, "stat.error;phys.angSize", "error of size", &|s| s.size_err * area),
        column("e1", "", "src.ellipticity", "ellipticity (mxx - myy) / T", &|s| s.e1),
        column("e2", "", "src.ellipticity", "ellipticity 2 mxy / T", &|s| s.e2),
        column("e_err", "", "stat.error;src.ellipticity", "error of e1 and of e2", &|s| s.e_err),
        column(
            "size_response",
            "pix-2",
            "stat.value",
            "change of ln T per pix2 of added jitter trace",
            &|s| s.size_response,
        ),
        column(
            "e_response",
            "pix-2",
            "stat.value",
            "change of e per pix2 of added jitter difference",
            &|s| s.e_response,
        ),
    ]
}

fn cutout_columns(stars: &[Star]) -> Result<[Column; 2], Unequal> {
    let side = stars.iter().find_map(|s| s.cutout.as_deref()).map_or((0, 0), Array2::dim);
    let (mut pixels, mut mask) = (Vec::with_capacity(stars.len()), Vec::with_capacity(stars.len()));
    for star in stars {
        let Some(cutout) = &star.cutout else {
            pixels.push(Vec::new());
            mask.push(Vec::new());
            continue;
        };
        let mask_shape = star.cutout_mask.as_deref().map_or(side, Array2::dim);
        for shape in [cutout.dim(), mask_shape] {
            if shape != side {
                return Err((side, shape));
            }
        }
        pixels.push(cutout.iter().copied().collect());
        mask.push(match &star.cutout_mask {
            Some(bad) => bad.iter().map(|b| if *b { MASK_BAD } else { MASK_USED }).collect(),
            None => vec![MASK_USED; side.0 * side.1],
        });
    }
    Ok([
        Column::new(
            CUTOUT,
            "adu",
            "phot.count",
            "sky-subtracted pixels around the star, row after row; empty for the refused",
            Data::F32Lists(pixels),
        ),
        Column::new(
            CUTOUT_MASK,
            "",
            "meta.code.qual",
            "of the cut-out: 0 pixel used, 1 not used",
            Data::U8Lists(mask),
        ),
    ])
}

/// The stars, with what is asked of the ladder or all of it, or what is wrong with the columns.
pub(super) fn read(
    fits: &Table,
    pixel_arcsec: Option<f64>,
    asked: Option<Asked>,
) -> Result<Vec<Star>, String> {
    let names = ["x", "y", "ra", "dec", "flux", "flux_err", "snr", "contamination"];
    let [x, y, ra, dec, flux, flux_err, snr, contamination] = columns(fits, names)?;
    let adaptive = read_shapes(fits, "", pixel_arcsec)?;
    let ladder = LADDER_SIGMA_PIXELS
        .iter()
        .map(|sigma| read_shapes(fits, &rung_ending(*sigma), pixel_arcsec))
        .collect::<Result<Vec<_>, _>>()?;
    let higher = read_higher(fits)?;
    let words = match fits.column("refused").map(|c| &c.data) {
        Some(Data::Text(words)) => words,
        _ => return Err("it lacks the text column \"refused\"".into()),
    };
    let mut cutouts = read_cutouts(fits)?;
    let same = |value: f64| (!value.is_nan()).then_some(value);
    (0..fits.rows())
        .map(|i| {
            let word = words.get(i).map_or("", String::as_str);
            let refused = match (word, Refusal::from_word(word)) {
                ("", _) => None,
                (_, Some(refusal)) => Some(refusal),
                _ => return Err(format!("row {} is refused as \"{word}\", a word not known here", i + 1)),
            };
            if !(x[i].is_finite() && y[i].is_finite()) {
                return Err(format!("row {} lies at x = {}, y = {}", i + 1, x[i], y[i]));
            }
            let (cutout, cutout_mask) = cutouts.get_mut(i).and_then(Option::take).unzip();
            Ok(Star {
                x: x[i] - 1.0,
                y: y[i] - 1.0,
                sky: same(ra[i]).zip(same(dec[i])).map(<[f64; 2]>::from),
                flux: flux[i],
                flux_err: flux_err[i],
                snr: snr[i],
                adaptive: adaptive[i],
                ladder: ladder_of(std::array::from_fn(|rung| ladder[rung][i]), asked),
                higher: higher[i].map(Box::new),
                contamination: contamination[i],
                refused,
                cutout: cutout.map(Box::new),
                cutout_mask: cutout_mask.map(Box::new),
            })
        })
        .collect()
}

fn ladder_of(shapes: [Option<Shape>; LADDER_SIGMA_PIXELS.len()], asked: Option<Asked>) -> Ladder {
    let mut ladder = Ladder::from(shapes);
    if let Some(asked) = asked {
        ladder.keep(asked);
    }
    ladder
}

fn column<'t>(fits: &'t Table, name: &str) -> Result<&'t [f64], String> {
    match fits.column(name) {
        Some(Column { data: Data::F64(values), cell, .. }) if cell.is_empty() => Ok(values),
        Some(_) => Err(format!("its column \"{name}\" is not of plain numbers")),
        None => Err(format!("it lacks the column \"{name}\"")),
    }
}

fn columns<'t, const N: usize>(fits: &'t Table, names: [&str; N]) -> Result<[&'t [f64]; N], String> {
    let mut out = [&[] as &[f64]; N];
    for (slot, name) in out.iter_mut().zip(names) {
        *slot = column(fits, name)?;
    }
    Ok(out)
}

fn read_shapes(fits: &Table, ending: &str, pixel_arcsec: Option<f64>) -> Result<Vec<Option<Shape>>, String> {
    let names = ["mxx", "myy", "mxy", "size", "size_err", "e1", "e2", "e_err", "size_response", "e_response"]
        .map(|name| format!("{name}{ending}"));
    let [mxx, myy, mxy, size, size_err, e1, e2, e_err, size_response, e_response] =
        columns(fits, names.each_ref().map(String::as_str))?;
    let area = match fits.column(&names[3]).map(|c| c.unit.as_str()) {
        Some("pix2") => 1.0,
        Some("arcsec2") => {
            let scale = pixel_arcsec.ok_or("its sizes are in arcsec2, but the header lacks PIXSCALE")?;
            scale * scale
        }
        unit => {
            return Err(format!("its column \"{}\" has the unit {unit:?}, not arcsec2 or pix2", names[3]));
        }
    };
    Ok((0..size.len())
        .map(|i| {
            (!size[i].is_nan()).then(|| Shape {
                mxx: mxx[i],
                myy: myy[i],
                mxy: mxy[i],
                size: size[i] / area,
                size_err: size_err[i] / area,
                e1: e1[i],
                e2: e2[i],
                e_err: e_err[i],
                size_response: size_response[i],
                e_response: e_response[i],
            })
        })
        .collect())
}

fn read_higher(fits: &Table) -> Result<Vec<Option<HigherMoments>>, String> {
    let [coma1, coma2, coma_err, trefoil1, trefoil2, trefoil_err, kurtosis, kurtosis_err] =
        columns(fits, HIGHER.map(|(name, ..)| name))?;
    Ok((0..coma1.len())
        .map(|i| {
            (!kurtosis[i].is_nan()).then(|| HigherMoments {
                coma1: coma1[i],
                coma2: coma2[i],
                coma_err: coma_err[i],
                trefoil1: trefoil1[i],
                trefoil2: trefoil2[i],
                trefoil_err: trefoil_err[i],
                kurtosis: kurtosis[i],
                kurtosis_err: kurtosis_err[i],
            })
        })
        .collect())
}

type Cutout = Option<(Array2<f32>, Array2<bool>)>;

/// Cut-outs are square, so that their length tells their shape.
fn read_cutouts(fits: &Table) -> Result<Vec<Cutout>, String> {
    let (Some(pixels), Some(mask)) = (fits.column(CUTOUT), fits.column(CUTOUT_MASK)) else {
        return Err("it lacks the columns \"cutout\" and \"cutout_mask\"".into());
    };
    let (Data::F32Lists(pixels), Data::U8Lists(masks)) = (&pixels.data, &mask.data) else {
        return Err("its cut-outs are not lists of 32-bit floats with lists of bytes".into());
    };
    pixels
        .iter()
        .zip(masks)
        .map(|(values, flags)| {
            if values.is_empty() && flags.is_empty() {
                return Ok(None);
            }
            let side = values.len().isqrt();
            let image = Array2::from_shape_vec((side, side), values.clone());
            let bad = Array2::from_shape_vec((side, side), flags.iter().map(|f| *f != MASK_USED).collect());
            match (image, bad) {
                (Ok(image), Ok(bad)) => Ok(Some((image, bad))),
                _ => Err("a cut-out is not square, or its mask has another shape".into()),
            }
        })
        .collect()
}
