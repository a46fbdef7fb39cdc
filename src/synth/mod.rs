//! An honest simulator: single stars, and whole stacks of frames with their truth.
//!
//! ```text
//! Scene -> exposures (sequence) -> sources on the sky -> electrons (render)
//!       -> detector -> frame files;  truth from the same optics, without noise
//! ```
//!
//! Every random number comes from the scene's seed by ChaCha8 streams: one for the sky,
//! one for the detector, one for the sequence, one for each exposure, so frames do not
//! depend on how many threads made them.

mod detector;
mod flight;
mod random;
mod render;
mod run;
mod scene;
mod sequence;
mod sources;
mod star;
mod truth;
mod validate;
mod write;

pub use flight::{FlightChange, FlightScene, FlightTarget, FlightVisit, FlownVisit, run_flight};
pub use run::run;
pub use scene::{
    BUILT_IN, Change, DetectorScene, MotionScene, Nebula, OpticsScene, Output, Quantity, Scene,
    SequenceScene, StarsScene,
};
pub use star::{add_noise, star_image};
pub use truth::{ExposureTruth, RmsChange, Truth, WeightedChange, WeightedShape};

use std::path::PathBuf;

use crate::optics::OpticsError;

/// Why a scene cannot be simulated.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    #[error("the scene cannot be read: {0}")]
    Toml(String),
    #[error("there is no scene {name:?}; known are {known}")]
    NoSuchScene { name: String, known: String },
    #[error("the scene's name {0:?} must be made of lower-case letters, digits and hyphens")]
    Name(String),
    #[error("{key} is {value}, but must lie between {low} and {high}")]
    OutOfRange { key: String, value: f64, low: f64, high: f64 },
    #[error("sequence.rotation_deg has {given} values for {exposures} exposures; give one for each")]
    Rotations { given: usize, exposures: usize },
    #[error("the change of {0:?} needs exactly one of by, slope, random_walk and scatter")]
    OneKindOfChange(Quantity),
    #[error("the flight's change of {0:?} needs exactly one of by, per_day and scatter")]
    OneKindOfFlightChange(Quantity),
    #[error("a change names exposure {number}, but they are 1 to {exposures}")]
    NoSuchExposure { number: usize, exposures: usize },
    #[error("sequence.start {0:?} is no time such as 2031-03-01T02:00:00")]
    Start(String),
    #[error("exposure {number}: {source}")]
    Optics { number: usize, source: OpticsError },
    #[error("exposure {number}: the PSF has no moments; is it wider than the image's period?")]
    NoMoments { number: usize },
    #[error(
        "the scene has {wanted:.0} sources on the sky its exposures see, but at most {most:.0} are \
         simulated; ask for fewer or smaller dithers"
    )]
    TooManySources { wanted: f64, most: f64 },
    #[error("{0} exists; choose another folder or allow overwriting")]
    Exists(PathBuf),
    #[error("{path} cannot be written: {reason}")]
    Write { path: PathBuf, reason: String },
}
