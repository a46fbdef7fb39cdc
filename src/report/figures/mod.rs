//! Figures of the report as SVG text: drawn in a few inks that the page's style
//! sheet colours, so that they follow dark and light, screen and paper.

use plotters::chart::MeshStyle;
use plotters::coord::Shift;
use plotters::coord::ranged1d::{Ranged, ValueFormatter};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

mod bar;
mod correlation;
mod field;
mod flight;
pub mod images;
mod points;
mod stars;
mod time;

pub use bar::{interval_bar, share_bar};
pub use correlation::residual_correlation;
pub use field::{PanelScale, change_panels, mean_size, mean_whiskers, residual_map};
pub use flight::{Path, path, scatter};
pub use points::{Lines, Point, Series, Sign};
pub use stars::{FARTHEST, census, pulls};
pub use time::{
    TimeFigure, ellipticity_through_time, jitter_through_time, size_through_time, wavefront_through_time,
};

/// The backend rounds to whole units: figures are drawn this much larger and scaled
/// down by their viewBox.
const FINE: f64 = 4.0;
/// Text height in units of the finished figure (a figure is about 480 wide).
const TEXT: f64 = 18.0;
const WIDTH: f64 = 480.0;

/// Inks. Each is replaced by a variable of the style sheet.
const INK: RGBColor = RGBColor(1, 1, 1);
const GRID: RGBColor = RGBColor(2, 2, 2);
const MARK: RGBColor = RGBColor(3, 3, 3);
const SECOND: RGBColor = RGBColor(4, 4, 4);
const VARIABLES: [(&str, &str); 4] = [
    ("\"#010101\"", "\"var(--ink)\""),
    ("\"#020202\"", "\"var(--grid)\""),
    ("\"#030303\"", "\"var(--mark)\""),
    ("\"#040404\"", "\"var(--second)\""),
];

type Area<'a, 'b> = DrawingArea<SVGBackend<'a>, Shift>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

fn fine(length: f64) -> i32 {
    (length * FINE).round() as i32
}

/// A chart with room for the labels of its axes.
fn with_room<'a, 'b>(area: &'a DrawingArea<SVGBackend<'b>, Shift>) -> ChartBuilder<'a, 'b, SVGBackend<'b>> {
    let mut chart = ChartBuilder::on(area);
    chart
        .margin(fine(6.0))
        .margin_right(fine(14.0))
        .x_label_area_size(fine(50.0))
        .y_label_area_size(fine(84.0));
    chart
}

/// Level lines alone, and text in the figure's size.
fn quiet<'m, 'a, 'b, X, Y, DB>(
    mesh: &'m mut MeshStyle<'a, 'b, X, Y, DB>,
) -> &'m mut MeshStyle<'a, 'b, X, Y, DB>
where
    X: Ranged + ValueFormatter<X::ValueType>,
    Y: Ranged + ValueFormatter<Y::ValueType>,
    DB: DrawingBackend,
{
    mesh.disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(GRID.stroke_width(fine(0.8) as u32))
        .axis_style(INK.stroke_width(fine(0.8) as u32))
        .label_style(text_style(HPos::Center))
        .axis_desc_style(text_style(HPos::Center))
}

/// Draws one figure; `label` is read out where pictures are not seen. A figure that
/// cannot be drawn is left out.
fn draw(height: f64, label: &str, paint: impl FnOnce(&Area) -> Drawn) -> Option<String> {
    let size = (fine(WIDTH) as u32, fine(height) as u32);
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, size).into_drawing_area();
        paint(&area).ok()?;
        area.present().ok()?;
    }
    for (ink, variable) in VARIABLES {
        svg = svg.replace(ink, variable);
    }
    let opening = format!("<svg width=\"{}\" height=\"{}\"", size.0, size.1);
    let label = label.replace('&', "&amp;").replace('"', "&quot;").replace('<', "&lt;");
    Some(svg.replacen(&opening, &format!("<svg class=\"figure\" role=\"img\" aria-label=\"{label}\""), 1))
}

