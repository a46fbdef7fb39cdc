//! Moments of a star image: adaptive, under a fixed ladder of circular weights,
//! and of third and fourth order, each with its error.
//!
//! - [`pixels`]: pixels in rows, of one star or many, and the Gaussian weight on them
//! - [`grid`]: a cut-out and its sums of powers under a weight
//! - `exponential`: the weight itself
//! - [`powers`]: polynomials summed over the pixels
//! - [`sums`]: weighted sums and what follows from them
//! - [`estimating`]: the equations and their solution
//! - [`higher`]: the third and fourth moments as polynomials
//! - [`noise`]: what pixel noise does to the solution
//! - [`rungs`]: some of the fixed weights, and which a stack may ask for
//! - [`star`]: one cut-out to all its moments
//! - [`pooled`]: the mean star of many, and how the rungs respond to a change

pub mod estimating;
mod exponential;
pub mod grid;
mod higher;
pub mod noise;
pub mod pixels;
pub mod pooled;
pub mod powers;
pub mod rungs;
pub mod star;
pub mod sums;

pub use estimating::{MomentError, Weight};
pub use rungs::{Asked, Rungs, rungs_used};
pub use star::{Cutout, StarMoments, measure, measure_from, shape_under};

/// Widths of the fixed circular weights, sigma in pixels. Judging picks one rung
/// for a whole stack, so the ladder never depends on the data.
pub const LADDER_SIGMA_PIXELS: [f64; 6] = [1.5, 2.0, 2.5, 3.0, 4.0, 6.0];

/// Narrowest star on which adaptive moments on pixels keep their meaning: `√(T/2)` of the
/// pixel-convolved image, pixels. A diffraction-limited PSF of 2.4 pixels per FWHM has 0.99.
/// Below, the sum over pixels no longer stands for the integral and the adaptive size is
/// biased by percents; under a fixed weight of the ladder it is not.
pub const ADAPTIVE_MIN_SIGMA_PIXELS: f64 = 0.97;

/// Below this `√(T/2)` of the pixel-convolved image, pixels, even the narrowest rung leaves
/// a scatter with sub-pixel position (0.002 at 1.4 pixels per FWHM, under a tenth of that
/// on the next rung). What is left there on finer optics than that, judging learns from the
/// repeats of the stars (`repeat::phase`).
pub const FIRST_RUNG_MIN_SIGMA_PIXELS: f64 = 0.78;

/// The weight that defines size and ellipticity for stars of this width.
pub fn primary_weight(sigma_pixels: f64) -> Weight {
    if sigma_pixels >= ADAPTIVE_MIN_SIGMA_PIXELS {
        Weight::Adaptive
    } else if sigma_pixels >= FIRST_RUNG_MIN_SIGMA_PIXELS {
        Weight::Fixed(LADDER_SIGMA_PIXELS[0])
    } else {
        Weight::Fixed(LADDER_SIGMA_PIXELS[1])
    }
}

/// FWHM over sigma of a Gaussian, `2 √(2 ln 2)`.
pub const FWHM_PER_SIGMA: f64 = 2.354_820_045_030_949;

/// Second moments under one weight, noise bias removed. Pixels².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    pub mxx: f64,
    pub myy: f64,
    pub mxy: f64,
    /// `T = mxx + myy`, pixels².
    pub size: f64,
    pub size_err: f64,
    pub e1: f64,
    pub e2: f64,
    /// Error of each component of the ellipticity.
    pub e_err: f64,
    /// Change of `ln T` per pixel² of added jitter trace, `d ln T / d (Jxx + Jyy)`.
    pub size_response: f64,
    /// Change of `e` per pixel² of added jitter difference, `d e1 / d (Jxx - Jyy)`.
    pub e_response: f64,
}

impl Shape {
    /// `ln T` without the bias of the logarithm: `E ln T̂ = ln T - ½ var(T̂)/T²`.
    pub fn log_size(&self) -> f64 {
        self.ellipse().log_size()
    }

    /// Error of [`Shape::log_size`].
    pub fn log_size_err(&self) -> f64 {
        self.ellipse().log_size_err()
    }

    pub fn ellipse(&self) -> Ellipse {
        let &Self { size, size_err, e1, e2, e_err, .. } = self;
        Ellipse { size, size_err, e1, e2, e_err }
    }
}

/// Of a [`Shape`] what a change between exposures is measured from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ellipse {
    pub size: f64,
    pub size_err: f64,
    pub e1: f64,
    pub e2: f64,
    pub e_err: f64,
}

impl Ellipse {
    /// As [`Shape::log_size`].
    pub fn log_size(&self) -> f64 {
        self.size.ln() + 0.5 * (self.size_err / self.size).powi(2)
    }

    /// Error of [`Ellipse::log_size`].
    pub fn log_size_err(&self) -> f64 {
        self.size_err / self.size
    }
}

/// Third and fourth moments in units of the second-moment ellipse: `coma` the spin-1 and
/// `trefoil` the spin-3 third moment (Okura, Umetsu & Futamase 2007, ApJ 660, 995, up to
/// normalisation), `kurtosis` the fourth radial moment (2 for a Gaussian).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HigherMoments {
    pub coma1: f64,
    pub coma2: f64,
    pub coma_err: f64,
    pub trefoil1: f64,
    pub trefoil2: f64,
    pub trefoil_err: f64,
    pub kurtosis: f64,
    pub kurtosis_err: f64,
}
