//! The sharpest exposure of a stack, and what was added to its image in another.

use nalgebra::Vector3;

use super::exposure::{Difference, Exposure};
use super::reblurred::{Added, Originals};
use crate::moments::{Weight, primary_weight};
use crate::table::StarTable;

/// From this share of the sharpest size on the moments no longer respond in proportion.
const SMALL: f64 = 0.05;

/// A star is sharpened along one axis by no more than this share of its variance along it, and by so many pixels²:
/// beyond, its noise is what is seen.
const MOST_SHARPENED: f64 = 0.25;
const MOST_SHARPENED_PIXELS2: f64 = 1.0;

/// Rounds of [`Reference::refined`]: each leaves some hundredth of what the one before did.
const ROUNDS: usize = 3;

/// What was added, pixels²: `xx + yy`, `xx - yy`, `2 xy`.
pub type AddedTensor = [f64; 3];

/// The sharpest exposure, which the others are compared with.
pub struct Reference<'a> {
    /// Its moments.
    pub exposure: &'a Exposure,
    /// Its bright stars.
    pub originals: Originals<'a>,
    /// That of the stack, under which moments are compared.
    pub weight: Weight,
}

impl Reference<'_> {
    /// What was added in an exposure, were it `how`: by the responses of the moments where it is little or cannot
    /// be refined.
    pub fn added(
        &self,
        difference: &Difference,
        exposure: &Exposure,
        table: &StarTable,
        how: Added,
    ) -> AddedTensor {
        let [trace_response, shape_response] = self.responses(exposure);
        let [trace, along, cross] = difference.values;
        let first = [trace / trace_response, along / shape_response, cross / shape_response];
        if first[0] < SMALL * self.exposure.trace {
            return first;
        }
        self.refined(first, difference, exposure, table, how).unwrap_or(first)
    }

    /// Errors of the trace, and of each of the others, of what was added: by the lesser response of both exposures.
    pub fn errors(&self, difference: &Difference, exposure: &Exposure) -> [f64; 2] {
        [
            difference.errors[0] / exposure.trace_response.min(self.exposure.trace_response),
            difference.errors[1] / exposure.shape_response.min(self.exposure.shape_response),
        ]
    }

    /// Change of the trace, and of the others, per change of what is added: the mean of both exposures'.
    fn responses(&self, exposure: &Exposure) -> [f64; 2] {
        [
            0.5 * (exposure.trace_response + self.exposure.trace_response),
            0.5 * (exposure.shape_response + self.exposure.shape_response),
        ]
    }

    /// From `first` on until the sharpest stars, blurred by it, change their moments as the exposure's did. `None`
    /// where they cannot be blurred: without pixels, or where the image is much narrower along one axis.
    fn refined(
        &self,
        first: AddedTensor,
        observed: &Difference,
        exposure: &Exposure,
        table: &StarTable,
        how: Added,
    ) -> Option<AddedTensor> {
        let (sigma_pixels, primary) = (table.sigma_pixels?, primary_weight(table.narrowest_sigma_pixels?));
        let moments = |how: Added, tensor: [f64; 3]| {
            self.originals.moments(how, tensor, sigma_pixels, primary, self.weight)
        };
        let before = moments(Added::Nothing, [0.0; 3]);
        let mut added = first;
        for _ in 0..ROUNDS {
            let [trace, difference, cross] = added;
            let across = 0.5 * (trace - difference.hypot(cross));
            if across < -(0.5 * MOST_SHARPENED * self.exposure.trace).min(MOST_SHARPENED_PIXELS2) {
                return None;
            }
            let tensor = [0.5 * (trace + difference), 0.5 * (trace - difference), 0.5 * cross];
            let reached = mean_change(&before, &moments(how, tensor))?;
            let response = [
                responded(reached[0], trace).unwrap_or(exposure.trace_response),
                responded(reached[1].hypot(reached[2]), difference.hypot(cross))
                    .unwrap_or(exposure.shape_response),
            ];
            for k in 0..3 {
                added[k] += (observed.values[k] - reached[k]) / response[k.min(1)];
            }
        }
        Some(added)
    }
}

/// Mean over the stars that gave moments before and after.
fn mean_change(before: &[Option<Vector3<f64>>], after: &[Option<Vector3<f64>>]) -> Option<[f64; 3]> {
    let changes: Vec<Vector3<f64>> =
        before.iter().zip(after).filter_map(|(before, after)| Some((*after)? - (*before)?)).collect();
    let mean = changes.iter().sum::<Vector3<f64>>() / changes.len() as f64;
    mean.iter().all(|v| v.is_finite()).then_some(mean.into())
}

/// Change of a moment over what was added, where that is no small number over a small one.
fn responded(reached: f64, added: f64) -> Option<f64> {
    let response = reached / added;
    (0.2..5.0).contains(&response).then_some(response)
}
