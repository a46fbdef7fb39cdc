//! The PSF of one zone of the field and its slopes, on a fine grid, and their values at the
//! pixels of a star anywhere within a pixel.
//!
//! The grid has at least five points to `lambda / D`, more than twice what the optics' highest
//! frequency needs, so that ten-point interpolation errs by less than 2e-5 of the peak.

use std::f64::consts::{PI, TAU};

use ndarray::{Array2, s};
use rustfft::num_complex::Complex;

use super::parameters::Values;
use crate::optics::propagate::{signed_index, sinc};
use crate::optics::psf::ARCSEC_PER_RADIAN;
use crate::optics::zernike::MODES;
use crate::optics::{Blur, Propagator, Wavefront};

/// Points of the grid to `lambda / D` of the shortest wavelength.
const POINTS: f64 = 5.0;
/// Points an interpolated value is made of.
const TAPS: usize = 10;

/// The images a zone holds: the PSF, then its slopes along Z4 to Z11 (per nm), jitter xx,
/// yy, xy (per mas²) and drift x, y (per mas).
pub const IMAGES: usize = 1 + MODES + 3 + 2;

/// One zone's images on the fine grid, share of the light per pixel.
pub struct Zone {
    wavefront: [f64; MODES],
    images: Vec<Array2<f64>>,
    grid: Grid,
}

/// The fine grid: an odd square of points around the optical axis point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Pixels.
    pub step: f64,
    pub half: usize,
}

impl Grid {
    /// A grid that holds stamps of `2 half + 1` pixels wherever the star lies within
    /// `margin` pixels of the middle.
    pub fn new(propagator: &Propagator, pixel_arcsec: f64, half: usize, margin: f64) -> Self {
        let telescope = propagator.telescope();
        let shortest = telescope.wavelengths_nm().into_iter().fold(f64::INFINITY, f64::min);
        let width = shortest * 1e-9 / telescope.aperture_m * ARCSEC_PER_RADIAN / pixel_arcsec;
        let step = width / POINTS;
        Self { step, half: ((half as f64 + margin) / step).ceil() as usize + TAPS / 2 }
    }

    fn side(self) -> usize {
        2 * self.half + 1
    }
}

impl Zone {
    pub fn new(
        propagator: &Propagator,
        blur: &Blur,
        values: &Values,
        place: [f64; 2],
        grid: Grid,
        with_drift: bool,
    ) -> Self {
        let wavefront: Wavefront = values.pattern.wavefront(place[0], place[1]);
        let transforms = propagator.otf_and_slopes(&wavefront);
        let (size, frequency_step) = propagator.grid();
        let step = frequency_step * blur.pixel_arcsec / ARCSEC_PER_RADIAN;
        let transfer = Transfer { blur, size, step };
        let images = transfer.images(&transforms, grid, with_drift);
        Self { wavefront: wavefront.noll_nm(), images, grid }
    }

    /// How many images there are.
    pub fn count(&self) -> usize {
        self.images.len()
    }

    /// The PSF carried from the zone's place to a star's by its slopes.
    pub fn carried(&self, wavefront: &[f64; MODES]) -> Array2<f64> {
        let mut psf = self.images[0].clone();
        for (mode, slope) in self.images[1..=MODES].iter().enumerate() {
            psf.scaled_add(wavefront[mode] - self.wavefront[mode], slope);
        }
        psf
    }

    pub fn slope(&self, image: usize) -> &Array2<f64> {
        &self.images[1 + image]
    }

    pub fn grid(&self) -> Grid {
        self.grid
    }
}

/// From optical transfer functions to images of the blurred PSF.
struct Transfer<'a> {
    blur: &'a Blur,
    size: usize,
    /// Cycles per pixel.
    step: f64,
}

