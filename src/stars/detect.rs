//! Detection by matched filter: the sky-subtracted frame, smoothed with a Gaussian as wide
//! as the stars, has its peaks where sources are, with `ν = F √(ΣP²) / σ` (reference.md
//! section 7) the best signal-to-noise ratio a linear filter can give.

use std::ops::Range;

use ndarray::Array2;
use rayon::prelude::*;

use crate::frame::Region;
use crate::sky::Sky;

/// Detection limit of the matched filter, sigma: a frame of 10⁶ independent places has
/// about one false peak at 4.8.
pub const DETECTION_SNR: f64 = 5.0;

/// Rows of the smoothed frame that are held at a time.
const BAND_ROWS: usize = 64;

/// A peak of the smoothed frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detection {
    /// Peak to sub-pixel by a parabola, pixels, 0-based.
    pub x: f64,
    pub y: f64,
    /// Flux by the matched filter, frame units.
    pub flux: f64,
    /// Flux over its error from the sky noise.
    pub snr: f64,
}

/// Normalised one-dimensional Gaussian, odd length.
fn kernel(sigma: f64) -> Vec<f32> {
    let half = (4.0 * sigma).ceil().max(2.0) as i64;
    let raw: Vec<f64> = (-half..=half).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|value| (value / sum) as f32).collect()
}

/// The frame smoothed with a circular Gaussian of `sigma` pixels and unit sum; zero is
/// assumed outside.
pub fn smooth(image: &Array2<f32>, sigma: f64) -> Array2<f32> {
    smooth_rows(image, &kernel(sigma), 0..image.nrows())
}

/// The smoothed frame's rows of a range: the rows above and below go into one padded row,
/// which is then smoothed along itself.
fn smooth_rows(image: &Array2<f32>, kernel: &[f32], rows: Range<usize>) -> Array2<f32> {
    let half = kernel.len() / 2;
    let (height, width) = image.dim();
    let mut smoothed = Array2::<f32>::zeros((rows.len(), width));
    let mut padded = vec![0.0_f32; width + 2 * half];
    for (y, mut out) in rows.zip(smoothed.outer_iter_mut()) {
        let middle = &mut padded[half..half + width];
        middle.fill(0.0);
        for source in y.saturating_sub(half)..(y + half + 1).min(height) {
            let factor = kernel[source + half - y];
            match image.row(source).as_slice() {
                Some(input) => add_scaled(middle, input, factor),
                None => middle.iter_mut().zip(image.row(source)).for_each(|(sum, v)| *sum += factor * v),
            }
        }
        if let Some(out) = out.as_slice_mut() {
            for (shift, &factor) in kernel.iter().enumerate() {
                add_scaled(out, &padded[shift..], factor);
            }
        }
    }
    smoothed
}

fn add_scaled(sum: &mut [f32], input: &[f32], factor: f32) {
    for (value, input) in sum.iter_mut().zip(input) {
        *value += factor * input;
    }
}

/// Peaks of the frame smoothed with `sigma`, above `limit` sigma of the sky noise, by
/// falling flux. The frame is smoothed a band of rows at a time, never as a whole.
pub fn detect(residual: &Array2<f32>, sky: &Sky, region: Region, sigma: f64, limit: f64) -> Vec<Detection> {
    let kernel = kernel(sigma);
    let sum_square: f64 = kernel.iter().map(|&value| f64::from(value).powi(2)).sum();
    // The smoothed noise is σ ΣP² to the root in each axis; the peak of a star of the
    // same width is F ΣP².
    let noise_factor = sum_square;
    let peak_factor = sum_square * sum_square;
    let floor = (0.4 * limit * sky.median_noise * noise_factor) as f32;
    let (height, width) = residual.dim();
    // A peak nearer the edge than its own width is half cut off and may be anything.
    let margin = (2.0 * sigma).ceil() as usize;
    let rows = (region.y0 + margin).max(1)..region.y1.saturating_sub(margin).min(height.saturating_sub(1));
    let columns = (region.x0 + margin).max(1)..region.x1.saturating_sub(margin).min(width.saturating_sub(1));
    let in_band = |first: usize| {
        let last = (first + BAND_ROWS).min(rows.end);
        let smoothed = smooth_rows(residual, &kernel, first - 1..last + 1);
        let mut found = Vec::new();
        for (row, y) in (first..last).enumerate().map(|(k, y)| (k + 1, y)) {
            for x in columns.clone() {
                if smoothed[(row, x)] <= floor || !is_peak(&smoothed, x, row) {
                    continue;
                }
                let peak = f64::from(smoothed[(row, x)]);
                let snr = peak / (sky.noise_at(x as f64, y as f64) * noise_factor);
                if snr >= limit {
                    let across = [smoothed[(row, x - 1)], smoothed[(row, x)], smoothed[(row, x + 1)]];
                    let along = [smoothed[(row - 1, x)], smoothed[(row, x)], smoothed[(row + 1, x)]];
                    let (x, y) = (x as f64 + parabola(across), y as f64 + parabola(along));
                    found.push(Detection { x, y, flux: peak / peak_factor, snr });
                }
            }
        }
        found
    };
    let bands = rows.len().div_ceil(BAND_ROWS);
    let mut found: Vec<Detection> =
        (0..bands).into_par_iter().flat_map_iter(|band| in_band(rows.start + band * BAND_ROWS)).collect();
    found.sort_by(|a, b| b.flux.total_cmp(&a.flux).then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x)));
    found
}

