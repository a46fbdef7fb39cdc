//! A cut-out as a regular grid, and the sums of powers of its pixels under a Gaussian weight. Columns
//! lie side by side in the processor's lanes and the weight goes from row to row by a ratio.

use std::ops::Range;

use ndarray::Array2;
use pulp::{Simd, WithSimd};

use super::pixels::Gaussian;
use super::powers::{SUMS, place};

/// Rows are filled up with zeros to a multiple of this, the most lanes of any processor.
const LANES: usize = 8;

/// Longest side of a cut-out, pixels.
const MOST_COLUMNS: usize = 512;

/// Most cut-outs have no longer side, and what is noted of each column needs little room.
const USUAL_SIDE: usize = 32;

/// The weight is followed out to this many sigma, where it is `exp(-½ 64) = 1e-14`.
const REACH_SIGMAS: f64 = 8.0;

/// Beyond this exponent a weight's ratio from row to row may leave the range of numbers.
const SAFE_EXPONENT: f64 = 300.0;

/// Pixels and their variances, row by row.
#[derive(Debug, Clone)]
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
        let (rows, columns) = pixels.dim();
        let in_rows = pixels.is_standard_layout() && variances.is_standard_layout();
        if columns.max(rows) > MOST_COLUMNS || variances.dim() != pixels.dim() || !in_rows {
            return None;
        }
        let stride = columns.next_multiple_of(LANES);
        let padded = |image: &Array2<f32>| {
            let mut out = vec![0.0; stride * rows];
            let values = image.as_slice().unwrap_or_default();
            for (out, row) in out.chunks_exact_mut(stride.max(1)).zip(values.chunks_exact(columns.max(1))) {
                out.iter_mut().zip(row).for_each(|(out, value)| *out = f64::from(*value));
            }
            out
        };
        let (x, y) = (-((columns / 2) as f64), -((rows / 2) as f64));
        Some(Self { x, y, columns, rows, stride, values: padded(pixels), variances: padded(variances) })
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
    pub fn light(&self, weight: &Gaussian) -> [f64; SUMS] {
        self.sum::<5, false>(weight).light
    }

    /// Sums of light and noise up to order 8, or 6 without `all`.
    pub fn light_and_power(&self, weight: &Gaussian, all: bool) -> PowerSums {
        if all { self.sum::<9, true>(weight) } else { self.sum::<7, true>(weight) }
    }

    fn sum<const ORDERS: usize, const POWER: bool>(&self, weight: &Gaussian) -> PowerSums {
        if self.stride.max(self.rows) <= USUAL_SIDE {
            pulp::Arch::new().dispatch(Sum::<ORDERS, POWER, USUAL_SIDE> { grid: self, weight })
        } else {
            pulp::Arch::new().dispatch(Sum::<ORDERS, POWER, MOST_COLUMNS> { grid: self, weight })
        }
    }

    /// First to last pixel, along one axis, on which a weight is not negligible.
    fn span(centre: f64, sigma: f64, start: f64, count: usize) -> Range<usize> {
        let from = (centre - REACH_SIGMAS * sigma - start).ceil().clamp(0.0, count as f64) as usize;
        let to = (centre + REACH_SIGMAS * sigma - start + 1.0).floor().clamp(0.0, count as f64) as usize;
        from..to.max(from)
    }
}

/// [`PowerSums`] under a weight, of the light up to `ORDERS` less one, of the noise where `POWER`; of a grid with no
/// side longer than `SIDE`.
struct Sum<'a, const ORDERS: usize, const POWER: bool, const SIDE: usize> {
    grid: &'a Grid,
    weight: &'a Gaussian,
}