/// Adds many small marks as two paths: open squares under discs. A mark an element would make the page
/// several times larger.
fn with_dots(svg: String, squares: &[(i32, i32)], discs: &[(i32, i32)]) -> String {
    let side = fine(4.2);
    let square = |(x, y): &(i32, i32)| format!("M{} {}h{side}v{side}h-{side}z", x - side / 2, y - side / 2);
    let disc = |(x, y): &(i32, i32)| format!("M{x} {y}h0");
    let marks = format!(
        "<path d=\"{}\" fill=\"none\" stroke=\"var(--second)\" stroke-width=\"{}\"/>\
         <path d=\"{}\" stroke=\"var(--mark)\" stroke-width=\"{}\" stroke-linecap=\"round\"/></svg>",
        squares.iter().map(square).collect::<String>(),
        fine(0.9),
        discs.iter().map(disc).collect::<String>(),
        fine(4.2),
    );
    svg.replacen("</svg>", &marks, 1)
}

fn text_style(anchor: HPos) -> TextStyle<'static> {
    TextStyle::from(("inherit", fine(TEXT)).into_font()).color(&INK).pos(Pos::new(anchor, VPos::Center))
}

/// A range that holds all values with a little room, never empty.
fn padded(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for v in values.filter(|v| v.is_finite()) {
        (low, high) = (low.min(v), high.max(v));
    }
    if low > high {
        return None;
    }
    let room = 0.08 * (high - low).max(1e-3 * high.abs()).max(1e-9);
    Some((low - room, high + room))
}

/// The largest of 1, 2, 5 times a power of ten that is at most `value`.
pub fn round_down(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = 10f64.powf(value.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|k| k * power).find(|v| *v <= value * (1.0 + 1e-9)).unwrap_or(power)
}

/// The values to label on a logarithmic axis: powers of ten, with 2 and 5 times them, or 3, where they are
/// few.
fn log_ticks((low, high): (f64, f64)) -> Vec<f64> {
    let (first, last) = (low.log10().floor() as i32, high.log10().ceil() as i32);
    let ticks = |factors: &[f64]| -> Vec<f64> {
        let all = (first..=last).flat_map(|power| factors.iter().map(move |f| f * 10f64.powi(power)));
        all.filter(|v| (low..=high).contains(v)).collect()
    };
    let dense: [&[f64]; 3] = [&[1.0], &[1.0, 3.0], &[1.0, 2.0, 5.0]];
    dense.into_iter().map(ticks).find(|t| t.len() >= 4).unwrap_or_else(|| ticks(dense[2]))
}

/// Labels below a logarithmic axis, each at its tick; `place` gives the way to the drawing.
fn draw_log_labels(
    area: &Area,
    range: (f64, f64),
    place: impl Fn(f64) -> (i32, i32),
    text: impl Fn(f64) -> String,
) -> Drawn {
    for value in log_ticks(range) {
        let (x, y) = place(value);
        let tick = [(x, y), (x, y + fine(4.0))];
        area.draw(&PathElement::new(tick, INK.stroke_width(fine(0.8) as u32)))?;
        area.draw(&Text::new(text(value), (x, y + fine(14.0)), text_style(HPos::Center)))?;
    }
    Ok(())
}

/// Labels with as many decimals as a step over the range needs.
fn tick_label(range: (f64, f64)) -> impl Fn(&f64) -> String {
    let step = (range.1 - range.0).abs() / 5.0;
    let decimals = if step > 0.0 { (-step.log10().floor()).clamp(0.0, 9.0) as usize } else { 2 };
    move |v| {
        let text = format!("{v:.decimals$}");
        if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') { "0".into() } else { text }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_numbers() {
        for (value, round) in [(0.037, 0.02), (0.05, 0.05), (9.0, 5.0), (1.0, 1.0), (f64::NAN, 1.0)] {
            assert!((round_down(value) - round).abs() < 1e-12, "{value}");
        }
    }

    #[test]
    fn ticks_of_logarithmic_axes() {
        assert_eq!(log_ticks((25.0, 2000.0)), [30.0, 100.0, 300.0, 1000.0]);
        assert_eq!(log_ticks((1e-7, 2e-4)).len(), 4);
        assert!(log_ticks((1.1, 1.9)).is_empty());
    }

    #[test]
    fn ranges_are_never_empty() {
        assert_eq!(padded([f64::NAN].into_iter()), None);
        let (low, high) = padded([3.0, 3.0].into_iter()).unwrap();
        assert!(low < 3.0 && 3.0 < high);
    }

    #[test]
    fn tick_labels() {
        let label = tick_label((0.01, 0.02));
        assert_eq!((label(&0.012), label(&-1e-9)), ("0.012".to_string(), "0".to_string()));
    }
}
