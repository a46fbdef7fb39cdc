//! What is measured beside the decision, in lines for the terminal and rows for the page.

use crate::verdict::Verdict;
use crate::verdict::correlation::power;
use crate::verdict::model::{CorrelationBin, Estimate, OverlapRow, Repeatability, ResidualCorrelation};

use super::numbers::{MISSING, or_missing, significant};

/// One line each.
pub fn lines(verdict: &Verdict) -> Vec<String> {
    [
        verdict.repeatability.as_ref().and_then(overlap),
        verdict.residual_correlation.as_ref().and_then(correlation),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// The fewest exposures that must cover a galaxy.
fn overlap(r: &Repeatability) -> Option<String> {
    let (weights, all) = (r.weights.as_ref()?, r.overlap.last()?.k);
    let fewest = r.smallest_overlap?;
    Some(format!(
        "Under {weights} weights {fewest} of the {all} exposures over a galaxy suffice, where they are drawn at random"
    ))
}

/// A row a number of exposures: number, errors with their upper bounds, standing.
pub fn overlap_rows(r: &Repeatability) -> Vec<Vec<String>> {
    let error = |value, high| format!("{}, at most {}", or_missing(value, 3), or_missing(high, 3));
    let row = |row: &OverlapRow| {
        vec![
            row.k.to_string(),
            error(row.size_error, row.size_high),
            error(row.ellipticity_error, row.ellipticity_high),
            if row.passes { "passes" } else { "does not" }.into(),
        ]
    };
    r.overlap.iter().map(row).collect()
}

/// The bin that reaches farthest against the limit.
fn correlation(found: &ResidualCorrelation) -> Option<String> {
    let worst = found.worst()?;
    let (shown, limit) = match (&worst.delta_xi, found.delta_xi_limit) {
        (Some(delta_xi), Some(limit)) => (format!("delta xi+ {}", with_error(delta_xi)), limit),
        _ => (format!("rho1+rho3+2rho4 {}", with_error(&worst.additive)), found.additive_limit),
    };
    Some(format!(
        "Residuals of own models hang together by {shown} at {} {}: {} {}",
        significant(worst.separation, 2),
        found.unit,
        found.standing,
        power(limit)
    ))
}

/// A row a bin of the correlation functions: separation, pairs, the five functions and the additive combination.
pub fn correlation_rows(found: &ResidualCorrelation) -> Vec<Vec<String>> {
    let row = |bin: &CorrelationBin| {
        let rho = [&bin.rho1, &bin.rho2, &bin.rho3, &bin.rho4, &bin.rho5, &bin.additive];
        let ahead = [significant(bin.separation, 3), bin.pairs.to_string()];
        ahead.into_iter().chain(rho.map(with_error)).collect()
    };
    found.bins.iter().map(row).collect()
}

fn with_error(estimate: &Estimate) -> String {
    match (estimate.value, estimate.err) {
        (Some(value), Some(err)) => format!("{} ± {}", power(value), power(err)),
        (Some(value), None) => format!("{} ± ?", power(value)),
        _ => MISSING.into(),
    }
}
