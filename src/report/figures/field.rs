//! The PSF over the field: whiskers of the mean, the change of each exposure, and
//! what the exposures' models leave over.

use plotters::prelude::*;
use plotters::style::text_anchor::HPos;

use crate::report::numbers::significant;
use crate::verdict::Pictures;
use crate::verdict::products::{ExposurePicture, FieldSample, StarPoint};

use super::{Area, Drawn, GRID, INK, MARK, SECOND, WIDTH, draw, fine, round_down, text_style};

/// Exposures shown one by one at most.
const MULTIPLES: usize = 24;
/// Zones of the residual map along the longer side.
const ZONES: usize = 8;
/// A residual zone with fewer stars is not drawn.
const LEAST_STARS: usize = 5;

/// A stick of ellipticity: no head, its length the ellipticity, its direction the
/// long axis of the image.
#[derive(Clone, Copy)]
struct Whisker {
    x: f64,
    y: f64,
    e1: f64,
    e2: f64,
}

impl Whisker {
    fn length(&self) -> f64 {
        self.e1.hypot(self.e2)
    }
    /// Ends of the stick; `scale` is pixels per unit of ellipticity.
    fn ends(&self, scale: f64) -> [(f64, f64); 2] {
        let (half, angle) = (0.5 * scale * self.length(), 0.5 * self.e2.atan2(self.e1));
        let (dx, dy) = (half * angle.cos(), half * angle.sin());
        [(self.x - dx, self.y - dy), (self.x + dx, self.y + dy)]
    }
}

/// Whiskers of the kept exposures' mean, on the detector, with a key.
pub fn mean_whiskers(pictures: &Pictures) -> Option<String> {
    let whiskers: Vec<Whisker> = pictures.mean.iter().filter_map(of_sample).collect();
    let key = round_down(whiskers.iter().map(Whisker::length).fold(0.0, f64::max));
    if whiskers.is_empty() || !has_size(pictures) {
        return None;
    }
    let scale = spacing(pictures, whiskers.len()) * 0.9 / key.max(1e-6) / 1.6;
    draw(field_height(pictures), "Whisker plot of the mean ellipticity over the field", |area| {
        paint_field(area, pictures, |place| {
            for whisker in &whiskers {
                stick(area, place, whisker, scale, MARK)?;
            }
            draw_key(area, pictures, place, key, scale)
        })
    })
}

fn of_sample(s: &FieldSample) -> Option<Whisker> {
    (s.e1.is_finite() && s.e2.is_finite()).then_some(Whisker { x: s.x, y: s.y, e1: s.e1, e2: s.e2 })
}

/// One exposure's change against the mean.
pub struct Multiple {
    pub file: String,
    pub kept: bool,
    pub svg: String,
    /// Mean change of ln T over the field.
    pub size_change: f64,
    /// rms change of the ellipticity per component over the field.
    pub ellipticity_change: f64,
}

/// Small whisker plots of each exposure's change against the mean, all to one scale:
/// those that were left out, then those that differ most. Second: how many there are.
/// Third: the ellipticity of a stick as long as a tenth of the plot's width.
pub fn small_multiples(pictures: &Pictures) -> Option<(Vec<Multiple>, usize, f64)> {
    if !has_size(pictures) || pictures.mean.is_empty() {
        return None;
    }
    let mut all: Vec<(&ExposurePicture, Vec<Whisker>, f64)> =
        pictures.exposures.iter().filter_map(|e| change(pictures, e)).collect();
    let total = all.len();
    all.sort_by(|a, b| {
        (a.0.kept, rms(&b.1)).partial_cmp(&(b.0.kept, rms(&a.1))).unwrap_or(std::cmp::Ordering::Equal)
    });
    all.truncate(MULTIPLES);
    let longest = all.iter().flat_map(|(_, w, _)| w).map(Whisker::length).fold(0.0, f64::max);
    let tenth = round_down(longest);
    let scale = 0.1 * pictures.width / tenth;
    let drawn: Vec<Multiple> = all
        .iter()
        .map(|(exposure, whiskers, size_change)| Multiple {
            file: exposure.file.clone(),
            kept: exposure.kept,
            svg: small_plot(pictures, whiskers, scale),
            size_change: *size_change,
            ellipticity_change: rms(whiskers),
        })
        .collect();
    Some((drawn, total, tenth)).filter(|(multiples, ..)| !multiples.is_empty())
}

