//! The tiles of a frame, each with the clipped location and scale of its pixels.

use ndarray::{Array2, ArrayViewMut1};
use rayon::prelude::*;

use super::Mask;
use super::quantile::{FEW, quantile_of, quantiles_of_few};
use crate::frame::{Pixels, Region};

/// Side of a frame's tiles, pixels: wide against a star, narrow against flat-field and sky structure.
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
    pub pixels: &'a Pixels,
    pub region: Region,
    pub quantum: Option<f64>,
    pub covered: Option<&'a Mask>,
    /// Side of a tile, pixels.
    pub tile_pixels: usize,
    /// Every how many-th row is looked at.
    pub row_step: usize,
}

/// Clips the pixels of the tiles that are `wanted`, from where `before` knows them; `fill(y, x, out)` gives
/// pixels of row `y` from column `x` on, NaN where there is nothing.
pub fn measure_tiles(
    sample: &Sample,
    before: &Array2<Option<Tile>>,
    wanted: impl Fn(usize, usize) -> bool + Sync,
    fill: impl Fn(usize, usize, &mut [f32]) + Sync,
) -> Array2<Option<Tile>> {
    let (rows, columns) = before.dim();
    let mut tiles = Array2::from_elem((rows, columns), None);
    let measure_row = |work: &mut Work, row: usize, tiles: ArrayViewMut1<Option<Tile>>| {
        let one = RowOfTiles { sample, before, row, work, tiles, wanted: &wanted, fill: &fill };
        pulp::Arch::new().dispatch(one);
    };
    let rows_of_tiles = tiles.outer_iter_mut().into_par_iter().enumerate();
    rows_of_tiles.for_each_init(Work::default, |work, (row, tiles)| measure_row(work, row, tiles));
    tiles
}

/// Tiles side by side.
struct RowOfTiles<'a, W, F> {
    sample: &'a Sample<'a>,
    before: &'a Array2<Option<Tile>>,
    row: usize,
    work: &'a mut Work,
    tiles: ArrayViewMut1<'a, Option<Tile>>,
    wanted: &'a W,
    fill: &'a F,
}

impl<W: Fn(usize, usize) -> bool, F: Fn(usize, usize, &mut [f32])> pulp::NullaryFnOnce
    for RowOfTiles<'_, W, F>
{
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let (region, (rows, columns)) = (self.sample.region, self.before.dim());
        let wanted: Vec<usize> = (0..columns).filter(|&column| (self.wanted)(self.row, column)).collect();
        if wanted.is_empty() {
            return;
        }
        let (y0, y1) = span(region.y0, region.height(), rows, self.row);
        self.work.clear(columns);
        for y in (y0..y1).step_by(self.sample.row_step) {
            for &column in &wanted {
                let (x0, x1) = span(region.x0, region.width(), columns, column);
                let (area, count) = (&mut self.work.areas[column], &mut self.work.counts[column]);
                let line = &mut self.work.values[column * TILE_VALUES..][*area..*area + x1 - x0];
                self.sample.pixels.call_for(y + self.sample.row_step, x0, x1 - x0);
                (self.fill)(y, x0, line);
                let covered = self.sample.covered.filter(|mask| !mask.is_clear(y, x0..x1));
                if let Some(mask) = covered {
                    mask.leave_out(y, x0, line);
                }
                let is_whole = covered.is_none() && self.sample.pixels.is_whole();
                *count += if is_whole { line.len() } else { numbers_among(line) };
                *area += line.len();
            }
        }
        for &column in &wanted {
            self.tiles[column] = self.work.tile(column, self.sample.quantum, self.before[(self.row, column)]);
        }
    }
}

#[inline(always)]
fn numbers_among(line: &[f32]) -> usize {
    line.iter().map(|value| u32::from(!value.is_nan())).sum::<u32>() as usize
}

/// Most pixels that are looked at in a tile.
const TILE_VALUES: usize = TILE_PIXELS * TILE_PIXELS;

/// The pixels of a row of tiles, tile by tile, NaN where one is not good.
#[derive(Default)]
struct Work {
    values: Vec<f32>,
    /// Of each tile how many were looked at, and how many of them are good.
    areas: Vec<usize>,
    counts: Vec<usize>,
    good: Vec<f32>,
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

    /// The tile of a column, where enough of its pixels are good.
    #[inline(always)]
    fn tile(&mut self, column: usize, quantum: Option<f64>, before: Option<Tile>) -> Option<Tile> {
        let (count, area) = (self.counts[column], self.areas[column]);
        let values = &self.values[column * TILE_VALUES..][..area];
        let enough = count >= MIN_TILE_PIXELS.min(area).max(1);
        let Self { good, some, keys, .. } = self;
        let clip = Clip { values, count, good, some, keys, quantum, before };
        if enough { clip.tile() } else { None }
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
    /// Of the values those that are numbers.
    count: usize,
    /// To work in.
    good: &'a mut Vec<f32>,
    some: &'a mut Vec<f32>,
    keys: &'a mut Vec<i32>,
    quantum: Option<f64>,
    before: Option<Tile>,
}

impl Clip<'_> {
    #[inline(always)]
    fn tile(self) -> Option<Tile> {
        let Self { values, count: all, good, some, keys, quantum, before } = self;
        let floor = quantum.map_or(0.0, |q| q / 12_f64.sqrt());
        if let Some(tile) = before
            && let Some((tile, count)) = settle(values, tile.level, tile.noise, floor)
            && 2 * count >= all
        {
            return Some(tile);
        }
        good.clear();
        good.extend(values.iter().filter(|value| !value.is_nan()));
        let values = &good[..];
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

/// Number of the values from `low` to `high`, which a NaN is not, mean and mean square of their distance from `centre`.
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
    let n = count.iter().sum::<u32>() as usize;
    let (total, total_square) = (total_of(sum), total_of(square));
    let divisor = n.max(1) as f64;
    (n, total / divisor, total_square / divisor)
}

/// The sum of single-precision lanes, in double precision.
#[inline(always)]
fn total_of<const LANES: usize>(lanes: [f32; LANES]) -> f64 {
    let mut lanes = lanes.map(f64::from);
    let mut half = LANES / 2;
    while half > 0 {
        for k in 0..half {
            lanes[k] += lanes[k + half];
        }
        half /= 2;
    }
    lanes[0]
}