/// True for a local maximum of its 3x3 pixels; of equal pixels the first in reading order.
fn is_peak(image: &Array2<f32>, x: usize, y: usize) -> bool {
    let value = image[(y, x)];
    for dy in 0..3 {
        for dx in 0..3 {
            if (dx, dy) == (1, 1) {
                continue;
            }
            let other = image[(y + dy - 1, x + dx - 1)];
            let earlier = dy == 0 || (dy == 1 && dx == 0);
            if other > value || (earlier && other == value) {
                return false;
            }
        }
    }
    true
}

/// Vertex of the parabola through three equidistant values, in -0.5..0.5.
fn parabola(v: [f32; 3]) -> f64 {
    let curvature = f64::from(v[0]) - 2.0 * f64::from(v[1]) + f64::from(v[2]);
    if curvature >= 0.0 {
        return 0.0;
    }
    (0.5 * (f64::from(v[0]) - f64::from(v[2])) / curvature).clamp(-0.5, 0.5)
}

/// True where a detected source may still lift the sky: a disc around each detection that
/// grows with its flux, on top of `bad`.
pub fn source_mask(bad: &Array2<bool>, detections: &[Detection], sky: &Sky, sigma: f64) -> Array2<bool> {
    let mut mask = bad.clone();
    let (height, width) = mask.dim();
    for d in detections {
        // Diffraction wings fall as r⁻³: for a star they are s F/(10 r³) or so, and reach a
        // twentieth of the noise at the radius below; never inside 4 σ.
        let wing = (2.0 * sigma * d.flux / sky.median_noise).max(0.0).cbrt();
        let radius = wing.clamp(4.0 * sigma, 25.0 * sigma);
        let rows = ((d.y - radius).max(0.0).ceil() as usize)..((d.y + radius + 1.0) as usize).min(height);
        for y in rows {
            let half = (radius * radius - (y as f64 - d.y).powi(2)).max(0.0).sqrt();
            let columns = ((d.x - half).max(0.0).ceil() as usize)..((d.x + half + 1.0) as usize).min(width);
            for x in columns {
                mask[(y, x)] = true;
            }
        }
    }
    mask
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn smoothing_keeps_the_flux_and_widens_in_quadrature() {
        let mut image = Array2::zeros((61, 61));
        image[(30, 30)] = 1.0_f32;
        let out = smooth(&image, 2.0);
        assert!((out.sum() - 1.0).abs() < 1e-5);
        let second: f32 = out.indexed_iter().map(|((_, x), value)| value * (x as f32 - 30.0).powi(2)).sum();
        assert!((second - 4.0).abs() < 0.01, "{second}");
    }

    #[test]
    fn of_a_flat_top_one_peak_is_taken() {
        let mut image = Array2::zeros((9, 9));
        for (y, x) in [(4, 4), (4, 5), (5, 4), (5, 5)] {
            image[(y, x)] = 1.0_f32;
        }
        let others = [(4, 5), (5, 4), (5, 5)];
        assert!(is_peak(&image, 4, 4));
        assert!(others.iter().all(|&(y, x)| !is_peak(&image, x, y)));
    }
}
