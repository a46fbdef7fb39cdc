//! Detection by matched filter: the sky-subtracted frame, smoothed with a Gaussian as wide
//! as the stars, has its peaks where sources are, with `ν = F √(ΣP²) / σ` (reference.md
//! section 7) the best signal-to-noise ratio a linear filter can give.

use std::ops::Range;

use rayon::prelude::*;

use super::smoothing::{CHUNK, STRETCH, along_row, any_nan, down_columns, kernel};
use crate::frame::{Pixels, Region};
use crate::sky::{Mask, Residual, Sky};

/// Detection limit of the matched filter, sigma: a frame of 10⁶ independent places has
/// about one false peak at 4.8.
pub const DETECTION_SNR: f64 = 5.0;

/// The frame is smoothed in blocks: the rows under a filter stay in the processor's caches, few
/// are smoothed twice.
const BLOCK_ROWS: usize = 128;
const BLOCK_CHUNKS: usize = 5;
const EDGE_COLUMNS: usize = 64;

/// So many rows before it is smoothed a row is called for.
const ROWS_AHEAD: usize = 4;

/// Pixels are smoothed with their sky where it is no higher than this times their noise: single
/// precision then holds a smoothed pixel to a thousandth of the noise.
const HIGHEST_SKY_NOISES: f64 = 1e4;

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
/// falling flux.
pub fn detect(residual: &Residual, sky: &Sky, region: Region, sigma: f64, limit: f64) -> Vec<Detection> {
    detect_on(residual, sky, region, sigma, limit, &[region.y0..region.y1], 1)
}

/// As [`detect`], with their centres in these `rows`, of which every `step`-th is looked at.
pub fn detect_on(
    residual: &Residual,
    sky: &Sky,
    region: Region,
    sigma: f64,
    limit: f64,
    rows: &[Range<usize>],
    step: usize,
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
    let columns = columns_of_blocks(inside.x0..inside.x1, filter.kernel.len());
    let mut blocks = Vec::new();
    for range in rows {
        for y in (range.start.max(inside.y0)..range.end.min(inside.y1)).step_by(BLOCK_ROWS) {
            let y1 = (y + BLOCK_ROWS).min(inside.y1).min(range.end);
            blocks.extend(columns.iter().map(|x| Region { y0: y, y1, x0: x.start, x1: x.end }));
        }
    }
    let in_block = |work: &mut Vec<f32>, block: &Region| {
        let peaks = Peaks { residual, sky, filter: &filter, block: *block, limit, step, work };
        pulp::Arch::new().dispatch(peaks)
    };
    let found: Vec<Vec<Detection>> = blocks.par_iter().map_init(Vec::new, in_block).collect();
    let mut found = found.concat();
    found.sort_by(by_flux);
    found
}

/// Columns cut into those of blocks: as many as have whole chunks of pixels under a filter of so many taps. Blocks at an
/// edge, which the filter reaches over, take longer and are narrow.
fn columns_of_blocks(columns: Range<usize>, taps: usize) -> Vec<Range<usize>> {
    let (left, right) = (columns.start + EDGE_COLUMNS, columns.end.saturating_sub(EDGE_COLUMNS));
    // A peak is told by its neighbours.
    let at_once = BLOCK_CHUNKS * CHUNK - (taps + 1).min((BLOCK_CHUNKS - 1) * CHUNK);
    if left >= right {
        return if columns.is_empty() { Vec::new() } else { vec![columns] };
    }
    let middle = (left..right).step_by(at_once).map(|x| x..(x + at_once).min(right));
    [columns.start..left].into_iter().chain(middle).chain([right..columns.end]).collect()
}

/// By falling flux.
pub fn by_flux(a: &Detection, b: &Detection) -> std::cmp::Ordering {
    b.flux.total_cmp(&a.flux).then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x))
}

/// The peaks inside one block of the frame.
struct Peaks<'a> {
    residual: &'a Residual<'a>,
    sky: &'a Sky,
    filter: &'a Filter,
    block: Region,
    limit: f64,
    /// Rows from one that is looked at to the next.
    step: usize,
    /// To work in.
    work: &'a mut Vec<f32>,
}

impl pulp::NullaryFnOnce for Peaks<'_> {
    type Output = Vec<Detection>;

    #[inline(always)]
    fn call(mut self) -> Vec<Detection> {
        let half = self.filter.kernel.len() / 2;
        // The block and one smoothed pixel around it, for which the filter reaches half its length further.
        let rows = around(self.block.y0..self.block.y1, self.step + half);
        let columns = around(self.block.x0..self.block.x1, 1 + half);
        let (top, left) = (rows.start, columns.start);
        let noise = self.sky.least_noise(self.block);
        let floor = self.limit * noise * self.filter.noise;
        // The filter has unit sum: where all pixels are good, the sky comes off the smoothed ones.
        let level = self.sky.least_level(self.block);
        if let Some(pixels) = self.residual.plain(rows, columns)
            && level.abs() < HIGHEST_SKY_NOISES * noise
            && let Some(found) = self.over(Lines { top, left, with_sky: Some(pixels) }, floor + level)
        {
            return found;
        }
        self.over(Lines { top, left, with_sky: None }, floor).unwrap_or_default()
    }
}

