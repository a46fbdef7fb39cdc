//! The tiles of a frame, each with the clipped location and scale of its pixels.

use ndarray::{Array2, ArrayViewMut1};
use rayon::prelude::*;

use super::Mask;
use super::quantile::{FEW, quantile_of, quantiles_of_few};
use crate::frame::Region;

/// Side of a tile, pixels: wide against a star, narrow against flat-field and sky structure.
pub const TILE_PIXELS: usize = 64;

/// Fewest usable pixels from which a tile speaks.
pub const MIN_TILE_PIXELS: usize = 100;

/// Clipping limit, in sigma.
const CLIP_SIGMAS: f64 = 3.0;

/// Standard deviation of a Gaussian clipped at ±3 σ, converged (reference.md section 7).
const CLIPPED_SIGMA: f64 = 0.984_85;

/// `σ / (q₅₀ - q₁₅.₈₇)` is 1 for a Gaussian; the lower half keeps clear of stars.
const LOWER_SIGMA_QUANTILE: f64 = 0.158_655_253_931_457;

/// The pixels that give the sky.
pub struct Sample<'a> {
    pub pixels: &'a Array2<f32>,
    pub region: Region,
    pub quantum: Option<f64>,
    pub covered: Option<&'a Mask>,
    /// Every how many-th row is looked at.
    pub row_step: usize,
}

/// Clips the pixels of the tiles that are `wanted`, from where `before` knows them; `fill(y, out)` gives
/// a row of the region, NaN where there is nothing.
pub fn measure_tiles(
    sample: &Sample,
    before: &Array2<Option<Tile>>,
    wanted: impl Fn(usize, usize) -> bool + Sync,
    fill: impl Fn(usize, &mut [f32]) + Sync,
) -> Array2<Option<Tile>> {
    let (region, (rows, columns)) = (sample.region, before.dim());
    let mut tiles = Array2::from_elem((rows, columns), None);
    let measure_row = |work: &mut Work, row: usize, mut tiles: ArrayViewMut1<Option<Tile>>| {
        if !(0..columns).any(|column| wanted(row, column)) {
            return;
        }
        let (y0, y1) = span(region.y0, region.height(), rows, row);
        work.clear(columns);
        for y in (y0..y1).step_by(sample.row_step) {
            work.line.resize(region.width(), 0.0);
            fill(y, &mut work.line);
            for column in 0..columns {
                let (x0, x1) = span(0, region.width(), columns, column);
                let line = &mut work.line[x0..x1];
                let first = region.x0 + x0;
                if let Some(mask) = sample.covered.filter(|mask| !mask.is_clear(y, first..region.x0 + x1)) {
                    for (k, values) in line.chunks_mut(64).enumerate() {
                        let marks = mask.bits(y, first + 64 * k);
                        for (bit, value) in values.iter_mut().enumerate() {
                            *value = if marks >> bit & 1 != 0 { f32::NAN } else { *value };
                        }
                    }
                }
                let (values, count) = (&mut work.values[column * TILE_VALUES..], &mut work.counts[column]);
                work.areas[column] += line.len();
                if !line.iter().fold(false, |any, value| any | value.is_nan()) {
                    values[*count..*count + line.len()].copy_from_slice(line);
                    *count += line.len();
                    continue;
                }
                for &value in line.iter() {
                    values[*count] = value;
                    *count += usize::from(!value.is_nan());
                }
            }
        }
        for (column, tile) in tiles.iter_mut().enumerate().filter(|(column, _)| wanted(row, *column)) {
            let (count, area) = (work.counts[column], work.areas[column]);
            let values = &work.values[column * TILE_VALUES..][..count];
            let enough = count >= MIN_TILE_PIXELS.min(area).max(1);
            let before = before[(row, column)];
            let clip =
                Clip { values, some: &mut work.some, keys: &mut work.keys, quantum: sample.quantum, before };
            *tile = if enough { pulp::Arch::new().dispatch(clip) } else { None };
        }
    };
    let rows_of_tiles = tiles.outer_iter_mut().into_par_iter().enumerate();
    rows_of_tiles.for_each_init(Work::default, |work, (row, tiles)| measure_row(work, row, tiles));
    tiles
}

/// Most pixels of a tile, and one to write over.
const TILE_VALUES: usize = TILE_PIXELS * TILE_PIXELS + 1;

