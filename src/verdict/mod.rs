//! The verdict: the decision, its reasons, and the one result model that every
//! writer prints from.

pub mod model;
