//! The pixel-integrated PSF, evaluated exactly at any sub-pixel position.

use std::f64::consts::{PI, TAU};

use ndarray::{Array1, Array2, s};
use rustfft::num_complex::Complex;

use super::propagate::{signed_index, sinc};
use super::{OpticsError, Propagator, Telescope, Wavefront, within};

pub(super) const ARCSEC_PER_RADIAN: f64 = 180.0 * 3600.0 / PI;

/// What blurs the image after the optics.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blur {
    /// Pointing jitter as a covariance `[xx, yy, xy]`, mas² (Gaussian).
    pub jitter_mas2: [f64; 3],
    /// Uniform motion during the exposure, from start to end, mas.
    pub drift_mas: [f64; 2],
    /// Charge diffusion, sigma per axis, pixels (Gaussian).
    pub diffusion_pixels: f64,
    /// Side of a square, uniformly sensitive pixel, arcsec.
    pub pixel_arcsec: f64,
}

impl Blur {
    /// The pixel alone.
    pub fn pixel(pixel_arcsec: f64) -> Self {
        Self { jitter_mas2: [0.0; 3], drift_mas: [0.0; 2], diffusion_pixels: 0.0, pixel_arcsec }
    }

    /// Isotropic jitter of `rms_mas` per axis, and the pixel.
    pub fn jitter(rms_mas: f64, pixel_arcsec: f64) -> Self {
        let variance = rms_mas * rms_mas;
        Self { jitter_mas2: [variance, variance, 0.0], ..Self::pixel(pixel_arcsec) }
    }

    pub(super) fn validate(&self) -> Result<(), OpticsError> {
        let [xx, yy, xy] = self.jitter_mas2;
        let covariance = xx >= 0.0 && yy >= 0.0 && xy * xy <= xx * yy * (1.0 + 1e-12);
        if !(covariance && xx.is_finite() && yy.is_finite()) {
            return Err(OpticsError::JitterTensor(self.jitter_mas2));
        }
        within("pixel_arcsec", self.pixel_arcsec, 1e-9, 3600.0, "1e-9 to 3600")?;
        within("diffusion_pixels", self.diffusion_pixels, 0.0, 100.0, "0 to 100")?;
        within("drift_mas[0]", self.drift_mas[0].abs(), 0.0, 1e9, "0 to 1e9")?;
        within("drift_mas[1]", self.drift_mas[1].abs(), 0.0, 1e9, "0 to 1e9")?;
        Ok(())
    }

    /// Transfer function of everything but the pixel at `(fx, fy)` cycles per pixel.
    pub(super) fn transfer(&self, fx: f64, fy: f64) -> f64 {
        let pixel_mas = 1e3 * self.pixel_arcsec;
        let [jxx, jyy, jxy] = self.jitter_mas2.map(|j| j / (pixel_mas * pixel_mas));
        let diffusion = self.diffusion_pixels * self.diffusion_pixels;
        let exponent = (jxx + diffusion) * fx * fx + (jyy + diffusion) * fy * fy + 2.0 * jxy * fx * fy;
        let [drift_x, drift_y] = self.drift_mas.map(|d| d / pixel_mas);
        (-2.0 * PI * PI * exponent).exp() * sinc(fx * drift_x + fy * drift_y)
    }
}

/// The PSF as it falls on pixels: optics, motion, diffusion and pixel, held as its
/// transform on a regular grid of frequencies.
#[derive(Debug, Clone)]
pub struct Psf {
    /// Real parts above imaginary parts; rows `fy` in FFT order, columns `fx >= 0`;
    /// `fx > 0` counted twice, as the image is real.
    transfer: Array2<f64>,
    /// Frequency step, cycles per pixel.
    step: f64,
    pixel_arcsec: f64,
}

impl Psf {
    /// The PSF of one telescope, wavefront and blur. Where many are made with the
    /// same telescope, keep a [`Propagator`] instead.
    pub fn new(telescope: &Telescope, wavefront: &Wavefront, blur: &Blur) -> Result<Self, OpticsError> {
        Propagator::new(telescope)?.psf(wavefront, blur)
    }

    /// `otf` in FFT order `[fy][fx]`, `size` a side, `frequency_step` cycles per radian.
    pub(super) fn from_otf(otf: Vec<Complex<f64>>, size: usize, frequency_step: f64, blur: &Blur) -> Self {
        let step = frequency_step * blur.pixel_arcsec / ARCSEC_PER_RADIAN;
        let half = size / 2;
        let mut transfer = Array2::zeros((2 * size, half));
        for row in 0..size {
            // The highest frequency has no partner of the opposite sign; the OTF is
            // zero there but for the correction of the pupil cells.
            if row == half {
                continue;
            }
            let fy = signed_index(row, size) * step;
            for column in 0..half {
                let fx = column as f64 * step;
                let twice = if column == 0 { 1.0 } else { 2.0 };
                let factor = twice * blur.transfer(fx, fy) * sinc(fx) * sinc(fy);
                let value = otf[row * size + column] * factor;
                transfer[[row, column]] = value.re;
                transfer[[row + size, column]] = value.im;
            }
        }
        Self { transfer, step, pixel_arcsec: blur.pixel_arcsec }
    }