fn change<'e>(
    pictures: &Pictures,
    exposure: &'e ExposurePicture,
) -> Option<(&'e ExposurePicture, Vec<Whisker>, f64)> {
    if exposure.model.len() != pictures.mean.len() {
        return None;
    }
    let pairs = || exposure.model.iter().zip(&pictures.mean);
    let whiskers = pairs()
        .filter_map(|(a, b)| of_sample(&FieldSample { e1: a.e1 - b.e1, e2: a.e2 - b.e2, ..*a }))
        .collect::<Vec<_>>();
    let size = pairs().map(|(a, b)| a.ln_size - b.ln_size).sum::<f64>() / pictures.mean.len() as f64;
    Some((exposure, whiskers, size))
}

/// Per component.
fn rms(whiskers: &[Whisker]) -> f64 {
    let sum: f64 = whiskers.iter().map(|w| 0.5 * w.length().powi(2)).sum();
    (sum / whiskers.len().max(1) as f64).sqrt()
}

fn small_plot(pictures: &Pictures, whiskers: &[Whisker], scale: f64) -> String {
    let width = 150.0;
    let per_pixel = width / pictures.width;
    let height = pictures.height * per_pixel;
    let path: String = whiskers
        .iter()
        .map(|w| {
            let [a, b] = w.ends(scale);
            let at = |p: (f64, f64)| (p.0 * per_pixel, height - p.1 * per_pixel);
            let (a, b) = (at(a), at(b));
            format!("M{:.1} {:.1}L{:.1} {:.1}", a.0, a.1, b.0, b.1)
        })
        .collect();
    format!(
        "<svg class=\"small\" viewBox=\"-1 -1 {:.0} {:.0}\" aria-hidden=\"true\">\
         <rect width=\"{width}\" height=\"{height:.1}\" fill=\"none\" stroke=\"var(--grid)\"/>\
         <path d=\"{path}\" stroke=\"var(--mark)\" stroke-width=\"1.4\" stroke-linecap=\"round\"/></svg>",
        width + 2.0,
        height + 2.0
    )
}

/// Mean residual by zone of the field, over all exposures: sticks for ellipticity, discs
/// (larger than the model) and rings (smaller) for size.
pub fn residual_map(pictures: &Pictures) -> Option<ResidualMap> {
    if !has_size(pictures) {
        return None;
    }
    let zones = zones(pictures);
    if zones.is_empty() {
        return None;
    }
    let longest = zones.iter().map(|z| z.0.length()).fold(0.0, f64::max);
    let largest = zones.iter().map(|z| z.1.abs()).fold(0.0, f64::max);
    let key = round_down(longest);
    let side = pictures.width.max(pictures.height) / ZONES as f64;
    let scale = 0.55 * side / longest.max(1e-12);
    let pixel = plot_width() / pictures.width;
    let svg = draw(field_height(pictures), "Map of the residuals over the field", |area| {
        paint_field(area, pictures, |place| {
            for (whisker, size) in &zones {
                let radius = (0.42 * side * pixel * (size.abs() / largest.max(1e-12)).sqrt()).max(0.5);
                let at = place(whisker.x, whisker.y);
                let style = if *size > 0.0 { GRID.filled() } else { SECOND.stroke_width(fine(1.2) as u32) };
                area.draw(&Circle::new(at, fine(radius), style))?;
            }
            for (whisker, _) in &zones {
                stick(area, place, whisker, scale, MARK)?;
            }
            draw_key(area, pictures, place, key, scale)
        })
    })?;
    Some(ResidualMap { svg, largest_size: largest, longest })
}

pub struct ResidualMap {
    pub svg: String,
    /// Largest zone mean of the ln T residual, absolute.
    pub largest_size: f64,
    /// Longest zone mean of the ellipticity residual.
    pub longest: f64,
}

