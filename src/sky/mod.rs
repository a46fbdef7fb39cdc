//! Sky background and noise of a frame, on a mesh of tiles, robust against stars,
//! gradients, nebulae and quantised noise.
//!
//! Each tile gives a clipped location and scale; a plane through a tile and its neighbours,
//! weighted by what each knows, replaces its value where the neighbours agree with a plane
//! (gradients), and leaves it alone where they don't (nebulae). Between tile centres the
//! sky is interpolated bilinearly and extrapolated linearly at the edges.

mod mask;
mod planes;
mod quantile;
mod residual;
mod tiles;

pub use mask::Mask;
use ndarray::Array2;
use planes::smooth_by_planes;
pub use quantile::quantile;
pub use residual::Residual;
use tiles::{MIN_TILE_PIXELS, Sample, TILE_PIXELS, Tile, measure_tiles};

use crate::frame::{Pixels, Region};

/// Frames with more pixels than this are looked at every second row, third ... A tile of every
/// eighth still knows its level to 0.044 of the noise of a pixel.
const SAMPLE_PIXELS: usize = 8 << 20;
const LARGEST_ROW_STEP: usize = 8;

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SkyError {
    #[error(
        "only {found} usable pixels, {needed} are needed to measure the sky; widen `detector.usable` or the mask"
    )]
    TooFewPixels { found: usize, needed: usize },
}

/// The sky of one frame: level and noise per pixel, frame units.
#[derive(Debug, Clone)]
pub struct Sky {
    region: Region,
    level: Array2<f64>,
    noise: Array2<f64>,
    /// Each tile by itself.
    tiles: Array2<Option<Tile>>,
    /// Median level over the usable region.
    pub median_level: f64,
    /// Median noise per pixel over the usable region.
    pub median_noise: f64,
}

/// Measures the sky over `region`. `pixels` are NaN where they must not be used. `quantum` is the step
/// between pixel values, if they are quantised.
pub fn measure(pixels: &Pixels, region: Region, quantum: Option<f64>) -> Result<Sky, SkyError> {
    let sample = |tile_pixels: usize, row_step: usize| Sample {
        pixels,
        region,
        quantum,
        covered: None,
        tile_pixels,
        row_step,
    };
    let step = row_step(region);
    if step == 1 {
        return sky_of(&sample(TILE_PIXELS, 1), None);
    }
    // To find sources with: `measure_again` looks at twice as many pixels. Wider tiles tell where to begin.
    let guess = tiles_of(&sample(GUESS_PIXELS, GUESS_STEP), None);
    sky_of(&sample(TILE_PIXELS, 2 * step), Some(&guess))
}

/// Side of the tiles that a large frame's tiles begin from, of which one row each is looked at, few enough to be ranked at
/// once: where that tells little, a tile begins from its own pixels.
const GUESS_PIXELS: usize = 496;
const GUESS_STEP: usize = GUESS_PIXELS;

/// The tiles of a sample as its pixels are, begun from those of another sample where there is one.
fn tiles_of(sample: &Sample, before: Option<&Array2<Option<Tile>>>) -> Array2<Option<Tile>> {
    let Region { x0, x1, y0, y1 } = sample.region;
    let count = |length: usize| length.div_ceil(sample.tile_pixels).max(1);
    let (rows, columns) = (count(y1.saturating_sub(y0)), count(x1.saturating_sub(x0)));
    // The one in which the tile's middle lies.
    let under = |k: usize, count: usize, of: usize| (2 * k + 1) * of / (2 * count);
    let start = Array2::from_shape_fn((rows, columns), |(row, column)| {
        before
            .and_then(|tiles| tiles[(under(row, rows, tiles.nrows()), under(column, columns, tiles.ncols()))])
    });
    let as_they_are = |y: usize, x: usize, out: &mut [f32]| sample.pixels.fill(y, x, out);
    measure_tiles(sample, &start, |_, _| true, as_they_are)
}

/// The sky without the pixels under a detected source, `covered`, from a sky measured with them.
pub fn measure_again(
    pixels: &Pixels,
    covered: &Mask,
    region: Region,
    quantum: Option<f64>,
    before: &Sky,
) -> Result<Sky, SkyError> {
    let covered = Some(covered);
    let sample =
        Sample { pixels, region, quantum, covered, tile_pixels: TILE_PIXELS, row_step: row_step(region) };
    sky_of(&sample, Some(&before.tiles))
}

