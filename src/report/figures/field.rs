//! The PSF over the field: whiskers and size of the mean, the change of each exposure, and
//! what the exposures' models leave over.

use plotters::prelude::*;
use plotters::style::text_anchor::HPos;

use crate::report::figure_data::{FigureData, ResidualZone};
use crate::report::numbers::significant;
use crate::verdict::products::FieldSample;

use super::{Area, Drawn, GRID, INK, MARK, SECOND, TEXT, WIDTH, draw, fine, round_down, text_style};

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

fn of_sample(s: &FieldSample) -> Option<Whisker> {
    (s.e1.is_finite() && s.e2.is_finite()).then_some(Whisker { x: s.x, y: s.y, e1: s.e1, e2: s.e2 })
}

/// Whiskers of the kept exposures' mean, on the detector, with a key.
pub fn mean_whiskers(data: &FigureData) -> Option<String> {
    let whiskers: Vec<Whisker> = data.mean()?.samples.iter().filter_map(of_sample).collect();
    let key = round_down(whiskers.iter().map(Whisker::length).fold(0.0, f64::max));
    if whiskers.is_empty() || !data.has_size() {
        return None;
    }
    let scale = spacing(data, whiskers.len()) * 0.9 / key.max(1e-6) / 1.6;
    draw(field_height(data), "Whisker plot of the mean ellipticity over the field", |area| {
        paint_field(area, data, |place| {
            for whisker in &whiskers {
                stick(area, place, whisker, scale, MARK)?;
            }
            draw_key(area, data, place, key, scale)
        })
    })
}

/// Below this relative change the mean's size is the same over the whole field.
const CONSTANT: f64 = 1e-5;

/// Size of the kept exposures' mean over the detector: darker is larger, with a key. `None` where the
/// models hold it constant.
pub fn mean_size(data: &FigureData) -> Option<String> {
    const KEY_STEPS: usize = 24;
    let known: Vec<&FieldSample> = data.mean()?.samples.iter().filter(|s| s.ln_size.is_finite()).collect();
    let scale2 = data.pixel_arcsec.map_or(1.0, |s| s * s);
    let size = |s: &FieldSample| s.ln_size.exp() * scale2;
    let low = known.iter().map(|s| size(s)).fold(f64::INFINITY, f64::min);
    let high = known.iter().map(|s| size(s)).fold(f64::NEG_INFINITY, f64::max);
    if !(data.has_size() && low > 0.0 && high > low * (1.0 + CONSTANT) && high.is_finite()) {
        return None;
    }
    let shade =
        |v: f64| MARK.mix(0.08 + 0.92 * ((v - low) / (high - low).max(1e-12)).clamp(0.0, 1.0)).filled();
    let columns = known.iter().map(|s| s.x.to_bits()).collect::<std::collections::BTreeSet<_>>().len();
    let rows = known.len().div_ceil(columns.max(1));
    let half = [0.5 * data.width / columns.max(1) as f64, 0.5 * data.height / rows.max(1) as f64];
    let label = "Map of the mean size over the field";
    draw(field_height(data), label, |area| {
        paint_field(area, data, |place| {
            for s in &known {
                let (left, bottom) = place(s.x - half[0], s.y - half[1]);
                let (right, top) = place(s.x + half[0], s.y + half[1]);
                area.draw(&Rectangle::new([(left, top), (right, bottom)], shade(size(s))))?;
            }
            let (y, step) = (fine(TOP / 2.0), fine(4.0));
            let digits = 2.0 - ((high - low) / high).log10().floor();
            let text = |v: f64| significant(v, digits.clamp(3.0, 6.0) as usize);
            let right = fine(WIDTH - RIGHT);
            let unit = if data.pixel_arcsec.is_some() { "arcsec²" } else { "pixel²" };
            let last = format!("{} {unit}", text(high));
            let room = fine(0.47 * TEXT * last.chars().count() as f64);
            area.draw(&Text::new(last, (right, y), text_style(HPos::Right)))?;
            let start = right - room - fine(8.0) - step * KEY_STEPS as i32;
            for k in 0..KEY_STEPS {
                let v = low + (high - low) * (k as f64 + 0.5) / KEY_STEPS as f64;
                let left = start + step * k as i32;
                area.draw(&Rectangle::new([(left, y - fine(6.0)), (left + step, y + fine(6.0))], shade(v)))?;
            }
            area.draw(&Text::new(text(low), (start - fine(6.0), y), text_style(HPos::Right)))?;
            Ok(())
        })
    })
}

