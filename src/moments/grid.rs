//! A cut-out as a regular grid, and the sums of powers of its pixels under a Gaussian weight. Columns lie side by side
//! in the processor's lanes.
//!
//! The weight `exp(-½ dᵀ P d)` of a pixel is one factor of its row, `exp(-½ Pyy dy²)`, times one of its column that goes
//! from row to row by the ratio `exp(-Pxy dx)`, or stays where the weight is not turned.

use std::ops::Range;

use ndarray::Array2;
use pulp::{Simd, WithSimd};

use super::exponential::{exp, weight_of};
use super::pixels::Gaussian;
use super::powers::{QUARTIC, SUMS, place};

/// Rows are filled up with zeros to a multiple of this, the most lanes of any processor.
const LANES: usize = 8;

/// Longest side of a cut-out, pixels.
const MOST_COLUMNS: usize = 512;

/// Rows whose factors are made at once; most cut-outs have no more.
const BLOCK_ROWS: usize = 32;

/// The weight is followed out to this many sigma, where it is `exp(-½ 64) = 1e-14`.
const REACH_SIGMAS: f64 = 8.0;

/// Beyond this exponent a factor of the weight may leave the range of numbers, or its square.
const SAFE_EXPONENT: f64 = 340.0;

/// Pixels and their variances, row by row.
#[derive(Debug, Clone, Default)]
pub struct Grid {
    /// Of the first pixel.
    x: f64,
    y: f64,
    columns: usize,
    rows: usize,
    stride: usize,
    values: Vec<f64>,
    variances: Vec<f64>,
}

/// `Σ w I dxᵖ dy^q` and `Σ w² v dxᵖ dy^q`, ordered as [`place`] does.
#[derive(Debug, Clone)]
pub struct PowerSums {
    pub light: [f64; SUMS],
    pub power: [f64; SUMS],
}

impl Grid {
    /// The middle pixel of an odd square is the origin. `None` where it is too large, or not row after row in memory.
    pub fn centred(pixels: &Array2<f32>, variances: &Array2<f32>) -> Option<Self> {
        let mut grid = Self::default();
        grid.take(pixels, variances).then_some(grid)
    }

    /// Becomes [`Grid::centred`] of another cut-out, in the memory it has; false, and as it was, where that cannot be.
    pub fn take(&mut self, pixels: &Array2<f32>, variances: &Array2<f32>) -> bool {
        let (rows, columns) = pixels.dim();
        let (Some(of_pixels), Some(of_variances)) = (pixels.as_slice(), variances.as_slice()) else {
            return false;
        };
        if columns.max(rows) > MOST_COLUMNS || variances.dim() != pixels.dim() {
            return false;
        }
        let stride = columns.next_multiple_of(LANES);
        (self.x, self.y) = (-((columns / 2) as f64), -((rows / 2) as f64));
        (self.columns, self.rows, self.stride) = (columns, rows, stride);
        for (padded, image) in [(&mut self.values, of_pixels), (&mut self.variances, of_variances)] {
            padded.clear();
            padded.resize(stride * rows, 0.0);
            for (out, row) in padded.chunks_exact_mut(stride.max(1)).zip(image.chunks_exact(columns.max(1))) {
                out.iter_mut().zip(row).for_each(|(out, value)| *out = f64::from(*value));
            }
        }
        true
    }

    /// Value of pixel `k` in reading order.
    pub fn value_mut(&mut self, k: usize) -> Option<&mut f64> {
        let at = (k / self.columns) * self.stride + k % self.columns;
        self.values.get_mut(at)
    }

    /// Calls `visit(k, x, y, value)` for every pixel.
    pub fn for_each(&self, mut visit: impl FnMut(usize, f64, f64, f64)) {
        for row in 0..self.rows {
            for column in 0..self.columns {
                let value = self.values[row * self.stride + column];
                let (x, y) = (self.x + column as f64, self.y + row as f64);
                visit(row * self.columns + column, x, y, value);
            }
        }
    }

    /// Sums of the light up to order 4.
    pub fn light(&self, weight: &Gaussian) -> [f64; QUARTIC] {
        let mut light = [0.0; QUARTIC];
        self.sum::<5, 0>(weight, &mut light, &mut []);
        light
    }

    /// Sums of light and noise up to order 8.
    pub fn light_and_power(&self, weight: &Gaussian) -> PowerSums {
        let mut sums = PowerSums { light: [0.0; SUMS], power: [0.0; SUMS] };
        self.sum::<9, 9>(weight, &mut sums.light, &mut sums.power);
        sums
    }