    /// The image repeats after this many pixels; a stamp must not be wider.
    pub fn period_pixels(&self) -> f64 {
        1.0 / self.step
    }

    pub fn pixel_arcsec(&self) -> f64 {
        self.pixel_arcsec
    }

    /// Share of the light in each pixel of a square stamp, `[y, x]`, for a source whose
    /// optical axis point falls at `(x0, y0)`, 0-based pixels of the stamp. (With coma
    /// the centroid lies beside that point.)
    pub fn image(&self, side: usize, x0: f64, y0: f64) -> Array2<f64> {
        let offsets = |centre: f64| -> Vec<f64> { (0..side).map(|i| i as f64 - centre).collect() };
        self.at(&offsets(x0), &offsets(y0))
    }

    /// The pixel-convolved profile, flux per pixel², at points `step_pixels` apart on a
    /// square of `side` points around the optical axis point, `[y, x]`. The axis point
    /// is the middle of the square, index `(side - 1) / 2`.
    pub fn sampled(&self, step_pixels: f64, side: usize) -> Array2<f64> {
        let middle = (side as f64 - 1.0) / 2.0;
        let offsets: Vec<f64> = (0..side).map(|i| (i as f64 - middle) * step_pixels).collect();
        self.at(&offsets, &offsets)
    }

    /// The pixel-convolved profile on the grid `xs` by `ys` (pixels from the axis
    /// point), by the Fourier sum itself, so there is no interpolation.
    fn at(&self, xs: &[f64], ys: &[f64]) -> Array2<f64> {
        let size = self.transfer.nrows() / 2;
        let half = self.transfer.ncols();
        let angle = |frequency: f64, position: f64| TAU * frequency * self.step * position;

        let cos_x = Array2::from_shape_fn((half, xs.len()), |(f, i)| angle(f as f64, xs[i]).cos());
        let sin_x = Array2::from_shape_fn((half, xs.len()), |(f, i)| angle(f as f64, xs[i]).sin());
        let over_cos = self.transfer.dot(&cos_x);
        let over_sin = self.transfer.dot(&sin_x);
        let real = &over_cos.slice(s![..size, ..]) - &over_sin.slice(s![size.., ..]);
        let imaginary = &over_sin.slice(s![..size, ..]) + &over_cos.slice(s![size.., ..]);

        let fy: Array1<f64> = (0..size).map(|i| signed_index(i, size)).collect();
        let cos_y = Array2::from_shape_fn((ys.len(), size), |(j, f)| angle(fy[f], ys[j]).cos());
        let sin_y = Array2::from_shape_fn((ys.len(), size), |(j, f)| angle(fy[f], ys[j]).sin());
        (cos_y.dot(&real) - sin_y.dot(&imaginary)) * (self.step * self.step)
    }

    /// This PSF convolved with an exponential disc of scale length `scale_pixels` and
    /// ellipticity `(e1, e2)` (distortion, `(a^2 - b^2) / (a^2 + b^2)`; `a b` stays
    /// `scale_pixels^2`), using the disc's transform `(1 + k^2 h^2)^(-3/2)`.
    pub fn convolved_with_exponential(&self, scale_pixels: f64, e1: f64, e2: f64) -> Self {
        // Second-moment matrix of the disc up to a factor: k^T Q k takes the place of
        // k^2 h^2.
        let normal = (1.0 - e1 * e1 - e2 * e2).max(1e-6).sqrt();
        let h2 = scale_pixels * scale_pixels / normal;
        let (qxx, qyy, qxy) = (h2 * (1.0 + e1), h2 * (1.0 - e1), h2 * e2);
        let mut galaxy = self.clone();
        let size = self.transfer.nrows() / 2;
        for ((row, column), value) in galaxy.transfer.indexed_iter_mut() {
            let kx = TAU * self.step * column as f64;
            let ky = TAU * self.step * signed_index(row % size, size);
            let k2 = qxx * kx * kx + qyy * ky * ky + 2.0 * qxy * kx * ky;
            *value *= (1.0 + k2).powf(-1.5);
        }
        galaxy
    }

    /// Transfer samples as `(fx, fy, value)`, cycles per pixel; `fx > 0` only, counted
    /// twice.
    pub(super) fn samples(&self) -> impl Iterator<Item = (f64, f64, Complex<f64>)> + '_ {
        let size = self.transfer.nrows() / 2;
        (0..size).flat_map(move |row| {
            let fy = signed_index(row, size) * self.step;
            (0..self.transfer.ncols()).map(move |column| {
                let value = Complex::new(self.transfer[[row, column]], self.transfer[[row + size, column]]);
                (column as f64 * self.step, fy, value)
            })
        })
    }
}
