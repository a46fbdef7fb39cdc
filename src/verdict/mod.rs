//! The verdict: the decision, its reasons, and the one result model that every
//! writer prints from.
//!
//! - [`likeness`]: which exposures belong together
//! - [`rungs`]: the weights a stack asks its tables for
//! - [`stack`]: one weight, matched stars, rows to fit
//! - [`assess`]: the change between some exposures, against its limits
//! - [`own_model`], [`own_errors`]: each exposure's own PSF over the field, and how well it predicts
//! - [`decide`]: the decision in its order of preference
//! - [`judge`](mod@judge): all of these in order
//! - [`beside`]: what stands beside the decision
//! - [`keep`](mod@keep): what to combine together
//! - [`results`], [`reasons`]: into the result model, in numbers and sentences
//! - [`pictures`]: what figures are drawn from
//! - [`model`], [`optics_model`], [`products`]: what judging gives

pub mod advice;
pub mod assess;
pub mod beside;
pub mod common_sky;
pub mod decide;
#[cfg(test)]
mod fixture;
pub mod judge;
pub mod keep;
pub mod likeness;
pub mod model;
pub mod optics_model;
pub mod own_errors;
pub mod own_model;
pub mod pictures;
pub mod products;
pub mod reasons;
pub mod results;
pub mod rungs;
pub mod stack;

pub use judge::{JudgeError, judge};
pub use model::Verdict;
pub use products::{FieldModel, Judgement, Pictures};
pub use rungs::rungs_needed;
