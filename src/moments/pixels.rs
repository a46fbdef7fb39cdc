//! Pixels in rows, and the Gaussian weight along a row.

use std::ops::Range;

/// A weight this far down the exponent, `exp(-½ 64) = 1e-14`, adds nothing and is left out.
const LARGEST_EXPONENT: f64 = 64.0;

/// Pixels of one image or of many, in rows along which x rises by one.
#[derive(Debug, Clone, Default)]
pub struct Pixels {
    rows: Vec<Row>,
    pub values: Vec<f64>,
    /// Noise variance of each value.
    pub variances: Vec<f64>,
}

/// Position of the first pixel of a row, and which values are its own.
#[derive(Debug, Clone)]
struct Row {
    x: f64,
    y: f64,
    own: Range<usize>,
}

impl Pixels {
    /// Adds a row whose first pixel lies at (x, y). A pixel of value and variance zero has no
    /// part in anything.
    pub fn push_row(&mut self, x: f64, y: f64, pixels: impl IntoIterator<Item = (f64, f64)>) {
        let start = self.values.len();
        for (value, variance) in pixels {
            self.values.push(value);
            self.variances.push(variance);
        }
        self.rows.push(Row { x, y, own: start..self.values.len() });
    }

    pub fn is_empty(&self) -> bool {
        self.values.is_empty()
    }

    /// The pixels no further than `radius` from (x, y).
    pub fn within(&self, x: f64, y: f64, radius: f64) -> Self {
        let mut near = Self::default();
        for row in &self.rows {
            let half2 = radius * radius - (row.y - y).powi(2);
            if half2 < 0.0 {
                continue;
            }
            let inside = row.between(x - half2.sqrt(), x + half2.sqrt());
            if !inside.is_empty() {
                let first = row.x + (inside.start - row.own.start) as f64;
                let start = near.values.len();
                near.values.extend_from_slice(&self.values[inside.clone()]);
                near.variances.extend_from_slice(&self.variances[inside]);
                near.rows.push(Row { x: first, y: row.y, own: start..near.values.len() });
            }
        }
        near
    }

    /// Calls `visit(k, x, y)` for every pixel `k`.
    pub fn for_each(&self, mut visit: impl FnMut(usize, f64, f64)) {
        for row in &self.rows {
            for (step, k) in row.own.clone().enumerate() {
                visit(k, row.x + step as f64, row.y);
            }
        }
    }

    /// Calls `visit` for every row on which `weight` is not negligible.
    pub fn for_each_row(&self, weight: &Gaussian, mut visit: impl FnMut(WeightedRow)) {
        let fall = (-weight.pxx).exp();
        for row in &self.rows {
            let dy = row.y - weight.y;
            let half2 = (LARGEST_EXPONENT - weight.determinant() / weight.pxx * dy * dy) / weight.pxx;
            if half2.is_nan() || half2 <= 0.0 {
                continue;
            }
            let middle = weight.x - weight.pxy * dy / weight.pxx;
            let inside = row.between(middle - half2.sqrt(), middle + half2.sqrt());
            if inside.is_empty() {
                continue;
            }
            let dx = row.x + (inside.start - row.own.start) as f64 - weight.x;
            visit(WeightedRow {
                dx,
                dy,
                values: &self.values[inside.clone()],
                variances: &self.variances[inside],
                weight: weight.at(dx, dy),
                ratio: (-weight.pxx * (dx + 0.5) - weight.pxy * dy).exp(),
                fall,
            });
        }
    }

    /// Calls `visit(dx, dy, W, value, variance)` for every pixel on which `weight` is not
    /// negligible.
    pub fn for_each_weighted(&self, weight: &Gaussian, mut visit: impl FnMut(f64, f64, f64, f64, f64)) {
        self.for_each_row(weight, |row| {
            let dy = row.dy;
            row.for_each(|dx, w, value, variance| visit(dx, dy, w, value, variance));
        });
    }
}

impl Row {
    /// The values at x from `low` to `high`.
    fn between(&self, low: f64, high: f64) -> Range<usize> {
        let length = self.own.len() as f64;
        let first = (low - self.x).ceil().clamp(0.0, length) as usize;
        let end = ((high - self.x).floor() + 1.0).clamp(0.0, length) as usize;
        self.own.start + first..self.own.start + end.max(first)
    }
}

/// The weight `exp(-½ dᵀ P d)` about a centre, `P` positive definite.
#[derive(Debug, Clone, Copy)]
pub struct Gaussian {
    pub x: f64,
    pub y: f64,
    pub pxx: f64,
    pub pxy: f64,
    pub pyy: f64,
}

impl Gaussian {
    /// With covariance `[mxx, mxy, myy]`, pixels²; `None` if that is not positive definite.
    pub fn new(x: f64, y: f64, [mxx, mxy, myy]: [f64; 3]) -> Option<Self> {
        let det = mxx * myy - mxy * mxy;
        let positive = det > 0.0 && mxx > 0.0 && det.is_finite();
        positive.then(|| Self { x, y, pxx: myy / det, pxy: -mxy / det, pyy: mxx / det })
    }

    fn determinant(&self) -> f64 {
        self.pxx * self.pyy - self.pxy * self.pxy
    }

    pub fn at(&self, dx: f64, dy: f64) -> f64 {
        (-0.5 * (self.pxx * dx * dx + 2.0 * self.pxy * dx * dy + self.pyy * dy * dy)).exp()
    }
}

/// The part of a row under a weight.
pub struct WeightedRow<'a> {
    dx: f64,
    pub dy: f64,
    values: &'a [f64],
    variances: &'a [f64],
    weight: f64,
    ratio: f64,
    fall: f64,
}

impl WeightedRow<'_> {
    /// Calls `visit(dx, W, value, variance)` along the row. From one pixel to the next the
    /// weight falls by a ratio that itself falls by `exp(-Pxx)`, exactly.
    #[inline]
    pub fn for_each(&self, mut visit: impl FnMut(f64, f64, f64, f64)) {
        let (mut dx, mut w, mut ratio) = (self.dx, self.weight, self.ratio);
        for (&value, &variance) in self.values.iter().zip(self.variances) {
            visit(dx, w, value, variance);
            dx += 1.0;
            w *= ratio;
            ratio *= self.fall;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weight_along_a_row_is_the_gaussian() {
        let mut pixels = Pixels::default();
        for y in -20..=20 {
            pixels.push_row(-20.0, f64::from(y), (0..41).map(|_| (1.0, 0.0)));
        }
        let weight = Gaussian::new(0.3, -0.4, [5.0, -1.5, 2.0]).unwrap();
        let (mut count, mut sum) = (0, 0.0);
        pixels.for_each_weighted(&weight, |dx, dy, w, _, _| {
            assert!((w / weight.at(dx, dy) - 1.0).abs() < 1e-12);
            count += 1;
            sum += w;
        });
        let mut all = 0.0;
        pixels.for_each(|_, x, y| all += weight.at(x - 0.3, y + 0.4));
        assert!(count < 41 * 41 && (sum / all - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_disc_of_pixels_has_its_area() {
        let mut pixels = Pixels::default();
        for y in -20..=20 {
            pixels.push_row(-20.0, f64::from(y), (0..41).map(|x| (f64::from(x) - 20.0, 1.0)));
        }
        let disc = pixels.within(1.0, 2.0, 10.0);
        assert_eq!(disc.values.len(), 317); // lattice points of a disc of radius 10
        disc.for_each(|k, x, y| {
            assert!((x - 1.0).hypot(y - 2.0) <= 10.0);
            assert_eq!(disc.values[k], x);
        });
    }
}
