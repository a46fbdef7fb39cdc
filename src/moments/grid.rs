//! A cut-out as a regular grid, and the sums of powers of its pixels under a Gaussian weight. Columns
//! lie side by side in the processor's lanes and the weight goes from row to row by a ratio.

use ndarray::Array2;

use super::pixels::Gaussian;
use super::powers::{SUMS, place};

/// Columns come in groups of this many, the last filled up with zeros.
const LANES: usize = 8;

/// Widest cut-out, pixels.
const MOST_COLUMNS: usize = 512;

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
    /// The middle pixel of an odd square is the origin. `None` where it is too large.
    pub fn centred(pixels: &Array2<f32>, variances: &Array2<f32>) -> Option<Self> {
        let (rows, columns) = pixels.dim();
        if columns > MOST_COLUMNS || variances.dim() != pixels.dim() {
            return None;
        }
        let stride = columns.next_multiple_of(LANES);
        let padded = |image: &Array2<f32>| {
            let mut out = vec![0.0; stride * rows];
            for (out, row) in out.chunks_exact_mut(stride.max(1)).zip(image.outer_iter()) {
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
        let mut light = [0.0; SUMS];
        pulp::Arch::new().dispatch(|| self.sum::<5, false>(weight, &mut light, &mut [0.0; SUMS]));
        light
    }

    /// `Σ w² v`
    pub fn power(&self, weight: &Gaussian) -> f64 {
        let mut power = [0.0; SUMS];
        pulp::Arch::new().dispatch(|| self.sum::<1, true>(weight, &mut [0.0; SUMS], &mut power));
        power[0]
    }

    /// Sums of light and noise up to order 8, or 6 without `all`.
    pub fn light_and_power(&self, weight: &Gaussian, all: bool) -> PowerSums {
        let mut sums = PowerSums { light: [0.0; SUMS], power: [0.0; SUMS] };
        let PowerSums { light, power } = &mut sums;
        pulp::Arch::new().dispatch(|| match all {
            true => self.sum::<9, true>(weight, light, power),
            false => self.sum::<7, true>(weight, light, power),
        });
        sums
    }

    #[inline(always)]
    fn sum<const ORDERS: usize, const POWER: bool>(
        &self,
        weight: &Gaussian,
        light: &mut [f64; SUMS],
        power: &mut [f64; SUMS],
    ) {
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        let determinant = pxx * pyy - pxy * pxy;
        let span = |centre: f64, sigma: f64, start: f64, count: usize| {
            let from = (centre - REACH_SIGMAS * sigma - start).ceil().clamp(0.0, count as f64) as usize;
            let to = (centre + REACH_SIGMAS * sigma - start + 1.0).floor().clamp(0.0, count as f64) as usize;
            from..to.max(from)
        };
        let rows = span(weight.y, (pxx / determinant).sqrt(), self.y, self.rows);
        let columns = span(weight.x, (pyy / determinant).sqrt(), self.x, self.columns);
        if rows.is_empty() || columns.is_empty() {
            return;
        }
        let middle = ((weight.y - self.y).round().max(0.0) as usize).clamp(rows.start, rows.end - 1);
        for group in columns.start / LANES..columns.end.div_ceil(LANES) {
            let dx0 = self.x + (group * LANES) as f64 - weight.x;
            let dx: [f64; LANES] = std::array::from_fn(|k| dx0 + k as f64);
            let mut by_column = [[0.0; LANES]; ORDERS];
            let mut power_by_column = [[0.0; LANES]; ORDERS];
            let mut add = |row: usize, dy: f64, w: &[f64; LANES]| {
                let at = row * self.stride + group * LANES;
                let values = &self.values[at..at + LANES];
                let mut term: [f64; LANES] = std::array::from_fn(|k| w[k] * values[k]);
                for sums in &mut by_column {
                    for k in 0..LANES {
                        sums[k] += term[k];
                        term[k] *= dy;
                    }
                }
                if POWER {
                    let variances = &self.variances[at..at + LANES];
                    let mut term: [f64; LANES] = std::array::from_fn(|k| w[k] * w[k] * variances[k]);
                    for sums in &mut power_by_column {
                        for k in 0..LANES {
                            sums[k] += term[k];
                            term[k] *= dy;
                        }
                    }
                }
            };
            let dy_of = |row: usize| self.y + row as f64 - weight.y;
            let farthest = dx[0].abs().max(dx[LANES - 1].abs());
            let steepest = pxx * farthest * farthest + pxy.abs() * farthest + pyy;
            if steepest > SAFE_EXPONENT {
                for row in rows.clone() {
                    let dy = dy_of(row);
                    add(row, dy, &dx.map(|dx| weight.at(dx, dy)));
                }
            } else {
                let dy = dy_of(middle);
                let at_middle =
                    along(weight.at(dx0, dy), (-pxx * (dx0 + 0.5) - pxy * dy).exp(), (-pxx).exp());
                let fall = (-pyy).exp();
                let up = along((-pyy * (dy + 0.5) - pxy * dx0).exp(), (-pxy).exp(), 1.0);
                let (mut w, mut ratio) = (at_middle, up);
                for row in middle..rows.end {
                    add(row, dy_of(row), &w);
                    for k in 0..LANES {
                        w[k] *= ratio[k];
                        ratio[k] *= fall;
                    }
                }
                let down = along((pyy * (dy - 0.5) + pxy * dx0).exp(), pxy.exp(), 1.0);
                (w, ratio) = (at_middle, down);
                for row in (rows.start..middle).rev() {
                    for k in 0..LANES {
                        w[k] *= ratio[k];
                        ratio[k] *= fall;
                    }
                    add(row, dy_of(row), &w);
                }
            }
            gather(&dx, &by_column, light);
            if POWER {
                gather(&dx, &power_by_column, power);
            }
        }
    }
}

/// A weight along a group of columns: it falls by a ratio that itself falls.
#[inline(always)]
fn along(mut weight: f64, mut ratio: f64, fall: f64) -> [f64; LANES] {
    std::array::from_fn(|_| {
        let here = weight;
        weight *= ratio;
        ratio *= fall;
        here
    })
}

/// Adds up the columns' sums of `dy^q`, each times `dxᵖ`.
#[inline(always)]
fn gather<const ORDERS: usize>(
    dx: &[f64; LANES],
    by_column: &[[f64; LANES]; ORDERS],
    sums: &mut [f64; SUMS],
) {
    for (q, column) in by_column.iter().enumerate() {
        let mut term = *column;
        for p in 0..ORDERS - q {
            sums[place(p, q)] +=
                ((term[0] + term[4]) + (term[2] + term[6])) + ((term[1] + term[5]) + (term[3] + term[7]));
            for k in 0..LANES {
                term[k] *= dx[k];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sums_are_those_of_the_pixels_one_by_one() {
        let image = Array2::from_shape_fn((23, 23), |(y, x)| ((7 * x + 3 * y) % 11) as f32 - 2.0);
        let noise = Array2::from_shape_fn((23, 23), |(y, x)| ((5 * x + 2 * y) % 7) as f32 + 1.0);
        let grid = Grid::centred(&image, &noise).unwrap();
        for covariance in [[4.0, 0.5, 3.0], [0.08, 0.01, 0.05], [20.0, 18.0, 19.0]] {
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
                    power += w * w * f64::from(noise[(k / 23, k % 23)]) * term;
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
