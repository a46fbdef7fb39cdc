//! The verdict: the decision, its reasons, and the one result model that every
//! writer prints from.

pub mod likeness;
pub mod model;
pub mod products;
pub mod stack;

pub use model::Verdict;
pub use products::{FieldModel, Judgement, Pictures};
