//! How many of the exposures must cover a galaxy, under the weights of the combination.

use super::super::assess::Assessment;
use super::super::model::{OverlapRow, Repeatability};
use super::super::results::finite;
use super::super::stack::Stack;
use super::weights::weights_of;
use crate::repeat::overlap::overlap_error_of;
use crate::repeat::{Change, RepeatError, RmsChange};
use crate::settings::CombineWeights;
use crate::shear::Requirement as Limits;
use crate::table::StarTable;

/// Numbers of exposures that are reported, and the number of exposures itself.
const SHOWN: [usize; 12] = [1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233];

/// Fills in the weights, the errors by number of exposures, and the fewest that pass; returns
/// what is to be noted.
pub fn add(
    to: &mut Repeatability,
    judged: &Assessment,
    stack: &Stack,
    tables: &[StarTable],
    weights: CombineWeights,
    limits: &Limits,
) -> Option<String> {
    let n = judged.keep.len();
    let known = weights_of(weights, &judged.keep, stack, tables);
    let (word, values) = match &known {
        Some(values) => (weights.word(), values.clone()),
        None => (CombineWeights::Equal.word(), vec![1.0; n]),
    };
    let errors = |k: usize| -> Result<[RmsChange; 2], RepeatError> {
        let of = |change: &Change, whole: RmsChange| overlap_error_of(change, whole, &values, k);
        Ok([of(&judged.size_change, judged.size)?, of(&judged.e_change, judged.ellipticity)?])
    };
    let passes = |[size, ellipticity]: &[RmsChange; 2]| {
        size.high < limits.size_limit && ellipticity.high < limits.ellipticity_limit
    };
    let shown = SHOWN.into_iter().filter(|&k| k < n).chain([n]);
    to.weights = Some(word.into());
    to.overlap = shown
        .filter_map(|k| {
            let found = errors(k).ok()?;
            Some(OverlapRow {
                k: k as u32,
                size_error: finite(found[0].rms),
                size_high: finite(found[0].high),
                ellipticity_error: finite(found[1].rms),
                ellipticity_high: finite(found[1].high),
                passes: passes(&found),
            })
        })
        .collect();
    // The error falls with k: between the last that fails and the first that passes.
    let first = to.overlap.iter().find(|row| row.passes).map(|row| row.k as usize);
    to.smallest_overlap = first.and_then(|first| {
        let failed = to.overlap.iter().map(|row| row.k as usize).take_while(|k| *k < first).last();
        let between = failed.unwrap_or(0) + 1..first;
        let fewest = between.clone().find(|&k| errors(k).is_ok_and(|found| passes(&found)));
        u32::try_from(fewest.unwrap_or(first)).ok()
    });
    note(weights, known.is_some())
}

fn note(weights: CombineWeights, known: bool) -> Option<String> {
    let word = weights.word();
    match (weights, known) {
        (CombineWeights::Equal, _) => None,
        (_, false) => Some(format!(
            "combine.weights is \"{word}\", but what it needs is not known of every exposure: the smallest \
             overlap is that of equal weights"
        )),
        (_, true) => Some(format!(
            "combine.weights is \"{word}\": the smallest overlap is that of these weights on frames scaled to \
             one flux; the rms change counts every exposure alike"
        )),
    }
}