impl Transfer<'_> {
    /// Everything after the optics at a frequency, and its slopes along jitter and drift.
    fn after_optics(&self, fx: f64, fy: f64) -> [f64; 6] {
        let pixel_mas = 1e3 * self.blur.pixel_arcsec;
        let twice = if fx == 0.0 { 1.0 } else { 2.0 };
        let (u, v) = (fx / pixel_mas, fy / pixel_mas);
        let [drift_x, drift_y] = self.blur.drift_mas;
        let phase = u * drift_x + v * drift_y;
        let all = twice * self.blur.transfer(fx, fy) * sinc(fx) * sinc(fy) * self.step * self.step;
        let jitter = -2.0 * PI * PI * all;
        // all * (d sinc / d phase) / sinc
        let drift = all / sinc(phase) * sinc_slope(phase);
        [all, jitter * u * u, jitter * v * v, 2.0 * jitter * u * v, drift * u, drift * v]
    }

    fn images(&self, transforms: &[Vec<Complex<f64>>], grid: Grid, with_drift: bool) -> Vec<Array2<f64>> {
        let (size, half) = (self.size, self.size / 2);
        let count = if with_drift { IMAGES } else { IMAGES - 2 };
        let mut real = Array2::<f64>::zeros((count * size, half));
        let mut imaginary = Array2::<f64>::zeros((count * size, half));
        for row in (0..size).filter(|&row| row != half) {
            let fy = signed_index(row, size) * self.step;
            for column in 0..half {
                let factors = self.after_optics(column as f64 * self.step, fy);
                for image in 0..count {
                    let (transform, factor) = match image.checked_sub(transforms.len()) {
                        None => (&transforms[image], factors[0]),
                        Some(motion) => (&transforms[0], factors[1 + motion]),
                    };
                    let value = transform[row * size + column] * factor;
                    real[[image * size + row, column]] = value.re;
                    imaginary[[image * size + row, column]] = value.im;
                }
            }
        }
        let side = grid.side();
        let place = |k: usize| (k as f64 - grid.half as f64) * grid.step;
        let angle = |frequency: f64, k: usize| TAU * frequency * self.step * place(k);
        let cos_x = Array2::from_shape_fn((half, side), |(f, k)| angle(f as f64, k).cos());
        let sin_x = Array2::from_shape_fn((half, side), |(f, k)| angle(f as f64, k).sin());
        let over_x_real = real.dot(&cos_x) - imaginary.dot(&sin_x);
        let over_x_imaginary = real.dot(&sin_x) + imaginary.dot(&cos_x);
        let cos_y = Array2::from_shape_fn((side, size), |(k, f)| angle(signed_index(f, size), k).cos());
        let sin_y = Array2::from_shape_fn((side, size), |(k, f)| angle(signed_index(f, size), k).sin());
        (0..count)
            .map(|image| {
                let rows = s![image * size..(image + 1) * size, ..];
                cos_y.dot(&over_x_real.slice(rows)) - sin_y.dot(&over_x_imaginary.slice(rows))
            })
            .collect()
    }
}

/// Slope of `sin(pi x) / (pi x)`.
fn sinc_slope(x: f64) -> f64 {
    let t = PI * x;
    if t.abs() < 1e-3 { -PI * t / 3.0 } else { (t.cos() - sinc(x)) / x }
}

/// Interpolation weights of a star's pixels along one axis.
pub struct Axis1 {
    first: Vec<usize>,
    weights: Vec<[f64; TAPS]>,
    /// Slope of the weights with the pixel's place, per pixel.
    slopes: Vec<[f64; TAPS]>,
}

impl Axis1 {
    /// Pixels `-half ..= half` of a star that lies at `centre`, pixels from the middle one.
    pub fn new(grid: Grid, half: usize, centre: f64) -> Self {
        let mut axis = Self { first: Vec::new(), weights: Vec::new(), slopes: Vec::new() };
        let last = grid.side() - TAPS;
        for k in 0..=2 * half {
            let at = (k as f64 - half as f64 - centre) / grid.step + grid.half as f64;
            let first = ((at.floor() as isize) - (TAPS as isize / 2 - 1)).clamp(0, last as isize) as usize;
            let (weights, slopes) = lagrange(at - first as f64);
            axis.first.push(first);
            axis.weights.push(weights);
            axis.slopes.push(slopes.map(|slope| slope / grid.step));
        }
        axis
    }
}

