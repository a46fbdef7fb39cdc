//! Figures of a flight: values against time or a condition; a vector's way through its plane.

use plotters::prelude::*;
use plotters::style::text_anchor::HPos;

use super::points::{Lines, Point, Series, paint};
use super::{Drawn, GRID, INK, MARK, draw, fine, padded, text_style, tick_label};

const HEIGHT: f64 = 250.0;
/// More points than this are drawn as means of bins.
const MOST_POINTS: usize = 160;
const BINS: usize = 60;
/// A limit is drawn where it makes the axis at most so much longer.
const ROOM_FOR_LIMITS: f64 = 1.5;

/// Values with errors against `words[0]`; many of them as means of even bins with the scatter in each.
/// Tells whether they were binned.
pub fn scatter(label: &str, words: [&str; 2], all: &[Series], lines: &Lines) -> Option<(String, bool)> {
    let binned = all.iter().map(|s| s.points.len()).max()? > MOST_POINTS;
    let all: Vec<Series> = if binned { all.iter().map(bins).collect() } else { all.to_vec() };
    let points = || all.iter().flat_map(|s| &s.points);
    let x = padded(points().map(|p| p.t))?;
    let data = padded(points().flat_map(|p| [p.value - p.error, p.value + p.error]))?;
    let length = data.1 - data.0;
    let near = |limit: &&f64| {
        **limit > data.0 - ROOM_FOR_LIMITS * length && **limit < data.1 + ROOM_FOR_LIMITS * length
    };
    let y = padded(lines.level.iter().filter(near).copied().chain([data.0, data.1]))?;
    draw(HEIGHT, label, |area| paint(area, x, y, words, &all, lines, false)).map(|svg| (svg, binned))
}

/// Even bins; kept and not kept apart.
fn bins(series: &Series) -> Series {
    let finite = || series.points.iter().filter(|p| p.t.is_finite() && p.value.is_finite());
    let low = finite().map(|p| p.t).fold(f64::INFINITY, f64::min);
    let high = finite().map(|p| p.t).fold(f64::NEG_INFINITY, f64::max);
    let width = ((high - low) / BINS as f64).max(f64::MIN_POSITIVE);
    let mut points = Vec::new();
    for kept in [true, false] {
        let mut members: Vec<Vec<&Point>> = vec![Vec::new(); BINS];
        for p in finite().filter(|p| p.kept == kept) {
            members[(((p.t - low) / width) as usize).min(BINS - 1)].push(p);
        }
        points.extend(members.iter().filter(|m| !m.is_empty()).map(|m| {
            let n = m.len() as f64;
            let mean = |f: fn(&Point) -> f64| m.iter().map(|p| f(p)).sum::<f64>() / n;
            let value = mean(|p| p.value);
            let error = match m.len() {
                1 => m[0].error,
                _ => (m.iter().map(|p| (p.value - value).powi(2)).sum::<f64>() / (n - 1.0)).sqrt(),
            };
            Point { t: mean(|p| p.t), value, error, kept }
        }));
    }
    Series { points, ..series.clone() }
}

/// A vector night by night: its means in order, and a name for each.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Path {
    pub places: Vec<[f64; 2]>,
    pub names: Vec<String>,
    /// Radius of the circle that is its limit.
    pub limit: Option<f64>,
}

