//! The change between some exposures of a stack, measured and held against the limits.

use super::stack::{Rows, Stack, StarHalf};
use crate::repeat::{Change, Layout, Reference, RepeatError, RmsChange, measure_change_on};
use crate::shear::Requirement;

/// Where change is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// At fixed places of the sky, where the images are added.
    Sky,
    /// At fixed places of the detector: is the telescope steady?
    Detector,
}

/// Change of size and ellipticity between some exposures.
#[derive(Debug, Clone)]
pub struct Assessment {
    /// Places in the stack, in the order of the coefficients.
    pub keep: Vec<usize>,
    pub size_change: Change,
    pub e_change: Change,
    pub size: RmsChange,
    pub ellipticity: RmsChange,
    /// Share of the field that all of them see.
    pub overlap: f64,
    /// Mean number of stars an exposure.
    pub stars: usize,
}

/// How a change stands against its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Both upper bounds are under their limits.
    Within,
    /// A lower bound is over its limit, both quantities together held to the error rate.
    Over,
    /// Neither can be shown.
    Open,
}

/// Why a change could not be measured.
#[derive(Debug, Clone, PartialEq)]
pub enum Obstacle {
    /// This exposure (its place in the stack) stands in the way.
    Exposure { place: usize, code: &'static str },
    /// Nothing common is left to compare.
    NothingCommon,
}

/// Measures the change between the exposures at `keep`.
pub fn assess(
    stack: &Stack,
    keep: &[usize],
    half: StarHalf,
    place: Place,
    confidence: f64,
) -> Result<Assessment, Obstacle> {
    let rows = rows_at(place, stack, keep, half).ok_or(Obstacle::NothingCommon)?;
    assess_rows(rows, keep, place, confidence)
}

/// The measurements of the exposures at `keep`.
pub fn rows_at(place: Place, stack: &Stack, keep: &[usize], half: StarHalf) -> Option<Rows> {
    match place {
        Place::Sky => stack.rows_on_sky(keep, half),
        Place::Detector => stack.rows_on_detector(keep, half),
    }
}

/// Measures the change between the exposures at `keep` from their measurements.
pub fn assess_rows(
    rows: Rows,
    keep: &[usize],
    place: Place,
    confidence: f64,
) -> Result<Assessment, Obstacle> {
    let Rows { basis, places, size_sigmas, e_sigmas, size, ellipticity, overlap } = rows;
    let reference = match place {
        Place::Sky => Reference::Sky,
        Place::Detector => Reference::Detector,
    };
    let obstacle = |error: RepeatError| match error {
        RepeatError::TooFewShared { exposure, .. } | RepeatError::Singular { exposure } => {
            Obstacle::Exposure { place: keep[exposure], code: "few-stars" }
        }
        RepeatError::NotLinked { exposure, .. } => {
            Obstacle::Exposure { place: keep[exposure], code: "not-registered" }
        }
        _ => Obstacle::NothingCommon,
    };
    let stars = places.len() / keep.len().max(1);
    let layout = Layout::new(keep.len(), places.iter().copied());
    drop(places);
    // One after the other, for the memory: each fit has its own threads, and its measurements are forgotten then.
    let measured = |sigmas: Vec<f64>, values: Vec<Vec<f64>>| -> Result<(Change, RmsChange), RepeatError> {
        let change = measure_change_on(&basis, &layout, &sigmas, &values, reference)?;
        let rms = change.rms(confidence)?;
        Ok((change, rms))
    };
    let (size_change, size) = measured(size_sigmas, size).map_err(obstacle)?;
    let (e_change, ellipticity) = measured(e_sigmas, ellipticity).map_err(obstacle)?;
    Ok(Assessment { keep: keep.to_vec(), size, ellipticity, stars, size_change, e_change, overlap })
}

impl Assessment {
    /// Against the limits. "Over" is asked at half the error rate for each quantity, so that
    /// both together hold it.
    pub fn standing(&self, requirement: &Requirement, confidence: f64) -> Standing {
        let within =
            self.size.high < requirement.size_limit && self.ellipticity.high < requirement.ellipticity_limit;
        if within {
            return Standing::Within;
        }
        let joint = 1.0 - 0.5 * (1.0 - confidence);
        let over = |change: &Change, limit: f64| change.rms(joint).is_ok_and(|rms| rms.low > limit);
        if over(&self.size_change, requirement.size_limit)
            || over(&self.e_change, requirement.ellipticity_limit)
        {
            Standing::Over
        } else {
            Standing::Open
        }
    }
}
