//! `figures.fits`: what the figures of the report are drawn from, so that it can be made again without
//! measuring.

use std::collections::HashMap;

use ndarray::Array2;

use crate::stars::Refusal;
use crate::table::fits_table::{self, CardValue, Column, Data, FitsTableError, Table};
use crate::verdict::products::{Detection, FieldSample, OpticsPicture, OpticsZone, Pulls, ZoneImage};

use super::figure_data::{FieldPicture, FigureData, ResidualZone, Role};

const SCHEMA: &str = "stackworthy/figures/1";

/// Why figures could not be taken from a file.
#[derive(Debug, thiserror::Error)]
pub enum FigureFileError {
    #[error(transparent)]
    Table(#[from] FitsTableError),
    #[error("written in the format {found:?}, but this version reads {SCHEMA:?}")]
    Format { found: String },
    #[error("its table {table:?} lacks the column {column:?}, or it has another type")]
    Column { table: &'static str, column: &'static str },
}

type Result<T> = std::result::Result<T, FigureFileError>;

pub fn tables(data: &FigureData) -> Vec<Table> {
    vec![
        fields(data),
        samples(data),
        images(data),
        residuals(data),
        pulls(data),
        detections(data),
        optics(data),
    ]
}

pub fn read(bytes: &[u8]) -> Result<FigureData> {
    let tables = fits_table::from_bytes(bytes)?;
    let at = |name: &'static str| {
        let found = tables.iter().find(|t| t.name == name);
        found.ok_or_else(|| FigureFileError::Table(FitsTableError::NoTable { name: name.into() }))
    };
    let head = at("fields")?;
    let text = |key: &str| match head.value(key) {
        Some(CardValue::Text(t)) => t.clone(),
        _ => String::new(),
    };
    if text("SCHEMA") != SCHEMA {
        return Err(FigureFileError::Format { found: text("SCHEMA") });
    }
    let float = |key: &str| match head.value(key) {
        Some(CardValue::Float(v)) => Some(*v),
        Some(CardValue::Int(v)) => Some(*v as f64),
        _ => None,
    };
    let whole = |key: &str| float(key).unwrap_or(0.0).max(0.0) as usize;
    let mut fields = read_fields(head)?;
    read_samples(at("samples")?, &mut fields)?;
    read_images(at("images")?, &mut fields)?;
    Ok(FigureData {
        width: float("FRAMEW").unwrap_or(0.0),
        height: float("FRAMEH").unwrap_or(0.0),
        pixel_arcsec: float("PIXSCALE"),
        kept: whole("NKEPT"),
        left_out: whole("NLEFTOUT"),
        fields,
        residual: read_residuals(at("residuals")?)?,
        pulls: read_pulls(at("pulls")?)?,
        detections: read_detections(at("detections")?)?,
        optics: read_optics(at("optics")?)?,
    })
}

fn words(name: &str, what: &str, values: Vec<String>) -> Column {
    Column::new(name, "", "", what, Data::Text(values))
}

fn numbers(name: &str, unit: &str, what: &str, values: Vec<f64>) -> Column {
    Column::new(name, unit, "", what, Data::F64(values))
}

fn counts(name: &str, what: &str, values: impl Iterator<Item = u32>) -> Column {
    Column::new(name, "", "meta.number", what, Data::I32(values.map(|n| i32::try_from(n).ok()).collect()))
}

/// Images of one column, each centred in the largest.
fn image_column(name: &str, what: &str, images: &[&Array2<f32>]) -> Column {
    let side = images.iter().map(|i| i.nrows().max(i.ncols())).max().unwrap_or(1).max(1);
    let mut pixels = Vec::with_capacity(images.len() * side * side);
    for image in images {
        let mut square = Array2::<f32>::zeros((side, side));
        let (top, left) = ((side - image.nrows()) / 2, (side - image.ncols()) / 2);
        for ((y, x), value) in image.indexed_iter() {
            square[(top + y, left + x)] = *value;
        }
        pixels.extend(square);
    }
    Column::new(name, "", "", what, Data::F32(pixels)).with_cell(&[side, side])
}

fn scalars<'t>(table: &'t Table, column: &str) -> Option<&'t Data> {
    table.column(column).filter(|c| c.cell.is_empty()).map(|c| &c.data)
}

fn text_of<'t>(table: &'t Table, name: &'static str, column: &'static str) -> Result<&'t [String]> {
    match scalars(table, column) {
        Some(Data::Text(v)) => Ok(v),
        _ => Err(FigureFileError::Column { table: name, column }),
    }
}

