//! Size and ellipticity of the exposures through time; and the plot of values with errors that other
//! figures use.

use plotters::prelude::*;
use plotters::style::text_anchor::HPos;

use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate};

use super::{Area, Drawn, GRID, INK, MARK, SECOND, draw, fine, padded, text_style, tick_label};

const HEIGHT: f64 = 300.0;

/// Field-mean size with its error against time.
pub fn size_through_time(verdict: &Verdict) -> Option<String> {
    let arcsec = verdict.exposures.iter().any(|e| e.size_arcsec2.is_some());
    let size = |e: &ExposureResult| if arcsec { e.size_arcsec2 } else { e.size_pix2 };
    let series = Series::new(verdict, Sign::Disc, |e| size(e).map(|t| (t, e.size_err)));
    let unit = if arcsec { "size T (arcsec²)" } else { "size T (pixel²)" };
    plot(verdict, "Size of each exposure against time", unit, &[series])
}

/// Field-mean ellipticity components with their errors against time.
pub fn ellipticity_through_time(verdict: &Verdict) -> Option<String> {
    let first = Series::new(verdict, Sign::Disc, |e| e.e1.map(|v| (v, e.e_err)));
    let second = Series::new(verdict, Sign::Ring, |e| e.e2.map(|v| (v, e.e_err)));
    plot(verdict, "Ellipticity of each exposure against time", "ellipticity", &[first, second])
}

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
}

/// Lines across a plot: upright dashes where something happened, level ones at a limit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Lines {
    pub upright: Vec<f64>,
    pub level: Vec<f64>,
}

impl Series {
    fn new(
        verdict: &Verdict,
        sign: Sign,
        get: impl Fn(&ExposureResult) -> Option<(f64, Option<f64>)>,
    ) -> Self {
        let axis = TimeAxis::of(verdict);
        let points = verdict.exposures.iter().enumerate().filter_map(|(i, e)| {
            let (value, error) = get(e).filter(|(v, _)| v.is_finite())?;
            let error = error.filter(|e| e.is_finite()).unwrap_or(0.0);
            Some(Point { t: axis.place(i, e)?, value, error, kept: e.gate == Gate::Keep })
        });
        Self { sign, points: points.collect() }
    }
}

/// Time since the first exposure where every readable exposure has one, else its number.
struct TimeAxis {
    start: Option<f64>,
    /// Days to the axis' unit.
    factor: f64,
    label: &'static str,
}

impl TimeAxis {
    fn of(verdict: &Verdict) -> Self {
        let readable = || verdict.exposures.iter().filter(|e| e.gate != Gate::Unreadable);
        let times: Option<Vec<f64>> = readable().map(|e| e.mjd_mid.filter(|t| t.is_finite())).collect();
        let Some(times) = times.filter(|t| !t.is_empty()) else {
            return Self { start: None, factor: 1.0, label: "exposure, in the order given" };
        };
        let start = times.iter().copied().fold(f64::INFINITY, f64::min);
        let span = times.iter().copied().fold(f64::NEG_INFINITY, f64::max) - start;
        let (factor, label) = if span > 2.0 {
            (1.0, "time since the first exposure (d)")
        } else if span > 0.2 {
            (24.0, "time since the first exposure (h)")
        } else {
            (1440.0, "time since the first exposure (min)")
        };
        Self { start: Some(start), factor, label }
    }

    fn place(&self, index: usize, exposure: &ExposureResult) -> Option<f64> {
        match self.start {
            Some(start) => Some((exposure.mjd_mid? - start) * self.factor),
            None => Some(index as f64 + 1.0),
        }
    }
}

fn plot(verdict: &Verdict, label: &str, unit: &str, all: &[Series]) -> Option<String> {
    let points = || all.iter().flat_map(|s| &s.points);
    let x = padded(points().map(|p| p.t))?;
    let y = padded(points().flat_map(|p| [p.value - p.error, p.value + p.error]))?;
    let axis = TimeAxis::of(verdict).label;
    draw(HEIGHT, label, |area| paint(area, x, y, [axis, unit], all, &Lines::default()))
}

/// Values with their errors; `words` are those of the axes.
pub(super) fn paint(
    area: &Area,
    x: (f64, f64),
    y: (f64, f64),
    words: [&str; 2],
    all: &[Series],
    lines: &Lines,
) -> Drawn {
    let mut chart = ChartBuilder::on(area)
        .margin(fine(6.0))
        .margin_right(fine(14.0))
        .x_label_area_size(fine(50.0))
        .y_label_area_size(fine(84.0))
        .build_cartesian_2d(x.0..x.1, y.0..y.1)?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(GRID.stroke_width(fine(0.8) as u32))
        .axis_style(INK.stroke_width(fine(0.8) as u32))
        .label_style(text_style(HPos::Center))
        .axis_desc_style(text_style(HPos::Center))
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
        for p in &series.points {
            let bar = [(p.t, p.value - p.error), (p.t, p.value + p.error)];
            chart.draw_series(LineSeries::new(bar, ink.stroke_width(fine(1.2) as u32)))?;
            let at = (p.t, p.value);
            match (p.kept, series.sign) {
                (true, Sign::Disc) => {
                    chart.draw_series([Circle::new(at, fine(3.5), ink.filled())])?;
                }
                (true, Sign::Ring) => {
                    chart.draw_series([Circle::new(at, fine(3.5), ink.stroke_width(fine(1.6) as u32))])?;
                }
                (false, _) => {
                    chart.draw_series([Cross::new(at, fine(4.5), ink.stroke_width(fine(2.0) as u32))])?;
                }
            }
        }
    }
    Ok(())
}
