//! Detection by matched filter: the sky-subtracted frame, smoothed with a Gaussian as wide
//! as the stars, has its peaks where sources are, with `ν = F √(ΣP²) / σ` (reference.md
//! section 7) the best signal-to-noise ratio a linear filter can give.

use std::ops::Range;

use ndarray::Array2;
use rayon::prelude::*;

use crate::frame::Region;
use crate::sky::{Mask, Residual, Sky};

/// Detection limit of the matched filter, sigma: a frame of 10⁶ independent places has
/// about one false peak at 4.8.
pub const DETECTION_SNR: f64 = 5.0;

/// The frame is smoothed in blocks that stay in the processor's cache.
const BLOCK_ROWS: usize = 128;
const BLOCK_COLUMNS: usize = 1024;

/// The matched filter ends here: beyond, `ΣP²` loses less than 5e-4 an axis.
const FILTER_REACH_SIGMAS: f64 = 2.5;

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
fn kernel(sigma: f64, reach_sigmas: f64) -> Vec<f32> {
    let half = (reach_sigmas * sigma).ceil().max(2.0) as i64;
    let raw: Vec<f64> = (-half..=half).map(|k| (-0.5 * (k as f64 / sigma).powi(2)).exp()).collect();
    let sum: f64 = raw.iter().sum();
    raw.iter().map(|value| (value / sum) as f32).collect()
}

/// The image smoothed with a circular Gaussian of `sigma` pixels and unit sum; zero is
/// assumed outside.
pub fn smooth(image: &Array2<f32>, sigma: f64) -> Array2<f32> {
    let kernel = kernel(sigma, 4.0);
    let half = kernel.len() / 2;
    let (height, width) = image.dim();
    let mut smoothed = Array2::<f32>::zeros((height, width));
    let mut padded = vec![0.0_f32; width + 2 * half];
    for (y, mut out) in smoothed.outer_iter_mut().enumerate() {
        let middle = &mut padded[half..half + width];
        middle.fill(0.0);
        for source in y.saturating_sub(half)..(y + half + 1).min(height) {
            let factor = kernel[source + half - y];
            middle.iter_mut().zip(image.row(source)).for_each(|(sum, v)| *sum += factor * v);
        }
        for (x, out) in out.iter_mut().enumerate() {
            *out = kernel.iter().zip(&padded[x..]).map(|(factor, v)| factor * v).sum();
        }
    }
    smoothed
}

/// What a matched filter makes of noise and of a star of its width.
struct Filter {
    kernel: Vec<f32>,
    /// Noise of the smoothed frame over that of a pixel, `ΣP²` to the root in each axis.
    noise: f64,
    /// Peak of the smoothed image of a star over its flux.
    peak: f64,
}

impl Filter {
    fn new(sigma: f64) -> Self {
        let kernel = kernel(sigma, FILTER_REACH_SIGMAS);
        let half = (kernel.len() / 2) as i64;
        let square: f64 = kernel.iter().map(|&value| f64::from(value).powi(2)).sum();
        let profile = |k: i64| (-0.5 * (k as f64 / sigma).powi(2)).exp();
        let total: f64 = (-8 * half..=8 * half).map(profile).sum();
        let along: f64 =
            kernel.iter().zip(-half..).map(|(&value, k)| f64::from(value) * profile(k) / total).sum();
        Self { kernel, noise: square, peak: along * along }
    }
}

/// Peaks of the frame smoothed with `sigma`, above `limit` sigma of the sky noise, by
/// falling flux, with their centres in these `rows`.
pub fn detect(
    residual: &Residual,
    sky: &Sky,
    region: Region,
    sigma: f64,
    limit: f64,
    rows: &[Range<usize>],
) -> Vec<Detection> {
    let filter = Filter::new(sigma);
    let (height, width) = residual.dim();
    // A peak nearer the edge than its own width is half cut off and may be anything.
    let margin = (2.0 * sigma).ceil() as usize;
    let inside = Region {
        y0: (region.y0 + margin).max(1),
        y1: region.y1.saturating_sub(margin).min(height.saturating_sub(1)),
        x0: (region.x0 + margin).max(1),
        x1: region.x1.saturating_sub(margin).min(width.saturating_sub(1)),
    };
    let mut blocks = Vec::new();
    for range in rows {
        for y in (range.start.max(inside.y0)..range.end.min(inside.y1)).step_by(BLOCK_ROWS) {
            for x in (inside.x0..inside.x1).step_by(BLOCK_COLUMNS) {
                let (y1, x1) = (y + BLOCK_ROWS, x + BLOCK_COLUMNS);
                let y1 = y1.min(inside.y1).min(range.end);
                blocks.push(Region { y0: y, y1, x0: x, x1: x1.min(inside.x1) });
            }
        }
    }
    let in_block = |work: &mut Vec<f32>, block: &Region| {
        pulp::Arch::new().dispatch(|| peaks(residual, sky, &filter, *block, limit, work))
    };
    let found: Vec<Vec<Detection>> = blocks.par_iter().map_init(Vec::new, in_block).collect();
    let mut found = found.concat();
    found.sort_by(by_flux);
    found
}