fn numbers_of<'t>(table: &'t Table, name: &'static str, column: &'static str) -> Result<&'t [f64]> {
    match scalars(table, column) {
        Some(Data::F64(v)) => Ok(v),
        _ => Err(FigureFileError::Column { table: name, column }),
    }
}

fn counts_of(table: &Table, name: &'static str, column: &'static str) -> Result<Vec<u32>> {
    match scalars(table, column) {
        Some(Data::I32(v)) => {
            Ok(v.iter().map(|n| n.and_then(|n| u32::try_from(n).ok()).unwrap_or(0)).collect())
        }
        _ => Err(FigureFileError::Column { table: name, column }),
    }
}

fn images_of(table: &Table, name: &'static str, column: &'static str) -> Result<Vec<Array2<f32>>> {
    let wrong = || FigureFileError::Column { table: name, column };
    let found = table.column(column).ok_or_else(wrong)?;
    let Data::F32(pixels) = &found.data else { return Err(wrong()) };
    // One pixel an image is no cell to the FITS library.
    let (rows, columns) = match found.cell[..] {
        [rows, columns] => (rows, columns),
        _ => (1, 1),
    };
    let images = pixels.chunks_exact((rows * columns).max(1));
    images.map(|c| Array2::from_shape_vec((rows, columns), c.to_vec()).map_err(|_| wrong())).collect()
}

fn fields(data: &FigureData) -> Table {
    let mut table = Table::new("fields");
    table.text("SCHEMA", SCHEMA, "name and version of this format");
    let finite = |v: f64| Some(v).filter(|v| v.is_finite());
    table.float("FRAMEW", finite(data.width), "[pix] width of the frame");
    table.float("FRAMEH", finite(data.height), "[pix] height of the frame");
    table.float("PIXSCALE", data.pixel_arcsec, "[arcsec] pixel scale");
    table.int("NKEPT", data.kept as i64, "kept exposures with a picture");
    table.int("NLEFTOUT", data.left_out as i64, "exposures not kept with a picture");
    table.columns = vec![
        words("role", "mean, group, left-out or kept", role_of_all(data, |_| 1)),
        words("name", "file of the exposure, or number of the group", name_of_all(data, |_| 1)),
    ];
    table
}

fn role_of_all(data: &FigureData, times: fn(&FieldPicture) -> usize) -> Vec<String> {
    data.fields.iter().flat_map(|f| std::iter::repeat_n(f.role.word().to_owned(), times(f))).collect()
}

fn name_of_all(data: &FigureData, times: fn(&FieldPicture) -> usize) -> Vec<String> {
    data.fields.iter().flat_map(|f| std::iter::repeat_n(f.name.clone(), times(f))).collect()
}

fn read_fields(table: &Table) -> Result<Vec<FieldPicture>> {
    let (roles, names) = (text_of(table, "fields", "role")?, text_of(table, "fields", "name")?);
    let one = |(role, name): (&String, &String)| {
        let role = Role::ALL.into_iter().find(|r| r.word() == role)?;
        Some(FieldPicture { role, name: name.clone(), samples: Vec::new(), images: Vec::new() })
    };
    Ok(roles.iter().zip(names).filter_map(one).collect())
}

fn samples(data: &FigureData) -> Table {
    let all = || data.fields.iter().flat_map(|f| &f.samples);
    let of = |get: fn(&FieldSample) -> f64| all().map(get).collect::<Vec<f64>>();
    let mut table = Table::new("samples");
    table.columns = vec![
        words("role", "as in the table fields", role_of_all(data, |f| f.samples.len())),
        words("name", "as in the table fields", name_of_all(data, |f| f.samples.len())),
        numbers("x", "pix", "place on the detector, FITS pixels", of(|s| s.x + 1.0)),
        numbers("y", "pix", "place on the detector, FITS pixels", of(|s| s.y + 1.0)),
        numbers("ln_size", "", "ln(T / pix2) of the field model", of(|s| s.ln_size)),
        numbers("e1", "", "ellipticity of the field model, detector", of(|s| s.e1)),
        numbers("e2", "", "ellipticity of the field model, detector", of(|s| s.e2)),
    ];
    table
}

/// Hands each row to its field.
fn to_fields<T>(
    table: &Table,
    name: &'static str,
    rows: Vec<T>,
    fields: &mut [FieldPicture],
    mut put: impl FnMut(&mut FieldPicture, T),
) -> Result<()> {
    let (roles, names) = (text_of(table, name, "role")?, text_of(table, name, "name")?);
    let places: HashMap<(&str, String), usize> =
        fields.iter().enumerate().map(|(k, f)| ((f.role.word(), f.name.clone()), k)).collect();
    for ((role, field), row) in roles.iter().zip(names).zip(rows) {
        if let Some(&k) = places.get(&(role.as_str(), field.clone())) {
            put(&mut fields[k], row);
        }
    }
    Ok(())
}