fn sky_of(sample: &Sample, before: Option<&Array2<Option<Tile>>>) -> Result<Sky, SkyError> {
    let region = sample.region;
    let tiles = tiles_of(sample, before);
    let (rows, columns) = tiles.dim();
    let level = fill_gaps(&smooth_by_planes(&tiles)).ok_or_else(|| SkyError::TooFewPixels {
        found: usable_pixels(sample.pixels, sample.covered, region),
        needed: MIN_TILE_PIXELS,
    })?;
    let (median_level, noise) = (median(&level), level.clone());
    let mut sky = Sky { region, median_level, median_noise: 0.0, noise, level, tiles };
    // Where the sky slopes inside a tile, the noise is taken about it: a gradient is no noise.
    let residual = Residual::new(sample.pixels, &sky, region);
    let less_sky = |y: usize, x: usize, out: &mut [f32]| residual.with_gaps(y, x, out);
    let slopes = sloping(&sky);
    let about_sky = measure_tiles(sample, &slopes, |row, column| slopes[(row, column)].is_some(), less_sky);
    let noise_of = |at: (usize, usize)| about_sky[at].or(sky.tiles[at]).map(|tile| tile.noise);
    let noise = fill_gaps(&Array2::from_shape_fn((rows, columns), noise_of));
    let noise = noise.unwrap_or_else(|| sky.noise.clone());
    sky.noise = median_of_neighbours(&noise);
    sky.median_noise = median(&sky.noise);
    Ok(sky)
}

/// A step of the level from tile to tile, in its noise, that widens the noise measured about a mean: a
/// slope of `s` a tile adds `s²/12` to its square, here 0.3 % to the noise.
const SLOPING_NOISES: f64 = 0.25;

/// The tiles in which the sky slopes, as they should be about it: at zero, with their noise less what the slope adds, of
/// which a half is left in any case.
fn sloping(sky: &Sky) -> Array2<Option<Tile>> {
    let (lowest, highest) = (of_neighbours(&sky.level, f64::min), of_neighbours(&sky.level, f64::max));
    Array2::from_shape_fn(sky.level.dim(), |at| {
        let step = (sky.level[at] - lowest[at]).max(highest[at] - sky.level[at]);
        let tile = sky.tiles[at].filter(|tile| step > SLOPING_NOISES * tile.noise)?;
        let square = tile.noise * tile.noise;
        Some(Tile { level: 0.0, noise: (square - step * step / 12.0).max(0.25 * square).sqrt(), ..tile })
    })
}

/// One number of each tile and the up to eight around it, taken by twos.
fn of_neighbours(grid: &Array2<f64>, of_two: impl Fn(f64, f64) -> f64) -> Array2<f64> {
    let (rows, columns) = grid.dim();
    let across = Array2::from_shape_fn((rows, columns), |(row, column)| {
        let [left, right] = [column.saturating_sub(1), (column + 1).min(columns - 1)];
        of_two(of_two(grid[(row, left)], grid[(row, column)]), grid[(row, right)])
    });
    Array2::from_shape_fn((rows, columns), |(row, column)| {
        let [below, above] = [row.saturating_sub(1), (row + 1).min(rows - 1)];
        of_two(of_two(across[(below, column)], across[(row, column)]), across[(above, column)])
    })
}

fn usable_pixels(pixels: &Pixels, covered: Option<&Mask>, region: Region) -> usize {
    (region.y0..region.y1)
        .flat_map(|y| (region.x0..region.x1).map(move |x| (y, x)))
        .filter(|&(y, x)| !pixels.at(y, x).is_nan() && !covered.is_some_and(|mask| mask.contains(y, x)))
        .count()
}

/// Every how many-th row of a frame is looked at.
fn row_step(region: Region) -> usize {
    (region.width() * region.height()).div_ceil(SAMPLE_PIXELS).clamp(1, LARGEST_ROW_STEP)
}

fn median(grid: &Array2<f64>) -> f64 {
    let mut all: Vec<f32> = grid.iter().map(|&value| value as f32).collect();
    quantile(&mut all, 0.5, None).unwrap_or(f64::NAN)
}

fn neighbours(
    row: usize,
    column: usize,
    rows: usize,
    columns: usize,
) -> impl Iterator<Item = (usize, usize)> {
    let r = row.saturating_sub(1)..(row + 2).min(rows);
    r.flat_map(move |r| (column.saturating_sub(1)..(column + 2).min(columns)).map(move |c| (r, c)))
}

fn median_of_neighbours(grid: &Array2<f64>) -> Array2<f64> {
    let (rows, columns) = grid.dim();
    Array2::from_shape_fn((rows, columns), |(row, column)| {
        if row > 0 && column > 0 && row + 1 < rows && column + 1 < columns {
            let column_of = |c: usize| sorted([row - 1, row, row + 1].map(|r| grid[(r, c)]));
            return median_of_nine([column - 1, column, column + 1].map(column_of));
        }
        let mut near: Vec<f32> = neighbours(row, column, rows, columns).map(|at| grid[at] as f32).collect();
        quantile(&mut near, 0.5, None).unwrap_or(grid[(row, column)])
    })
}

