//! The forward model fitted to the stars of one exposure: wavefront over the field, jitter,
//! trailing, with errors.
//!
//! ```text
//! stars -> targets (weights, zones) -> solve (zone PSFs, each star's own numbers) -> ExposureFit
//! ```
//!
//! - [`parameters`]: what is fitted
//! - `zone`: PSF and slopes of a zone of the field, by the transform of the pupil
//! - `star`: one star against the model
//! - `solve`: the least-squares problem, Levenberg-Marquardt
//! - [`degenerate`]: what one focused image cannot tell
//! - [`budget`]: what the terms amount to in size, ellipticity, Strehl ratio
//! - [`changes`]: what changes between exposures
//! - `prepare`: star images made ready

pub mod budget;
pub mod changes;
pub mod degenerate;
pub mod parameters;
mod prepare;
mod solve;
mod star;
mod zone;

use nalgebra::DMatrix;
use ndarray::Array2;

use super::{Blur, OpticsError, Propagator, Telescope};
use parameters::{JITTER, MOST, PATTERN, Values};
use prepare::{Prepared, prepare};
use solve::{Frame, Solved, solve};
use zone::Grid;

/// Fewest stars a fit is tried with.
pub const MIN_STARS: usize = 12;

/// Cells across the pupil for zones, for the exact images of stars, and for the first fits; the image
/// repeats after as many `lambda / D`.
const PUPIL_SAMPLES: usize = 48;
const EXACT_PUPIL_SAMPLES: usize = 64;
const COARSE_PUPIL_SAMPLES: usize = 32;
const BAND_SAMPLES: usize = 3;
/// Defocus and jitter from which the first fit starts: waves rms, and `lambda / D` rms.
const START_DEFOCUS_WAVES: [f64; 3] = [0.04, 0.12, 0.3];
const START_JITTER: f64 = 0.12;
/// Stars of the first, coarse fits.
const COARSE_STARS: usize = 40;
/// The weak prior about zero on every coefficient of the wavefront, waves rms: it ties down
/// what the images cannot, and moves what they can by nothing that matters.
const PRIOR_WAVES: f64 = 0.25;
/// The same for uniform motion, `lambda / D`.
const PRIOR_DRIFT: f64 = 3.0;
/// A term whose error is over this share of its prior is not determined by the images.
const UNDETERMINED: f64 = 0.5;

/// Why an exposure was not fitted.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    #[error("{stars} usable star images, but a fit needs at least {MIN_STARS}")]
    FewStars { stars: usize },
    #[error("the model and the stars did not come together; are the facts of the telescope right?")]
    NotArrived,
    #[error(transparent)]
    Optics(#[from] OpticsError),
}

/// One star as it was measured.
#[derive(Debug, Clone)]
pub struct StarImage {
    /// Place in the field: half-diagonals from its centre.
    pub place: [f64; 2],
    /// Sky-subtracted pixels `[y, x]`, odd and square.
    pub pixels: Array2<f32>,
    /// True where a pixel must not be used.
    pub mask: Array2<bool>,
    /// Centroid, pixels from the middle of the square.
    pub centre: [f64; 2],
    /// In the units of the pixels.
    pub flux: f64,
}

/// What is known beforehand.
#[derive(Debug, Clone, PartialEq)]
pub struct Known {
    pub telescope: Telescope,
    pub pixel_arcsec: f64,
    /// Sigma per axis, pixels. Where it is not known it is taken as none, and the jitter
    /// fitted is that of jitter and diffusion together.
    pub diffusion_pixels: Option<f64>,
}

/// Noise of an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Per pixel, units of the pixels.
    pub sky_noise: f64,
    /// Electrons per unit; without it the noise of the stars themselves is left out.
    pub gain: Option<f64>,
}