    /// Sums of the light up to order 4, of the noise up to 5: all that matters under a weight that does not change.
    pub fn under_fixed(&self, weight: &Gaussian) -> PowerSums {
        let mut sums = PowerSums { light: [0.0; SUMS], power: [0.0; SUMS] };
        self.sum::<5, 6>(weight, &mut sums.light, &mut sums.power);
        sums
    }

    fn sum<const LIGHT: usize, const POWER: usize>(
        &self,
        weight: &Gaussian,
        light: &mut [f64],
        power: &mut [f64],
    ) {
        let arch = pulp::Arch::new();
        if weight.pxy == 0.0 {
            arch.dispatch(Sum::<LIGHT, POWER, false> { grid: self, weight, light, power });
        } else {
            arch.dispatch(Sum::<LIGHT, POWER, true> { grid: self, weight, light, power });
        }
    }

    /// First to last pixel, along one axis, on which a weight is not negligible.
    fn span(centre: f64, sigma: f64, start: f64, count: usize) -> Range<usize> {
        let from = (centre - REACH_SIGMAS * sigma - start).ceil().clamp(0.0, count as f64) as usize;
        let to = (centre + REACH_SIGMAS * sigma - start + 1.0).floor().clamp(0.0, count as f64) as usize;
        from..to.max(from)
    }
}

/// [`PowerSums`] under a weight, turned against the axes or not, of the light and of the noise up to so many orders less
/// one.
struct Sum<'a, const LIGHT: usize, const POWER: usize, const TURNED: bool> {
    grid: &'a Grid,
    weight: &'a Gaussian,
    light: &'a mut [f64],
    power: &'a mut [f64],
}

impl<const LIGHT: usize, const POWER: usize, const TURNED: bool> WithSimd for Sum<'_, LIGHT, POWER, TURNED> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { grid, weight, .. } = self;
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        let determinant = pxx * pyy - pxy * pxy;
        let all_rows = Grid::span(weight.y, (pxx / determinant).sqrt(), grid.y, grid.rows);
        let columns = Grid::span(weight.x, (pyy / determinant).sqrt(), grid.x, grid.columns);
        let zero = simd.splat_f64s(0.0);
        let (mut light, mut power) = ([[zero; LIGHT]; LIGHT], [[zero; POWER]; POWER]);
        for start in all_rows.clone().step_by(BLOCK_ROWS) {
            let rows = start..(start + BLOCK_ROWS).min(all_rows.end);
            let of_rows = Rows::<LIGHT, POWER>::new(grid, weight, rows);
            let farthest = of_rows.farthest();
            for first in (columns.start / LANES * LANES..columns.end).step_by(LANES) {
                let of_columns = Columns::new(grid, weight, first, &columns, of_rows.dy[0], farthest);
                for lane in (0..LANES).step_by(S::F64_LANES) {
                    let mut sums =
                        InColumns::<S, LIGHT, POWER> { light: [zero; LIGHT], power: [zero; POWER] };
                    if TURNED && !of_columns.is_safe {
                        sums.add_one_by_one(simd, grid, weight, &of_rows, &of_columns, lane);
                    } else {
                        sums.add_rows::<TURNED>(simd, grid, &of_rows, &of_columns, lane);
                    }
                    let dx = load::<S>(&of_columns.dx, lane);
                    gather(simd, dx, &sums.light, &mut light);
                    gather(simd, dx, &sums.power, &mut power);
                }
            }
        }
        write(simd, &light, self.light);
        write(simd, &power, self.power);
    }
}

/// Offsets of some rows, and their factors of the weight times `1, dy, dy²` ..., and of its square. Beyond the last row
/// they mean nothing.
struct Rows<const LIGHT: usize, const POWER: usize> {
    rows: Range<usize>,
    dy: [f64; BLOCK_ROWS],
    light: [[f64; BLOCK_ROWS]; LIGHT],
    power: [[f64; BLOCK_ROWS]; POWER],
}

impl<const LIGHT: usize, const POWER: usize> Rows<LIGHT, POWER> {
    #[inline(always)]
    fn new(grid: &Grid, weight: &Gaussian, rows: Range<usize>) -> Self {
        let first = grid.y + rows.start as f64 - weight.y;
        let (mut dy, mut factor, mut squared) = ([0.0; BLOCK_ROWS], [0.0; BLOCK_ROWS], [0.0; BLOCK_ROWS]);
        for k in 0..BLOCK_ROWS {
            dy[k] = first + k as f64;
            factor[k] = exp(-0.5 * weight.pyy * dy[k] * dy[k]);
            squared[k] = factor[k] * factor[k];
        }
        let (light, power) = (times_powers(factor, &dy), times_powers(squared, &dy));
        Self { rows, dy, light, power }
    }

    fn farthest(&self) -> f64 {
        self.dy[0].abs().max(self.dy[self.rows.len() - 1].abs())
    }
}

