//! The verdict: the decision, its reasons, and the one result model that every
//! writer prints from.

//!
//! - [`likeness`]: which exposures belong together
//! - [`stack`]: one weight, matched stars, rows to fit
//! - [`assess`]: the change between some exposures, against its limits
//! - [`own_model`]: each exposure's own PSF over the field
//! - [`decide`]: the decision in its order of preference
//! - [`judge`](mod@judge): all of these in order
//! - [`over_time`], [`time_reasons`]: the field means through time, in numbers and sentences
//! - [`shear_budget`]: the change as shear bias, cause by cause
//! - [`combined`]: the PSF of the combination
//! - [`results`], [`reasons`]: into the result model, in numbers and sentences
//! - [`model`], [`products`]: what judging gives

pub mod assess;
pub mod combined;
pub mod decide;
mod followed;
pub mod judge;
pub mod likeness;
pub mod model;
pub mod over_time;
pub mod own_model;
pub mod products;
pub mod reasons;
pub mod results;
pub mod shear_budget;
pub mod stack;
pub mod time_reasons;

pub use judge::{JudgeError, judge};
pub use model::Verdict;
pub use products::{FieldModel, Judgement, Pictures};
