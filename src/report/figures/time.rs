//! Size, ellipticity, jitter and wavefront of the exposures through time.

use std::collections::HashMap;

use plotters::prelude::*;
use plotters::style::text_anchor::HPos;

use crate::report::numbers::significant;
use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate};
use crate::verdict::optics_model::OpticsFit;
use crate::verdict::reasons::file_name;

use super::{Area, Drawn, GRID, INK, MARK, SECOND, draw, fine, padded, text_style, tick_label};

const HEIGHT: f64 = 300.0;
/// More points than this are drawn as medians of as many stretches.
const MOST_POINTS: usize = 200;
const STRETCHES: usize = 60;
/// Exposures that are not kept are drawn one by one, so many at most.
const MOST_CROSSES: usize = 120;
/// An axis reaches no farther beyond the kept exposures than this many of their spans.
const FAR_SPANS: f64 = 2.5;

/// A figure with what must be said of it.
pub struct TimeFigure {
    pub svg: String,
    /// Exposures beyond the axis, with their values.
    pub beyond: Vec<String>,
    /// Points, where they are drawn as medians of stretches.
    pub stretches_of: Option<usize>,
    /// Of those not kept every so manyth is drawn.
    pub cross_every: usize,
}

/// Field-mean size with its error against time, the limit about the mean of the kept as a band.
pub fn size_through_time(verdict: &Verdict) -> Option<TimeFigure> {
    let arcsec = verdict.exposures.iter().any(|e| e.size_arcsec2.is_some());
    let size = |e: &ExposureResult| if arcsec { e.size_arcsec2 } else { e.size_pix2 };
    let mut series = Series::new(verdict, Sign::Disc, |e| size(e).map(|t| (t, e.size_err)));
    let limit = verdict.requirement.size_limit;
    series.band = series.kept_mean().map(|mean| [mean * (1.0 - limit), mean * (1.0 + limit)]);
    let unit = if arcsec { "size T (arcsec²)" } else { "size T (pixel²)" };
    plot(verdict, "Size of each exposure against time", unit, &[series])
}

/// Field-mean ellipticity components with their errors against time, the limit about each mean as a band.
pub fn ellipticity_through_time(verdict: &Verdict) -> Option<TimeFigure> {
    let limit = verdict.requirement.ellipticity_limit;
    let banded = |mut series: Series| {
        series.band = series.kept_mean().map(|mean| [mean - limit, mean + limit]);
        series
    };
    let first = banded(Series::new(verdict, Sign::Disc, |e| e.e1.map(|v| (v, e.e_err))));
    let second = banded(Series::new(verdict, Sign::Ring, |e| e.e2.map(|v| (v, e.e_err))));
    plot(verdict, "Ellipticity of each exposure against time", "ellipticity", &[first, second])
}

/// Rms jitter along its long axis and across it.
pub fn jitter_through_time(verdict: &Verdict) -> Option<TimeFigure> {
    let axis = |rms: fn(&OpticsFit) -> Option<f64>| {
        move |f: &OpticsFit| {
            let rms = rms(f)?;
            let variance_err = 0.5 * (f.jitter.xx_err + f.jitter.yy_err);
            Some((rms, Some(0.5 * variance_err / rms)))
        }
    };
    let long = of_fits(verdict, Sign::Disc, axis(|f| f.jitter.major_rms_mas));
    let short = of_fits(verdict, Sign::Ring, axis(|f| f.jitter.minor_rms_mas));
    plot(verdict, "Jitter of each exposure against time", "rms jitter (mas)", &[long, short])
}

/// Defocus and the modulus of coma at the centre of the field.
pub fn wavefront_through_time(verdict: &Verdict) -> Option<TimeFigure> {
    let term = |f: &OpticsFit, name: &str| {
        f.terms.iter().find(|t| t.name == name && t.determined).map(|t| (t.value, t.error))
    };
    let defocus = move |f: &OpticsFit| term(f, "defocus_nm").map(|(value, error)| (value, Some(error)));
    let coma = move |f: &OpticsFit| {
        let ((x, x_err), (y, y_err)) = term(f, "coma_x_nm").zip(term(f, "coma_y_nm"))?;
        Some((x.hypot(y), Some(x_err.max(y_err))))
    };
    let series = [of_fits(verdict, Sign::Disc, defocus), of_fits(verdict, Sign::Ring, coma)];
    plot(verdict, "Defocus and coma of each exposure against time", "wavefront rms (nm)", &series)
}

fn of_fits(verdict: &Verdict, sign: Sign, get: impl Fn(&OpticsFit) -> Option<(f64, Option<f64>)>) -> Series {
    let all = verdict.optics.iter().flat_map(|o| &o.exposures);
    let fits: HashMap<&str, &OpticsFit> =
        all.filter_map(|e| Some((e.file.as_str(), e.fit.as_ref()?))).collect();
    Series::new(verdict, sign, |e| get(fits.get(e.file.as_str())?))
}

#[derive(Clone, Copy, PartialEq)]
enum Sign {
    Disc,
    Ring,
}

#[derive(Clone)]
struct Point {
    t: f64,
    value: f64,
    error: f64,
    kept: bool,
    file: String,
}

