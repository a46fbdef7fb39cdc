//! What the fitted terms amount to: share of the size each cause takes, Strehl ratio, and
//! what nulling a term would win. At one wavelength, the middle of the band.

use super::Known;
use super::parameters::Values;
use crate::optics::{Blur, FieldPattern, OpticsError, Propagator, SecondMoments, Telescope};

/// Cells across the pupil.
const PUPIL_SAMPLES: usize = 32;
/// Where the field is looked at, half-diagonals.
const PLACES: [[f64; 2]; 5] = [[0.0, 0.0], [0.4, 0.4], [-0.4, 0.4], [-0.4, -0.4], [0.4, -0.4]];
/// A pixel so small that its own response does not count, as a part of the real one.
const SMALL: f64 = 1e-2;
/// The peak is sought this far from the axis point, `lambda / D`.
const PEAK_REACH: f64 = 0.4;
const PEAK_POINTS: usize = 17;

/// What makes an image larger than its telescope's diffraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    Pixel,
    Diffusion,
    Jitter,
    Defocus,
    Astigmatism,
    Coma,
    Trefoil,
    Spherical,
}

impl Cause {
    pub const ALL: [Cause; 8] = [
        Cause::Pixel,
        Cause::Diffusion,
        Cause::Jitter,
        Cause::Defocus,
        Cause::Astigmatism,
        Cause::Coma,
        Cause::Trefoil,
        Cause::Spherical,
    ];

    pub fn word(self) -> &'static str {
        match self {
            Cause::Pixel => "pixel",
            Cause::Diffusion => "diffusion",
            Cause::Jitter => "jitter",
            Cause::Defocus => "defocus",
            Cause::Astigmatism => "astigmatism",
            Cause::Coma => "coma",
            Cause::Trefoil => "trefoil",
            Cause::Spherical => "spherical",
        }
    }

    /// The values without this cause; pixel and diffusion are no part of them.
    fn removed(self, values: &Values) -> Values {
        let mut v = *values;
        let p = &mut v.pattern;
        match self {
            Cause::Pixel | Cause::Diffusion => {}
            Cause::Jitter => {
                v.jitter_mas2 = [0.0; 3];
                v.drift_mas = [0.0; 2];
            }
            Cause::Defocus => {
                p.defocus_nm = 0.0;
                p.defocus_tilt_nm = [0.0; 2];
                p.defocus_curvature_nm = 0.0;
            }
            Cause::Astigmatism => {
                p.astigmatism_nm = [0.0; 2];
                p.astigmatism_linear_nm = [0.0; 2];
                p.astigmatism_quadratic_nm = 0.0;
            }
            Cause::Coma => {
                p.coma_nm = [0.0; 2];
                p.coma_linear_nm = 0.0;
            }
            Cause::Trefoil => p.trefoil_nm = [0.0; 2],
            Cause::Spherical => p.spherical_nm = 0.0,
        }
        v
    }
}

/// Adaptive size and ellipticity of an exposure, mean over the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldShape {
    pub size_mas2: f64,
    /// Mean of ln T.
    pub ln_size: f64,
    pub e1: f64,
    pub e2: f64,
    /// Rms over the field of the ellipticity's modulus.
    pub e_rms: f64,
}

/// The share of an exposure's size that each cause takes.
#[derive(Debug, Clone, PartialEq)]
pub struct SizeBudget {
    pub whole: FieldShape,
    /// Diffraction alone over the whole.
    pub diffraction: f64,
    /// What the size falls by when a cause alone is switched off, as a share of it. Causes
    /// act together, so the shares do not add up to one.
    pub shares: Vec<(Cause, f64)>,
    /// Peak over that of the perfect telescope, mean over the field: the wavefront's, and
    /// that of wavefront and motion together.
    pub strehl_wavefront: f64,
    pub strehl: f64,
}

/// What the terms would be without one of them that alignment can null.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nulled {
    /// `"focus"`, `"focal-plane tilt"`, `"constant coma"` or `"linear astigmatism"`.
    pub term: &'static str,
    /// Its amplitude: defocus at the corner for a tilt; nm rms.
    pub amplitude_nm: f64,
    pub before: FieldShape,
    pub after: FieldShape,
}

/// Computes shapes of modelled exposures.
pub struct Shapes {
    propagator: Propagator,
    pixel_arcsec: f64,
    diffusion_pixels: f64,
}

impl Shapes {
    pub fn new(known: &Known) -> Result<Self, OpticsError> {
        let telescope =
            Telescope { band_samples: 1, pupil_samples: PUPIL_SAMPLES, ..known.telescope.clone() };
        Ok(Self {
            propagator: Propagator::new(&telescope)?,
            pixel_arcsec: known.pixel_arcsec,
            diffusion_pixels: known.diffusion_pixels.unwrap_or(0.0),
        })
    }

    fn blur(&self, values: &Values, pixel: f64, diffusion: bool) -> Blur {
        Blur {
            jitter_mas2: covariance(values.jitter_mas2),
            drift_mas: values.drift_mas,
            diffusion_pixels: if diffusion { self.diffusion_pixels / pixel } else { 0.0 },
            pixel_arcsec: pixel * self.pixel_arcsec,
        }
    }