fn around(range: Range<usize>, reach: usize) -> Range<i64> {
    range.start as i64 - reach as i64..(range.end + reach) as i64
}

/// The pixels under a filter's way over a block, line by line from a corner on: with their sky where that can
/// be, else without.
struct Lines<'a> {
    top: i64,
    left: i64,
    with_sky: Option<&'a Pixels>,
}

impl Lines<'_> {
    #[inline(always)]
    fn fill(&self, residual: &Residual, row: usize, out: &mut [f32]) {
        match self.with_sky {
            Some(pixels) => {
                let (y, x) = (self.top as usize + row, self.left as usize);
                pixels.call_for(y + ROWS_AHEAD, x, out.len());
                pixels.fill(y, x, out);
            }
            None => padded_row(residual, self.top + row as i64, self.left, out),
        }
    }

    /// May pixels lack that no zero stands for?
    fn may_have_gaps(&self) -> bool {
        self.with_sky.is_some_and(|pixels| !pixels.is_whole())
    }
}

impl Peaks<'_> {
    /// The peaks over a floor, in lines that reach half a filter and a step around the block; `None`
    /// where a pixel has no value.
    #[inline(always)]
    fn over(&mut self, input: Lines, floor: f64) -> Option<Vec<Detection>> {
        let floor = floor as f32;
        let kernel = &self.filter.kernel[..];
        let width = self.block.width() + 2;
        let looked_at = (self.block.height() - 1) / self.step + 3;
        let (line, taps) = (width + kernel.len() - 1, kernel.len());
        // Whole chunks, of which the last may end in nothing: they begin where a line of the processor's cache does, for
        // numbers that lie across two take twice the time to load.
        let (length, stride) = (line.next_multiple_of(CHUNK), width.next_multiple_of(CHUNK));
        let sums = (stride + taps - 1).next_multiple_of(CHUNK).max(length);
        self.work.clear();
        self.work.resize(sums + taps * length + 3 * stride + CHUNK, 0.0);
        let unaligned = self.work.as_ptr().align_offset(size_of::<f32>() * CHUNK).min(CHUNK);
        let (mut found, mut starts, mut next) = (Vec::new(), Vec::with_capacity(taps), 0);
        // Of each of three smoothed rows the stretches that stand over the floor.
        let mut high = [0; 3];
        for k in 0..looked_at {
            let (smoothed, lines) = self.work[unaligned..].split_at_mut(3 * stride);
            let (column_sums, lines) = lines.split_at_mut(sums);
            let new = &mut smoothed[k % 3 * stride..][..stride];
            // The lines under the filter take turns in the places of those that it has left.
            let under = k * self.step..k * self.step + taps;
            for row in under.start.max(next)..under.end {
                input.fill(self.residual, row, &mut lines[row % taps * length..][..line]);
            }
            next = under.end;
            starts.clear();
            starts.extend(under.map(|row| row % taps * length));
            down_columns(lines, &starts, kernel, &mut column_sums[..length]);
            high[k % 3] = along_row(column_sums, kernel, floor, new);
            if input.may_have_gaps() && any_nan(&new[..width]) {
                return None;
            }
            if k < 2 {
                continue;
            }
            let rows = [2, 1, 0].map(|back| &self.work[unaligned + (k - back) % 3 * stride..]);
            for stretch in places(high[(k - 1) % 3]) {
                // The outermost pixels are there to tell the peaks beside them; what fills up the last chunk is nothing.
                let first = STRETCH * stretch;
                let columns = first.max(1)..(first + STRETCH).min(width - 1);
                for i in places(peaks_among(rows, &columns, floor)) {
                    let with_sky = input.with_sky.is_some();
                    found.extend(self.detection(rows, columns.start + i, (k - 2) * self.step, with_sky));
                }
            }
        }
        Some(found)
    }

    /// The peak at column `i` of the second of three smoothed rows, if it stands high enough.
    fn detection(&self, rows: [&[f32]; 3], i: usize, row: usize, with_sky: bool) -> Option<Detection> {
        let (x, y) = ((self.block.x0 + i - 1) as f64, (self.block.y0 + row) as f64);
        let over = |dx: i8, dy: i8| {
            let value = rows[(1 + dy) as usize][i.wrapping_add_signed(dx.into())];
            let y = y + f64::from(dy) * self.step as f64;
            let level = if with_sky { self.sky.level_at(x + f64::from(dx), y) } else { 0.0 };
            f64::from(value) - level
        };
        let peak = over(0, 0);
        let snr = peak / (self.sky.noise_at(x, y) * self.filter.noise);
        if !(snr >= self.limit) {
            return None;
        }
        let across = parabola([over(-1, 0), peak, over(1, 0)]);
        let along = parabola([over(0, -1), peak, over(0, 1)]);
        Some(Detection { x: x + across, y: y + along * self.step as f64, flux: peak / self.filter.peak, snr })
    }
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

