//! The correlation of residuals against separation, both axes logarithmic.

use plotters::prelude::*;

use crate::report::numbers::significant;
use crate::verdict::model::{CorrelationBin, Estimate, ResidualCorrelation};

use super::{Area, Drawn, INK, MARK, SECOND, draw, draw_log_labels, fine, quiet, with_room};

const HEIGHT: f64 = 320.0;

/// `|rho1 + rho3 + 2 rho4|` and `|rho2|` with their errors, and the limit of the first.
pub fn residual_correlation(found: &ResidualCorrelation) -> Option<String> {
    let points = |pick: fn(&CorrelationBin) -> Estimate| {
        found.bins.iter().filter_map(|bin| Point::new(bin.separation, pick(bin))).collect::<Vec<Point>>()
    };
    let (additive, rho2) = (points(|bin| bin.additive), points(|bin| bin.rho2));
    let all = || additive.iter().chain(&rho2);
    let limit = found.additive_limit;
    let separations = all().map(|p| p.separation);
    let (left, right) = separations.fold((f64::INFINITY, 0.0f64), |(a, b), s| (a.min(s), b.max(s)));
    // Values far below the limit say no more than that: three decades below it suffice.
    let low = all().map(|p| p.size).fold(limit, f64::min).max(1e-3 * limit);
    let high = all().map(|p| p.size + p.err).fold(limit, f64::max);
    let usable = left > 0.0 && low > 0.0 && right.is_finite() && high.is_finite();
    let frame = Frame { x: (left / 1.4, right * 1.4), y: (low / 2.0, high * 2.0) };
    let label = "Correlation of the residuals of the own models against separation";
    let axis = format!("separation ({})", found.unit);
    if !usable {
        return None;
    }
    draw(HEIGHT, label, |area| paint(area, &frame, &axis, limit, &additive, &rho2))
}

struct Frame {
    x: (f64, f64),
    y: (f64, f64),
}

/// A signed value on a logarithmic axis.
struct Point {
    separation: f64,
    size: f64,
    negative: bool,
    err: f64,
}

impl Point {
    fn new(separation: f64, estimate: Estimate) -> Option<Self> {
        let value = estimate.value.filter(|v| v.is_finite())?;
        let err = estimate.err.filter(|e| e.is_finite()).unwrap_or(0.0);
        Some(Self { separation, size: value.abs(), negative: value < 0.0, err })
    }
}

fn paint(area: &Area, frame: &Frame, axis: &str, limit: f64, additive: &[Point], rho2: &[Point]) -> Drawn {
    let (bottom, top) = frame.y;
    let mut chart =
        with_room(area).build_cartesian_2d((frame.x.0..frame.x.1).log_scale(), (bottom..top).log_scale())?;
    quiet(&mut chart.configure_mesh())
        .x_labels(1)
        .x_label_formatter(&|_| String::new())
        .y_labels(5)
        .y_label_formatter(&|v| format!("{v:.0e}"))
        .x_desc(axis)
        .y_desc("|correlation|")
        .draw()?;
    let across = [(frame.x.0, limit), (frame.x.1, limit)];
    chart.draw_series(LineSeries::new(across, INK.stroke_width(fine(1.6) as u32)))?;
    let base = |v: f64| chart.backend_coord(&(v, bottom));
    draw_log_labels(area, frame.x, base, |v| significant(v, 1))?;
    // Beside each other, so that neither hides the other.
    for (points, ink, aside) in [(additive, MARK, 1.0), (rho2, SECOND, 1.06)] {
        for p in points.iter().filter(|p| p.size > 0.0) {
            let x = p.separation * aside;
            let within = |v: f64| v.clamp(bottom, top);
            let bar = [(x, within(p.size - p.err)), (x, within(p.size + p.err))];
            chart.draw_series(LineSeries::new(bar, ink.stroke_width(fine(1.2) as u32)))?;
            let style = if p.negative { ink.stroke_width(fine(1.6) as u32) } else { ink.filled() };
            let at = (x, within(p.size));
            if ink == MARK {
                chart.draw_series([Circle::new(at, fine(3.5), style)])?;
            } else {
                let c = fine(3.2);
                let corners = [(-c, -c), (c, -c), (c, c), (-c, c), (-c, -c)];
                if p.negative {
                    chart.draw_series([EmptyElement::at(at) + PathElement::new(corners, style)])?;
                } else {
                    chart.draw_series([EmptyElement::at(at) + Polygon::new(corners, style)])?;
                }
            }
        }
    }
    Ok(())
}
