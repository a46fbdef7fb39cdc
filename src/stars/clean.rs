//! What must not be mistaken for a star, seen in the pixels alone: saturation, charge trails,
//! bad columns, edges, hot pixels.

use std::collections::HashSet;
use std::ops::Range;

use crate::frame::{Pixels, Region, Tops};
use crate::sky::{Mask, Residual, Sky, quantile};

/// A column or row that stands this many sigma of the pixel noise off its neighbours is bad.
const BAD_LINE_SIGMAS: f64 = 1.0;

/// Residuals enter a line's mean no larger than this, in sigma: a line must be off over half its
/// length to be bad.
const LINE_CLIP_SIGMAS: f64 = 2.0;

/// Pixels of a line that are looked at, in this many places: a line's mean is then known to a tenth of
/// the noise.
const LINE_PLACES: usize = 8;
const LINE_PIXELS: usize = 16;

/// Rows looked at together, and how many such blocks before they are looked at they are called for.
const BAND_ROWS: usize = 16;
const BLOCKS_AHEAD: usize = 2;

/// Fewest pixels from which a line speaks.
const MIN_LINE_PIXELS: usize = 20;

/// Saturated pixels in a row from which a run is a charge trail, in sigma of the stars.
const TRAIL_LENGTH_SIGMAS: f64 = 7.0;

/// A full pixel is read with noise and may fill at a slightly varying level: pixels this share
/// under the saturation level count as full. A clipped core else passes as a star.
const FULL_BELOW_LEVEL: f64 = 0.005;

/// The saturated pixels of a frame.
#[derive(Debug, Clone)]
pub struct Saturated {
    /// Row and column, in reading order.
    above: Vec<(usize, usize)>,
}

impl Saturated {
    /// Pixels at or above `limit`, frame units; none where that is unknown.
    pub fn find(pixels: &Pixels, tops: &Tops, limit: Option<f64>) -> Self {
        let Some(limit) = limit else { return Self { above: Vec::new() } };
        let limit = at_least(limit - FULL_BELOW_LEVEL * limit.abs());
        let high = tops.stretches().filter(|(top, ..)| *top >= limit);
        let above = high.flat_map(|(_, y, columns)| columns.map(move |x| (y, x)));
        Self { above: above.filter(|(y, x)| pixels.at(*y, *x) >= limit).collect() }
    }

    /// These pixels and those next to them.
    pub fn mask(&self, shape: (usize, usize)) -> Mask {
        marked(shape, self.above.iter().copied())
    }

    /// Charge trails: saturated runs along a column or row longer than a star of `sigma` pixels can
    /// be wide, and the pixels next to them.
    pub fn trails(&self, shape: (usize, usize), sigma: f64) -> Mask {
        let longest = (TRAIL_LENGTH_SIGMAS * sigma).ceil() as usize;
        let above: HashSet<(usize, usize)> = self.above.iter().copied().collect();
        let run = |step: &dyn Fn(usize) -> Option<(usize, usize)>| {
            (0..=longest).take_while(|&k| step(k).is_some_and(|at| above.contains(&at))).count()
        };
        let in_trail = |&(y, x): &(usize, usize)| {
            let down = run(&|k| Some((y + k, x)));
            let up = run(&|k| y.checked_sub(k).map(|y| (y, x)));
            let right = run(&|k| Some((y, x + k)));
            let left = run(&|k| x.checked_sub(k).map(|x| (y, x)));
            (down + up).max(right + left) > longest + 1
        };
        marked(shape, self.above.iter().copied().filter(in_trail))
    }
}

/// The least single-precision number that is no less than `limit`.
fn at_least(limit: f64) -> f32 {
    let near = limit as f32;
    if f64::from(near) < limit { near.next_up() } else { near }
}

/// Each pixel with its eight neighbours.
fn marked(shape: (usize, usize), pixels: impl Iterator<Item = (usize, usize)>) -> Mask {
    let mut mask = Mask::new(shape);
    for (y, x) in pixels {
        for y in y.saturating_sub(1)..(y + 2).min(shape.0) {
            mask.mark(y, x.saturating_sub(1)..x + 2);
        }
    }
    mask
}

