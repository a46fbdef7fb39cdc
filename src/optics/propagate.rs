//! From the pupil to the intensity at the focus and its transform.
//!
//! One grid of spatial frequencies serves the whole band: at wavelength `lambda` the
//! pupil cell is `lambda * frequency step` wide, so every wavelength's image falls on
//! the same angles and the band is a plain sum. Padding the pupil to twice its width
//! makes the discrete autocorrelation (the OTF) free of wrap-around.

use std::sync::Arc;

use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::pupil::{Cell, lit_cells};
use super::zernike::MODES;
use super::{Blur, OpticsError, Psf, Telescope, Wavefront, within};

/// Fewest pixels in a period of the image.
const FEWEST_PIXELS: f64 = 8.0;

/// A telescope ready to make PSFs: pupil cells, polynomials and transforms in place.
pub struct Propagator {
    telescope: Telescope,
    /// Points per side of the padded grid.
    size: usize,
    /// Step of spatial frequency, cycles per radian.
    frequency_step: f64,
    bands: Vec<Band>,
    fft: Arc<dyn Fft<f64>>,
    /// Per grid index, the squared inverse of the transform of a pupil cell.
    cell_correction: Vec<f64>,
}

struct Band {
    radians_per_nm: f64,
    cells: Vec<Cell>,
    rows: usize,
    lit_area: f64,
}

impl Propagator {
    pub fn new(telescope: &Telescope) -> Result<Self, OpticsError> {
        telescope.validate()?;
        let size = 2 * telescope.pupil_samples;
        let wavelengths = telescope.wavelengths_nm();
        let shortest_m = wavelengths.iter().copied().fold(f64::INFINITY, f64::min) * 1e-9;
        let frequency_step = telescope.aperture_m / shortest_m / telescope.pupil_samples as f64;
        let bands = wavelengths
            .iter()
            .map(|&wavelength_nm| {
                let width = 2.0 * wavelength_nm * 1e-9 * frequency_step / telescope.aperture_m;
                let cells = lit_cells(telescope, width);
                Band {
                    radians_per_nm: std::f64::consts::TAU / wavelength_nm,
                    rows: cells.iter().map(|c| c.row + 1).max().unwrap_or(0),
                    lit_area: cells.iter().map(|c| c.amplitude).sum(),
                    cells,
                }
            })
            .collect();
        let cell_correction = (0..size).map(|i| sinc(signed_index(i, size) / size as f64).powi(-2)).collect();
        Ok(Self {
            telescope: telescope.clone(),
            size,
            frequency_step,
            bands,
            fft: FftPlanner::new().plan_fft_forward(size),
            cell_correction,
        })
    }

    /// Points per side of the grid of frequencies, and their step, cycles per radian.
    pub(super) fn grid(&self) -> (usize, f64) {
        (self.size, self.frequency_step)
    }

    pub fn telescope(&self) -> &Telescope {
        &self.telescope
    }

    /// The pixel-integrated PSF for one wavefront and blur.
    pub fn psf(&self, wavefront: &Wavefront, blur: &Blur) -> Result<Psf, OpticsError> {
        blur.validate()?;
        let period_arcsec = super::psf::ARCSEC_PER_RADIAN / self.frequency_step;
        within(
            "pixel_arcsec",
            blur.pixel_arcsec,
            0.0,
            period_arcsec / FEWEST_PIXELS,
            "0 to an eighth of pupil_samples * lambda / D, the period of the image",
        )?;
        Ok(self.psf_unchecked(wavefront, blur))
    }

    /// The same where the blur may be what a fit passes through, such as a jitter tensor a little below zero.
    pub(super) fn psf_unchecked(&self, wavefront: &Wavefront, blur: &Blur) -> Psf {
        Psf::from_otf(self.otf(wavefront), self.size, self.frequency_step, blur)
    }

    /// The optical transfer function, `[fy][fx]`, in FFT order; at zero frequency it
    /// is the share of the light that falls within the period of the grid.
    fn otf(&self, wavefront: &Wavefront) -> Vec<Complex<f64>> {
        let n = self.size;
        let mut scratch = vec![Complex::default(); self.fft.get_inplace_scratch_len()];
        let mut transposed: Vec<Complex<f64>> =
            self.intensity(wavefront, &mut scratch).into_iter().map(Complex::from).collect();
        self.fft.process_with_scratch(&mut transposed, &mut scratch);
        let mut otf = transpose(&transposed, n, n);
        self.fft.process_with_scratch(&mut otf, &mut scratch);
        otf
    }