/// The way of a vector through its plane, equal scales on both axes.
pub fn path(label: &str, words: [&str; 2], path: &Path) -> Option<String> {
    let reach = path.places.iter().flatten().fold(0.0f64, |most, v| most.max(v.abs()));
    let reach = 1.25 * if reach > 0.0 && reach.is_finite() { reach } else { return None };
    let shown = path.limit.filter(|limit| *limit < 1.6 * reach);
    let reach = shown.map_or(reach, |limit| reach.max(1.05 * limit));
    draw(380.0, label, |area| -> Drawn {
        let mut chart = ChartBuilder::on(area)
            .margin(fine(6.0))
            .margin_right(fine(70.0))
            .x_label_area_size(fine(50.0))
            .y_label_area_size(fine(84.0))
            .build_cartesian_2d(-reach..reach, -reach..reach)?;
        let line = |ink: RGBColor, width: f64| ink.stroke_width(fine(width) as u32);
        chart
            .configure_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(line(GRID, 0.8))
            .axis_style(line(INK, 0.8))
            .label_style(text_style(HPos::Center))
            .axis_desc_style(text_style(HPos::Center))
            .x_labels(5)
            .y_labels(5)
            .x_label_formatter(&tick_label((-reach, reach)))
            .y_label_formatter(&tick_label((-reach, reach)))
            .x_desc(words[0])
            .y_desc(words[1])
            .draw()?;
        if let Some(limit) = shown {
            let turn = |k: i32| (f64::from(k) * std::f64::consts::TAU / 120.0).sin_cos();
            let circle = (0..=120).map(|k| (limit * turn(k).1, limit * turn(k).0));
            chart.draw_series(LineSeries::new(circle, line(INK, 1.4)))?;
        }
        let places: Vec<(f64, f64)> = path.places.iter().map(|p| (p[0], p[1])).collect();
        chart.draw_series(LineSeries::new(places.iter().copied(), line(MARK, 1.0)))?;
        chart.draw_series(places.iter().map(|p| Circle::new(*p, fine(3.5), MARK.filled())))?;
        // A name where it does not lie on one that is there.
        let mut named: Vec<(f64, f64)> = Vec::new();
        for (place, name) in places.iter().zip(&path.names) {
            let free = named
                .iter()
                .all(|n| (n.0 - place.0).abs() > 0.3 * reach || (n.1 - place.1).abs() > 0.09 * reach);
            if free {
                named.push(*place);
                let at = (place.0 + 0.04 * reach, place.1);
                chart.draw_series([Text::new(name.clone(), at, text_style(HPos::Left))])?;
            }
        }
        Ok(())
    })
}

#[cfg(test)]
mod tests {
    use super::super::points::Sign;
    use super::*;

    fn series(n: usize) -> Series {
        let point = |k: usize| Point { t: k as f64, value: (k % 7) as f64, error: 0.1, kept: k % 50 != 1 };
        Series { sign: Sign::Disc, points: (0..n).map(point).collect(), band: None }
    }

    #[test]
    fn one_point_and_thousands_can_be_drawn() {
        let draw = |n| scatter("x", ["t", "v"], &[series(n)], &Lines::default()).unwrap();
        assert!(!draw(1).1 && draw(1).0.contains("<circle"));
        let (svg, binned) = draw(5000);
        assert!(binned && svg.len() < 80_000, "{}", svg.len());
        assert!(scatter("x", ["t", "v"], &[series(0)], &Lines::default()).is_none());
    }

    /// The mean of the bins weighted by their numbers is that of the points.
    #[test]
    fn bins_hold_all_points_once() {
        let of = series(600);
        let made = bins(&of);
        assert_eq!(made.points.iter().filter(|p| !p.kept).count(), 12);
        assert!(made.points.len() <= 2 * BINS);
        let whole = made.points.iter().filter(|p| p.kept).map(|p| p.value).sum::<f64>() / 60.0;
        assert!((whole - 3.0).abs() < 0.1, "{whole}");
    }

    #[test]
    fn a_far_limit_does_not_flatten_the_values() {
        let lines = Lines { upright: vec![2.5], level: vec![7.0, 1e6] };
        let (svg, _) = scatter("x", ["t", "v"], &[series(9)], &lines).unwrap();
        assert!(!svg.contains("1000000"));
    }

    #[test]
    fn a_way_through_the_plane() {
        let way = Path {
            places: vec![[1.0, 2.0], [3.0, -1.0]],
            names: vec!["1".into(), "2".into()],
            limit: Some(4.0),
        };
        assert!(
            path("coma", ["x", "y"], &way).unwrap().contains(">2</text>")
                || path("coma", ["x", "y"], &way).unwrap().contains("\n2\n")
        );
        assert!(path("coma", ["x", "y"], &Path::default()).is_none());
    }
}
