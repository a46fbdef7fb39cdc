//! What is asked of the PSF, and what a PSF error does to shear.

pub mod bias;
pub mod requirement;
pub mod response;

pub use bias::{Bias, ShearBias, shear_bias};
pub use requirement::{PRESETS, Preset, Requirement, RequirementWish, preset};
pub use response::{Cause, Reference, Response, Width, best_width, c_response, m_response};

use thiserror::Error;

/// Shear responsivity divisor P of the additive bias, `c = (1/P)(T_psf/T_gal) de` (Paulin-Henriksson
/// et al. 2008, A&A 484, 67; the value from memory).
pub const SHEAR_POLARISABILITY: f64 = 1.84;

/// What is wrong with a stated requirement.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ShearError {
    #[error("no preset is called {name:?}; there are: {known}")]
    UnknownPreset { name: String, known: String },
    #[error("{name} = {value} must be a finite number above zero")]
    NotPositive { name: &'static str, value: f64 },
    #[error("{direct} states the limit that {derived} would be turned into: give one of the two")]
    TwiceStated { direct: &'static str, derived: &'static str },
    #[error(
        "{name} = {value} lies outside the {low} to {high} for which the bias was simulated: \
         only the formula stands there"
    )]
    OutOfTable { name: &'static str, value: f64, low: f64, high: f64 },
    #[error("the stored shear responses cannot be read: only the formula stands")]
    NoTable,
}