    /// The optical transfer function, and its slope along each coefficient of Z4 to Z11
    /// per nm; each as [`Propagator::otf`] gives it.
    ///
    /// With the field `F` at the focus and `F_k` the slope of the pupil's, the
    /// slope of the intensity is `2 Re(conj(F) F_k)`.
    pub(super) fn otf_and_slopes(&self, wavefront: &Wavefront) -> Vec<Vec<Complex<f64>>> {
        let n = self.size;
        let mut scratch = vec![Complex::default(); self.fft.get_inplace_scratch_len()];
        let coefficients = wavefront.noll_nm();
        let mut intensities = vec![vec![0.0; n * n]; 1 + MODES];
        for band in &self.bands {
            let lit: Vec<(Complex<f64>, [f64; 2])> =
                band.cells.iter().map(|cell| cell.mean(&coefficients, band.radians_per_nm)).collect();
            let scale = 1.0 / ((n * n) as f64 * band.lit_area * self.bands.len() as f64);
            let focus = self.at_focus(band, lit.iter().map(|l| l.0), &mut scratch);
            for (sum, amplitude) in intensities[0].iter_mut().zip(&focus) {
                *sum += scale * amplitude.norm_sqr();
            }
            for (mode, slope) in intensities[1..].iter_mut().enumerate() {
                let turned =
                    lit.iter().zip(&band.cells).map(|(l, cell)| cell.slope(mode, *l, band.radians_per_nm));
                let moved = self.at_focus(band, turned, &mut scratch);
                for ((sum, f), g) in slope.iter_mut().zip(&focus).zip(&moved) {
                    *sum += 2.0 * scale * (f.re * g.re + f.im * g.im);
                }
            }
        }
        for intensity in &mut intensities {
            self.correct_for_cells(intensity);
        }
        // Two real images share one transform.
        let mut transforms = Vec::with_capacity(1 + MODES);
        for pair in intensities.chunks(2) {
            let mut both: Vec<Complex<f64>> = match pair {
                [a, b] => a.iter().zip(b).map(|(&re, &im)| Complex::new(re, im)).collect(),
                rest => rest.iter().flatten().map(|&re| Complex::new(re, 0.0)).collect(),
            };
            self.fft.process_with_scratch(&mut both, &mut scratch);
            let mut both = transpose(&both, n, n);
            self.fft.process_with_scratch(&mut both, &mut scratch);
            let mirrored = |k: usize| both[(n - k / n) % n * n + (n - k % n) % n].conj();
            transforms.push((0..n * n).map(|k| 0.5 * (both[k] + mirrored(k))).collect());
            if pair.len() == 2 {
                let half = Complex::new(0.0, -0.5);
                transforms.push((0..n * n).map(|k| half * (both[k] - mirrored(k))).collect());
            }
        }
        transforms
    }

    /// The field at the focus of one wavelength's lit cells, `[x][y]`.
    fn at_focus(
        &self,
        band: &Band,
        lit: impl Iterator<Item = Complex<f64>>,
        scratch: &mut [Complex<f64>],
    ) -> Vec<Complex<f64>> {
        let n = self.size;
        let mut field = vec![Complex::default(); band.rows * n];
        for (cell, value) in band.cells.iter().zip(lit) {
            field[cell.row * n + cell.column] = value;
        }
        self.fft.process_with_scratch(&mut field, scratch);
        let mut field = transpose(&field, band.rows, n);
        self.fft.process_with_scratch(&mut field, scratch);
        field
    }

    /// Intensity at the focus, summed over the band, on angles `1 / (size *
    /// frequency_step)` apart; `[x][y]` in FFT order, normalised so that the sum over
    /// all angles, near and far, is one.
    fn intensity(&self, wavefront: &Wavefront, scratch: &mut [Complex<f64>]) -> Vec<f64> {
        let n = self.size;
        let coefficients = wavefront.noll_nm();
        let mut intensity = vec![0.0; n * n];
        for band in &self.bands {
            let lit = band.cells.iter().map(|cell| cell.mean(&coefficients, band.radians_per_nm).0);
            let field = self.at_focus(band, lit, scratch);
            let scale = 1.0 / ((n * n) as f64 * band.lit_area * self.bands.len() as f64);
            for (sum, amplitude) in intensity.iter_mut().zip(&field) {
                *sum += scale * amplitude.norm_sqr();
            }
        }
        self.correct_for_cells(&mut intensity);
        intensity
    }

    /// A grey cell is the pupil averaged over the cell, which dims the image away from the
    /// axis by the transform of the cell; this undoes it.
    fn correct_for_cells(&self, intensity: &mut [f64]) {
        for (row, x) in intensity.chunks_exact_mut(self.size).zip(&self.cell_correction) {
            for (value, y) in row.iter_mut().zip(&self.cell_correction) {
                *value *= x * y;
            }
        }
    }
}

/// Transposes `rows` rows of `n` into `n` rows of `n`, padding with zeros.
fn transpose(from: &[Complex<f64>], rows: usize, n: usize) -> Vec<Complex<f64>> {
    const TILE: usize = 16;
    let mut to = vec![Complex::default(); n * n];
    for row0 in (0..rows).step_by(TILE) {
        for column0 in (0..n).step_by(TILE) {
            for row in row0..(row0 + TILE).min(rows) {
                for column in column0..(column0 + TILE).min(n) {
                    to[column * n + row] = from[row * n + column];
                }
            }
        }
    }
    to
}

/// Index of an FFT-ordered sample, negative in the upper half.
pub(super) fn signed_index(i: usize, n: usize) -> f64 {
    if i < n / 2 { i as f64 } else { i as f64 - n as f64 }
}

/// `sin(pi x) / (pi x)`.
pub(super) fn sinc(x: f64) -> f64 {
    let t = std::f64::consts::PI * x;
    if t.abs() < 1e-8 { 1.0 } else { t.sin() / t }
}