/// By falling flux.
pub fn by_flux(a: &Detection, b: &Detection) -> std::cmp::Ordering {
    b.flux.total_cmp(&a.flux).then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x))
}

/// The peaks inside one block of the frame; `work` is space to work in.
#[inline(always)]
fn peaks(
    residual: &Residual,
    sky: &Sky,
    filter: &Filter,
    block: Region,
    limit: f64,
    work: &mut Vec<f32>,
) -> Vec<Detection> {
    let taps = filter.kernel.len();
    let half = taps / 2;
    let floor = (limit * sky.least_noise(block) * filter.noise) as f32;
    let (width, height) = (block.width() + 2, block.height() + 2);
    // Behind a frame's edge there is nothing: zero.
    let line = width + 2 * half;
    let lines = height + 2 * half;
    work.resize(line * lines + line + 3 * width, 0.0);
    let (input, rest) = work.split_at_mut(line * lines);
    let (column_sums, smoothed) = rest.split_at_mut(line);
    for (k, out) in input.chunks_exact_mut(line).enumerate() {
        padded_row(residual, (block.y0 + k) as i64 - 1 - half as i64, block.x0 as i64 - 1 - half as i64, out);
    }
    let mut found = Vec::new();
    for k in 0..height {
        down_columns(&input[k * line..], line, &filter.kernel, column_sums);
        along_row(column_sums, &filter.kernel, &mut smoothed[k % 3 * width..][..width]);
        if k < 2 {
            continue;
        }
        let row = |back: usize| &smoothed[(k - back) % 3 * width..][..width];
        let (above, own, below) = (row(2), row(1), row(0));
        let y = block.y0 + k - 2;
        for first in (1..width - 1).step_by(64) {
            let last = (first + 64).min(width - 1);
            if !own[first..last].iter().fold(false, |any, value| any | (*value > floor)) {
                continue;
            }
            for i in first..last {
                if own[i] > floor && is_peak([above, own, below], i) {
                    let x = block.x0 + i - 1;
                    let peak = f64::from(own[i]);
                    let snr = peak / (sky.noise_at(x as f64, y as f64) * filter.noise);
                    if snr >= limit {
                        let across = parabola([own[i - 1], own[i], own[i + 1]]);
                        let along = parabola([above[i], own[i], below[i]]);
                        let (x, y) = (x as f64 + across, y as f64 + along);
                        found.push(Detection { x, y, flux: peak / filter.peak, snr });
                    }
                }
            }
        }
    }
    found
}

/// Row `y` of the residual from column `first` on, either of which may lie outside the frame.
#[inline(always)]
fn padded_row(residual: &Residual, y: i64, first: i64, out: &mut [f32]) {
    let (height, width) = residual.dim();
    if y < 0 || y >= height as i64 {
        out.fill(0.0);
        return;
    }
    let left = ((-first).max(0) as usize).min(out.len());
    let right = ((width as i64 - first).max(0) as usize).min(out.len());
    out[..left].fill(0.0);
    out[right..].fill(0.0);
    residual.row(y as usize, (first + left as i64) as usize, &mut out[left..right]);
}

/// Sums of the lines that begin with `input`, times the kernel.
#[inline(always)]
fn down_columns(input: &[f32], line: usize, kernel: &[f32], out: &mut [f32]) {
    const CHUNK: usize = 64;
    let mut first = 0;
    while first < line {
        let count = CHUNK.min(line - first);
        let mut sums = [0.0_f32; CHUNK];
        for (tap, &factor) in kernel.iter().enumerate() {
            let input = &input[tap * line + first..][..count];
            if count == CHUNK {
                for k in 0..CHUNK {
                    sums[k] += factor * input[k];
                }
            } else {
                for (sum, value) in sums.iter_mut().zip(input) {
                    *sum += factor * value;
                }
            }
        }
        out[first..first + count].copy_from_slice(&sums[..count]);
        first += count;
    }
}