/// What was found for one exposure.
#[derive(Debug, Clone)]
pub struct ExposureFit {
    pub values: Values,
    /// Covariance of the parameters fitted, in their order; scaled by chi-square where that
    /// is significantly over its expectation.
    pub covariance: DMatrix<f64>,
    /// Standard deviation of the weak prior of each parameter.
    pub prior: [f64; MOST],
    pub with_drift: bool,
    pub chi2: f64,
    pub degrees_of_freedom: usize,
    pub stars: usize,
    pub zones: Vec<ZoneResidual>,
    pub evaluations: usize,
}

/// What the fit leaves over in one zone of the field.
#[derive(Debug, Clone, PartialEq)]
pub struct ZoneResidual {
    pub place: [f64; 2],
    /// Column and row among `side` by `side` zones.
    pub cell: [usize; 2],
    pub side: usize,
    pub stars: usize,
    pub chi2: f64,
    pub degrees_of_freedom: usize,
    /// Mean over the stars as they fall on the pixels, weighted, share of the flux, `[y, x]`: of the
    /// model, and of data minus model.
    pub model: Array2<f64>,
    pub residual: Array2<f64>,
    /// Largest error of a pixel of that mean, by the stated noise.
    pub error: f64,
}

impl ExposureFit {
    pub fn parameters(&self) -> usize {
        self.covariance.nrows()
    }

    pub fn chi2_per_degree(&self) -> f64 {
        self.chi2 / self.degrees_of_freedom.max(1) as f64
    }

    /// Standard error of a parameter; infinite where it was not fitted.
    pub fn error(&self, parameter: usize) -> f64 {
        if parameter < self.parameters() {
            self.covariance[(parameter, parameter)].max(0.0).sqrt()
        } else {
            f64::INFINITY
        }
    }

    /// Whether the images, not the prior, decide a parameter.
    pub fn is_determined(&self, parameter: usize) -> bool {
        parameter < self.parameters() && self.error(parameter) < UNDETERMINED * self.prior[parameter]
    }

    /// The same fit with all even terms of the other sign, which has the same images.
    pub fn flipped(&self) -> Self {
        let sign = |k: usize| if parameters::is_even(k) { -1.0 } else { 1.0 };
        let covariance = DMatrix::from_fn(self.parameters(), self.parameters(), |a, b| {
            sign(a) * sign(b) * self.covariance[(a, b)]
        });
        Self { values: self.values.flipped(), covariance, ..self.clone() }
    }
}

/// Fits exposures of one telescope.
pub struct Fitter {
    known: Known,
    fine: Propagator,
    exact: Propagator,
    coarse: Propagator,
}

impl Fitter {
    pub fn new(known: &Known) -> Result<Self, OpticsError> {
        let bands = if known.telescope.bandwidth_nm > 0.0 { BAND_SAMPLES } else { 1 };
        let fine = Telescope { band_samples: bands, pupil_samples: PUPIL_SAMPLES, ..known.telescope.clone() };
        let coarse = Telescope { band_samples: 1, pupil_samples: COARSE_PUPIL_SAMPLES, ..fine.clone() };
        let exact = Telescope { pupil_samples: EXACT_PUPIL_SAMPLES, ..fine.clone() };
        let fitter = Self {
            known: known.clone(),
            fine: Propagator::new(&fine)?,
            exact: Propagator::new(&exact)?,
            coarse: Propagator::new(&coarse)?,
        };
        // Refuses a pixel that is too coarse for the telescope.
        fitter.fine.psf(&super::Wavefront::default(), &fitter.blur())?;
        Ok(fitter)
    }

    pub fn known(&self) -> &Known {
        &self.known
    }

    fn blur(&self) -> Blur {
        let diffusion_pixels = self.known.diffusion_pixels.unwrap_or(0.0);
        Blur { diffusion_pixels, ..Blur::pixel(self.known.pixel_arcsec) }
    }

    fn lambda_over_d_mas(&self) -> f64 {
        1e3 * self.known.telescope.lambda_over_d_arcsec()
    }