    fn moments(
        &self,
        values: &Values,
        place: [f64; 2],
        pixel: f64,
        diffusion: bool,
    ) -> Option<SecondMoments> {
        let wavefront = values.pattern.wavefront(place[0], place[1]);
        let blur = self.blur(values, pixel, diffusion);
        self.propagator.psf(&wavefront, &blur).ok()?.adaptive_moments()
    }

    fn over_field(&self, values: &Values, pixel: f64, diffusion: bool) -> Option<FieldShape> {
        let uniform = values.pattern.is_uniform();
        let places = if uniform { &PLACES[..1] } else { &PLACES[..] };
        let n = places.len() as f64;
        let mas2 = (1e3 * pixel * self.pixel_arcsec).powi(2);
        let mut mean = FieldShape { size_mas2: 0.0, ln_size: 0.0, e1: 0.0, e2: 0.0, e_rms: 0.0 };
        for &place in places {
            let m = self.moments(values, place, pixel, diffusion)?;
            let size = m.size() * mas2;
            mean.size_mas2 += size / n;
            mean.ln_size += size.ln() / n;
            mean.e1 += m.e1() / n;
            mean.e2 += m.e2() / n;
            mean.e_rms += (m.e1().powi(2) + m.e2().powi(2)) / n;
        }
        mean.e_rms = mean.e_rms.sqrt();
        Some(mean)
    }

    /// Mean over the field; `None` where the image has no adaptive moments.
    pub fn shape(&self, values: &Values) -> Option<FieldShape> {
        self.over_field(values, 1.0, true)
    }

    pub fn budget(&self, values: &Values) -> Option<SizeBudget> {
        let whole = self.shape(values)?;
        let nothing = Values::default();
        let diffraction = self.over_field(&nothing, SMALL, false)?.size_mas2 / whole.size_mas2;
        let shares = Cause::ALL
            .into_iter()
            .map(|cause| {
                let pixel = if cause == Cause::Pixel { SMALL } else { 1.0 };
                let without = self.over_field(&cause.removed(values), pixel, cause != Cause::Diffusion)?;
                Some((cause, 1.0 - without.size_mas2 / whole.size_mas2))
            })
            .collect::<Option<_>>()?;
        let still = Cause::Jitter.removed(values);
        let perfect = self.peak(&nothing, PLACES[0])?;
        let strehl = |v: &Values| -> Option<f64> {
            let peaks: Vec<f64> = PLACES.iter().map(|&p| self.peak(v, p)).collect::<Option<_>>()?;
            Some(peaks.iter().sum::<f64>() / (perfect * peaks.len() as f64))
        };
        Some(SizeBudget {
            whole,
            diffraction,
            shares,
            strehl_wavefront: strehl(&still)?,
            strehl: strehl(values)?,
        })
    }

    /// Brightest point of the image before pixel and diffusion.
    fn peak(&self, values: &Values, place: [f64; 2]) -> Option<f64> {
        let wavefront = values.pattern.wavefront(place[0], place[1]);
        let psf = self.propagator.psf(&wavefront, &self.blur(values, SMALL, false)).ok()?;
        let width = self.propagator.telescope().lambda_over_d_arcsec() / psf.pixel_arcsec();
        let step = 2.0 * PEAK_REACH * width / (PEAK_POINTS - 1) as f64;
        Some(psf.sampled(step, PEAK_POINTS).iter().copied().fold(0.0, f64::max))
    }

    /// What would be won were each of the terms nulled that alignment can null.
    pub fn nulled(&self, values: &Values) -> Vec<Nulled> {
        let Some(before) = self.shape(values) else { return Vec::new() };
        let pattern = values.pattern;
        let length = |[x, y]: [f64; 2]| x.hypot(y);
        let cases: [(&'static str, f64, FieldPattern); 4] = [
            (
                "focus",
                values.mean_defocus_nm().abs(),
                FieldPattern { defocus_nm: pattern.defocus_nm - values.mean_defocus_nm(), ..pattern },
            ),
            (
                "focal-plane tilt",
                length(pattern.defocus_tilt_nm),
                FieldPattern { defocus_tilt_nm: [0.0; 2], ..pattern },
            ),
            ("constant coma", length(pattern.coma_nm), FieldPattern { coma_nm: [0.0; 2], ..pattern }),
            (
                "linear astigmatism",
                length(pattern.astigmatism_linear_nm),
                FieldPattern { astigmatism_linear_nm: [0.0; 2], ..pattern },
            ),
        ];
        cases
            .into_iter()
            .filter_map(|(term, amplitude_nm, pattern)| {
                let after = self.shape(&Values { pattern, ..*values })?;
                Some(Nulled { term, amplitude_nm, before, after })
            })
            .collect()
    }
}

/// The nearest tensor that is a covariance: negative variances along its axes become none.
pub fn covariance([xx, yy, xy]: [f64; 3]) -> [f64; 3] {
    let axes = super::TensorAxes::of([xx, yy, xy]);
    if axes.minor_mas2 >= 0.0 {
        return [xx, yy, xy];
    }
    let (major, minor) = (axes.major_mas2.max(0.0), axes.minor_mas2.max(0.0));
    let (sin, cos) = axes.angle_deg.to_radians().sin_cos();
    [
        major * cos * cos + minor * sin * sin,
        major * sin * sin + minor * cos * cos,
        (major - minor) * sin * cos,
    ]
}
