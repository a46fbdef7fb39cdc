//! What must not be mistaken for a star, seen in the pixels alone: saturation, charge trails,
//! bad columns, edges, hot pixels.

use ndarray::Array2;

use crate::frame::Region;
use crate::sky::{Sky, quantile};

/// A column or row whose median stands this many sigma of the pixel noise off its
/// neighbours is bad.
const BAD_LINE_SIGMAS: f64 = 1.0;

/// Saturated pixels in a row from which a run is a charge trail, in sigma of the stars.
const TRAIL_LENGTH_SIGMAS: f64 = 7.0;

/// Saturated pixels and charge trails of a frame.
#[derive(Debug, Clone)]
pub struct Saturation {
    /// True on pixels at or above the limit and those next to them.
    pub saturated: Array2<bool>,
    /// True on pixels of long saturated runs and those next to them.
    pub trail: Array2<bool>,
}

/// A full pixel is read with noise and may fill at a slightly varying level: pixels this share
/// under the saturation level count as full. A clipped core else passes as a star.
const FULL_BELOW_LEVEL: f64 = 0.005;

/// Marks saturated pixels and, of them, charge trails: saturated runs along a column or row
/// longer than a star of `sigma` pixels can be wide.
pub fn saturation(pixels: &Array2<f32>, limit: Option<f64>, sigma: f64) -> Saturation {
    let shape = pixels.dim();
    let mut saturated = Array2::from_elem(shape, false);
    let mut trail = Array2::from_elem(shape, false);
    let Some(limit) = limit else {
        return Saturation { saturated, trail };
    };
    let limit = limit - FULL_BELOW_LEVEL * limit.abs();
    let above: Vec<(usize, usize)> =
        pixels.indexed_iter().filter_map(|(at, &value)| (f64::from(value) >= limit).then_some(at)).collect();
    let is_above = |y: usize, x: usize| f64::from(pixels[(y, x)]) >= limit;
    let longest = (TRAIL_LENGTH_SIGMAS * sigma).ceil() as usize;
    for &(y, x) in &above {
        mark(&mut saturated, y, x);
        let run = |step: &dyn Fn(usize) -> Option<(usize, usize)>| {
            (0..=longest).take_while(|&k| step(k).is_some_and(|(y, x)| is_above(y, x))).count()
        };
        let down = run(&|k| (y + k < shape.0).then_some((y + k, x)));
        let up = run(&|k| y.checked_sub(k).map(|y| (y, x)));
        let right = run(&|k| (x + k < shape.1).then_some((y, x + k)));
        let left = run(&|k| x.checked_sub(k).map(|x| (y, x)));
        if (down + up).max(right + left) > longest + 1 {
            mark(&mut trail, y, x);
        }
    }
    Saturation { saturated, trail }
}

/// Marks a pixel and its eight neighbours.
fn mark(mask: &mut Array2<bool>, y: usize, x: usize) {
    let (height, width) = mask.dim();
    for y in y.saturating_sub(1)..(y + 2).min(height) {
        for x in x.saturating_sub(1)..(x + 2).min(width) {
            mask[(y, x)] = true;
        }
    }
}

/// Columns and rows of `region` whose median residual stands plainly off those beside them.
pub fn bad_lines(
    residual: &Array2<f32>,
    bad: &Array2<bool>,
    sky: &Sky,
    region: Region,
) -> (Vec<usize>, Vec<usize>) {
    let column_medians: Vec<Option<f64>> = (region.x0..region.x1)
        .map(|x| line_median((region.y0..region.y1).filter(|&y| !bad[(y, x)]).map(|y| residual[(y, x)])))
        .collect();
    let row_medians: Vec<Option<f64>> = (region.y0..region.y1)
        .map(|y| line_median((region.x0..region.x1).filter(|&x| !bad[(y, x)]).map(|x| residual[(y, x)])))
        .collect();
    let limit = BAD_LINE_SIGMAS * sky.median_noise;
    let pick = |medians: &[Option<f64>], start: usize| {
        off_their_neighbours(medians, limit).into_iter().map(|k| k + start).collect()
    };
    (pick(&column_medians, region.x0), pick(&row_medians, region.y0))
}

fn line_median(values: impl Iterator<Item = f32>) -> Option<f64> {
    let mut values: Vec<f32> = values.collect();
    if values.len() < 20 { None } else { quantile(&mut values, 0.5, None) }
}

fn off_their_neighbours(medians: &[Option<f64>], limit: f64) -> Vec<usize> {
    (0..medians.len())
        .filter(|&k| {
            let Some(own) = medians[k] else { return false };
            let mut near: Vec<f32> = (k.saturating_sub(5)..(k + 6).min(medians.len()))
                .filter(|&j| j != k)
                .filter_map(|j| medians[j].map(|value| value as f32))
                .collect();
            quantile(&mut near, 0.5, None).is_some_and(|level| (own - level).abs() > limit)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_saturated_run_is_a_trail_and_a_blob_is_not() {
        let mut pixels = Array2::from_elem((60, 60), 10.0_f32);
        for y in 5..45 {
            pixels[(y, 20)] = 5000.0;
        }
        for y in 30..34 {
            for x in 40..44 {
                pixels[(y, x)] = 5000.0;
            }
        }
        let found = saturation(&pixels, Some(4000.0), 1.5);
        assert!(found.saturated[(10, 20)] && found.saturated[(31, 41)]);
        assert!(found.trail[(25, 20)] && found.trail[(25, 21)]);
        assert!(!found.trail[(31, 41)]);
        assert!(!saturation(&pixels, None, 1.5).saturated[(10, 20)]);
    }
}
