//! The pupil: an annulus with optional vanes, on square cells that each stand for the mean of
//! `A exp(i phi)` over themselves, so that few cells do.

use rustfft::num_complex::Complex;

use super::zernike::{MODES, annular_zernikes};
use super::{OpticsError, within};

/// Lines across a cell at the edge, along x and along y, on which its lit part is integrated.
const EDGE_LINES: usize = 64;
/// Three points on -1 to 1 and their weights, exact to the fifth power (Gauss & Legendre).
const GAUSS: [(f64, f64); 3] =
    [(-0.774596669241483377, 5.0 / 18.0), (0.0, 8.0 / 18.0), (0.774596669241483377, 5.0 / 18.0)];

/// A telescope and its band.
#[derive(Debug, Clone, PartialEq)]
pub struct Telescope {
    /// Diameter, m.
    pub aperture_m: f64,
    /// Linear central obstruction, fraction of the diameter.
    pub obstruction: f64,
    pub vanes: Option<Vanes>,
    /// Middle of the band.
    pub wavelength_nm: f64,
    /// Full width of the band, flat in photons.
    pub bandwidth_nm: f64,
    /// Wavelengths that stand for the band, equally spaced and equally weighted.
    pub band_samples: usize,
    /// Cells across the pupil at the shortest wavelength. The image repeats after
    /// this many `lambda / D`, which also bounds the size of a star image.
    pub pupil_samples: usize,
}

/// Straight vanes from the obstruction to the rim, evenly spaced in angle.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Vanes {
    pub count: usize,
    pub width_m: f64,
    /// Position angle of the first vane from +x towards +y, degrees.
    #[serde(default)]
    pub angle_deg: f64,
}

impl Telescope {
    /// A telescope without vanes at one wavelength, 64 cells across.
    pub fn monochromatic(aperture_m: f64, obstruction: f64, wavelength_nm: f64) -> Self {
        Self {
            aperture_m,
            obstruction,
            vanes: None,
            wavelength_nm,
            bandwidth_nm: 0.0,
            band_samples: 1,
            pupil_samples: 64,
        }
    }

    /// The wavelengths of the band, nm: midpoints of `band_samples` equal parts.
    pub fn wavelengths_nm(&self) -> Vec<f64> {
        let n = self.band_samples;
        (0..n).map(|i| self.wavelength_nm + self.bandwidth_nm * ((i as f64 + 0.5) / n as f64 - 0.5)).collect()
    }

    /// `lambda / D` at the middle of the band, arcsec.
    pub fn lambda_over_d_arcsec(&self) -> f64 {
        self.wavelength_nm * 1e-9 / self.aperture_m * super::psf::ARCSEC_PER_RADIAN
    }

    pub(super) fn validate(&self) -> Result<(), OpticsError> {
        within("aperture_m", self.aperture_m, 1e-3, 100.0, "0.001 to 100")?;
        within("obstruction", self.obstruction, 0.0, 0.9, "0 to 0.9")?;
        within("wavelength_nm", self.wavelength_nm, 10.0, 1e6, "10 to 1e6")?;
        within(
            "bandwidth_nm",
            self.bandwidth_nm,
            0.0,
            1.5 * self.wavelength_nm,
            "0 to 1.5 times wavelength_nm",
        )?;
        within("band_samples", self.band_samples as f64, 1.0, 64.0, "1 to 64")?;
        within("pupil_samples", self.pupil_samples as f64, 16.0, 1024.0, "16 to 1024")?;
        if let Some(vanes) = &self.vanes {
            within("vanes.count", vanes.count as f64, 1.0, 12.0, "1 to 12")?;
            within(
                "vanes.width_m",
                vanes.width_m,
                0.0,
                self.aperture_m / 4.0,
                "0 to a quarter of aperture_m",
            )?;
            within("vanes.angle_deg", vanes.angle_deg, -360.0, 360.0, "-360 to 360")?;
        }
        Ok(())
    }

    /// Where light passes along a line parallel to `axis` at `offset` on the other one, as stretches of that axis, in
    /// units of the pupil's radius.
    fn open_along(&self, axis: Axis, offset: f64) -> Vec<(f64, f64)> {
        let chord = |radius: f64| (radius * radius - offset * offset).max(0.0).sqrt();
        let (outer, inner) = (chord(1.0), chord(self.obstruction));
        let mut open =
            if inner > 0.0 { vec![(-outer, -inner), (inner, outer)] } else { vec![(-outer, outer)] };
        for shade in self.vanes.iter().flat_map(|vanes| vanes.along(axis, offset, self.aperture_m)) {
            open = open.into_iter().flat_map(|stretch| without(stretch, shade)).collect();
        }
        open
    }
}