    fn prior(&self) -> [f64; MOST] {
        let mut prior = [f64::INFINITY; MOST];
        prior[..PATTERN].fill(PRIOR_WAVES * self.known.telescope.wavelength_nm);
        prior[PATTERN + JITTER..].fill(PRIOR_DRIFT * self.lambda_over_d_mas());
        prior
    }

    fn frame<'a>(&'a self, propagator: &'a Propagator, prepared: &Prepared, with_drift: bool) -> Frame<'a> {
        let blur = self.blur();
        Frame {
            propagator,
            blur,
            grid: Grid::new(propagator, blur.pixel_arcsec, prepared.half, star::MARGIN),
            zones: prepared.zones.clone(),
            prior: self.prior(),
            with_drift,
        }
    }

    /// Starting values for jitter and defocus, in rising order of defocus.
    fn starts(&self) -> impl Iterator<Item = Values> {
        let jitter = (START_JITTER * self.lambda_over_d_mas()).powi(2);
        let wavelength_nm = self.known.telescope.wavelength_nm;
        START_DEFOCUS_WAVES.into_iter().map(move |waves| {
            let mut values = Values { jitter_mas2: [jitter, jitter, 0.0], ..Values::default() };
            values.pattern.defocus_nm = waves * wavelength_nm;
            values
        })
    }

    /// Whether the pupil looks different upside down, so that its images tell the sign of the
    /// even terms.
    pub fn tells_sign(&self) -> bool {
        self.known.telescope.vanes.is_some_and(|vanes| vanes.count % 2 == 1)
    }

    /// Fits one exposure without trailing, from `start` (such as another exposure of the
    /// same stack), or else from several values with a few bright stars first.
    pub fn fit(
        &self,
        stars: &[StarImage],
        noise: Noise,
        start: Option<&Values>,
    ) -> Result<ExposureFit, FitError> {
        let width = self.known.telescope.lambda_over_d_arcsec() / self.known.pixel_arcsec;
        let mut prepared = prepare(stars, noise, width)?;
        let start = match start {
            Some(values) => *values,
            None => self.coarse_start(&prepared),
        };
        let frame = self.frame(&self.fine, &prepared, false);
        let mut first = solve(&frame, &prepared.targets, &start, solve::NEAR);
        if self.tells_sign() {
            let other = solve(&frame, &prepared.targets, &first.values.flipped(), solve::NEAR);
            if other.chi2 < first.chi2 {
                first = other;
            }
        }
        prepared.refine(&frame, &first);
        prepared.hold_beyond_zones(&frame, &self.exact, &first.values);
        let solved = solve(&frame, &prepared.targets, &first.values, solve::ARRIVED);
        self.finish(&frame, &prepared, solved, first.evaluations)
    }

    /// Fits again with uniform motion as its own term, from the fit without it: the motion
    /// first takes all that the jitter has along its long axis over the short one. Gives also by
    /// how much chi-square is lower than without it, for the same stars and weights.
    pub fn fit_trailing(
        &self,
        stars: &[StarImage],
        noise: Noise,
        fit: &ExposureFit,
    ) -> Result<(ExposureFit, f64), FitError> {
        let width = self.known.telescope.lambda_over_d_arcsec() / self.known.pixel_arcsec;
        let mut prepared = prepare(stars, noise, width)?;
        let mut start = fit.values;
        let axes = TensorAxes::of(fit.values.jitter_mas2);
        let (sin, cos) = axes.angle_deg.to_radians().sin_cos();
        let extra = axes.major_mas2 - axes.minor_mas2;
        let length = (12.0 * extra).sqrt().max(0.05 * self.lambda_over_d_mas());
        start.drift_mas = [length * cos, length * sin];
        start.jitter_mas2 = [axes.minor_mas2, axes.minor_mas2, 0.0];
        let without = self.frame(&self.fine, &prepared, false);
        let base = Solved {
            compared: without.compare(&prepared.targets, &fit.values),
            values: fit.values,
            chi2: fit.chi2,
            evaluations: 0,
            arrived: true,
        };
        prepared.refine(&without, &base);
        prepared.hold_beyond_zones(&without, &self.exact, &fit.values);
        let frame = self.frame(&self.fine, &prepared, true);
        let solved = solve(&frame, &prepared.targets, &start, solve::ARRIVED);
        let base = solve(&without, &prepared.targets, &fit.values, solve::ARRIVED);
        let gain = base.chi2 - solved.chi2;
        Ok((self.finish(&frame, &prepared, solved, 0)?, gain))
    }

