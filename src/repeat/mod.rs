//! repeat