/// `factor` times `1, dy, dy²` ...
#[inline(always)]
fn times_powers<const ORDERS: usize>(
    factor: [f64; BLOCK_ROWS],
    dy: &[f64; BLOCK_ROWS],
) -> [[f64; BLOCK_ROWS]; ORDERS] {
    let mut powers = [factor; ORDERS];
    for q in 1..ORDERS {
        for k in 0..BLOCK_ROWS {
            powers[q][k] = powers[q - 1][k] * dy[k];
        }
    }
    powers
}

/// Offsets of a group of columns, their factors of the weight in the first row, and the ratio to those in the next.
struct Columns {
    first: usize,
    dx: [f64; LANES],
    factor: [f64; LANES],
    ratio: [f64; LANES],
    is_safe: bool,
}

impl Columns {
    /// `reached` are all that the weight reaches, `dy` is that of the first row, `farthest` of any.
    #[inline(always)]
    fn new(
        grid: &Grid,
        weight: &Gaussian,
        first: usize,
        reached: &Range<usize>,
        dy: f64,
        farthest: f64,
    ) -> Self {
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        let start = grid.x + first as f64 - weight.x;
        let (low, high) = (grid.x + reached.start as f64 - weight.x, grid.x + reached.end as f64 - weight.x);
        let (mut dx, mut factor, mut ratio) = ([0.0; LANES], [0.0; LANES], [1.0; LANES]);
        for k in 0..LANES {
            dx[k] = start + k as f64;
            factor[k] = weight_of(-dx[k] * (0.5 * pxx * dx[k] + pxy * dy));
        }
        if pxy != 0.0 {
            for k in 0..LANES {
                ratio[k] = exp(-pxy * dx[k]);
            }
        }
        let widest = low.abs().max(high.abs());
        let is_safe = widest * (0.5 * pxx * widest + pxy.abs() * farthest) < 2.0 * SAFE_EXPONENT
            && 0.5 * pyy * farthest * farthest < SAFE_EXPONENT;
        Self { first, dx, factor, ratio, is_safe }
    }
}

/// The lanes of a list from `first` on, which it holds.
#[inline(always)]
fn load<S: Simd>(values: &[f64], first: usize) -> S::f64s {
    S::as_simd_f64s(&values[first..first + S::F64_LANES]).0[0]
}

/// Sums of `dy^q` down the columns in the processor's lanes.
struct InColumns<S: Simd, const LIGHT: usize, const POWER: usize> {
    light: [S::f64s; LIGHT],
    power: [S::f64s; POWER],
}

impl<S: Simd, const LIGHT: usize, const POWER: usize> InColumns<S, LIGHT, POWER> {
    #[inline(always)]
    fn add_rows<const TURNED: bool>(
        &mut self,
        simd: S,
        grid: &Grid,
        rows: &Rows<LIGHT, POWER>,
        columns: &Columns,
        lane: usize,
    ) {
        let (mut factor, ratio) = (load::<S>(&columns.factor, lane), load::<S>(&columns.ratio, lane));
        let (values, variances, stride) = (&grid.values[..], &grid.variances[..], grid.stride);
        let mut at = rows.rows.start * stride + columns.first + lane;
        for k in 0..rows.rows.len().min(BLOCK_ROWS) {
            let mut light = load::<S>(values, at);
            if TURNED {
                light = simd.mul_f64s(light, factor);
            }
            for (sum, of_row) in self.light.iter_mut().zip(&rows.light) {
                *sum = simd.mul_add_e_f64s(light, simd.splat_f64s(of_row[k]), *sum);
            }
            if POWER > 0 {
                let mut power = load::<S>(variances, at);
                if TURNED {
                    power = simd.mul_f64s(power, simd.mul_f64s(factor, factor));
                }
                for (sum, of_row) in self.power.iter_mut().zip(&rows.power) {
                    *sum = simd.mul_add_e_f64s(power, simd.splat_f64s(of_row[k]), *sum);
                }
            }
            if TURNED {
                factor = simd.mul_f64s(factor, ratio);
            }
            at += stride;
        }
        if !TURNED {
            let squared = simd.mul_f64s(factor, factor);
            self.light.iter_mut().for_each(|sum| *sum = simd.mul_f64s(*sum, factor));
            self.power.iter_mut().for_each(|sum| *sum = simd.mul_f64s(*sum, squared));
        }
    }

