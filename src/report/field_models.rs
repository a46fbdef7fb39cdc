//! `field-models.fits`: each kept exposure's PSF over the field.
//!
//! Three tables: `terms` (the powers of u and v, shared by all exposures),
//! `models` (a row an exposure: coefficients and their covariance) and `zones`
//! (a row an exposure and zone: the mean star image, sum 1). A model of lower
//! degree has zeros for the terms it lacks. At FITS pixel (x, y):
//!
//! ```python
//! import numpy as np
//! from astropy.table import Table
//!
//! terms = Table.read("field-models.fits", hdu="terms")
//! model = Table.read("field-models.fits", hdu="models")[0]
//! u = (x - model["x_middle"]) / model["x_half"]
//! v = (y - model["y_middle"]) / model["y_half"]
//! p = u ** terms["u_power"] * v ** terms["v_power"]
//! size_pix2 = np.exp(np.sum(p * model["ln_size"]))
//! e1, e2 = np.sum(p * model["e1"]), np.sum(p * model["e2"])
//! e1_err = np.sqrt(p @ model["e1_cov"] @ p)
//! ```
//!
//! The image at (x, y) is that of the nearest zone of the same exposure, or a mean
//! of the nearest zones weighted by distance.

use std::collections::BTreeMap;

use ndarray::Array2;

use super::provenance;
use crate::table::fits_table::{Column, Data, Table};
use crate::verdict::{FieldModel, Verdict};

const SCHEMA: &str = "stackworthy/field-models/1";

pub fn tables(models: &[FieldModel], verdict: &Verdict) -> [Table; 3] {
    let mut powers: Vec<(u32, u32)> = models.iter().flat_map(|m| m.powers.iter().copied()).collect();
    powers.sort_by_key(|(i, j)| (i + j, *j));
    powers.dedup();
    [terms(&powers, verdict), coefficients(models, &powers, verdict), zones(models, verdict)]
}

fn terms(powers: &[(u32, u32)], verdict: &Verdict) -> Table {
    let mut table = provenance::table("terms", SCHEMA, verdict);
    let of =
        |get: fn(&(u32, u32)) -> u32| Data::I32(powers.iter().map(|p| i32::try_from(get(p)).ok()).collect());
    table.columns = vec![
        Column::new("u_power", "", "meta.number", "power of u = (x - x_middle) / x_half", of(|p| p.0)),
        Column::new("v_power", "", "meta.number", "power of v = (y - y_middle) / y_half", of(|p| p.1)),
    ];
    table
}

fn coefficients(models: &[FieldModel], powers: &[(u32, u32)], verdict: &Verdict) -> Table {
    let n = powers.len();
    let number = |name: &str, unit: &str, ucd: &str, what: &str, get: &dyn Fn(&FieldModel) -> f64| {
        Column::new(name, unit, ucd, what, Data::F64(models.iter().map(get).collect()))
    };
    let vector = |name: &str, what: &str, get: fn(&FieldModel) -> &Vec<f64>| {
        let values = models.iter().flat_map(|m| on_terms(m, powers, get(m))).collect();
        Column::new(name, "", "stat.fit.param", what, Data::F64(values)).with_cell(&[n])
    };
    let matrix = |name: &str, what: &str, get: fn(&FieldModel) -> &Array2<f64>| {
        let values = models.iter().flat_map(|m| matrix_on_terms(m, powers, get(m))).collect();
        Column::new(name, "", "stat.covariance;stat.fit.param", what, Data::F64(values)).with_cell(&[n, n])
    };
    let hashes: BTreeMap<&str, &str> =
        verdict.exposures.iter().filter_map(|e| Some((e.file.as_str(), e.xxh3.as_deref()?))).collect();
    let words = |name: &str, ucd: &str, what: &str, get: &dyn Fn(&FieldModel) -> String| {
        Column::new(name, "", ucd, what, Data::Text(models.iter().map(get).collect()))
    };
    let mut table = provenance::table("models", SCHEMA, verdict);
    table.columns = vec![
        words("file", "meta.id;meta.file", "path as given", &|m| m.file.clone()),
        words("xxh3", "meta.checksum", "XXH3 hash of the frame, 128 bits", &|m| {
            hashes.get(m.file.as_str()).map_or(String::new(), |hash| (*hash).to_owned())
        }),
        number("pixel_arcsec", "arcsec", "instr.scale", "pixel scale", &|m| {
            m.pixel_arcsec.unwrap_or(f64::NAN)
        }),
        number("x_middle", "pix", "pos.cartesian.x;instr.det", "middle of the field, FITS pixels", &|m| {
            m.x_middle + 1.0
        }),
        number("x_half", "pix", "pos.cartesian.x;instr.det", "half its width", &|m| m.x_half),
        number("y_middle", "pix", "pos.cartesian.y;instr.det", "middle of the field, FITS pixels", &|m| {
            m.y_middle + 1.0
        }),
        number("y_half", "pix", "pos.cartesian.y;instr.det", "half its height", &|m| m.y_half),
        number("degree", "", "meta.number", "degree of the polynomial", &|m| f64::from(m.degree)),
        vector("ln_size", "coefficients of ln(T / pix2)", |m| &m.ln_size),
        vector("e1", "coefficients of e1, detector", |m| &m.e1),
        vector("e2", "coefficients of e2, detector", |m| &m.e2),
        matrix("ln_size_cov", "covariance of ln_size", |m| &m.ln_size_covariance),
        matrix("e1_cov", "covariance of e1", |m| &m.e1_covariance),
        matrix("e2_cov", "covariance of e2", |m| &m.e2_covariance),
    ];
    // A table cell of no values is no cell.
    table.columns.retain(|c| !c.cell.contains(&0));
    table
}

