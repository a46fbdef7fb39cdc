//! field