impl Vanes {
    /// What the vanes shade of such a line.
    fn along(self, axis: Axis, offset: f64, aperture_m: f64) -> impl Iterator<Item = (f64, f64)> {
        let half_width = self.width_m / aperture_m;
        (0..self.count).map(move |i| {
            let turn = std::f64::consts::TAU * i as f64 / self.count as f64;
            let (sin, cos) = (self.angle_deg.to_radians() + turn).sin_cos();
            let (sin, cos) = if axis == Axis::X { (sin, cos) } else { (cos, sin) };
            // Not behind the centre, and no farther than half the width from the middle line.
            let outwards = at_least(cos, -offset * sin);
            let below = at_least(-sin, -half_width - offset * cos);
            let above = at_least(sin, offset * cos - half_width);
            [outwards, below, above]
                .into_iter()
                .fold((f64::NEG_INFINITY, f64::INFINITY), |(a, b), (c, d)| (a.max(c), b.min(d)))
        })
    }
}

/// The direction of a line across the pupil.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Axis {
    X,
    Y,
}

/// The x at which `slope x >= value`.
fn at_least(slope: f64, value: f64) -> (f64, f64) {
    // An axis that rounding leaves a hair's breadth off the line's direction lies along it.
    if slope.abs() < 1e-12 {
        if value <= 0.0 { (f64::NEG_INFINITY, f64::INFINITY) } else { (f64::INFINITY, f64::NEG_INFINITY) }
    } else if slope > 0.0 {
        (value / slope, f64::INFINITY)
    } else {
        (f64::NEG_INFINITY, value / slope)
    }
}

/// A stretch less another.
fn without((a, b): (f64, f64), (from, to): (f64, f64)) -> impl Iterator<Item = (f64, f64)> {
    let left = if from < to { [(a, b.min(from)), (a.max(to), b)] } else { [(a, b), (b, b)] };
    left.into_iter().filter(|(a, b)| a < b)
}

/// One lit cell of the pupil grid.
#[derive(Debug, Clone)]
pub(super) struct Cell {
    pub row: usize,
    pub column: usize,
    /// Lit share of the cell's area.
    pub amplitude: f64,
    /// Mean of Z4 to Z11 over the lit part.
    pub zernikes: [f64; MODES],
    /// How each varies over the lit part, along two independent directions: the sum over the modes
    /// is a vector whose square is the variance of the wavefront there.
    pub spread: [[f64; 2]; MODES],
}

impl Cell {
    /// Mean of `A exp(i phi)` over the cell for the coefficients of a wavefront, and the vector whose
    /// square is the variance of the phase over the lit part. A phase that varies by less than a
    /// radian has the mean `exp(i <phi> - <(phi - <phi>)^2> / 2)` to its third order.
    pub fn mean(&self, coefficients: &[f64; MODES], radians_per_nm: f64) -> (Complex<f64>, [f64; 2]) {
        let (mut path_nm, mut spread) = (0.0, [0.0; 2]);
        for ((a, z), [u, v]) in coefficients.iter().zip(&self.zernikes).zip(&self.spread) {
            path_nm += a * z;
            spread = [spread[0] + a * u, spread[1] + a * v];
        }
        let [u, v] = spread.map(|s| s * radians_per_nm);
        let damped = self.amplitude * (-0.5 * (u * u + v * v)).exp();
        (Complex::from_polar(damped, path_nm * radians_per_nm), [u, v])
    }

    /// Slope of that mean along the coefficient of `mode`, given both.
    pub fn slope(
        &self,
        mode: usize,
        (mean, [u, v]): (Complex<f64>, [f64; 2]),
        radians_per_nm: f64,
    ) -> Complex<f64> {
        let [du, dv] = self.spread[mode];
        mean * Complex::new(-(u * du + v * dv), self.zernikes[mode]) * radians_per_nm
    }
}