impl<const ORDERS: usize, const POWER: bool, const SIDE: usize> WithSimd for Sum<'_, ORDERS, POWER, SIDE> {
    type Output = PowerSums;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> PowerSums {
        let Self { grid, weight } = self;
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        let determinant = pxx * pyy - pxy * pxy;
        let mut sums = PowerSums { light: [0.0; SUMS], power: [0.0; SUMS] };
        let rows = Grid::span(weight.y, (pxx / determinant).sqrt(), grid.y, grid.rows);
        let columns = Grid::span(weight.x, (pyy / determinant).sqrt(), grid.x, grid.columns);
        if rows.is_empty() || columns.is_empty() {
            return sums;
        }
        let groups = columns.start / S::F64_LANES..columns.end.div_ceil(S::F64_LANES);
        let first = groups.start * S::F64_LANES;
        let along = Along::<ORDERS, SIDE>::new(grid, weight, rows, first..groups.end * S::F64_LANES);
        let zero = simd.splat_f64s(0.0);
        let (mut light, mut power) = ([zero; SUMS], [zero; SUMS]);
        for group in groups {
            let lanes = group * S::F64_LANES - first;
            let mut column = Column::<S, ORDERS, POWER> { light: [zero; ORDERS], power: [zero; ORDERS] };
            match &along.weights {
                Weights::Ratios { middle, up, down, fall } => {
                    let fall = simd.splat_f64s(*fall);
                    let (mut w, mut ratio) = (load::<S>(middle, lanes), load::<S>(up, lanes));
                    for dy in along.rows_from_middle_up() {
                        column.add(simd, grid, dy, group, w);
                        (w, ratio) = (simd.mul_f64s(w, ratio), simd.mul_f64s(ratio, fall));
                    }
                    (w, ratio) = (load::<S>(middle, lanes), load::<S>(down, lanes));
                    for dy in along.rows_below_middle() {
                        (w, ratio) = (simd.mul_f64s(w, ratio), simd.mul_f64s(ratio, fall));
                        column.add(simd, grid, dy, group, w);
                    }
                }
                Weights::OneByOne(all) => {
                    for (dy, w) in along.powers[..along.rows].iter().zip(all) {
                        column.add(simd, grid, dy, group, load::<S>(w, lanes));
                    }
                }
            }
            let dx = load::<S>(&along.dx, lanes);
            gather(simd, dx, &column.light, &mut light);
            if POWER {
                gather(simd, dx, &column.power, &mut power);
            }
        }
        for k in 0..ORDERS * (ORDERS + 1) / 2 {
            sums.light[k] = simd.reduce_sum_f64s(light[k]);
            if POWER {
                sums.power[k] = simd.reduce_sum_f64s(power[k]);
            }
        }
        sums
    }
}

/// Offsets and weights of the columns and rows that a weight reaches.
struct Along<const ORDERS: usize, const SIDE: usize> {
    dx: [f64; SIDE],
    /// Of each row, its number and `1, dy, dy²` ...
    powers: [(usize, [f64; ORDERS]); SIDE],
    rows: usize,
    /// Place among the rows of the one nearest the centre.
    middle: usize,
    weights: Weights<SIDE>,
}

enum Weights<const SIDE: usize> {
    /// The middle row's weights, what they fall by to the next row up and down, and what that falls by.
    Ratios { middle: [f64; SIDE], up: [f64; SIDE], down: [f64; SIDE], fall: f64 },
    /// Each row's.
    OneByOne(Vec<Vec<f64>>),
}