fn term_index(model: &FieldModel, power: &(u32, u32)) -> Option<usize> {
    model.powers.iter().position(|p| p == power)
}

fn on_terms(model: &FieldModel, powers: &[(u32, u32)], values: &[f64]) -> Vec<f64> {
    powers.iter().map(|p| term_index(model, p).and_then(|k| values.get(k).copied()).unwrap_or(0.0)).collect()
}

fn matrix_on_terms(model: &FieldModel, powers: &[(u32, u32)], values: &Array2<f64>) -> Vec<f64> {
    let index: Vec<_> = powers.iter().map(|p| term_index(model, p)).collect();
    let at = |i: &Option<usize>, j: &Option<usize>| values.get(((*i)?, (*j)?)).copied();
    index.iter().flat_map(|i| index.iter().map(move |j| at(i, j).unwrap_or(0.0))).collect()
}

fn zones(models: &[FieldModel], verdict: &Verdict) -> Table {
    let all: Vec<_> = models.iter().flat_map(|m| m.zones.iter().map(move |z| (m, z))).collect();
    // One column holds one shape: images are centred in the largest.
    let height = all.iter().map(|(_, z)| z.image.nrows()).max().unwrap_or(1).max(1);
    let width = all.iter().map(|(_, z)| z.image.ncols()).max().unwrap_or(1).max(1);
    let mut pixels = Vec::with_capacity(all.len() * height * width);
    for (_, zone) in &all {
        pixels.extend(centred(&zone.image, height, width));
    }
    let mut table = provenance::table("zones", SCHEMA, verdict);
    let files = all.iter().map(|(m, _)| m.file.clone()).collect();
    let of = |get: fn(&crate::verdict::products::ZoneImage) -> f64| {
        Data::F64(all.iter().map(|(_, z)| get(z)).collect())
    };
    table.columns = vec![
        Column::new("file", "", "meta.id;meta.file", "path as given", Data::Text(files)),
        Column::new(
            "x",
            "pix",
            "pos.cartesian.x;instr.det",
            "mean place of its stars, FITS pixels",
            of(|z| z.x + 1.0),
        ),
        Column::new(
            "y",
            "pix",
            "pos.cartesian.y;instr.det",
            "mean place of its stars, FITS pixels",
            of(|z| z.y + 1.0),
        ),
        Column::new("stars", "", "meta.number", "stars in the mean", of(|z| f64::from(z.stars))),
        Column::new(
            "image",
            "",
            "instr.det.psf",
            "mean star, sum 1, centred on the middle pixel",
            Data::F32(pixels),
        )
        .with_cell(&[height, width]),
    ];
    table
}

fn centred(image: &Array2<f32>, height: usize, width: usize) -> Vec<f32> {
    let mut out = Array2::<f32>::zeros((height, width));
    let (top, left) = ((height - image.nrows()) / 2, (width - image.ncols()) / 2);
    for ((y, x), value) in image.indexed_iter() {
        out[(top + y, left + x)] = *value;
    }
    out.into_raw_vec_and_offset().0
}