/// The lit cells of the pupil on a grid of cells `width` wide (in pupil radii),
/// centred on the pupil.
pub(super) fn lit_cells(telescope: &Telescope, width: f64) -> Vec<Cell> {
    let n = (2.0 / width - 1e-9).ceil() as usize;
    let centre = |i: usize| (i as f64 - (n as f64 - 1.0) / 2.0) * width;
    let cell = |k: usize| lit_cell(telescope, k / n, k % n, [centre(k % n), centre(k / n)], width);
    (0..n * n).filter_map(cell).collect()
}

/// The cell around `[x, y]`; none where no light passes.
fn lit_cell(telescope: &Telescope, row: usize, column: usize, [x, y]: [f64; 2], width: f64) -> Option<Cell> {
    let points = lit_points(telescope, x, y, width);
    let amplitude: f64 = points.iter().map(|p| p.2).sum();
    if amplitude <= 0.0 {
        return None;
    }
    let mean = |f: &dyn Fn(usize) -> f64| {
        points.iter().enumerate().map(|(k, p)| p.2 * f(k)).sum::<f64>() / amplitude
    };
    let (mean_x, mean_y) = (mean(&|k| points[k].0), mean(&|k| points[k].1));
    let (dx, dy) = (|k: usize| points[k].0 - mean_x, |k: usize| points[k].1 - mean_y);
    let values: Vec<[f64; MODES]> =
        points.iter().map(|p| annular_zernikes(p.0, p.1, telescope.obstruction)).collect();
    // The lower triangle whose square is the covariance of x and y over the lit part. A sliver has
    // no width to speak of.
    let inverse = |width_of: f64| if width_of > 1e-6 * width { width_of.recip() } else { 0.0 };
    let per_along = inverse(mean(&|k| dx(k) * dx(k)).sqrt());
    let skew = mean(&|k| dx(k) * dy(k)) * per_along;
    let per_across = inverse((mean(&|k| dy(k) * dy(k)) - skew * skew).max(0.0).sqrt());
    let spread = |mode: usize| {
        let u = mean(&|k| dx(k) * values[k][mode]) * per_along;
        [u, (mean(&|k| dy(k) * values[k][mode]) - skew * u) * per_across]
    };
    Some(Cell {
        row,
        column,
        amplitude,
        zernikes: std::array::from_fn(|mode| mean(&|k| values[k][mode])),
        spread: std::array::from_fn(spread),
    })
}

/// Points of the lit part of the cell around `(x, y)` with their shares of the cell's area, such that the sums
/// over a cell away from the edges are exact for the Zernikes and their products with x and y.
fn lit_points(telescope: &Telescope, x: f64, y: f64, width: f64) -> Vec<(f64, f64, f64)> {
    let (r, reach) = (x.hypot(y), width * std::f64::consts::FRAC_1_SQRT_2);
    if r - reach > 1.0 || r + reach < telescope.obstruction {
        return vec![];
    }
    let clear_of_edges = r + reach < 1.0 && r - reach > telescope.obstruction && telescope.vanes.is_none();
    if clear_of_edges {
        let lines = GAUSS.map(|(at, share)| (y + 0.5 * width * at, share));
        return points_on_lines(telescope, Axis::X, [x, y], width, &lines);
    }
    // Half the weight on lines each way: neither axis is better integrated than the other.
    let n = EDGE_LINES as f64;
    let lines = |middle: f64| -> Vec<(f64, f64)> {
        (0..EDGE_LINES).map(|i| (middle + width * ((i as f64 + 0.5) / n - 0.5), 0.5 / n)).collect()
    };
    let mut points = points_on_lines(telescope, Axis::X, [x, y], width, &lines(y));
    points.extend(points_on_lines(telescope, Axis::Y, [x, y], width, &lines(x)));
    points
}

/// The same on lines parallel to `axis`, given by their offsets and weights.
fn points_on_lines(
    telescope: &Telescope,
    axis: Axis,
    [x, y]: [f64; 2],
    width: f64,
    lines: &[(f64, f64)],
) -> Vec<(f64, f64, f64)> {
    let along = if axis == Axis::X { x } else { y };
    let (low, high) = (along - 0.5 * width, along + 0.5 * width);
    let mut points = vec![];
    for &(offset, share) in lines {
        for (from, to) in telescope.open_along(axis, offset) {
            let (from, to) = (from.max(low), to.min(high));
            if from < to {
                let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
                points.extend(GAUSS.map(|(at, part)| {
                    let (along, weight) = (middle + half * at, share * part * (to - from) / width);
                    if axis == Axis::X { (along, offset, weight) } else { (offset, along, weight) }
                }));
            }
        }
    }
    points
}
