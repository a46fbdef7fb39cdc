//! The width of the stars, found without being told: what bright, isolated, not single-pixel
//! sources have in common.

use std::ops::Range;

use ndarray::Array2;
use rayon::prelude::*;

use super::detect::{Detection, detect_on};
use crate::frame::Region;
use crate::moments::estimating::{Weight, solve_second};
use crate::moments::grid::Grid;
use crate::sky::{Mask, Residual, Sky};

/// Widths tried for the first detection, sigma in pixels: from a strongly undersampled
/// diffraction image to a defocused ring.
const TRIAL_SIGMAS_PIXELS: [f64; 6] = [0.8, 1.5, 2.5, 4.0, 6.0, 9.0];

/// From this trial width on, wider ones are left out where fewer than this share of the sources looked at have more
/// light in it than narrower ones saw: a wide image has shown itself by then.
const FIRST_WIDE: f64 = 2.5;
const MOST_WIDER: f64 = 0.1;

/// Of the frame smoothed with so many pixels' sigma, only every so many-th row is looked at: a peak is then still
/// two rows wide on either side.
fn row_step(trial_sigma: f64) -> usize {
    if trial_sigma < 4.0 {
        1
    } else if trial_sigma < 8.0 {
        2
    } else {
        4
    }
}

/// Sources looked at per trial width.
const BRIGHTEST: usize = 150;

/// Pixels of a frame that are looked at first, in this many bands over its height; four times as many
/// while they hold fewer sources than wanted.
const FIRST_PIXELS: usize = 2 << 20;
const BANDS: usize = 4;
const ENOUGH_SOURCES: usize = 60;

/// A source measured at one trial width is measured again at a wider one that sees this much more
/// light than the source has.
const MORE_LIGHT: f64 = 1.15;

/// SNR from which a source says something about the width: σ(ln T) = 2/ν = 8 %.
const MIN_SNR: f64 = 25.0;

/// Of a star centred on a pixel, the eight neighbours hold at least this share of what the
/// central pixel holds, down to 1.2 pixels per FWHM; of a hot pixel, none.
const MIN_NEIGHBOUR_SHARE: f64 = 0.35;

/// How wide the stars of a frame are, pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Width {
    /// `√(T/2)`.
    pub sigma: f64,
    /// Sigma along the narrowest axis: that of a trailed star lies across its trail.
    pub narrowest: f64,
}

/// A bright source measured for its width.
#[derive(Debug, Clone, Copy)]
struct Source {
    x: f64,
    y: f64,
    flux: f64,
    sigma: f64,
    narrowest: f64,
}

/// Sum of the eight pixels around the brightest of the central 3x3 over that pixel: 0 for a
/// hot pixel.
pub fn neighbour_share(residual: &Residual, x: f64, y: f64) -> Option<f64> {
    let (height, width) = residual.dim();
    let (cx, cy) = (x.round() as i64, y.round() as i64);
    let inside = |x: i64, y: i64| x >= 0 && y >= 0 && (x as usize) < width && (y as usize) < height;
    let rows = (cy - 2).clamp(0, height as i64)..(cy + 3).clamp(0, height as i64);
    let columns = (cx - 2).clamp(0, width as i64)..(cx + 3).clamp(0, width as i64);
    let (across, mut near) = ((columns.end - columns.start) as usize, [0.0_f32; 25]);
    let near = &mut near[..across * (rows.end - rows.start) as usize];
    if across > 0 {
        residual.rectangle(rows.start as usize, columns.start as usize, across, near);
    }
    let at = |x: i64, y: i64| {
        let value = near[(y - rows.start) as usize * across + (x - columns.start) as usize];
        if value.is_nan() { 0.0 } else { f64::from(value) }
    };
    let mut best: Option<(i64, i64, f64)> = None;
    for py in cy - 1..=cy + 1 {
        for px in cx - 1..=cx + 1 {
            if inside(px, py) {
                let value = at(px, py);
                if best.is_none_or(|(_, _, top)| value > top) {
                    best = Some((px, py, value));
                }
            }
        }
    }
    let (px, py, top) = best?;
    let mut sum = 0.0;
    for y in py - 1..=py + 1 {
        for x in px - 1..=px + 1 {
            if (x, y) != (px, py) && inside(x, y) {
                sum += at(x, y);
            }
        }
    }
    (top > 0.0).then(|| sum / top)
}

