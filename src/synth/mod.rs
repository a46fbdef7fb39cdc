//! An honest simulator: single stars, and whole stacks of frames with their truth.

mod star;

pub use star::{add_noise, star_image};
