//! Pictures of single exposures and groups on the page: change over the field and star images.

use std::collections::HashMap;

use minijinja::{Value, context};
use ndarray::Array2;

use crate::gate;
use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate};
use crate::verdict::products::{OpticsPicture, OpticsZone, ZoneImage};
use crate::verdict::reasons::file_name;

use super::figure_data::{FieldChange, FieldPicture, FigureData, IMAGE_ZONES, Role, unreadable};
use super::figures::images::{self, Grey, asinh_share};
use super::figures::{self, PanelScale};
use super::numbers::{signed, significant};

/// Files named one by one at most.
const FILES_NAMED: usize = 8;

/// The largest value of any image.
fn peak(images: &[ZoneImage]) -> f64 {
    images.iter().flat_map(|z| &z.image).map(|v| f64::from(*v)).fold(0.0, f64::max)
}

fn star_mosaic(data: &FigureData, images: &[ZoneImage], grey: Grey) -> Option<String> {
    let cells: Vec<([usize; 2], &Array2<f32>)> = images.iter().map(|z| (data.cell(z), &z.image)).collect();
    images::mosaic(&cells, IMAGE_ZONES, grey)
}

/// Labels of the asinh scale, each with its place, percent.
fn asinh_labels() -> Vec<Value> {
    [(0.0, "0"), (0.01, "1 %"), (0.1, "10 %"), (1.0, "peak")]
        .into_iter()
        .map(|(share, text)| context! { text => text, place => format!("{:.1}", 100.0 * asinh_share(share)) })
        .collect()
}

fn difference_labels(most: f64) -> Vec<Value> {
    let percent = significant(100.0 * most, 2);
    [("0.0", format!("-{percent} %")), ("50.0", "0".into()), ("100.0", format!("+{percent} %"))]
        .into_iter()
        .map(|(place, text)| context! { text => text, place => place })
        .collect()
}

/// A length in the sky, or pixels, with its share of a whole of so many pixels, percent.
fn ruler(data: &FigureData, whole: usize, one: usize) -> Value {
    let target = 0.8 * one as f64;
    let (length, text) = match data.pixel_arcsec.filter(|s| s.is_finite() && *s > 0.0) {
        Some(scale) => {
            let round = figures::round_down(target * scale);
            (round / scale, format!("{round} arcsec"))
        }
        None => (figures::round_down(target), format!("{} pixels", figures::round_down(target))),
    };
    context! { percent => format!("{:.2}", 100.0 * length / whole as f64), text => text }
}

/// The mean star of the kept exposures by zone.
pub fn mean_star(data: &FigureData) -> Option<Value> {
    let mean = data.mean()?;
    let peak = peak(&mean.images);
    let grey = Grey::Asinh { peak };
    let side = mean.images.iter().map(|z| z.image.nrows()).max()?;
    let stars: u32 = mean.images.iter().map(|z| z.stars).sum();
    Some(context! {
        src => star_mosaic(data, &mean.images, grey)?,
        scale => images::scale(grey)?,
        labels => asinh_labels(),
        ruler => ruler(data, IMAGE_ZONES * (side + 1) - 1, side),
        side => side,
        stars => stars,
        peak => significant(100.0 * peak, 3),
        knee => significant(100.0 * images::ASINH_KNEE, 2),
    })
}

/// One field against the mean.
fn card(v: &Verdict, data: &FigureData, field: &FieldPicture, scale: PanelScale) -> Value {
    let difference = data.difference(field);
    let change = FieldChange::of(&difference);
    let panels = figures::change_panels(data, &difference, scale).map(Value::from_safe_string);
    let grey = Grey::Asinh { peak: data.mean().map_or(0.0, |m| peak(&m.images)).max(peak(&field.images)) };
    let against = star_difference(data, field);
    let row = v.exposures.iter().find(|e| field.role != Role::Group && e.file == field.name);
    context! {
        name => file_name(&field.name),
        panels => panels,
        tenth => significant(scale.tenth, 2),
        disc => significant(scale.disc, 2),
        star => star_mosaic(data, &field.images, grey),
        against => against.as_ref().map(|(src, _)| src.clone()),
        most => against.map(|(_, most)| significant(100.0 * most, 2)),
        size => change.map(|c| signed(Some(c.size))),
        percent => change.map(|c| larger(c.size)),
        ellipticity => change.map(|c| significant(c.ellipticity, 2)),
        why => row.map(why),
    }
}

