//! The stars themselves: repeats over their errors, and detections against the locus.

use plotters::prelude::*;

use crate::report::figure_data::FigureData;
use crate::verdict::products::{Detection, Pulls};

use super::{Area, Drawn, INK, MARK, SECOND, draw, draw_log_labels, fine, quiet, with_dots, with_room};

const HEIGHT: f64 = 300.0;

/// Histogram of the pulls against a unit Gaussian.
pub fn pulls(data: &FigureData) -> Option<String> {
    let density = |counts: &[u32]| -> Vec<f64> {
        let all: u32 = counts.iter().sum();
        counts.iter().map(|n| f64::from(*n) / (f64::from(all.max(1)) * Pulls::BIN)).collect()
    };
    let (size, ellipticity) = (density(&data.pulls.size), density(&data.pulls.ellipticity));
    let highest = size.iter().chain(&ellipticity).copied().fold(0.0, f64::max);
    if highest == 0.0 {
        return None;
    }
    let label = "Repeats of stars over their stated errors, against a unit Gaussian";
    draw(HEIGHT, label, |area| paint_pulls(area, &size, &ellipticity, 1.1 * highest.max(0.4)))
}

fn paint_pulls(area: &Area, size: &[f64], ellipticity: &[f64], top: f64) -> Drawn {
    let end = Pulls::HALF as f64 * Pulls::BIN;
    let mut chart = with_room(area).build_cartesian_2d(-end..end, 0.0..top)?;
    quiet(&mut chart.configure_mesh())
        .x_labels(9)
        .y_labels(5)
        .x_label_formatter(&|v| format!("{v:.0}"))
        .y_label_formatter(&|v| format!("{v:.1}"))
        .x_desc("repeat minus its star's mean, over its error")
        .y_desc("share per unit")
        .draw()?;
    let gaussian = |x: f64| (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let curve = (0..=180).map(|k| -end + 2.0 * end * f64::from(k) / 180.0).map(|x| (x, gaussian(x)));
    chart.draw_series(LineSeries::new(curve, INK.stroke_width(fine(1.4) as u32)))?;
    let steps = |heights: &[f64]| -> Vec<(f64, f64)> {
        let edge = |bin: usize| Pulls::middle(bin) - 0.5 * Pulls::BIN;
        heights.iter().enumerate().flat_map(|(k, h)| [(edge(k), *h), (edge(k + 1), *h)]).collect()
    };
    chart.draw_series(LineSeries::new(steps(size), MARK.stroke_width(fine(1.8) as u32)))?;
    let dashes = DashedLineSeries::new(
        steps(ellipticity),
        fine(5.0),
        fine(3.0),
        SECOND.stroke_width(fine(1.8) as u32),
    );
    chart.draw_series(dashes)?;
    Ok(())
}

/// Farthest a detection is drawn from the locus, ln T; those beyond stand at the edge.
pub const FARTHEST: f64 = 1.0;

/// Distance from the point-source locus against SNR: discs are used, open squares refused.
pub fn census(data: &FigureData) -> Option<String> {
    let known: Vec<&Detection> = data
        .detections
        .iter()
        .filter(|d| d.snr.is_finite() && d.snr > 0.0 && d.off_locus.is_finite())
        .collect();
    let low = known.iter().map(|d| d.snr).fold(f64::INFINITY, f64::min);
    let high = known.iter().map(|d| d.snr).fold(0.0, f64::max);
    if known.is_empty() || !(high > 0.0) {
        return None;
    }
    let mut dots = [Vec::new(), Vec::new()];
    let label = "Distance of detections from the point-source locus against signal-to-noise ratio";
    let svg = draw(HEIGHT + 40.0, label, |area| {
        let mut chart = with_room(area)
            .build_cartesian_2d((0.8 * low..1.25 * high).log_scale(), -1.08 * FARTHEST..1.08 * FARTHEST)?;
        quiet(&mut chart.configure_mesh())
            .x_labels(1)
            .x_label_formatter(&|_| String::new())
            .y_labels(5)
            .y_label_formatter(&|v| format!("{v:.1}"))
            .x_desc("signal-to-noise ratio")
            .y_desc("ln T, star minus model")
            .draw()?;
        let base = |v: f64| chart.backend_coord(&(v, -1.08 * FARTHEST));
        draw_log_labels(area, (0.8 * low, 1.25 * high), base, |v| format!("{v:.0}"))?;
        for d in &known {
            let at = chart.backend_coord(&(d.snr, d.off_locus.clamp(-FARTHEST, FARTHEST)));
            dots[usize::from(d.refused.is_some())].push(at);
        }
        Ok(())
    })?;
    Some(with_dots(svg, &dots[1], &dots[0]))
}