/// How large changes are drawn in small panels.
#[derive(Clone, Copy)]
pub struct PanelScale {
    /// The ellipticity of a stick as long as a tenth of the panel's width.
    pub tenth: f64,
    /// The change of ln T of a disc as wide as a tenth of the panel.
    pub disc: f64,
}

impl PanelScale {
    /// So that the largest of all fills its place.
    pub fn of<'s>(differences: impl Iterator<Item = &'s [FieldSample]>) -> Self {
        let (mut longest, mut largest) = (0.0f64, 0.0f64);
        for s in differences.flatten() {
            longest = longest.max(s.e1.hypot(s.e2));
            largest = largest.max(s.ln_size.abs());
        }
        Self { tenth: round_up(longest), disc: round_up(largest) }
    }
}

fn round_up(value: f64) -> f64 {
    let below = round_down(value);
    [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().map(|k| k * below).find(|v| *v >= 0.999 * value).unwrap_or(below)
}

const PANEL: f64 = 110.0;

/// Two small panels beside each other: sticks of the change of ellipticity; discs (larger) and rings
/// (smaller) of the change of ln T, area by amount.
pub fn change_panels(data: &FigureData, difference: &[FieldSample], scale: PanelScale) -> Option<String> {
    const GAP: f64 = 8.0;
    if difference.is_empty() || !data.has_size() {
        return None;
    }
    let per_pixel = PANEL / data.width;
    let height = (data.height * per_pixel).clamp(0.3 * PANEL, 3.0 * PANEL);
    let at = |x: f64, y: f64| (x * per_pixel, height * (1.0 - y / data.height));
    let tenth = 0.1 * data.width / scale.tenth;
    let (mut sticks, mut discs, mut rings) = (String::new(), String::new(), String::new());
    for s in difference {
        let whisker = Whisker { x: s.x, y: s.y, e1: s.e1, e2: s.e2 };
        let [a, b] = whisker.ends(tenth).map(|(x, y)| at(x, y));
        sticks.push_str(&format!("M{:.1} {:.1}L{:.1} {:.1}", a.0, a.1, b.0, b.1));
        let radius = 0.05 * PANEL * (s.ln_size.abs() / scale.disc).sqrt();
        if radius >= 0.3 {
            let (x, y) = at(s.x, s.y);
            let x = x + PANEL + GAP;
            let circle = format!(
                "M{:.1} {y:.1}a{radius:.1} {radius:.1} 0 1 0 {:.1} 0a{radius:.1} {radius:.1} 0 1 0 {:.1} 0",
                x - radius,
                2.0 * radius,
                -2.0 * radius
            );
            if s.ln_size > 0.0 { discs.push_str(&circle) } else { rings.push_str(&circle) }
        }
    }
    let frame = |x: f64| {
        format!(
            "<rect x=\"{x}\" width=\"{PANEL}\" height=\"{height:.1}\" fill=\"none\" stroke=\"var(--grid)\"/>"
        )
    };
    Some(format!(
        "<svg class=\"small\" viewBox=\"-1 -1 {:.0} {:.0}\" aria-hidden=\"true\">{}{}\
         <path d=\"{sticks}\" stroke=\"var(--mark)\" stroke-width=\"1.3\" stroke-linecap=\"round\"/>\
         <path d=\"{discs}\" fill=\"var(--mark)\"/>\
         <path d=\"{rings}\" fill=\"none\" stroke=\"var(--second)\" stroke-width=\"1.1\"/></svg>",
        2.0 * PANEL + GAP + 2.0,
        height + 2.0,
        frame(0.0),
        frame(PANEL + GAP),
    ))
}

/// Mean residual by zone of the field, over all exposures: sticks for ellipticity, discs
/// (larger than the model) and rings (smaller) for size.
pub fn residual_map(data: &FigureData) -> Option<String> {
    if data.residual.is_empty() || !data.has_size() {
        return None;
    }
    let whisker = |z: &ResidualZone| Whisker { x: z.x, y: z.y, e1: z.mean[1], e2: z.mean[2] };
    let longest = data.residual.iter().map(|z| whisker(z).length()).fold(0.0, f64::max);
    let largest = data.residual.iter().map(|z| z.mean[0].abs()).fold(0.0, f64::max);
    let key = round_down(longest);
    let side = spacing(data, data.residual.len()).min(data.width.max(data.height) / 8.0);
    let scale = 0.8 * side / longest.max(1e-9);
    let pixel = plot_width() / data.width;
    draw(field_height(data), "Mean residual of the exposures' models over the field", |area| {
        paint_field(area, data, |place| {
            for zone in &data.residual {
                let radius =
                    (0.42 * side * pixel * (zone.mean[0].abs() / largest.max(1e-12)).sqrt()).max(0.5);
                let at = place(zone.x, zone.y);
                let style =
                    if zone.mean[0] > 0.0 { GRID.filled() } else { SECOND.stroke_width(fine(1.2) as u32) };
                area.draw(&Circle::new(at, fine(radius), style))?;
            }
            for zone in &data.residual {
                stick(area, place, &whisker(zone), scale, MARK)?;
            }
            draw_key(area, data, place, key, scale)
        })
    })
}

const LEFT: f64 = 70.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 56.0;

fn plot_width() -> f64 {
    WIDTH - LEFT - RIGHT
}

/// The field keeps its shape, within reason.
fn field_height(data: &FigureData) -> f64 {
    TOP + BOTTOM + plot_width() * (data.height / data.width).clamp(0.3, 1.5)
}

/// Mean distance of the samples, pixels.
fn spacing(data: &FigureData, samples: usize) -> f64 {
    (data.width * data.height / samples.max(1) as f64).sqrt()
}

/// The frame's outline with its pixel axes; `inside` is given the way from FITS-like
/// pixels to the drawing (y upwards).
fn paint_field(
    area: &Area,
    data: &FigureData,
    inside: impl FnOnce(&dyn Fn(f64, f64) -> (i32, i32)) -> Drawn,
) -> Drawn {
    let (width, height) = (plot_width(), field_height(data) - TOP - BOTTOM);
    let place = |x: f64, y: f64| {
        let right = LEFT + width * x / data.width;
        let down = TOP + height * (1.0 - y / data.height);
        (fine(right), fine(down))
    };
    let (w, h) = (data.width, data.height);
    let outline = [(0.0, 0.0), (w, 0.0), (w, h), (0.0, h), (0.0, 0.0)].map(|(x, y)| place(x, y));
    area.draw(&PathElement::new(outline, GRID.stroke_width(fine(1.0) as u32)))?;
    for (end, along_x) in [(data.width, true), (data.height, false)] {
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
    let (middle, base) = place(data.width / 2.0, 0.0);
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
    data: &FigureData,
    place: &dyn Fn(f64, f64) -> (i32, i32),
    key: f64,
    scale: f64,
) -> Drawn {
    let length = key * scale;
    let right = place(data.width, 0.0).0;
    let left = place(data.width - length, 0.0).0;
    let y = fine(TOP / 2.0);
    area.draw(&PathElement::new([(left, y), (right, y)], INK.stroke_width(fine(1.6) as u32)))?;
    let text = format!("e = {}", significant(key, 1));
    area.draw(&Text::new(text, (left - fine(8.0), y), text_style(HPos::Right)))?;
    Ok(())
}