    /// The best of several starts, with a few bright stars at one wavelength.
    fn coarse_start(&self, prepared: &Prepared) -> Values {
        let few = prepared.brightest(COARSE_STARS);
        let frame = self.frame(&self.coarse, &few, false);
        self.starts()
            .map(|start| solve(&frame, &few.targets, &start, solve::NEAR))
            .min_by(|a, b| a.chi2.total_cmp(&b.chi2))
            .map_or_else(Values::default, |best| best.values)
    }

    fn finish(
        &self,
        frame: &Frame,
        prepared: &Prepared,
        solved: Solved,
        evaluations: usize,
    ) -> Result<ExposureFit, FitError> {
        let normal = frame.normal_matrix(&prepared.targets, &solved.compared);
        let mut covariance = scaled_inverse(&normal).ok_or(FitError::NotArrived)?;
        let zones = prepared.zone_residuals(frame, &solved);
        let n = frame.parameters();
        let chi2: f64 = zones.iter().map(|z| z.chi2).sum();
        let pixels: usize = zones.iter().map(|z| z.degrees_of_freedom).sum();
        let degrees_of_freedom = pixels.saturating_sub(n);
        if !(chi2.is_finite() && degrees_of_freedom > 0 && solved.arrived) {
            return Err(FitError::NotArrived);
        }
        // Errors grow with the misfit, once that is more than chance: common practice.
        let (ratio, dof) = (chi2 / degrees_of_freedom as f64, degrees_of_freedom as f64);
        if ratio > 1.0 + 3.0 * (2.0 / dof).sqrt() {
            covariance *= ratio;
        }
        // The joint sign of the even terms is a convention here: mean defocus not negative.
        let fit = ExposureFit {
            values: solved.values,
            covariance,
            prior: frame.prior,
            with_drift: frame.with_drift,
            chi2,
            degrees_of_freedom,
            stars: prepared.targets.len(),
            zones,
            evaluations: evaluations + solved.evaluations,
        };
        let conventional = self.tells_sign() || fit.values.mean_defocus_nm() >= 0.0;
        Ok(if conventional { fit } else { fit.flipped() })
    }
}

/// Inverse of a positive definite matrix, scaled to a unit diagonal first.
fn scaled_inverse(matrix: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let scale: Vec<f64> = (0..matrix.nrows()).map(|k| matrix[(k, k)].sqrt().recip()).collect();
    let unit = DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |a, b| matrix[(a, b)] * scale[a] * scale[b]);
    let inverse = unit.cholesky()?.inverse();
    Some(DMatrix::from_fn(matrix.nrows(), matrix.ncols(), |a, b| inverse[(a, b)] * scale[a] * scale[b]))
}

/// A symmetric tensor by its axes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TensorAxes {
    pub major_mas2: f64,
    pub minor_mas2: f64,
    /// Long axis, from x towards y, -90 to 90 degrees.
    pub angle_deg: f64,
}

impl TensorAxes {
    /// Axes of `[xx, yy, xy]`.
    pub fn of([xx, yy, xy]: [f64; 3]) -> Self {
        let (mean, half) = (0.5 * (xx + yy), 0.5 * (xx - yy));
        let reach = half.hypot(xy);
        Self {
            major_mas2: mean + reach,
            minor_mas2: mean - reach,
            angle_deg: 0.5 * xy.atan2(half).to_degrees(),
        }
    }
}