struct Series {
    sign: Sign,
    points: Vec<Point>,
    band: Option<[f64; 2]>,
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
            let t = axis.place(i, e)?;
            Some(Point { t, value, error, kept: e.gate == Gate::Keep, file: file_name(&e.file).to_owned() })
        });
        Self { sign, points: points.collect(), band: None }
    }

    fn kept_mean(&self) -> Option<f64> {
        let kept: Vec<f64> = self.points.iter().filter(|p| p.kept).map(|p| p.value).collect();
        (!kept.is_empty()).then(|| kept.iter().sum::<f64>() / kept.len() as f64)
    }

    /// Crosses are thinned evenly, so that they still show when they happened.
    fn cross_every(&self) -> usize {
        self.points.iter().filter(|p| !p.kept).count().div_ceil(MOST_CROSSES).max(1)
    }

    /// The kept as medians of stretches, their bars from the 5th to the 95th of a hundred.
    fn in_stretches(&self) -> Vec<Point> {
        let mut kept: Vec<&Point> = self.points.iter().filter(|p| p.kept).collect();
        kept.sort_by(|a, b| a.t.total_cmp(&b.t));
        let length = kept.len().div_ceil(STRETCHES).max(1);
        let stretch = |points: &[&Point]| {
            let mut values: Vec<f64> = points.iter().map(|p| p.value).collect();
            values.sort_by(f64::total_cmp);
            let at = |share: f64| values[((values.len() - 1) as f64 * share).round() as usize];
            let t = points.iter().map(|p| p.t).sum::<f64>() / points.len() as f64;
            // The bar is symmetric about its own middle, the mark stands at the median.
            (t, at(0.05), at(0.5), at(0.95))
        };
        kept.chunks(length)
            .map(stretch)
            .flat_map(|(t, low, median, high)| {
                let point =
                    |value: f64, error: f64| Point { t, value, error, kept: true, file: String::new() };
                [point(0.5 * (low + high), 0.5 * (high - low)), point(median, 0.0)]
            })
            .collect()
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

/// The axis of the values: all kept with their bands, and of the others those that are not too far.
fn value_range(all: &[Series]) -> Option<(f64, f64)> {
    let kept = || all.iter().flat_map(|s| &s.points).filter(|p| p.kept);
    let bands = all.iter().flat_map(|s| s.band.into_iter().flatten());
    let everything =
        || all.iter().flat_map(|s| &s.points).flat_map(|p| [p.value - p.error, p.value + p.error]);
    let Some(near) = padded(kept().flat_map(|p| [p.value - p.error, p.value + p.error]).chain(bands)) else {
        return padded(everything());
    };
    let reach = FAR_SPANS * (near.1 - near.0);
    let within = |v: &f64| (near.0 - reach..near.1 + reach).contains(v);
    padded(everything().filter(within).chain([near.0, near.1]))
}

fn plot(verdict: &Verdict, label: &str, unit: &str, all: &[Series]) -> Option<TimeFigure> {
    let points = || all.iter().flat_map(|s| &s.points);
    let x = padded(points().map(|p| p.t))?;
    let y = value_range(all)?;
    let axis = TimeAxis::of(verdict).label;
    let most = all.iter().map(|s| s.points.iter().filter(|p| p.kept).count()).max().unwrap_or(0);
    let stretches_of = (most > MOST_POINTS).then_some(most);
    let mut beyond: Vec<&Point> = points().filter(|p| !(y.0..=y.1).contains(&p.value)).collect();
    beyond.sort_by(|a, b| b.value.abs().total_cmp(&a.value.abs()));
    let beyond = beyond.iter().map(|p| format!("{} ({})", p.file, significant(p.value, 3))).collect();
    let svg = draw(HEIGHT, label, |area| paint(area, x, y, axis, unit, all, stretches_of.is_some()))?;
    let cross_every = all.iter().map(Series::cross_every).max().unwrap_or(1);
    Some(TimeFigure { svg, beyond, stretches_of, cross_every })
}

fn paint(
    area: &Area,
    x: (f64, f64),
    y: (f64, f64),
    axis: &str,
    unit: &str,
    all: &[Series],
    in_stretches: bool,
) -> Drawn {
    let mut chart = ChartBuilder::on(area)
        .margin(fine(6.0))
        .margin_right(fine(14.0))
        .x_label_area_size(fine(50.0))
        .y_label_area_size(fine(84.0))
        .build_cartesian_2d(x.0..x.1, y.0..y.1)?;
    for band in all.iter().filter_map(|s| s.band) {
        let corners = [(x.0, band[0]), (x.1, band[1])];
        chart.draw_series([Rectangle::new(corners, GRID.mix(0.35).filled())])?;
    }
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
        .x_desc(axis)
        .y_desc(unit)
        .draw()?;
    for series in all {
        let ink = if series.sign == Sign::Disc { MARK } else { SECOND };
        let crosses = series.points.iter().filter(|p| !p.kept).step_by(series.cross_every()).cloned();
        let kept: Vec<Point> = match in_stretches {
            true => series.in_stretches(),
            false => series.points.iter().filter(|p| p.kept).cloned().collect(),
        };
        let size = if in_stretches { 2.5 } else { 3.5 };
        for p in kept.into_iter().chain(crosses) {
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