fn sorted([a, b, c]: [f64; 3]) -> [f64; 3] {
    let (low, high) = (a.min(b), a.max(b));
    [low.min(c), low.max(high.min(c)), high.max(c)]
}

/// Of three sorted columns: five of the nine are no higher than the highest of their lowest, the middle of their middle
/// and the lowest of their highest, taken in the middle, and five no lower.
fn median_of_nine([a, b, c]: [[f64; 3]; 3]) -> f64 {
    let (low, high) = (a[0].max(b[0]).max(c[0]), a[2].min(b[2]).min(c[2]));
    sorted([low, sorted([a[1], b[1], c[1]])[1], high])[1]
}

/// Tiles without a value take the mean of the nearest ring of tiles that have one; `None`
/// where no tile has.
fn fill_gaps(grid: &Array2<Option<f64>>) -> Option<Array2<f64>> {
    let known: Vec<((usize, usize), f64)> =
        grid.indexed_iter().filter_map(|(at, value)| value.map(|v| (at, v))).collect();
    if known.is_empty() {
        return None;
    }
    Some(Array2::from_shape_fn(grid.dim(), |(row, column)| {
        if let Some(value) = grid[(row, column)] {
            return value;
        }
        let distance = |r: usize, c: usize| r.abs_diff(row).max(c.abs_diff(column));
        let nearest = known.iter().map(|((r, c), _)| distance(*r, *c)).min().unwrap_or(0);
        let ring: Vec<f64> =
            known.iter().filter(|((r, c), _)| distance(*r, *c) == nearest).map(|(_, v)| *v).collect();
        ring.iter().sum::<f64>() / ring.len().max(1) as f64
    }))
}

impl Sky {
    /// Sky level at pixel (x, y), frame units.
    pub fn level_at(&self, x: f64, y: f64) -> f64 {
        self.interpolate(&self.level, x, y)
    }

    /// Noise per pixel at (x, y), frame units.
    pub fn noise_at(&self, x: f64, y: f64) -> f64 {
        // Extrapolation must not take the noise to zero.
        self.interpolate(&self.noise, x, y).max(0.5 * self.median_noise)
    }

    /// No noise inside a rectangle of the frame is lower.
    pub fn least_noise(&self, block: Region) -> f64 {
        self.least(&self.noise, block).max(0.5 * self.median_noise)
    }

    /// No level inside a rectangle of the frame is lower.
    pub fn least_level(&self, block: Region) -> f64 {
        self.least(&self.level, block)
    }

    fn least(&self, grid: &Array2<f64>, block: Region) -> f64 {
        let (rows, columns) = grid.dim();
        let cells = |from: usize, to: usize, start: usize, length: usize, count: usize| {
            let first = cell(from as f64, start, length, count).0;
            first..(cell(to as f64, start, length, count).0 + 2).min(count)
        };
        let rows = cells(block.y0, block.y1, self.region.y0, self.region.height(), rows);
        let columns = cells(block.x0, block.x1, self.region.x0, self.region.width(), columns);
        let near = grid.slice(ndarray::s![rows, columns]);
        let (least, most) = near.iter().fold((f64::MAX, f64::MIN), |(a, b), &v| (a.min(v), b.max(v)));
        let Region { x0, x1, y0, y1 } = self.region;
        let is_inside = block.x0 >= x0 + TILE_PIXELS
            && block.y0 >= y0 + TILE_PIXELS
            && block.x1 + TILE_PIXELS <= x1
            && block.y1 + TILE_PIXELS <= y1;
        // Half a tile of extrapolation at an edge goes down by half a step, and at a corner, where the weights of the
        // four tiles are 9/4, -3/4, -3/4 and 1/4, by one and a half.
        if is_inside { least } else { least - 1.5 * (most - least) }
    }

    fn interpolate(&self, grid: &Array2<f64>, x: f64, y: f64) -> f64 {
        let (rows, columns) = grid.dim();
        let (row, fy) = cell(y, self.region.y0, self.region.height(), rows);
        let (column, fx) = cell(x, self.region.x0, self.region.width(), columns);
        let (row1, column1) = ((row + 1).min(rows - 1), (column + 1).min(columns - 1));
        let low = grid[(row, column)] * (1.0 - fx) + grid[(row, column1)] * fx;
        let high = grid[(row1, column)] * (1.0 - fx) + grid[(row1, column1)] * fx;
        low * (1.0 - fy) + high * fy
    }
}

