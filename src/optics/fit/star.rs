//! One star against the model: its own flux, place and background are solved and
//! projected out, so that the fit sees only what the PSF must explain (variable
//! projection: Golub & Pereyra 1973 SIAM J. Numer. Anal. 10, 413; slopes after
//! Kaufman 1975 BIT 15, 49).

use nalgebra::{Matrix4, Vector4};
use ndarray::Array2;

use super::zone::{Axis1, Zone, at_pixels, slopes_at_pixels};

/// A star's own numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Own {
    /// Units of the pixels.
    pub flux: f64,
    /// Place of the optical axis point, pixels from the stamp's middle pixel.
    pub centre: [f64; 2],
    /// Background per pixel.
    pub background: f64,
}

/// One star as the fit holds it.
#[derive(Debug, Clone)]
pub struct Target {
    /// Place in the field, half-diagonals.
    pub place: [f64; 2],
    pub zone: usize,
    /// Pixels and the inverse of their errors (zero where not used), row by row.
    pub values: Vec<f64>,
    pub inverse_errors: Vec<f64>,
    pub half: usize,
    pub own: Own,
    /// What the star's exact image has beyond that of its zone, share of the light per pixel; empty
    /// before it is known.
    pub beyond_zone: Vec<f64>,
}

/// A star compared: whitened residuals and, for each slope image of the zone, the whitened
/// slope of the model with the star's own numbers projected out.
pub struct Compared {
    pub residuals: Vec<f64>,
    pub slopes: Vec<Vec<f64>>,
}

/// Farthest a star may wander from where it was measured, pixels.
pub const MARGIN: f64 = 1.5;
const MOST_STEPS: usize = 8;
const ARRIVED_PIXELS: f64 = 1e-7;

impl Target {
    /// Pixels that are used.
    pub fn used(&self) -> usize {
        self.inverse_errors.iter().filter(|&&e| e > 0.0).count()
    }

    /// Solves the star's own numbers from where they stand. `None` where they are not
    /// determined.
    pub fn solve_own(&self, psf: &Array2<f64>, zone: &Zone) -> Option<Own> {
        let mut own = self.own;
        for _ in 0..MOST_STEPS {
            let columns = self.own_columns(psf, zone, own.centre);
            let solved = least_squares(&columns, &self.values, &self.inverse_errors)?;
            let flux = solved[0];
            // The columns of motion are per unit of flux.
            let shift = [solved[1] / flux, solved[2] / flux].map(|d| d.clamp(-0.3, 0.3));
            own = Own { flux, background: solved[3], ..own };
            if !shift.iter().all(|d| d.is_finite()) {
                return None;
            }
            for (centre, d) in own.centre.iter_mut().zip(shift) {
                *centre = (*centre + d).clamp(-MARGIN, MARGIN);
            }
            if shift[0].abs() + shift[1].abs() < ARRIVED_PIXELS {
                break;
            }
        }
        Some(own)
    }

    /// Model pixels for given own numbers.
    pub fn model(&self, psf: &Array2<f64>, zone: &Zone, own: &Own) -> Vec<f64> {
        let [x, y] = self.axes(zone, own.centre);
        self.image(psf, &x, &y).into_iter().map(|v| own.flux * v + own.background).collect()
    }

    /// Holds from now on what `exact`, the share of the light in each pixel at the star's present place, has beyond
    /// the zone's image carried there. It hardly changes with the parameters any more.
    pub fn hold_beyond_zone(&mut self, exact: &Array2<f64>, psf: &Array2<f64>, zone: &Zone) {
        let [x, y] = self.axes(zone, self.own.centre);
        self.beyond_zone = exact.iter().zip(at_pixels(psf, &x, &y)).map(|(e, z)| e - z).collect();
    }

    /// Share of the light in each pixel.
    fn image(&self, psf: &Array2<f64>, x: &Axis1, y: &Axis1) -> Vec<f64> {
        let mut image = at_pixels(psf, x, y);
        image.iter_mut().zip(&self.beyond_zone).for_each(|(v, beyond)| *v += beyond);
        image
    }

    /// Residuals and slopes at given own numbers. `extra` slope images beyond the Zernike
    /// ones are taken as the zone has them.
    pub fn compare(&self, psf: &Array2<f64>, zone: &Zone, own: &Own) -> Option<Compared> {
        let columns = self.own_columns(psf, zone, own.centre);
        let whiten = |column: &[f64]| -> Vec<f64> {
            column.iter().zip(&self.inverse_errors).map(|(v, w)| v * w).collect()
        };
        let model = columns[0].iter().map(|v| own.flux * v + own.background);
        let difference: Vec<f64> = self.values.iter().zip(model).map(|(d, m)| d - m).collect();
        let directions = orthonormal(columns.iter().map(|c| whiten(c)).collect())?;
        let mut residuals = whiten(&difference);
        project_out(&mut residuals, &directions);
        let [x, y] = self.axes(zone, own.centre);
        let slopes = (0..zone.count() - 1)
            .map(|image| {
                let mut slope = whiten(&at_pixels(zone.slope(image), &x, &y));
                slope.iter_mut().for_each(|v| *v *= own.flux);
                project_out(&mut slope, &directions);
                slope
            })
            .collect();
        Some(Compared { residuals, slopes })
    }

    fn axes(&self, zone: &Zone, centre: [f64; 2]) -> [Axis1; 2] {
        centre.map(|c| Axis1::new(zone.grid(), self.half, c))
    }

    /// PSF, its slopes with x and y, and a constant.
    fn own_columns(&self, psf: &Array2<f64>, zone: &Zone, centre: [f64; 2]) -> [Vec<f64>; 4] {
        let [x, y] = self.axes(zone, centre);
        let [along_x, along_y] = slopes_at_pixels(psf, &x, &y);
        [self.image(psf, &x, &y), along_x, along_y, vec![1.0; self.values.len()]]
    }
}

fn least_squares(columns: &[Vec<f64>; 4], values: &[f64], inverse_errors: &[f64]) -> Option<Vector4<f64>> {
    let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
    for (k, (value, weight)) in values.iter().zip(inverse_errors).enumerate() {
        let w2 = weight * weight;
        if w2 > 0.0 {
            let row = Vector4::from_fn(|c, _| columns[c][k]);
            normal += w2 * row * row.transpose();
            right += w2 * *value * row;
        }
    }
    Some(normal.cholesky()?.solve(&right))
}

/// In eight partial sums, so that none waits for the one before.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let (a, rest_a) = a.as_chunks::<8>();
    let (b, rest_b) = b.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for (a, b) in a.iter().zip(b) {
        for k in 0..8 {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().sum::<f64>() + rest_a.iter().zip(rest_b).map(|(x, y)| x * y).sum::<f64>()
}

/// Gram-Schmidt, twice for accuracy; `None` where a column depends on the others.
fn orthonormal(columns: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let mut directions: Vec<Vec<f64>> = Vec::with_capacity(columns.len());
    for mut column in columns {
        let before = dot(&column, &column);
        for _ in 0..2 {
            project_out(&mut column, &directions);
        }
        let norm2 = dot(&column, &column);
        if !(norm2 > 1e-18 * before) {
            return None;
        }
        let scale = norm2.sqrt().recip();
        column.iter_mut().for_each(|v| *v *= scale);
        directions.push(column);
    }
    Some(directions)
}

fn project_out(column: &mut [f64], directions: &[Vec<f64>]) {
    for direction in directions {
        let along = dot(column, direction);
        for (value, d) in column.iter_mut().zip(direction) {
            *value -= along * d;
        }
    }
}
