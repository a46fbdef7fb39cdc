//! Do the exposures repeat? Change between exposures with its interval, and what
//! follows from it.
pub mod quadratic_form;
pub mod root;