/// Tile index and fraction between tile centres; fractions outside 0..1 extrapolate by at
/// most half a tile.
fn cell(position: f64, start: usize, length: usize, count: usize) -> (usize, f64) {
    if count < 2 {
        return (0, 0.0);
    }
    let t = (position - start as f64 + 0.5) * count as f64 / length as f64 - 0.5;
    let k = t.floor().clamp(0.0, (count - 2) as f64);
    (k as usize, (t - k).clamp(-0.5, 1.5))
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    fn noisy(level: impl Fn(f64, f64) -> f64, sigma: f64, quantise: bool) -> Array2<f32> {
        let mut rng = rand::rngs::StdRng::seed_from_u64(5);
        let normal = Normal::new(0.0, sigma).unwrap();
        Array2::from_shape_fn((400, 400), |(y, x)| {
            let value = level(x as f64, y as f64) + normal.sample(&mut rng);
            (if quantise { value.round() } else { value }) as f32
        })
    }

    const ALL: Region = Region { x0: 0, x1: 400, y0: 0, y1: 400 };

    #[test]
    fn a_gradient_is_followed_to_the_corners() {
        let plane = |x: f64, y: f64| 500.0 + 0.05 * x - 0.03 * y;
        let pixels = noisy(plane, 5.0, false);
        let sky = measure(&pixels.into(), ALL, None).unwrap();
        for (x, y) in [(0.0, 0.0), (399.0, 0.0), (200.0, 200.0), (10.0, 390.0)] {
            // A tile of 57x57 pixels knows its mean to 5/57 = 0.09; a corner extrapolates.
            assert!((sky.level_at(x, y) - plane(x, y)).abs() < 0.4, "{} {}", sky.level_at(x, y), plane(x, y));
        }
        assert!((sky.median_noise / 5.0 - 1.0).abs() < 0.02);
    }

    #[test]
    fn quantised_noise_of_a_unit_is_measured() {
        let pixels = noisy(|_, _| 97.4, 1.5, true);
        let sky = measure(&pixels.into(), ALL, Some(1.0)).unwrap();
        // Rounding adds 1/12 to the variance.
        let expected = (1.5_f64 * 1.5 + 1.0 / 12.0).sqrt();
        assert!((sky.median_noise / expected - 1.0).abs() < 0.02, "{}", sky.median_noise);
        assert!((sky.median_level - 97.4).abs() < 0.02, "{}", sky.median_level);
    }

    #[test]
    fn stars_do_not_lift_the_sky() {
        let mut pixels = noisy(|_, _| 100.0, 3.0, false);
        for k in 0..60 {
            let (cx, cy) = ((k * 67 % 400) as f64, (k * 131 % 400) as f64);
            for ((y, x), value) in pixels.indexed_iter_mut() {
                let r2 = (x as f64 - cx).powi(2) + (y as f64 - cy).powi(2);
                if r2 < 400.0 {
                    *value += (2000.0 * (-r2 / 8.0).exp()) as f32;
                }
            }
        }
        let sky = measure(&pixels.into(), ALL, None).unwrap();
        assert!((sky.median_level - 100.0).abs() < 0.3, "{}", sky.median_level);
    }

    #[test]
    fn a_frame_without_pixels_is_an_error() {
        let pixels = Array2::from_elem((20, 20), f32::NAN);
        let region = Region { x0: 0, x1: 20, y0: 0, y1: 20 };
        assert!(measure(&pixels.into(), region, None).is_err());
    }

    #[test]
    fn a_tile_and_those_around_it_give_their_extremes_and_their_median() {
        let mut rng = rand::rngs::StdRng::seed_from_u64(8);
        let normal = Normal::new(3.0, 1.0).unwrap();
        for (rows, columns) in [(1, 1), (1, 4), (3, 2), (6, 7)] {
            let grid = Array2::from_shape_fn((rows, columns), |_| f64::from(normal.sample(&mut rng) as f32));
            let (least, medians) = (of_neighbours(&grid, f64::min), median_of_neighbours(&grid));
            for ((row, column), median) in medians.indexed_iter() {
                let mut near: Vec<f32> =
                    neighbours(row, column, rows, columns).map(|at| grid[at] as f32).collect();
                assert_eq!(*median, quantile(&mut near, 0.5, None).unwrap());
                let lowest = near.iter().copied().fold(f32::INFINITY, f32::min);
                assert_eq!(least[(row, column)], f64::from(lowest));
            }
        }
    }
}