/// Is this a single bright pixel rather than the image of anything?
pub fn is_single_pixel(residual: &Residual, d: &Detection) -> bool {
    neighbour_share(residual, d.x, d.y).is_some_and(|share| share < MIN_NEIGHBOUR_SHARE)
}

/// [`is_single_pixel`] of all.
pub fn are_single_pixels(residual: &Residual, found: &[Detection]) -> Vec<bool> {
    let one = |k: usize| {
        // Found by their flux they lie anywhere: the pixels of the next come from memory meanwhile.
        if let Some(next) = found.get(k + 1) {
            let corner = |place: f64| (place.round() as usize).saturating_sub(2);
            residual.call_for(corner(next.y), corner(next.x), 5, 5);
        }
        is_single_pixel(residual, &found[k])
    };
    (0..found.len()).map(one).collect()
}

/// Bands of rows, evenly over the height, that make up this share of a region.
fn bands(region: Region, share: f64) -> Vec<Range<usize>> {
    if share >= 1.0 {
        return vec![region.y0..region.y1];
    }
    let start = |k: usize| region.y0 + k * region.height() / BANDS;
    let length = |k: usize| ((start(k + 1) - start(k)) as f64 * share).ceil() as usize;
    (0..BANDS).map(|k| start(k)..start(k) + length(k)).collect()
}

/// The bright sources with their centres in these rows, each measured at the trial width that holds all
/// of its light.
fn whole_sources(
    residual: &Residual,
    saturated: &Mask,
    sky: &Sky,
    region: Region,
    rows: &[Range<usize>],
) -> Vec<Source> {
    let mut sources: Vec<Source> = Vec::new();
    for trial in TRIAL_SIGMAS_PIXELS {
        let found = detect_on(residual, sky, region, trial, MIN_SNR, rows, row_step(trial));
        // A filter of width t sees of a source of width s the flux 2 t²/(t² + s²).
        let is_known = |d: &Detection| {
            sources.iter().any(|s| {
                let seen = 2.0 * trial * trial / (trial * trial + s.sigma * s.sigma);
                (s.x - d.x).hypot(s.y - d.y) < trial.max(s.sigma) && d.flux < MORE_LIGHT * seen * s.flux
            })
        };
        let looked_at: Vec<&Detection> =
            found.iter().filter(|d| !is_single_pixel(residual, d)).take(BRIGHTEST).collect();
        let wider: Vec<&Detection> = looked_at.iter().copied().filter(|d| !is_known(d)).collect();
        let is_all_seen = trial >= FIRST_WIDE && (wider.len() as f64) < MOST_WIDER * looked_at.len() as f64;
        let new: Vec<Source> =
            wider.into_par_iter().filter_map(|d| measure(residual, saturated, d, trial)).collect();
        sources.extend(new);
        if is_all_seen {
            break;
        }
    }
    // Of measurements of one thing at several trial widths the most luminous is the whole;
    // the others are its fragments.
    sources.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    let mut whole: Vec<Source> = Vec::new();
    for source in sources {
        let covered = |w: &Source| (w.x - source.x).hypot(w.y - source.y) < 2.0 * w.sigma.max(source.sigma);
        if !whole.iter().any(covered) {
            whole.push(source);
        }
    }
    whole
}

