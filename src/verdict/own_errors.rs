//! How well the exposures' own models predict, against the limits.

use super::assess::Standing;
use super::own_model::HeldOutStars;
use super::stack::Stack;
use crate::repeat::RmsChange;
use crate::repeat::held_out::{HeldOut, model_error};
use crate::shear::Requirement as Limits;

/// How well the exposures' own models predict.
#[derive(Debug, Default)]
pub struct OwnErrors {
    pub size: Option<RmsChange>,
    pub ellipticity: Option<RmsChange>,
    pub passing: Vec<usize>,
    /// Those not passing for their ellipticity alone.
    pub failing_ellipticity: Vec<usize>,
    pub standing: Option<Standing>,
}

/// From the stars held out of each exposure's own model: each exposure whose model is not shown to fail takes part;
/// their common error is held against the limits.
pub fn own_model_errors(
    stack: &Stack,
    held_out: &[Option<HeldOutStars>],
    viable: &[usize],
    limits: &Limits,
    confidence: f64,
) -> OwnErrors {
    // As adaptive moments would see the errors, which the limits speak of.
    let error = |parts: &[&HeldOut], response: f64| {
        Some(model_error(parts, confidence).ok().flatten()?.divided_by(response))
    };
    let parts = |places: &[usize]| {
        let known = places.iter().filter_map(|&t| held_out[t].as_ref());
        let size: Vec<&HeldOut> = known.clone().map(|stars| &stars.size).collect();
        let ellipticity: Vec<&HeldOut> = known.flat_map(|stars| &stars.e).collect();
        (error(&size, stack.size_response), error(&ellipticity, stack.e_response))
    };
    let (mut passing, mut failing_ellipticity) = (Vec::new(), Vec::new());
    for &place in viable.iter().filter(|&&place| held_out[place].is_some()) {
        let (size, ellipticity) = parts(&[place]);
        let size = size.is_some_and(|s| s.low <= limits.size_limit);
        let ellipticity = ellipticity.is_some_and(|e| e.low <= limits.ellipticity_limit);
        match (size, ellipticity) {
            (true, true) => passing.push(place),
            (true, false) => failing_ellipticity.push(place),
            (false, _) => {}
        }
    }
    let (size, ellipticity) = parts(&passing);
    let standing = size.zip(ellipticity).map(|(s, e)| {
        if s.high < limits.size_limit && e.high < limits.ellipticity_limit {
            Standing::Within
        } else {
            Standing::Open
        }
    });
    OwnErrors { size, ellipticity, passing, failing_ellipticity, standing }
}
