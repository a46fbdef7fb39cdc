//! sky
