//! Size, ellipticity, jitter and wavefront of the exposures through time.

use std::collections::HashMap;

use crate::report::numbers::significant;
use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate};
use crate::verdict::optics_model::OpticsFit;
use crate::verdict::reasons::file_name;

use super::points::{Lines, Point, Series, Sign, paint};
use super::{draw, padded};

const HEIGHT: f64 = 300.0;
/// More points than this are drawn as medians of as many stretches.
const MOST_POINTS: usize = 200;
const STRETCHES: usize = 60;
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
    let mut timed = Timed::new(verdict, Sign::Disc, |e| size(e).map(|t| (t, e.size_err)));
    let limit = verdict.requirement.size_limit;
    timed.series.band = timed.kept_mean().map(|mean| [mean * (1.0 - limit), mean * (1.0 + limit)]);
    let unit = if arcsec { "size T (arcsec²)" } else { "size T (pixel²)" };
    plot(verdict, "Size of each exposure against time", unit, &[timed])
}

/// Field-mean ellipticity components with their errors against time, the limit about each mean as a band.
pub fn ellipticity_through_time(verdict: &Verdict) -> Option<TimeFigure> {
    let limit = verdict.requirement.ellipticity_limit;
    fn banded(mut timed: Timed<'_>, limit: f64) -> Timed<'_> {
        timed.series.band = timed.kept_mean().map(|mean| [mean - limit, mean + limit]);
        timed
    }
    let first = banded(Timed::new(verdict, Sign::Disc, |e| e.e1.map(|v| (v, e.e_err))), limit);
    let second = banded(Timed::new(verdict, Sign::Ring, |e| e.e2.map(|v| (v, e.e_err))), limit);
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

fn of_fits(
    verdict: &Verdict,
    sign: Sign,
    get: impl Fn(&OpticsFit) -> Option<(f64, Option<f64>)>,
) -> Timed<'_> {
    let all = verdict.optics.iter().flat_map(|o| &o.exposures);
    let fits: HashMap<&str, &OpticsFit> =
        all.filter_map(|e| Some((e.file.as_str(), e.fit.as_ref()?))).collect();
    Timed::new(verdict, sign, |e| get(fits.get(e.file.as_str())?))
}

/// The values of the exposures with the files they are of.
struct Timed<'a> {
    series: Series,
    files: Vec<&'a str>,
}

impl<'a> Timed<'a> {
    fn new(
        verdict: &'a Verdict,
        sign: Sign,
        get: impl Fn(&ExposureResult) -> Option<(f64, Option<f64>)>,
    ) -> Self {
        let axis = TimeAxis::of(verdict);
        let points = verdict.exposures.iter().enumerate().filter_map(|(i, e)| {
            let (value, error) = get(e).filter(|(v, _)| v.is_finite())?;
            let error = error.filter(|e| e.is_finite()).unwrap_or(0.0);
            let t = axis.place(i, e)?;
            Some((Point { t, value, error, kept: e.gate == Gate::Keep }, file_name(&e.file)))
        });
        let (points, files) = points.unzip();
        Self { series: Series { sign, points, band: None }, files }
    }

    fn kept_mean(&self) -> Option<f64> {
        let kept: Vec<f64> = self.series.points.iter().filter(|p| p.kept).map(|p| p.value).collect();
        (!kept.is_empty()).then(|| kept.iter().sum::<f64>() / kept.len() as f64)
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

fn plot(verdict: &Verdict, label: &str, unit: &str, all: &[Timed]) -> Option<TimeFigure> {
    let series: Vec<Series> = all.iter().map(|timed| timed.series.clone()).collect();
    let x = padded(series.iter().flat_map(|s| &s.points).map(|p| p.t))?;
    let y = value_range(&series)?;
    let axis = TimeAxis::of(verdict).label;
    let most = series.iter().map(|s| s.points.iter().filter(|p| p.kept).count()).max().unwrap_or(0);
    let stretches_of = (most > MOST_POINTS).then_some(most);
    let named = all.iter().flat_map(|timed| timed.series.points.iter().zip(&timed.files));
    let mut beyond: Vec<(&Point, &&str)> = named.filter(|(p, _)| !(y.0..=y.1).contains(&p.value)).collect();
    beyond.sort_by(|a, b| b.0.value.abs().total_cmp(&a.0.value.abs()));
    let beyond = beyond.iter().map(|(p, file)| format!("{file} ({})", significant(p.value, 3))).collect();
    let drawn = match stretches_of {
        Some(_) => series.iter().map(in_stretches).collect(),
        None => series,
    };
    let in_stretches = stretches_of.is_some();
    let svg =
        draw(HEIGHT, label, |area| paint(area, x, y, [axis, unit], &drawn, &Lines::default(), in_stretches))?;
    let cross_every = drawn.iter().map(Series::cross_every).max().unwrap_or(1);
    Some(TimeFigure { svg, beyond, stretches_of, cross_every })
}

/// The kept as medians of stretches, their bars from the 5th to the 95th of a hundred.
fn in_stretches(series: &Series) -> Series {
    let mut kept: Vec<&Point> = series.points.iter().filter(|p| p.kept).collect();
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
    let medians = kept.chunks(length).map(stretch).flat_map(|(t, low, median, high)| {
        let point = |value: f64, error: f64| Point { t, value, error, kept: true };
        [point(0.5 * (low + high), 0.5 * (high - low)), point(median, 0.0)]
    });
    let others = series.points.iter().filter(|p| !p.kept).copied();
    Series { points: medians.chain(others).collect(), ..series.clone() }
}
