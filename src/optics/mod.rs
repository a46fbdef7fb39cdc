//! optics