/// The width that the bright point-like sources share; `None` when nothing is bright enough.
/// `saturated` pixels spoil a source.
pub fn typical_width(residual: &Residual, saturated: &Mask, sky: &Sky, region: Region) -> Option<Width> {
    let mut share = FIRST_PIXELS as f64 / (region.width() * region.height()) as f64;
    let mut whole = whole_sources(residual, saturated, sky, region, &bands(region, share));
    while share < 1.0 && whole.len() < ENOUGH_SOURCES {
        share *= 4.0;
        whole = whole_sources(residual, saturated, sky, region, &bands(region, share));
    }
    let mut logs: Vec<f64> = whole.iter().map(|s| s.sigma.ln()).collect();
    let sigma = half_sample_mode(&mut logs)?.exp();
    let mut narrow: Vec<f64> =
        whole.iter().filter(|s| (s.sigma / sigma).ln().abs() < 0.2).map(|s| s.narrowest).collect();
    narrow.sort_by(f64::total_cmp);
    let narrowest = narrow.get(narrow.len() / 2).copied().unwrap_or(sigma).min(sigma);
    Some(Width { sigma, narrowest })
}

fn measure(residual: &Residual, saturated: &Mask, d: &Detection, trial: f64) -> Option<Source> {
    let (height, width) = residual.dim();
    let half = (5.0 * trial).ceil().max(5.0) as i64;
    let (cx, cy) = (d.x.round() as i64, d.y.round() as i64);
    let inside = cx >= half && cy >= half && cx + half < width as i64 && cy + half < height as i64;
    if !inside {
        return None;
    }
    let side = 2 * half as usize + 1;
    let (top, left) = ((cy - half) as usize, (cx - half) as usize);
    let mut pixels = Array2::zeros((side, side));
    residual.rectangle(top, left, side, pixels.as_slice_mut()?);
    for ((row, column), value) in pixels.indexed_iter_mut() {
        let (y, x) = (top + row, left + column);
        let near = (x as f64 - d.x).powi(2) + (y as f64 - d.y).powi(2) < (2.0 * trial).powi(2);
        if near && (value.is_nan() || saturated.contains(y, x)) {
            return None;
        }
        *value = if value.is_nan() { 0.0 } else { *value };
    }
    let pixels = Grid::centred(&pixels, &Array2::ones((side, side)))?;
    let guess = [d.x - cx as f64, d.y - cy as f64, trial * trial, 0.0, trial * trial];
    let solved = solve_second(&pixels, Weight::Adaptive, guess, half as f64).ok()?;
    let sigma = (0.5 * (solved.theta[2] + solved.theta[4])).sqrt();
    // A fit far from the trial width belongs to another trial.
    let plausible = sigma > 0.35 && sigma < 2.5 * trial;
    plausible.then(|| Source {
        x: cx as f64 + solved.theta[0],
        y: cy as f64 + solved.theta[1],
        flux: 2.0 * solved.weighted_flux,
        sigma,
        narrowest: (sigma * sigma - (0.5 * (solved.theta[2] - solved.theta[4])).hypot(solved.theta[3]))
            .max(0.0)
            .sqrt(),
    })
}

/// Mode by repeatedly taking the densest half (Bickel & Fruehwirth 2006, Comput. Stat. Data
/// Anal. 50, 3500; reference from memory). Reorders the sample.
pub fn half_sample_mode(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let mut window: &[f64] = values;
    while window.len() > 3 {
        let half = window.len().div_ceil(2);
        let start = (0..=window.len() - half)
            .min_by(|&a, &b| {
                (window[a + half - 1] - window[a]).total_cmp(&(window[b + half - 1] - window[b]))
            })
            .unwrap_or(0);
        window = &window[start..start + half];
    }
    match *window {
        [] => None,
        [a] => Some(a),
        [a, b] => Some(0.5 * (a + b)),
        [a, b, c] if b - a < c - b => Some(0.5 * (a + b)),
        [_, b, c, ..] => Some(0.5 * (b + c)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_mode_is_the_densest_place_not_the_mean() {
        let mut values: Vec<f64> = (0..40).map(|k| 1.0 + 0.001 * f64::from(k)).collect();
        values.extend((0..50).map(|k| 2.0 + 0.2 * f64::from(k)));
        let mode = half_sample_mode(&mut values).unwrap();
        assert!((1.0..1.05).contains(&mode), "{mode}");
        assert_eq!(half_sample_mode(&mut []), None);
    }
}