/// The line smoothed along itself; it is longer than `out` by the kernel less one.
#[inline(always)]
fn along_row(line: &[f32], kernel: &[f32], out: &mut [f32]) {
    const CHUNK: usize = 64;
    for (chunk, out) in out.chunks_mut(CHUNK).enumerate() {
        let line = &line[chunk * CHUNK..];
        let mut sums = [0.0_f32; CHUNK];
        if out.len() == CHUNK {
            for (tap, &factor) in kernel.iter().enumerate() {
                let line = &line[tap..tap + CHUNK];
                for k in 0..CHUNK {
                    sums[k] += factor * line[k];
                }
            }
        } else {
            for (k, sum) in sums[..out.len()].iter_mut().enumerate() {
                *sum = kernel.iter().zip(&line[k..]).fold(0.0, |sum, (factor, value)| sum + factor * value);
            }
        }
        out.copy_from_slice(&sums[..out.len()]);
    }
}

/// The same detections under another sky: the filter has unit sum, so that a change of the level
/// lowers each peak by as much. Those that fall below `limit` are gone.
pub fn under_new_sky(found: &[Detection], sigma: f64, old: &Sky, new: &Sky, limit: f64) -> Vec<Detection> {
    let filter = Filter::new(sigma);
    let mut moved: Vec<Detection> = found
        .iter()
        .filter_map(|d| {
            let peak = d.flux * filter.peak - (new.level_at(d.x, d.y) - old.level_at(d.x, d.y));
            let snr = peak / (new.noise_at(d.x.round(), d.y.round()) * filter.noise);
            (snr >= limit).then_some(Detection { flux: peak / filter.peak, snr, ..*d })
        })
        .collect();
    moved.sort_by(by_flux);
    moved
}

/// True for a local maximum of its 3x3 pixels in three rows; of equal pixels the first in reading
/// order.
fn is_peak(rows: [&[f32]; 3], x: usize) -> bool {
    let value = rows[1][x];
    rows[0][x - 1..=x + 1].iter().all(|other| *other < value)
        && rows[1][x - 1] < value
        && rows[1][x + 1] <= value
        && rows[2][x - 1..=x + 1].iter().all(|other| *other <= value)
}

/// Vertex of the parabola through three equidistant values, in -0.5..0.5.
fn parabola(v: [f32; 3]) -> f64 {
    let curvature = f64::from(v[0]) - 2.0 * f64::from(v[1]) + f64::from(v[2]);
    if curvature >= 0.0 {
        return 0.0;
    }
    (0.5 * (f64::from(v[0]) - f64::from(v[2])) / curvature).clamp(-0.5, 0.5)
}

/// The pixels where a detected source may still lift the sky: a disc around each detection that
/// grows with its flux.
pub fn source_mask((height, width): (usize, usize), detections: &[Detection], sky: &Sky, sigma: f64) -> Mask {
    let mut mask = Mask::new((height, width));
    for d in detections {
        // Diffraction wings fall as r⁻³: for a star they are s F/(10 r³) or so, and reach a
        // twentieth of the noise at the radius below; never inside 4 σ.
        let wing = (2.0 * sigma * d.flux / sky.median_noise).max(0.0).cbrt();
        let radius = wing.clamp(4.0 * sigma, 25.0 * sigma);
        let rows = ((d.y - radius).max(0.0).ceil() as usize)..((d.y + radius + 1.0) as usize).min(height);
        for y in rows {
            let half = (radius * radius - (y as f64 - d.y).powi(2)).max(0.0).sqrt();
            let columns = ((d.x - half).max(0.0).ceil() as usize)..((d.x + half + 1.0) as usize).min(width);
            mask.mark(y, columns);
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
        let rows: Vec<Vec<f32>> = image.outer_iter().map(|row| row.to_vec()).collect();
        let at = |y: usize, x: usize| is_peak([&rows[y - 1], &rows[y], &rows[y + 1]], x);
        assert!(at(4, 4));
        assert!(![(4, 5), (5, 4), (5, 5)].iter().any(|&(y, x)| at(y, x)));
    }
}