/// In words, from a change of ln T.
fn larger(ln: f64) -> String {
    let percent = significant(100.0 * (ln.abs().exp() - 1.0), 2);
    if ln >= 0.0 { format!("{percent} % larger") } else { format!("{percent} % smaller") }
}

/// What the checks say of an exposure, each with its code.
fn why(e: &ExposureResult) -> Vec<Value> {
    let title = |code: &str| gate::find(code).map_or_else(String::new, |c| c.title.to_owned());
    e.reasons.iter().map(|code| context! { title => title(code), code => code.clone() }).collect()
}

/// Star images minus the mean's, with the scale as a share of the mean's peak.
fn star_difference(data: &FigureData, field: &FieldPicture) -> Option<(String, f64)> {
    let mean = data.mean()?;
    let of_mean: HashMap<[usize; 2], &Array2<f32>> =
        mean.images.iter().map(|z| (data.cell(z), &z.image)).collect();
    let minus = |z: &ZoneImage| {
        let cell = data.cell(z);
        let other = of_mean.get(&cell).filter(|o| o.dim() == z.image.dim())?;
        Some((cell, &z.image - *other))
    };
    let cells: Vec<([usize; 2], Array2<f32>)> = field.images.iter().filter_map(minus).collect();
    let most = cells.iter().flat_map(|(_, d)| d).map(|v| f64::from(v.abs())).fold(0.0, f64::max);
    let borrowed: Vec<([usize; 2], &Array2<f32>)> = cells.iter().map(|(c, d)| (*c, d)).collect();
    let src = images::mosaic(&borrowed, IMAGE_ZONES, Grey::Difference { most })?;
    Some((src, most / peak(&mean.images)))
}

/// The kept exposures that differ most, all to one scale.
pub fn kept(v: &Verdict, data: &FigureData) -> Option<Value> {
    let fields: Vec<&FieldPicture> = data.with(Role::Kept).collect();
    let differences: Vec<_> = fields.iter().map(|f| data.difference(f)).collect();
    if differences.iter().all(|d| d.is_empty()) {
        return None;
    }
    let scale = PanelScale::of(differences.iter().map(|d| d.as_slice()));
    Some(context! {
        total => data.kept,
        tenth => significant(scale.tenth, 2),
        disc => significant(scale.disc, 2),
        shown => fields.iter().map(|f| card(v, data, f, scale)).collect::<Vec<_>>(),
    })
}

/// Those left out, each to its own scale.
pub fn left_out(v: &Verdict, data: &FigureData) -> Option<Value> {
    let own_scale = |f: &&FieldPicture| {
        let difference = data.difference(f);
        card(v, data, f, PanelScale::of(std::iter::once(difference.as_slice())))
    };
    let shown: Vec<Value> = data.with(Role::LeftOut).collect::<Vec<_>>().iter().map(own_scale).collect();
    let files = unreadable(v);
    let others: Vec<&ExposureResult> = v.exposures.iter().filter(|e| e.gate == Gate::LeaveOut).collect();
    if others.is_empty() && files.is_empty() {
        return None;
    }
    Some(context! {
        total => others.len(),
        // Without pictures the reasons still stand.
        rows => match shown.is_empty() {
            true => others.iter().take(FILES_NAMED).map(|e| context! { name => file_name(&e.file), why => why(e) }).collect(),
            false => Vec::new(),
        },
        shown => shown,
        unreadable => named(files.into_iter()),
    })
}

