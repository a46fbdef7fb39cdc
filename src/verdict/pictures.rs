//! What figures are drawn from: models over the field, mean star images, pulls, detections
//! against the locus.

use std::collections::HashMap;

use ndarray::s;

use super::model::{Gate, Verdict};
use super::own_model::{OwnModel, zone_images};
use super::products::{
    Detection, ExposurePicture, FieldModel, FieldSample, Judgement, OpticsPicture, Pictures, Pulls, ZoneImage,
};
use super::stack::{Exposure, Stack};
use crate::stars::Star;
use crate::table::StarTable;

/// Places along each side of the field on which models are sampled.
const SAMPLES: usize = 9;
/// Half the side of mean star images, in widths `sqrt(T/2)` of the stack's stars.
const IMAGE_WIDTHS: f64 = 5.0;
const LEAST_HALF: usize = 4;
/// Detections shown, used and refused each, at most.
const DETECTIONS: usize = 1500;

/// The verdict with the models of the kept exposures and the pictures of all.
pub(super) fn judgement(
    verdict: Verdict,
    tables: &[StarTable],
    stack: &Stack,
    models: &[Option<OwnModel>],
    optics: Vec<OpticsPicture>,
) -> Judgement {
    let gates: HashMap<&str, Gate> = verdict.exposures.iter().map(|e| (e.file.as_str(), e.gate)).collect();
    let kept = |file: &str| gates.get(file) == Some(&Gate::Keep);
    let mut field_models: Vec<FieldModel> = Vec::new();
    let mut pictures = Pictures { optics, ..Pictures::default() };
    let mut in_stack = vec![false; tables.len()];
    let half = image_half(tables);
    for (exposure, model) in stack.exposures.iter().zip(models) {
        let table = &tables[exposure.table];
        let Some(model) = model else { continue };
        in_stack[exposure.table] = true;
        let is_kept = kept(&table.file);
        let field_model = is_kept.then(|| model.field_model(exposure, table)).flatten();
        let zones = field_model.as_ref().map_or_else(|| zone_images(table), |m| m.zones.clone());
        field_models.extend(field_model);
        pictures.width = table.width as f64;
        pictures.height = table.height as f64;
        pictures.pixel_arcsec = table.facts.pixel_arcsec;
        pictures.exposures.push(ExposurePicture {
            file: table.file.clone(),
            kept: is_kept,
            stars: model.star_points(exposure),
            model: model.samples(exposure, SAMPLES),
            zones: middles(zones, half),
        });
    }
    // Left out before anything was fitted: their images alone tell why.
    for (table, _) in tables.iter().zip(&in_stack).filter(|(_, there)| !**there) {
        let zones = middles(zone_images(table), half);
        let file = table.file.clone();
        pictures.exposures.push(ExposurePicture { file, zones, ..ExposurePicture::default() });
    }
    pictures.mean = mean_samples(&pictures.exposures);
    pictures.pulls = pulls(stack, models, |exposure| kept(&tables[exposure.table].file));
    pictures.detections = detections(tables, stack, models);
    Judgement { verdict, field_models, pictures }
}

/// Half the side of all images: that of the median star.
fn image_half(tables: &[StarTable]) -> usize {
    let mut widths: Vec<f64> = tables.iter().filter_map(|t| t.sigma_pixels).filter(|w| *w > 0.0).collect();
    widths.sort_by(f64::total_cmp);
    let width = widths.get(widths.len() / 2).copied().unwrap_or(2.0);
    ((IMAGE_WIDTHS * width).ceil() as usize).max(LEAST_HALF)
}

/// The part of each image that holds the star.
fn middles(zones: Vec<ZoneImage>, half: usize) -> Vec<ZoneImage> {
    let cut = |zone: ZoneImage| {
        let middle = zone.image.nrows() / 2;
        // The last two pixels on each side are beyond the interpolation of the mean.
        let half = half.min(middle.saturating_sub(2));
        let range = middle - half..middle + half + 1;
        let image = zone.image.slice(s![range.clone(), range]).to_owned();
        ZoneImage { image, ..zone }
    };
    zones.into_iter().map(cut).collect()
}