    /// The same with each weight by itself.
    #[inline(always)]
    fn add_one_by_one(
        &mut self,
        simd: S,
        grid: &Grid,
        weight: &Gaussian,
        rows: &Rows<LIGHT, POWER>,
        columns: &Columns,
        lane: usize,
    ) {
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        for (row, &dy) in rows.rows.clone().zip(&rows.dy) {
            let at = row * grid.stride + columns.first + lane;
            let mut weights = [0.0; LANES];
            for (weight, &dx) in weights.iter_mut().zip(&columns.dx) {
                *weight = weight_of(-0.5 * (dx * (pxx * dx + 2.0 * pxy * dy) + pyy * dy * dy));
            }
            let w = load::<S>(&weights, lane);
            let mut term = simd.mul_f64s(w, load::<S>(&grid.values, at));
            for sum in &mut self.light {
                *sum = simd.add_f64s(*sum, term);
                term = simd.mul_f64s(term, simd.splat_f64s(dy));
            }
            let mut term = simd.mul_f64s(simd.mul_f64s(w, w), load::<S>(&grid.variances, at));
            for sum in &mut self.power {
                *sum = simd.add_f64s(*sum, term);
                term = simd.mul_f64s(term, simd.splat_f64s(dy));
            }
        }
    }
}

/// Adds the columns' sums of `dy^q`, each times `dxᵖ`.
#[inline(always)]
fn gather<S: Simd, const ORDERS: usize>(
    simd: S,
    dx: S::f64s,
    column: &[S::f64s; ORDERS],
    sums: &mut [[S::f64s; ORDERS]; ORDERS],
) {
    for q in 0..ORDERS {
        let mut term = column[q];
        for sum in &mut sums[q][..ORDERS - q] {
            *sum = simd.add_f64s(*sum, term);
            term = simd.mul_f64s(term, dx);
        }
    }
}

/// The sums over all lanes in their places.
#[inline(always)]
fn write<S: Simd, const ORDERS: usize>(simd: S, sums: &[[S::f64s; ORDERS]; ORDERS], out: &mut [f64]) {
    for q in 0..ORDERS {
        for p in 0..ORDERS - q {
            out[place(p, q)] = simd.reduce_sum_f64s(sums[q][p]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A weight may shrink to less than a pixel between pixels: then it sees nothing, rather than all pixels alike.
    #[test]
    fn a_weight_that_reaches_no_pixel_has_no_light() {
        let image = Array2::from_elem((21, 21), 100.0_f32);
        let grid = Grid::centred(&image, &image).unwrap();
        // The last lies along a diagonal half-way between those of the pixels.
        for covariance in [[1e-5, 0.0, 1e-5], [1e-5, 9e-6, 1e-5], [2.0, 1.999_99, 2.0]] {
            let weight = Gaussian::new(0.5, 0.0, covariance).unwrap();
            assert_eq!(grid.light(&weight), [0.0; QUARTIC], "{covariance:?}");
        }
    }

    #[test]
    fn the_sums_are_those_of_the_pixels_one_by_one() {
        // Of a usual side and of a longer one, under weights that reach its ends or lie well inside.
        let usual = [[4.0, 0.5, 3.0], [0.08, 0.01, 0.05], [20.0, 18.0, 19.0]];
        for (side, covariances) in [(23, &usual[..]), (41, &[[9.0, 1.0, 8.0], [20.0, 18.0, 19.0]])] {
            let image = Array2::from_shape_fn((side, side), |(y, x)| ((7 * x + 3 * y) % 11) as f32 - 2.0);
            let noise = Array2::from_shape_fn((side, side), |(y, x)| ((5 * x + 2 * y) % 7) as f32 + 1.0);
            let grid = Grid::centred(&image, &noise).unwrap();
            for &covariance in covariances {
                let weight = Gaussian::new(0.3, -0.4, covariance).unwrap();
                let sums = grid.light_and_power(&weight);
                for (p, q) in [(0, 0), (1, 0), (0, 1), (2, 1), (3, 3), (8, 0), (0, 8)] {
                    let (mut light, mut power, mut scale) = (0.0, 0.0, 0.0);
                    grid.for_each(|k, x, y, value| {
                        let (dx, dy) = (x - weight.x, y - weight.y);
                        let w = weight.at(dx, dy);
                        let term = dx.powi(p) * dy.powi(q);
                        light += w * value * term;
                        scale += (w * value * term).abs();
                        power += w * w * f64::from(noise[(k / side, k % side)]) * term;
                    });
                    let at = place(p as usize, q as usize);
                    assert!((sums.light[at] - light).abs() < 1e-11 * scale, "{covariance:?} {p} {q}");
                    assert!((sums.power[at] - power).abs() < 1e-11 * scale.max(power.abs()), "{p} {q}");
                    if p + q <= 4 {
                        assert!((grid.light(&weight)[at] - light).abs() < 1e-11 * scale);
                    }
                }
            }
        }
    }
}