/// Names, the rest counted.
fn named<'a>(files: impl ExactSizeIterator<Item = &'a str>) -> String {
    let more = files.len().saturating_sub(FILES_NAMED);
    let names: Vec<&str> = files.take(FILES_NAMED).collect();
    if more > 0 { format!("{} and {more} more", names.join(", ")) } else { names.join(", ") }
}

/// The groups of a split, each against the mean, all to one scale.
pub fn groups(v: &Verdict, data: &FigureData) -> Vec<Value> {
    let fields: Vec<&FieldPicture> = data.with(Role::Group).collect();
    let differences: Vec<_> = fields.iter().map(|f| data.difference(f)).collect();
    let scale = PanelScale::of(differences.iter().map(|d| d.as_slice()));
    let rows: HashMap<&str, &ExposureResult> = v.exposures.iter().map(|e| (e.file.as_str(), e)).collect();
    let group = |(k, files): (usize, &Vec<String>)| {
        let members: Vec<&ExposureResult> =
            files.iter().filter_map(|f| rows.get(f.as_str()).copied()).collect();
        let time: Option<f64> = members.iter().map(|e| e.exposure_s).sum();
        let field = fields.iter().find(|f| f.name == (k + 1).to_string());
        context! {
            number => k + 1,
            exposures => files.len(),
            time => time.map(|t| significant(t, 4)),
            files => named(files.iter().map(|f| file_name(f))),
            all => (files.len() > FILES_NAMED).then(|| files.join(", ")),
            card => field.map(|f| card(v, data, f, scale)),
            tenth => significant(scale.tenth, 2),
            disc => significant(scale.disc, 2),
        }
    };
    v.groups.iter().enumerate().map(group).collect()
}

/// The forward fit that leaves most, in three pictures, and what the others leave.
pub fn optics(data: &FigureData) -> Option<Value> {
    let worst = data.optics.first()?;
    let of = |p: &OpticsPicture, grey: Grey, image: fn(&OpticsZone) -> Array2<f32>| {
        let images: Vec<([usize; 2], Array2<f32>)> = p.zones.iter().map(|z| (z.cell, image(z))).collect();
        let cells: Vec<([usize; 2], &Array2<f32>)> = images.iter().map(|(c, i)| (*c, i)).collect();
        images::mosaic(&cells, p.side, grey)
    };
    let peak = worst.zones.iter().flat_map(|z| &z.data).map(|v| f64::from(*v)).fold(0.0, f64::max);
    let left = |z: &OpticsZone| &z.data - &z.model;
    let largest =
        |p: &OpticsPicture| p.zones.iter().flat_map(left).map(|v| f64::from(v.abs())).fold(0.0, f64::max);
    let most = largest(worst);
    let of_all = data.optics.iter().map(largest).fold(0.0, f64::max);
    let (star, residual) = (Grey::Asinh { peak }, Grey::Difference { most });
    let side = worst.zones.iter().map(|z| z.data.nrows()).max()?;
    let others = data.optics.iter().map(|p| {
        context! {
            name => file_name(&p.file),
            chi2 => format!("{:.2}", p.chi2_per_degree),
            src => of(p, Grey::Difference { most: of_all }, left),
        }
    });
    Some(context! {
        caption => super::captions::optics(worst),
        data => of(worst, star, |z| z.data.clone())?,
        model => of(worst, star, |z| z.model.clone())?,
        residual => of(worst, residual, left)?,
        star_scale => images::scale(star)?,
        star_labels => asinh_labels(),
        residual_scale => images::scale(residual)?,
        residual_labels => difference_labels(most),
        ruler => ruler(data, worst.side * (side + 1) - 1, side),
        side => side,
        others => (data.optics.len() > 1).then(|| others.collect::<Vec<_>>()),
        others_most => significant(100.0 * of_all, 2),
    })
}