/// Columns and rows of `region` whose residuals stand plainly off those of the lines beside them.
pub fn bad_lines(residual: &Residual, covered: &Mask, sky: &Sky, region: Region) -> (Vec<usize>, Vec<usize>) {
    let clip = (LINE_CLIP_SIGMAS * sky.median_noise) as f32;
    let (width, height) = (region.width(), region.height());
    let arch = pulp::Arch::new();
    let mut columns = LineSums::new(width);
    let mut line = vec![0.0_f32; width];
    for y in spread(region.y0..region.y1, LINE_PLACES * LINE_PIXELS, 1).flatten() {
        residual.with_gaps(y, region.x0, &mut line);
        covered.leave_out(y, region.x0, &mut line);
        arch.dispatch(Add { sums: &mut columns, first: 0, values: &line, clip });
    }
    let places: Vec<Range<usize>> = spread(region.x0..region.x1, LINE_PLACES, LINE_PIXELS).collect();
    let across = places.first().map_or(0, Range::len).max(1);
    // Pixels side by side by themselves at first: so they are added all at once.
    let mut by_pixel = LineSums::new(height * across);
    let mut band = Vec::new();
    let bands = (region.y0..region.y1).step_by(BAND_ROWS);
    let blocks: Vec<(usize, usize)> =
        bands.flat_map(|top| places.iter().filter(|p| !p.is_empty()).map(move |p| (top, p.start))).collect();
    for (k, &(top, left)) in blocks.iter().enumerate() {
        // The pixels of one farther on come from memory meanwhile.
        if let Some(&(top, left)) = blocks.get(k + BLOCKS_AHEAD) {
            residual.call_for(top, left, across, BAND_ROWS);
        }
        band.resize(BAND_ROWS.min(region.y1 - top) * across, 0.0);
        residual.rectangle(top, left, across, &mut band);
        for (y, values) in (top..).zip(band.chunks_exact_mut(across)) {
            covered.leave_out(y, left, values);
        }
        let first = (top - region.y0) * across;
        arch.dispatch(Add { sums: &mut by_pixel, first, values: &band, clip });
    }
    let rows = by_pixel.of_so_many(across);
    let limit = BAD_LINE_SIGMAS * sky.median_noise;
    let pick = |sums: &LineSums, start: usize| {
        let means: Vec<Option<f64>> = sums.means().collect();
        off_their_neighbours(&means, limit).into_iter().map(|k| k + start).collect()
    };
    (pick(&columns, region.x0), pick(&rows, region.y0))
}

/// Sums of sky pixels of lines side by side, and their numbers.
struct LineSums {
    sums: Vec<f32>,
    counts: Vec<f32>,
}

impl LineSums {
    fn new(lines: usize) -> Self {
        Self { sums: vec![0.0; lines], counts: vec![0.0; lines] }
    }

    /// Adds a value to each line from one on, no farther from zero than `clip`; none where it is NaN.
    #[inline(always)]
    fn add(&mut self, first: usize, values: &[f32], clip: f32) {
        let lines = self.sums[first..].iter_mut().zip(&mut self.counts[first..]);
        for ((sum, count), value) in lines.zip(values) {
            let is_number = !value.is_nan();
            *sum += if is_number { value.clamp(-clip, clip) } else { 0.0 };
            *count += f32::from(u8::from(is_number));
        }
    }

    /// So many lines as one.
    fn of_so_many(&self, count: usize) -> Self {
        let as_one = |of: &[f32]| of.chunks(count).map(|some| some.iter().sum()).collect();
        Self { sums: as_one(&self.sums), counts: as_one(&self.counts) }
    }

    fn means(&self) -> impl Iterator<Item = Option<f64>> + '_ {
        let mean = |(sum, count): (&f32, &f32)| {
            (*count >= MIN_LINE_PIXELS as f32).then(|| f64::from(*sum) / f64::from(*count))
        };
        self.sums.iter().zip(&self.counts).map(mean)
    }
}

struct Add<'a> {
    sums: &'a mut LineSums,
    first: usize,
    values: &'a [f32],
    clip: f32,
}

impl pulp::NullaryFnOnce for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.sums.add(self.first, self.values, self.clip);
    }
}

/// `places` ranges of `length` each, evenly over `within`; all of it where that is no longer.
fn spread(within: Range<usize>, places: usize, length: usize) -> impl Iterator<Item = Range<usize>> {
    let (places, length) = if within.len() <= places * length { (1, within.len()) } else { (places, length) };
    let free = within.len() - length;
    (0..places).map(move |k| {
        let start = within.start + if places > 1 { k * free / (places - 1) } else { 0 };
        start..start + length
    })
}

fn off_their_neighbours(means: &[Option<f64>], limit: f64) -> Vec<usize> {
    (0..means.len())
        .filter(|&k| {
            let Some(own) = means[k] else { return false };
            let from = k.saturating_sub(5);
            let near = means[from..(k + 6).min(means.len())].iter().flatten();
            let (others, off) = near.fold((0, 0), |(others, off), level| {
                (others + 1, off + usize::from((own - level).abs() > limit))
            });
            // Off the median it is off half of the others; most lines are off none.
            if 2 * off < others - 1 {
                return false;
            }
            let mut near: Vec<f32> = (from..(k + 6).min(means.len()))
                .filter(|&j| j != k)
                .filter_map(|j| means[j].map(|value| value as f32))
                .collect();
            quantile(&mut near, 0.5, None).is_some_and(|level| (own - level).abs() > limit)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

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
        let pixels = Pixels::from(pixels);
        let found = Saturated::find(&pixels, &Tops::of(&pixels), Some(4000.0));
        let (full, trails) = (found.mask((60, 60)), found.trails((60, 60), 1.5));
        assert!(full.contains(10, 20) && full.contains(31, 41));
        assert!(trails.contains(25, 20) && trails.contains(25, 21));
        assert!(!trails.contains(31, 41));
        assert!(!Saturated::find(&pixels, &Tops::of(&pixels), None).mask((60, 60)).contains(10, 20));
    }
}