/// The good pixels of a row of tiles, tile by tile.
#[derive(Default)]
struct Work {
    line: Vec<f32>,
    values: Vec<f32>,
    counts: Vec<usize>,
    areas: Vec<usize>,
    some: Vec<f32>,
    keys: Vec<i32>,
}

impl Work {
    fn clear(&mut self, columns: usize) {
        self.values.resize(columns * TILE_VALUES, 0.0);
        for counts in [&mut self.counts, &mut self.areas] {
            counts.clear();
            counts.resize(columns, 0);
        }
    }
}

/// Location and scale of one tile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tile {
    pub level: f64,
    pub level_err: f64,
    pub noise: f64,
}

/// First and last pixel of tile `k` of `count` over a span.
fn span(start: usize, length: usize, count: usize, k: usize) -> (usize, usize) {
    (start + k * length / count, start + (k + 1) * length / count)
}

/// Clipped mean and sigma: the first clip about the median with a width from the lower half of the
/// distribution, which stars do not reach; or as `before`, where half of the values then lie inside.
struct Clip<'a> {
    values: &'a [f32],
    /// To work in.
    some: &'a mut Vec<f32>,
    keys: &'a mut Vec<i32>,
    quantum: Option<f64>,
    before: Option<Tile>,
}

impl pulp::NullaryFnOnce for Clip<'_> {
    type Output = Option<Tile>;

    #[inline(always)]
    fn call(self) -> Option<Tile> {
        let Self { values, some, keys, quantum, before } = self;
        let floor = quantum.map_or(0.0, |q| q / 12_f64.sqrt());
        if let Some(tile) = before
            && let Some((tile, count)) = settle(values, tile.level, tile.noise, floor)
            && 2 * count >= values.len()
        {
            return Some(tile);
        }
        let (lower, centre) = if values.len() < FEW {
            quantiles_of_few(values, [LOWER_SIGMA_QUANTILE, 0.5], quantum, keys)?
        } else {
            let centre = quantile_of(values, 0.5, quantum, some)?;
            (quantile_of(values, LOWER_SIGMA_QUANTILE, quantum, some)?, centre)
        };
        let (tile, _) = settle(values, centre, (centre - lower).max(floor), floor)?;
        Some(tile)
    }
}

/// Clips about the mean until it settles; also the number of values left.
#[inline(always)]
fn settle(values: &[f32], mut centre: f64, mut sigma: f64, floor: f64) -> Option<(Tile, usize)> {
    let mut before = None;
    for _ in 0..12 {
        let (low, high) = ((centre - CLIP_SIGMAS * sigma) as f32, (centre + CLIP_SIGMAS * sigma) as f32);
        let (count, mean, square) = moments_between(values, centre as f32, low, high);
        if count == 0 {
            return None;
        }
        centre = f64::from(centre as f32) + mean;
        sigma = ((square - mean * mean).max(0.0).sqrt() / CLIPPED_SIGMA).max(floor);
        if before.replace(count) == Some(count) {
            break;
        }
    }
    let count = before?;
    Some((Tile { level: centre, level_err: sigma / (count as f64).sqrt(), noise: sigma }, count))
}

/// Number of the values from `low` to `high`, mean and mean square of their distance from `centre`.
#[inline(always)]
fn moments_between(values: &[f32], centre: f32, low: f32, high: f32) -> (usize, f64, f64) {
    const LANES: usize = 32;
    let (mut count, mut sum, mut square) = ([0_u32; LANES], [0.0_f32; LANES], [0.0_f32; LANES]);
    let chunks = values.chunks_exact(LANES);
    let rest = chunks.remainder();
    for chunk in chunks {
        for lane in 0..LANES {
            let inside = chunk[lane] >= low && chunk[lane] <= high;
            let off = if inside { chunk[lane] - centre } else { 0.0 };
            count[lane] += u32::from(inside);
            sum[lane] += off;
            square[lane] += off * off;
        }
    }
    for (lane, &value) in rest.iter().enumerate() {
        if value >= low && value <= high {
            count[lane] += 1;
            sum[lane] += value - centre;
            square[lane] += (value - centre) * (value - centre);
        }
    }
    let (mut n, mut total, mut total_square) = (0, 0.0, 0.0);
    for lane in 0..LANES {
        n += count[lane] as usize;
        total += f64::from(sum[lane]);
        total_square += f64::from(square[lane]);
    }
    let divisor = n.max(1) as f64;
    (n, total / divisor, total_square / divisor)
}
