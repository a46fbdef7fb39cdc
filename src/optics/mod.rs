//! The image of a star: annular pupil, wavefront, propagation, blur, pixels.
//!
//! ```text
//! Telescope -> Propagator ;  (Wavefront, Blur) -> Psf -> pixels, moments
//! FieldPattern -> Wavefront at a place in the field
//! ```
//!
//! Conventions: x and y of the pupil are x and y of the image, and a wavefront that
//! rises towards +x moves the light towards +x. Wavefront coefficients are rms over
//! the pupil, nm, on Noll-ordered annular Zernike polynomials.

pub mod fit;
mod misalignment;
mod propagate;
mod psf;
mod pupil;
mod shape;
mod zernike;

pub use misalignment::{FieldPattern, PATTERN_TERMS};
pub use propagate::Propagator;
pub use psf::{Blur, Psf};
pub use pupil::{Telescope, Vanes};
pub use shape::SecondMoments;
pub use zernike::{Wavefront, annular_zernikes};

/// A telescope or blur that cannot be computed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OpticsError {
    #[error("{name} is {value}, but must lie in {limit}")]
    OutOfRange { name: &'static str, value: f64, limit: &'static str },
    #[error(
        "the jitter tensor [xx, yy, xy] = {0:?} mas2 is no covariance: \
         xx and yy must not be negative, nor xx yy - xy^2"
    )]
    JitterTensor([f64; 3]),
}

/// `value` if it lies in `low..=high`, else an error that names it.
fn within(
    name: &'static str,
    value: f64,
    low: f64,
    high: f64,
    limit: &'static str,
) -> Result<f64, OpticsError> {
    // Written so that NaN is refused.
    if value >= low && value <= high {
        Ok(value)
    } else {
        Err(OpticsError::OutOfRange { name, value, limit })
    }
}
