//! Smoothing with a Gaussian, line by line: down the columns, then along the row.

use ndarray::Array2;

/// Normalised one-dimensional Gaussian, odd length.
pub(super) fn kernel(sigma: f64, reach_sigmas: f64) -> Vec<f32> {
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

/// Columns summed at once, in the processor's registers.
pub(super) const CHUNK: usize = 128;

/// Sums times the kernel of the lines that begin in `lines` at these places; of as many whole chunks as `out` holds.
#[inline(always)]
pub(super) fn down_columns(lines: &[f32], starts: &[usize], kernel: &[f32], out: &mut [f32]) {
    for (k, out) in out.as_chunks_mut::<CHUNK>().0.iter_mut().enumerate() {
        let mut sums = [0.0_f32; CHUNK];
        for (&start, &factor) in starts.iter().zip(kernel) {
            if let Some(line) = lines[start + CHUNK * k..].first_chunk::<CHUNK>() {
                add(&mut sums, factor, line);
            }
        }
        *out = sums;
    }
}

/// Smoothed pixels of which it is told at once whether one stands high.
pub(super) const STRETCH: usize = 64;

/// The line smoothed along itself, in as many whole chunks as `out` holds, 32 at most; it is longer than those by the
/// kernel less one. Gives the stretches that have a pixel above `floor`, a bit each, the first in the lowest.
#[inline(always)]
pub(super) fn along_row(line: &[f32], kernel: &[f32], floor: f32, out: &mut [f32]) -> u64 {
    let mut high = 0;
    for (k, out) in out.as_chunks_mut::<CHUNK>().0.iter_mut().enumerate() {
        let mut sums = [0.0_f32; CHUNK];
        for (tap, &factor) in kernel.iter().enumerate() {
            if let Some(line) = line[CHUNK * k + tap..].first_chunk::<CHUNK>() {
                add(&mut sums, factor, line);
            }
        }
        *out = sums;
        for (half, sums) in sums.as_chunks::<STRETCH>().0.iter().enumerate() {
            high |= u64::from(any_above(sums, floor)) << (k * CHUNK / STRETCH + half);
        }
    }
    high
}

#[inline(always)]
fn add(sums: &mut [f32; CHUNK], factor: f32, values: &[f32; CHUNK]) {
    for k in 0..CHUNK {
        sums[k] = factor.mul_add(values[k], sums[k]);
    }
}

#[inline(always)]
fn any_above(values: &[f32; STRETCH], floor: f32) -> bool {
    let mut any = false;
    for value in values {
        any |= *value > floor;
    }
    any
}

#[inline(always)]
pub(super) fn any_nan(values: &[f32]) -> bool {
    values.iter().fold(false, |any, value| any | value.is_nan())
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
}
