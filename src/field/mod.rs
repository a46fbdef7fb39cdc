//! The PSF over the field: an orthonormal basis, weighted and robust fits on it,
//! and the choice of its order by stars held out of the fit.

pub mod basis;
pub mod fit;
pub mod least_squares;
pub mod order;
pub mod products;
pub mod robust;

pub use basis::Basis;
pub use fit::{FieldFit, Robustness, fit, fit_design};
pub use order::{OrderChoice, choose_degree};

use thiserror::Error;

/// What can go wrong in a fit over the field.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum FieldError {
    #[error("{stars} stars cannot fix {functions} field functions: lower the degree or admit more stars")]
    TooFewStars { stars: usize, functions: usize },
    #[error(
        "the stars do not span the field: {functions} functions are not independent at their positions; lower the degree"
    )]
    Singular { functions: usize },
    #[error("the region of the basis is empty or has no extent ({points} points)")]
    EmptyRegion { points: usize },
    #[error("{what} has {found} entries where {expected} are needed")]
    LengthMismatch { what: &'static str, found: usize, expected: usize },
    #[error(
        "entry {index} is not usable: value {value}, error {sigma} (both must be finite, the error positive)"
    )]
    BadEntry { index: usize, value: f64, sigma: f64 },
    #[error("{folds} folds do not divide {stars} stars: between 2 and the number of stars is needed")]
    BadFolds { folds: usize, stars: usize },
}