/// The local maxima over a floor in these columns of the second of three rows, a stretch of 64 at most, each against the 3x3
/// pixels around it; of equal pixels the first in reading order. A bit each, the first column in the lowest. The rows hold
/// a stretch from the first column on, whatever its last pixels are.
#[inline(always)]
fn peaks_among(rows: [&[f32]; 3], columns: &Range<usize>, floor: f32) -> u64 {
    let around = rows.map(|row| row[columns.start - 1..].first_chunk::<{ STRETCH + 2 }>());
    let [Some(above), Some(own), Some(below)] = around else { return 0 };
    let mut are_peaks = [false; STRETCH];
    for (k, is_peak) in are_peaks.iter_mut().enumerate() {
        let value = own[k + 1];
        let over_above = (above[k] < value) & (above[k + 1] < value) & (above[k + 2] < value);
        let over_below = (below[k] <= value) & (below[k + 1] <= value) & (below[k + 2] <= value);
        *is_peak = (value > floor) & (own[k] < value) & (own[k + 2] <= value) & over_above & over_below;
    }
    let mut peaks = 0;
    // Most eights hold none.
    for (first, eight) in (0..).step_by(8).zip(are_peaks.as_chunks::<8>().0) {
        if *eight != [false; 8] {
            peaks |= (first..).zip(eight).fold(0, |bits, (k, is_peak)| bits | u64::from(*is_peak) << k);
        }
    }
    if columns.len() < STRETCH { peaks & ((1 << columns.len()) - 1) } else { peaks }
}

/// The places of the bits that are set, from the lowest on.
#[inline(always)]
fn places(mut bits: u64) -> impl Iterator<Item = usize> {
    std::iter::from_fn(move || {
        let place = (bits != 0).then(|| bits.trailing_zeros() as usize);
        bits &= bits.wrapping_sub(1);
        place
    })
}

/// Vertex of the parabola through three equidistant values, in -0.5..0.5.
fn parabola(v: [f64; 3]) -> f64 {
    let curvature = v[0] - 2.0 * v[1] + v[2];
    if curvature >= 0.0 {
        return 0.0;
    }
    (0.5 * (v[0] - v[2]) / curvature).clamp(-0.5, 0.5)
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
    use ndarray::Array2;

    use super::*;

    #[test]
    fn of_a_flat_top_one_peak_is_taken() {
        let mut image = Array2::zeros((9, STRETCH + 2));
        for (y, x) in [(4, 4), (4, 5), (5, 4), (5, 5)] {
            image[(y, x)] = 1.0_f32;
        }
        let row = |y: usize| image.row(y).to_slice().unwrap();
        let among = |y: usize| places(peaks_among([row(y - 1), row(y), row(y + 1)], &(1..STRETCH + 1), 0.5));
        let peaks: Vec<_> = (1..8).flat_map(|y| among(y).map(move |k| (y, k + 1))).collect();
        assert_eq!(peaks, [(4, 4)]);
    }

    /// Behind the end of a smoothed row, what fills up its last chunk is higher than a negative sky: of rows and columns that
    /// the filter reaches over, and a star in the last of the columns.
    #[test]
    fn a_sky_below_zero_is_looked_at_to_the_end_of_its_blocks() {
        for width in 140..300 {
            let at = width - 67;
            let ripple = |y: usize, x: usize| ((7 * x + 13 * y) % 11) as f32 - 5.0;
            let star = |y: usize, x: usize| {
                1000.0 * (-0.5 * ((y as f32 - 40.0).powi(2) + (x as f32 - at as f32).powi(2))).exp()
            };
            let image = Array2::from_shape_fn((80, width), |(y, x)| ripple(y, x) - 2000.0 + star(y, x));
            let (pixels, region) = (Pixels::from(image), Region { x0: 0, x1: width, y0: 0, y1: 80 });
            let sky = crate::sky::measure(&pixels, region, None).unwrap();
            let residual = Residual::new(&pixels, &sky, region);
            assert!(residual.plain(10..70, 60..width as i64 - 60).is_some());
            let found = detect_on(&residual, &sky, region, 1.0, 20.0, &[20..60], 1);
            let places: Vec<_> = found.iter().map(|d| (d.y.round() as usize, d.x.round() as usize)).collect();
            assert_eq!(places, [(40, at)], "{width}");
        }
    }
}