/// Repeats about each star's mean: `(r - mean) / sqrt(s^2 - s_mean^2)`, r what the exposure's own model
/// leaves, so that with true errors and models every pull is unit Gaussian.
fn pulls(stack: &Stack, models: &[Option<OwnModel>], kept: impl Fn(&Exposure) -> bool) -> Pulls {
    let repeats = || {
        let fitted = stack.exposures.iter().zip(models).filter(|(e, _)| kept(e));
        fitted.filter_map(|(e, model)| Some((e, model.as_ref()?))).flat_map(|(exposure, model)| {
            exposure.stars.iter().enumerate().filter_map(|(k, star)| {
                Some((
                    star.identity()?,
                    [
                        (model.size.residuals[k], star.log_size_err),
                        (model.e1.residuals[k], star.e_err),
                        (model.e2.residuals[k], star.e_err),
                    ],
                ))
            })
        })
    };
    // Of each star how often it was seen, and sums of weights and of weighted values.
    let mut stars = vec![(0u32, [(0.0, 0.0); 3]); stack.common_stars];
    for (identity, values) in repeats() {
        let (seen, sums) = &mut stars[identity];
        *seen += 1;
        for ((weight, sum), (value, sigma)) in sums.iter_mut().zip(values) {
            *weight += sigma.powi(-2);
            *sum += value * sigma.powi(-2);
        }
    }
    let empty = || vec![0; 2 * Pulls::HALF];
    let mut found = Pulls { size: empty(), ellipticity: empty() };
    for (identity, values) in repeats().filter(|(identity, _)| stars[*identity].0 > 1) {
        for (component, (value, sigma)) in values.into_iter().enumerate() {
            let (weight, sum) = stars[identity].1[component];
            let pull = (value - sum / weight) / (sigma * sigma - 1.0 / weight).sqrt();
            let counts = if component == 0 { &mut found.size } else { &mut found.ellipticity };
            if pull.is_finite() {
                let bin = (pull / Pulls::BIN).floor() + Pulls::HALF as f64;
                counts[bin.clamp(0.0, (2 * Pulls::HALF - 1) as f64) as usize] += 1;
            }
        }
    }
    found
}

/// Detections with a shape, against the size of a star at their place.
fn detections(tables: &[StarTable], stack: &Stack, models: &[Option<OwnModel>]) -> Vec<Detection> {
    let weight = stack.weight;
    let fitted: Vec<(&StarTable, &OwnModel)> = stack
        .exposures
        .iter()
        .zip(models)
        .filter_map(|(exposure, model)| Some((&tables[exposure.table], model.as_ref()?)))
        .collect();
    let of_kind = |used: bool| {
        let fitted = &fitted;
        move || {
            fitted.iter().flat_map(move |(table, model)| {
                let of_kind = move |s: &&Star| s.refused.is_none() == used && s.snr > 0.0;
                table.stars.iter().filter(of_kind).filter_map(move |star| {
                    let size = star.ellipse_under(weight)?.log_size();
                    size.is_finite().then_some((star, *model, size))
                })
            })
        }
    };
    let taken = |used: bool| {
        let all = of_kind(used);
        let step = all().count().div_ceil(DETECTIONS).max(1);
        let detection = |(star, model, size): (&Star, &OwnModel, f64)| Detection {
            snr: star.snr,
            off_locus: size - model.size.predict(star.x, star.y).0,
            refused: star.refused,
        };
        all().step_by(step).map(detection).collect::<Vec<Detection>>()
    };
    [taken(true), taken(false)].concat()
}

/// Mean of the kept exposures' models at the places they share.
pub fn mean_samples(exposures: &[ExposurePicture]) -> Vec<FieldSample> {
    let kept: Vec<&ExposurePicture> = exposures.iter().filter(|e| e.kept).collect();
    let Some(first) = kept.first() else { return Vec::new() };
    let n = kept.len() as f64;
    (0..first.model.len())
        .filter_map(|k| {
            let all: Vec<&FieldSample> = kept.iter().map(|e| e.model.get(k)).collect::<Option<_>>()?;
            let mean = |pick: fn(&FieldSample) -> f64| all.iter().map(|s| pick(s)).sum::<f64>() / n;
            Some(FieldSample {
                x: first.model[k].x,
                y: first.model[k].y,
                ln_size: mean(|s| s.ln_size),
                e1: mean(|s| s.e1),
                e2: mean(|s| s.e2),
            })
        })
        .collect()
}