fn read_samples(table: &Table, fields: &mut [FieldPicture]) -> Result<()> {
    let column = |name| numbers_of(table, "samples", name);
    let (x, y) = (column("x")?, column("y")?);
    let (ln_size, e1, e2) = (column("ln_size")?, column("e1")?, column("e2")?);
    let rows = (0..x.len()).map(|k| FieldSample {
        x: x[k] - 1.0,
        y: y[k] - 1.0,
        ln_size: ln_size[k],
        e1: e1[k],
        e2: e2[k],
    });
    to_fields(table, "samples", rows.collect(), fields, |field, sample| field.samples.push(sample))
}

fn images(data: &FigureData) -> Table {
    let all: Vec<&ZoneImage> = data.fields.iter().flat_map(|f| &f.images).collect();
    let of = |get: fn(&ZoneImage) -> f64| all.iter().map(|z| get(z)).collect::<Vec<f64>>();
    let pixels: Vec<&Array2<f32>> = all.iter().map(|z| &z.image).collect();
    let mut table = Table::new("images");
    table.columns = vec![
        words("role", "as in the table fields", role_of_all(data, |f| f.images.len())),
        words("name", "as in the table fields", name_of_all(data, |f| f.images.len())),
        numbers("x", "pix", "mean place of its stars, FITS pixels", of(|z| z.x + 1.0)),
        numbers("y", "pix", "mean place of its stars, FITS pixels", of(|z| z.y + 1.0)),
        counts("stars", "stars in the mean", all.iter().map(|z| z.stars)),
        image_column("image", "middle of the mean star, of which the whole has sum 1", &pixels),
    ];
    table
}

fn read_images(table: &Table, fields: &mut [FieldPicture]) -> Result<()> {
    let (x, y) = (numbers_of(table, "images", "x")?, numbers_of(table, "images", "y")?);
    let stars = counts_of(table, "images", "stars")?;
    let images = images_of(table, "images", "image")?;
    let rows = x.iter().zip(y).zip(stars).zip(images);
    let rows = rows.map(|(((x, y), stars), image)| ZoneImage { x: x - 1.0, y: y - 1.0, stars, image });
    to_fields(table, "images", rows.collect(), fields, |field, image| field.images.push(image))
}

fn residuals(data: &FigureData) -> Table {
    let of = |get: fn(&ResidualZone) -> f64| data.residual.iter().map(get).collect::<Vec<f64>>();
    let mut table = Table::new("residuals");
    table.columns = vec![
        numbers("x", "pix", "middle of the zone, FITS pixels", of(|z| z.x + 1.0)),
        numbers("y", "pix", "middle of the zone, FITS pixels", of(|z| z.y + 1.0)),
        counts("stars", "stars in the mean", data.residual.iter().map(|z| z.stars)),
        numbers("ln_size", "", "mean of ln T, star minus own model", of(|z| z.mean[0])),
        numbers("e1", "", "mean of e1, star minus own model", of(|z| z.mean[1])),
        numbers("e2", "", "mean of e2, star minus own model", of(|z| z.mean[2])),
        numbers("ln_size_err", "", "error by the scatter of the stars", of(|z| z.err[0])),
        numbers("e1_err", "", "error by the scatter of the stars", of(|z| z.err[1])),
        numbers("e2_err", "", "error by the scatter of the stars", of(|z| z.err[2])),
    ];
    table
}

fn read_residuals(table: &Table) -> Result<Vec<ResidualZone>> {
    let column = |name| numbers_of(table, "residuals", name);
    let (x, y, stars) = (column("x")?, column("y")?, counts_of(table, "residuals", "stars")?);
    let mean = [column("ln_size")?, column("e1")?, column("e2")?];
    let err = [column("ln_size_err")?, column("e1_err")?, column("e2_err")?];
    let zone = |k: usize| ResidualZone {
        x: x[k] - 1.0,
        y: y[k] - 1.0,
        stars: stars[k],
        mean: mean.map(|m| m[k]),
        err: err.map(|e| e[k]),
    };
    Ok((0..x.len()).map(zone).collect())
}

fn pulls(data: &FigureData) -> Table {
    let mut table = Table::new("pulls");
    let bins = data.pulls.size.len();
    table.columns = vec![
        numbers(
            "pull",
            "",
            "middle of the bin; the first and the last hold all beyond",
            (0..bins).map(Pulls::middle).collect(),
        ),
        counts("size", "repeats of ln T", data.pulls.size.iter().copied()),
        counts("ellipticity", "repeats of e1 and e2", data.pulls.ellipticity.iter().copied()),
    ];
    table
}

