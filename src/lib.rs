//! stackworthy judges whether the split exposures of one target have the same
//! PSF, well enough to be combined for weak-lensing shear measurement.
//!
//! # The way of the data
//!
//! The data goes one way, and a module imports only from modules above it:
//!
//! | module | takes | gives |
//! |---|---|---|
//! | [`gate`] | nothing: words only | one check a file: code, formula, source, remedy, severity |
//! | [`settings`] | TOML, flags | validated settings, each with its origin |
//! | [`frame`] | FITS file | pixels, mask, exposure facts, world coordinates |
//! | [`sky`] | pixels, mask | background and noise maps |
//! | [`moments`] | cut-outs | adaptive, fixed-weight and higher moments with errors |
//! | [`stars`] | pixels, sky | isolated stars, and the refused with reasons; matched stars |
//! | [`table`] | stars | the star table: the seam between the pixels and all that follows |
//! | [`field`] | star tables | orthonormal basis, robust fits over the field |
//! | [`repeat`] | matched stars | change between exposures with intervals |
//! | [`trend`] | field means over time | drift, step, period, stability, rank correlations |
//! | [`shear`] | changes | requirement, PSF error to shear bias |
//! | [`verdict`] | all of the above | the decision and its reasons: the one result model |
//! | [`flight`] | verdicts of many stacks | the log of a flight, its trends and alarms |
//! | [`report`] | the verdict, the flight | its writers: terminal, JSON, tables, HTML |
//! | [`command`] | flags | one file a subcommand; no science |
//!
//! [`optics`] (pupil, wavefront, propagation, the forward model's fit) and [`synth`] (simulated stacks with
//! known truth) stand beside the path.
//!
//! # Units and conventions
//!
//! | quantity | unit |
//! |---|---|
//! | positions inside the crate | pixels, 0-based: the centre of the first pixel is (0, 0) |
//! | positions in files and settings | FITS pixels: the centre of the first pixel is (1, 1) |
//! | arrays | `[row, column]` = `[y, x]` |
//! | size `T = Mxx + Myy` | pixel² inside, arcsec² in reports where the scale is known |
//! | ellipticity | `e = (Mxx - Myy, 2 Mxy) / T`, dimensionless |
//! | flux | the frame's own units (ADU unless scaled) |
//! | gain | electrons per frame unit |
//! | jitter tensor | milliarcsec² |
//! | times | MJD in UTC, days, middle of exposure |
#![cfg_attr(
    not(test),
    warn(
        clippy::disallowed_macros,
        clippy::disallowed_methods,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic
    )
)]

pub mod command;
pub mod field;
pub mod flight;
pub mod frame;
pub mod gate;
pub mod measure;
pub mod moments;
pub mod optics;
pub mod repeat;
pub mod report;
pub mod settings;
pub mod shear;
pub mod sky;
pub mod stars;
pub mod synth;
pub mod table;
pub mod trend;
pub mod verdict;