impl<const ORDERS: usize, const SIDE: usize> Along<ORDERS, SIDE> {
    #[inline(always)]
    fn new(grid: &Grid, weight: &Gaussian, rows: Range<usize>, columns: Range<usize>) -> Self {
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        let (count, first) = (columns.len(), grid.x + columns.start as f64 - weight.x);
        let dx: [f64; SIDE] = std::array::from_fn(|k| first + k as f64);
        let dy_of = |row: usize| grid.y + row as f64 - weight.y;
        let mut powers = [(0, [1.0; ORDERS]); SIDE];
        for (row, (number, powers)) in rows.clone().zip(&mut powers) {
            *number = row;
            for q in 1..ORDERS {
                powers[q] = powers[q - 1] * dy_of(row);
            }
        }
        let middle = ((weight.y - grid.y).round().max(0.0) as usize).clamp(rows.start, rows.end - 1);
        let farthest = dx[0].abs().max(dx[count - 1].abs());
        let steepest = pxx * farthest * farthest + pxy.abs() * farthest + pyy;
        let weights = if steepest > SAFE_EXPONENT {
            let of_row = |row: usize| dx[..count].iter().map(|dx| weight.at(*dx, dy_of(row))).collect();
            Weights::OneByOne(rows.clone().map(of_row).collect())
        } else {
            let dy = dy_of(middle);
            let in_row = progression(
                count,
                weight.at(dx[0], dy),
                (-pxx * (dx[0] + 0.5) - pxy * dy).exp(),
                (-pxx).exp(),
            );
            let across = (-pxy).exp();
            let up = progression(count, (-pyy * (dy + 0.5) - pxy * dx[0]).exp(), across, 1.0);
            let down = progression(count, (pyy * (dy - 0.5) + pxy * dx[0]).exp(), 1.0 / across, 1.0);
            Weights::Ratios { middle: in_row, up, down, fall: (-pyy).exp() }
        };
        Self { dx, powers, middle: middle - rows.start, rows: rows.len(), weights }
    }

    fn rows_from_middle_up(&self) -> impl Iterator<Item = &(usize, [f64; ORDERS])> {
        self.powers[self.middle..self.rows].iter()
    }

    fn rows_below_middle(&self) -> impl Iterator<Item = &(usize, [f64; ORDERS])> {
        self.powers[..self.middle].iter().rev()
    }
}

/// So many values, of which each is the one before times a ratio, which itself falls.
#[inline(always)]
fn progression<const SIDE: usize>(count: usize, mut value: f64, mut ratio: f64, fall: f64) -> [f64; SIDE] {
    let mut values = [0.0; SIDE];
    for here in &mut values[..count] {
        *here = value;
        value *= ratio;
        ratio *= fall;
    }
    values
}

/// The lanes of a list from `first` on, which it holds.
#[inline(always)]
fn load<S: Simd>(values: &[f64], first: usize) -> S::f64s {
    S::as_simd_f64s(&values[first..first + S::F64_LANES]).0[0]
}

/// Sums of `dy^q` down the columns in the processor's lanes.
struct Column<S: Simd, const ORDERS: usize, const POWER: bool> {
    light: [S::f64s; ORDERS],
    power: [S::f64s; ORDERS],
}

impl<S: Simd, const ORDERS: usize, const POWER: bool> Column<S, ORDERS, POWER> {
    #[inline(always)]
    fn add(&mut self, simd: S, grid: &Grid, dy: &(usize, [f64; ORDERS]), group: usize, w: S::f64s) {
        let (row, dy) = dy;
        let at = row * grid.stride + group * S::F64_LANES;
        let light = simd.mul_f64s(w, load::<S>(&grid.values, at));
        for (sum, power) in self.light.iter_mut().zip(dy) {
            *sum = simd.mul_add_e_f64s(light, simd.splat_f64s(*power), *sum);
        }
        if POWER {
            let power = simd.mul_f64s(simd.mul_f64s(w, w), load::<S>(&grid.variances, at));
            for (sum, power_of_dy) in self.power.iter_mut().zip(dy) {
                *sum = simd.mul_add_e_f64s(power, simd.splat_f64s(*power_of_dy), *sum);
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
    sums: &mut [S::f64s; SUMS],
) {
    for q in 0..ORDERS {
        let mut term = column[q];
        for p in 0..ORDERS - q {
            let sum = &mut sums[place(p, q)];
            *sum = simd.add_f64s(*sum, term);
            term = simd.mul_f64s(term, dx);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
                let sums = grid.light_and_power(&weight, true);
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
