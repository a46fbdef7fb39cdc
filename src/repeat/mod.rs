//! Do the exposures repeat? The change between exposures over the field with its
//! interval, the population it came from, and what more data would decide.
//!
//! | file | answers |
//! |---|---|
//! | [`change`] | how the PSF over the field differs from exposure to exposure |
//! | [`phase`] | what the place of a star within its pixel does, learnt from its repeats |
//! | [`star_offsets`] | the normal equations, with every star's own offset eliminated |
//! | `sweeps` | their sums over all rows, the functions of the field made on the way |
//! | [`noise_check`] | are the stated errors true; is what exceeds them white over the field |
//! | `groups` | which rows belong to each star and to each exposure |
//! | `near` | which stars of an exposure are nearest to each other |
//! | `places` | whether the places of the stars stand for the whole field |
//! | [`interval`] | the rms change with its noise removed, and its interval |
//! | [`quadratic_form`] | the distribution that interval inverts |
//! | [`random_effects`] | the population the exposures were drawn from |
//! | [`subset`] | which exposures to leave out, and groups of like ones |
//! | [`held_out`] | how well each exposure's own model predicts |
//! | [`residual_correlation`](mod@residual_correlation) | how the residuals of its stars hang together |
//! | [`overlap`] | what a galaxy that only some exposures cover errs by |
//! | [`needed`] | how many stars or exposures would decide |
//! | `planned_check` | the noise checks to expect of a stack not yet taken |
//! | [`star_counts`], [`plan`], [`outlook`] | the same before there are data: chance of each decision |

pub mod change;
mod groups;
pub mod held_out;
pub mod interval;
mod near;
pub mod needed;
pub mod noise_check;
pub mod outlook;
pub mod overlap;
pub mod phase;
mod places;
pub mod plan;
mod planned_check;
pub mod quadratic_form;
pub mod random_effects;
pub mod residual_correlation;
pub mod root;
mod solve;
pub mod star_counts;
pub mod star_offsets;
pub mod subset;
mod sweeps;

pub use change::{Change, Layout, Place, Reference, Row, measure_change, measure_change_on};
pub use interval::{NoiseMode, RmsChange, rms_change};

use thiserror::Error;

/// What can keep the change between exposures from being measured.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RepeatError {
    #[error("{exposures} exposure: a change needs at least two")]
    TooFewExposures { exposures: usize },
    #[error(
        "exposure {exposure} shares {shared} stars with the others where {functions} field functions need \
         at least {needed}: admit fainter stars, lower the degree, or leave it out"
    )]
    TooFewShared { exposure: usize, shared: usize, functions: usize, needed: usize },
    #[error(
        "exposure {exposure} is not linked to the others by {functions} shared stars or more: \
         leave it out, or admit more stars"
    )]
    NotLinked { exposure: usize, functions: usize },
    #[error(
        "the shared stars of exposure {exposure} do not span the field: lower the degree, or leave it out"
    )]
    Singular { exposure: usize },
    #[error("row {row} is not usable: {what}")]
    BadRow { row: usize, what: &'static str },
    #[error("{what} has {found} entries where {expected} are needed")]
    LengthMismatch { what: &'static str, found: usize, expected: usize },
    #[error("a confidence of {confidence} is not between 0.5 and 1")]
    BadConfidence { confidence: f64 },
    #[error(transparent)]
    Field(#[from] crate::field::FieldError),
}
