//! Values with their errors against something: the plot that figures of exposures and of flights use.

use plotters::prelude::*;

use super::{Area, Drawn, GRID, INK, MARK, SECOND, fine, quiet, tick_label, with_room};

/// Exposures that are not kept are drawn one by one, so many at most.
const MOST_CROSSES: usize = 120;

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Sign {
    Disc,
    Ring,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub t: f64,
    pub value: f64,
    pub error: f64,
    pub kept: bool,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    pub sign: Sign,
    pub points: Vec<Point>,
    /// Shaded behind the points.
    pub band: Option<[f64; 2]>,
}

impl Series {
    /// Crosses are thinned evenly, so that they still show when they happened.
    pub fn cross_every(&self) -> usize {
        self.points.iter().filter(|p| !p.kept).count().div_ceil(MOST_CROSSES).max(1)
    }
}

/// Lines across a plot: upright dashes where something happened, level ones at a limit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Lines {
    pub upright: Vec<f64>,
    pub level: Vec<f64>,
}

/// Draws them; `words` are those of the axes. `in_stretches`: the kept are medians without error, and spans
/// without a mark.
pub(super) fn paint(
    area: &Area,
    x: (f64, f64),
    y: (f64, f64),
    words: [&str; 2],
    all: &[Series],
    lines: &Lines,
    in_stretches: bool,
) -> Drawn {
    let mut chart = with_room(area).build_cartesian_2d(x.0..x.1, y.0..y.1)?;
    for band in all.iter().filter_map(|s| s.band) {
        let corners = [(x.0, band[0]), (x.1, band[1])];
        chart.draw_series([Rectangle::new(corners, GRID.mix(0.35).filled())])?;
    }
    quiet(&mut chart.configure_mesh())
        .x_labels(6)
        .y_labels(5)
        .x_label_formatter(&tick_label(x))
        .y_label_formatter(&tick_label(y))
        .x_desc(words[0])
        .y_desc(words[1])
        .draw()?;
    let inside = |v: f64, (low, high): (f64, f64)| low < v && v < high;
    for at in lines.upright.iter().copied().filter(|at| inside(*at, x)) {
        let dashes = DashedLineSeries::new(
            [(at, y.0), (at, y.1)],
            fine(5.0),
            fine(4.0),
            INK.stroke_width(fine(1.0) as u32),
        );
        chart.draw_series(dashes)?;
    }
    for at in lines.level.iter().copied().filter(|at| inside(*at, y)) {
        chart.draw_series(LineSeries::new([(x.0, at), (x.1, at)], INK.stroke_width(fine(1.4) as u32)))?;
    }
    for series in all {
        let ink = if series.sign == Sign::Disc { MARK } else { SECOND };
        let crosses = series.points.iter().filter(|p| !p.kept).step_by(series.cross_every());
        let size = if in_stretches { 2.5 } else { 3.5 };
        for p in series.points.iter().filter(|p| p.kept).chain(crosses) {
            let within = |v: f64| v.clamp(y.0, y.1);
            let outside = within(p.value) != p.value;
            if p.error > 0.0 && !outside {
                let bar = [(p.t, within(p.value - p.error)), (p.t, within(p.value + p.error))];
                chart.draw_series(LineSeries::new(bar, ink.stroke_width(fine(1.2) as u32)))?;
            }
            if in_stretches && p.kept && p.error > 0.0 {
                continue;
            }
            let at = (p.t, within(p.value));
            match (p.kept, series.sign) {
                _ if outside => {
                    // An arrow head at the edge it lies beyond.
                    let (tip, base) = if p.value > y.1 { (0, 9) } else { (0, -9) };
                    let corners = [(0, tip), (-5, base), (5, base)]
                        .map(|(a, b)| (fine(f64::from(a)), fine(f64::from(b))));
                    let head = EmptyElement::at(at) + Polygon::new(corners, ink.filled());
                    chart.draw_series([head])?;
                }
                (true, Sign::Disc) => {
                    chart.draw_series([Circle::new(at, fine(size), ink.filled())])?;
                }
                (true, Sign::Ring) => {
                    chart.draw_series([Circle::new(at, fine(size), ink.stroke_width(fine(1.6) as u32))])?;
                }
                (false, _) => {
                    chart.draw_series([Cross::new(at, fine(4.5), ink.stroke_width(fine(2.0) as u32))])?;
                }
            }
        }
    }
    Ok(())
}
