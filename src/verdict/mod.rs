//! The verdict: the decision, its reasons, and the one result model that every
//! writer prints from.

//!
//! - [`likeness`]: which exposures belong together
//! - [`stack`]: one weight, matched stars, rows to fit
//! - [`assess`]: the change between some exposures, against its limits
//! - [`overlap`]: how many exposures must cover a galaxy
//! - [`own_model`]: each exposure's own PSF over the field
//! - [`correlation`]: what those models leave over the field
//! - [`registration`]: what laying the exposures on one another adds to the PSF
//! - [`higher`]: change of third and fourth moments
//! - [`brightness`]: whether bright stars have another shape
//! - [`decide`]: the decision in its order of preference
//! - [`judge`](mod@judge): all of these in order
//! - [`over_time`], [`time_reasons`]: the field means through time, in numbers and sentences
//! - [`shear_budget`]: the change as shear bias, cause by cause
//! - [`combined`]: the PSF of the combination
//! - [`results`], [`reasons`]: into the result model, in numbers and sentences
//! - [`model`], [`products`]: what judging gives

pub mod assess;
pub mod brightness;
pub mod combined;
pub mod correlation;
pub mod decide;
#[cfg(test)]
mod fixture;
mod followed;
pub mod higher;
pub mod judge;
pub mod likeness;
pub mod model;
pub mod over_time;
pub mod overlap;
pub mod own_model;
pub mod products;
pub mod reasons;
pub mod registration;
pub mod results;
pub mod shear_budget;
pub mod stack;
pub mod time_reasons;

pub use judge::{JudgeError, judge};
pub use model::Verdict;
pub use products::{FieldModel, Judgement, Pictures};