/// Lagrange weights of the points `0 .. TAPS` at `at`, and their slopes.
fn lagrange(at: f64) -> ([f64; TAPS], [f64; TAPS]) {
    let (mut weights, mut slopes) = ([0.0; TAPS], [0.0; TAPS]);
    for i in 0..TAPS {
        let (mut value, mut slope) = (1.0, 0.0);
        for j in (0..TAPS).filter(|&j| j != i) {
            let distance = i as f64 - j as f64;
            slope = (slope * (at - j as f64) + value) / distance;
            value *= (at - j as f64) / distance;
        }
        (weights[i], slopes[i]) = (value, slope);
    }
    (weights, slopes)
}

/// One grid image at the pixels of a star, row by row.
pub fn at_pixels(image: &Array2<f64>, x: &Axis1, y: &Axis1) -> Vec<f64> {
    combine(image, x, &x.weights, y, &y.weights)
}

/// The image's slopes as the star moves along x and along y.
pub fn slopes_at_pixels(image: &Array2<f64>, x: &Axis1, y: &Axis1) -> [Vec<f64>; 2] {
    let along_x = combine(image, x, &x.slopes, y, &y.weights);
    let along_y = combine(image, x, &x.weights, y, &y.slopes);
    [along_x, along_y].map(|values| values.into_iter().map(|v| -v).collect())
}

fn combine(
    image: &Array2<f64>,
    x: &Axis1,
    weights_x: &[[f64; TAPS]],
    y: &Axis1,
    weights_y: &[[f64; TAPS]],
) -> Vec<f64> {
    let standard = image.as_standard_layout();
    let mut values = vec![0.0; x.first.len() * y.first.len()];
    let points = standard.as_slice().unwrap_or_default();
    let columns = image.ncols();
    pulp::Arch::new().dispatch(Combine { points, columns, x, weights_x, y, weights_y, values: &mut values });
    values
}

/// Rows of the grid are combined first: they are long, and lie in memory as they are summed.
struct Combine<'a> {
    points: &'a [f64],
    columns: usize,
    x: &'a Axis1,
    weights_x: &'a [[f64; TAPS]],
    y: &'a Axis1,
    weights_y: &'a [[f64; TAPS]],
    values: &'a mut [f64],
}