fn read_pulls(table: &Table) -> Result<Pulls> {
    let counts = |column| counts_of(table, "pulls", column);
    let pulls = Pulls { size: counts("size")?, ellipticity: counts("ellipticity")? };
    let whole = pulls.size.len() == 2 * Pulls::HALF;
    Ok(if whole { pulls } else { Pulls::default() })
}

fn detections(data: &FigureData) -> Table {
    let all = &data.detections;
    let mut table = Table::new("detections");
    table.columns = vec![
        numbers("snr", "", "flux over its error, matched filter", all.iter().map(|d| d.snr).collect()),
        numbers("off_locus", "", "ln T minus the field model", all.iter().map(|d| d.off_locus).collect()),
        words(
            "refused",
            "empty for a star that is used, or why it is not, in a word",
            all.iter().map(|d| d.refused.map_or(String::new(), |r| r.word().into())).collect(),
        ),
    ];
    table
}

fn read_detections(table: &Table) -> Result<Vec<Detection>> {
    let column = |name| numbers_of(table, "detections", name);
    let rows = column("snr")?.iter().zip(column("off_locus")?).zip(text_of(table, "detections", "refused")?);
    let row = |((&snr, &off_locus), word): ((&f64, &f64), &String)| Detection {
        snr,
        off_locus,
        refused: Refusal::from_word(word),
    };
    Ok(rows.map(row).collect())
}

fn optics(data: &FigureData) -> Table {
    let all: Vec<(&OpticsPicture, &OpticsZone)> =
        data.optics.iter().flat_map(|p| p.zones.iter().map(move |z| (p, z))).collect();
    let of = |get: fn(&(&OpticsPicture, &OpticsZone)) -> f64| all.iter().map(get).collect::<Vec<f64>>();
    let count = |get: fn(&(&OpticsPicture, &OpticsZone)) -> usize| {
        all.iter().map(get).map(|n| u32::try_from(n).unwrap_or(0)).collect::<Vec<u32>>().into_iter()
    };
    let data_pixels: Vec<&Array2<f32>> = all.iter().map(|(_, z)| &z.data).collect();
    let model_pixels: Vec<&Array2<f32>> = all.iter().map(|(_, z)| &z.model).collect();
    let mut table = Table::new("optics");
    table.columns = vec![
        words("file", "path as given", all.iter().map(|(p, _)| p.file.clone()).collect()),
        numbers("chi2", "", "chi-square per degree of freedom, exposure", of(|(p, _)| p.chi2_per_degree)),
        counts("side", "zones along each side of the field", count(|(p, _)| p.side)),
        counts("column", "column of the zone, from 0", count(|(_, z)| z.cell[0])),
        counts("row", "row of the zone, from 0", count(|(_, z)| z.cell[1])),
        counts("stars", "stars in the mean", all.iter().map(|(_, z)| z.stars)),
        numbers("chi2_zone", "", "chi-square per degree of freedom, zone", of(|(_, z)| z.chi2_per_degree)),
        numbers("error", "", "largest error of a pixel, share of the flux", of(|(_, z)| z.error)),
        image_column("data", "mean star as measured, share of the flux", &data_pixels),
        image_column("model", "mean star as modelled, share of the flux", &model_pixels),
    ];
    table
}

fn read_optics(table: &Table) -> Result<Vec<OpticsPicture>> {
    let number = |name| numbers_of(table, "optics", name);
    let count = |name| counts_of(table, "optics", name);
    let (files, chi2) = (text_of(table, "optics", "file")?, number("chi2")?);
    let (side, column, row, stars) = (count("side")?, count("column")?, count("row")?, count("stars")?);
    let (chi2_zone, error) = (number("chi2_zone")?, number("error")?);
    let (data, model) = (images_of(table, "optics", "data")?, images_of(table, "optics", "model")?);
    let mut pictures: Vec<OpticsPicture> = Vec::new();
    for (k, (data, model)) in data.into_iter().zip(model).enumerate() {
        if pictures.last().is_none_or(|p| p.file != files[k]) {
            pictures.push(OpticsPicture {
                file: files[k].clone(),
                chi2_per_degree: chi2[k],
                side: side[k] as usize,
                zones: Vec::new(),
            });
        }
        if let Some(picture) = pictures.last_mut() {
            picture.zones.push(OpticsZone {
                cell: [column[k] as usize, row[k] as usize],
                stars: stars[k],
                chi2_per_degree: chi2_zone[k],
                data,
                model,
                error: error[k],
            });
        }
    }
    Ok(pictures)
}