fn zones(pictures: &Pictures) -> Vec<(Whisker, f64)> {
    let side = pictures.width.max(pictures.height) / ZONES as f64;
    let mut sums: std::collections::BTreeMap<(usize, usize), (usize, [f64; 3])> = Default::default();
    let stars = pictures.exposures.iter().flat_map(|e| &e.stars);
    for StarPoint { x, y, residual, kept, .. } in stars.copied() {
        let Some(residual) = residual.filter(|r| kept && r.iter().all(|v| v.is_finite())) else { continue };
        let sum = sums.entry(((x.max(0.0) / side) as usize, (y.max(0.0) / side) as usize)).or_default();
        sum.0 += 1;
        (0..3).for_each(|k| sum.1[k] += residual[k]);
    }
    sums.into_iter()
        .filter(|(_, (n, _))| *n >= LEAST_STARS)
        .map(|((i, j), (n, sum))| {
            let mean = sum.map(|s| s / n as f64);
            let middle = |k: usize, end: f64| ((k as f64 + 0.5) * side).min(0.5 * (k as f64 * side + end));
            let (x, y) = (middle(i, pictures.width), middle(j, pictures.height));
            (Whisker { x, y, e1: mean[1], e2: mean[2] }, mean[0])
        })
        .collect()
}

fn has_size(pictures: &Pictures) -> bool {
    [pictures.width, pictures.height].iter().all(|v| v.is_finite() && *v > 0.0)
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 56.0;

fn plot_width() -> f64 {
    WIDTH - LEFT - RIGHT
}

/// The field keeps its shape, within reason.
fn field_height(pictures: &Pictures) -> f64 {
    TOP + BOTTOM + plot_width() * (pictures.height / pictures.width).clamp(0.3, 1.5)
}

/// Mean distance of the samples, pixels.
fn spacing(pictures: &Pictures, samples: usize) -> f64 {
    (pictures.width * pictures.height / samples.max(1) as f64).sqrt()
}

/// The frame's outline with its pixel axes; `inside` is given the way from FITS-like
/// pixels to the drawing (y upwards).
fn paint_field(
    area: &Area,
    pictures: &Pictures,
    inside: impl FnOnce(&dyn Fn(f64, f64) -> (i32, i32)) -> Drawn,
) -> Drawn {
    let (width, height) = (plot_width(), field_height(pictures) - TOP - BOTTOM);
    let place = |x: f64, y: f64| {
        let right = LEFT + width * x / pictures.width;
        let down = TOP + height * (1.0 - y / pictures.height);
        (fine(right), fine(down))
    };
    let (w, h) = (pictures.width, pictures.height);
    let outline = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h), (0.0, 0.0)].map(|(x, y)| place(x, y));
    area.draw(&PathElement::new(outline, GRID.stroke_width(fine(1.0) as u32)))?;
    for (end, along_x) in [(pictures.width, true), (pictures.height, false)] {
        let step = round_down(end / 3.0);
        let mut at = 0.0;
        while at <= end {
            let text = format!("{at:.0}");
            if along_x {
                let (x, y) = place(at, 0.0);
                area.draw(&Text::new(text, (x, y + fine(13.0)), text_style(HPos::Center)))?;
            } else {
                let (x, y) = place(0.0, at);
                area.draw(&Text::new(text, (x - fine(6.0), y), text_style(HPos::Right)))?;
            }
            at += step;
        }
    }
    let (middle, base) = place(pictures.width / 2.0, 0.0);
    area.draw(&Text::new("x (pixel)", (middle, base + fine(38.0)), text_style(HPos::Center)))?;
    area.draw(&Text::new("y (pixel)", (fine(6.0), fine(TOP / 2.0)), text_style(HPos::Left)))?;
    inside(&place)
}

fn stick(
    area: &Area,
    place: &dyn Fn(f64, f64) -> (i32, i32),
    whisker: &Whisker,
    scale: f64,
    ink: RGBColor,
) -> Drawn {
    let [a, b] = whisker.ends(scale).map(|(x, y)| place(x, y));
    area.draw(&PathElement::new([a, b], ink.stroke_width(fine(1.6) as u32)))?;
    Ok(())
}

/// A stick of known ellipticity above the plot, on the right.
fn draw_key(
    area: &Area,
    pictures: &Pictures,
    place: &dyn Fn(f64, f64) -> (i32, i32),
    key: f64,
    scale: f64,
) -> Drawn {
    let length = key * scale;
    let right = place(pictures.width, 0.0).0;
    let left = place(pictures.width - length, 0.0).0;
    let y = fine(TOP / 2.0);
    area.draw(&PathElement::new([(left, y), (right, y)], INK.stroke_width(fine(1.6) as u32)))?;
    let text = format!("e = {}", significant(key, 1));
    area.draw(&Text::new(text, (left - fine(8.0), y), text_style(HPos::Right)))?;
    Ok(())
}