impl pulp::NullaryFnOnce for Combine<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { points, columns, x, weights_x, y, weights_y, values } = self;
        let mut line = vec![0.0; columns];
        let rows = values.chunks_exact_mut(x.first.len()).zip(y.first.iter().zip(weights_y));
        for (values, (&first, weights)) in rows {
            line.fill(0.0);
            let taps = points[first * columns..(first + TAPS) * columns].chunks_exact(columns);
            for (row, &weight) in taps.zip(weights) {
                for (sum, value) in line.iter_mut().zip(row) {
                    *sum = weight.mul_add(*value, *sum);
                }
            }
            for (value, (&first, weights)) in values.iter_mut().zip(x.first.iter().zip(weights_x)) {
                *value =
                    line[first..first + TAPS].iter().zip(weights).fold(0.0, |sum, (v, w)| w.mul_add(*v, sum));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::parameters::MOST;
    use super::*;
    use crate::optics::{FieldPattern, Telescope};

    fn propagator() -> Propagator {
        let telescope = Telescope {
            bandwidth_nm: 100.0,
            band_samples: 2,
            pupil_samples: 48,
            ..Telescope::monochromatic(0.6, 0.3, 600.0)
        };
        Propagator::new(&telescope).unwrap()
    }

    fn values() -> Values {
        let mut list = [0.0; MOST];
        for (k, value) in list.iter_mut().enumerate() {
            *value = 20.0 * ((k * k + 1) as f64).sin();
        }
        list[15..].copy_from_slice(&[900.0, 1600.0, 300.0, 90.0, -40.0]);
        Values::from_list(&list)
    }

    fn blur(values: &Values) -> Blur {
        let (jitter_mas2, drift_mas) = (values.jitter_mas2, values.drift_mas);
        Blur { jitter_mas2, drift_mas, diffusion_pixels: 0.2, ..Blur::pixel(0.09) }
    }

    const PLACE: [f64; 2] = [0.3, -0.5];

    fn zone(propagator: &Propagator, values: &Values) -> Zone {
        let blur = blur(values);
        Zone::new(propagator, &blur, values, PLACE, Grid::new(propagator, 0.09, 6, 1.5), true)
    }

    #[test]
    fn interpolated_pixels_are_those_of_the_psf() {
        let (propagator, values) = (propagator(), values());
        let zone = zone(&propagator, &values);
        let wavefront = values.pattern.wavefront(PLACE[0], PLACE[1]);
        let psf = propagator.psf(&wavefront, &blur(&values)).unwrap();
        for centre in [[0.0, 0.0], [0.37, -0.21], [-1.4, 0.9]] {
            let [x, y] = centre.map(|c| Axis1::new(zone.grid(), 6, c));
            let exact = psf.image(13, 6.0 + centre[0], 6.0 + centre[1]);
            let peak = exact.iter().copied().fold(0.0, f64::max);
            let pixels = at_pixels(&zone.images[0], &x, &y);
            let worst = pixels.iter().zip(&exact).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(worst < 2e-5 * peak, "{centre:?}: {worst} of {peak}");
            // Slopes with the star's place against differences of the exact image.
            let d = 1e-4;
            let [along_x, _] = slopes_at_pixels(&zone.images[0], &x, &y);
            let (more, less) = (
                psf.image(13, 6.0 + centre[0] + d, 6.0 + centre[1]),
                psf.image(13, 6.0 + centre[0] - d, 6.0 + centre[1]),
            );
            for (slope, (a, b)) in along_x.iter().zip(more.iter().zip(&less)) {
                let difference = (a - b) / (2.0 * d);
                assert!((slope - difference).abs() < 1e-4 * peak, "{slope} {difference} of {peak}");
            }
        }
    }

    /// Every slope image against the difference of two exact images.
    #[test]
    fn slopes_are_those_of_finite_differences() {
        let (propagator, values) = (propagator(), values());
        let zone = zone(&propagator, &values);
        let [x, y] = [0.2, -0.3].map(|c| Axis1::new(zone.grid(), 6, c));
        let exact = |wavefront: [f64; MODES], list: [f64; 5]| {
            let [d, a45, a0, cy, cx, ty, tx, s] = wavefront;
            let pattern = FieldPattern {
                defocus_nm: d,
                astigmatism_nm: [a0, a45],
                coma_nm: [cx, cy],
                trefoil_nm: [tx, ty],
                spherical_nm: s,
                ..FieldPattern::default()
            };
            let [xx, yy, xy, dx, dy] = list;
            let values = Values { pattern, jitter_mas2: [xx, yy, xy], drift_mas: [dx, dy] };
            propagator.psf(&pattern.wavefront(0.0, 0.0), &blur(&values)).unwrap().image(13, 6.2, 5.7)
        };
        let wavefront = zone.wavefront;
        let motion: [f64; 5] = std::array::from_fn(|k| values.to_list()[15 + k]);
        for image in 0..MODES + 5 {
            let moved = |by: f64| {
                let (mut w, mut m) = (wavefront, motion);
                match image.checked_sub(MODES) {
                    None => w[image] += by,
                    Some(k) => m[k] += by,
                }
                exact(w, m)
            };
            let step = if image < MODES { 0.05 } else { 0.5 };
            let (more, less) = (moved(step), moved(-step));
            let largest = more.iter().zip(&less).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            for (slope, (a, b)) in at_pixels(zone.slope(image), &x, &y).iter().zip(more.iter().zip(&less)) {
                let difference = (a - b) / (2.0 * step);
                // Interpolation of a slope's finer structure.
                let limit = 1e-3 * largest / (2.0 * step);
                assert!((slope - difference).abs() < limit, "{image}: {slope} {difference}");
            }
        }
    }
}
