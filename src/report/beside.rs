//! What is measured beside the decision, in lines for the terminal and rows for the page.

use crate::verdict::Verdict;
use crate::verdict::beside::correlation::power;
use crate::verdict::model::{
    Brightness, BrightnessTrend, CorrelationBin, Estimate, ExposureRegistration, HigherMomentsChange,
    OverlapRow, Registration, Repeatability, ResidualCorrelation, SmearTensor,
};

use super::numbers::{MISSING, or_missing, significant, with_interval};
use crate::verdict::reasons::file_name;

/// One line each.
pub fn lines(verdict: &Verdict) -> Vec<String> {
    let lines = [
        verdict.repeatability.as_ref().and_then(overlap),
        verdict.residual_correlation.as_ref().and_then(correlation),
        verdict.registration.as_ref().and_then(registration),
    ];
    lines.into_iter().flatten().collect()
}

/// What combining adds to the size.
pub fn registration(found: &Registration) -> Option<String> {
    let of_stars = with_error(&found.size_smear);
    let kernel = found.kernel_smear.map(|v| format!(", the resampling kernel {}", power(v)));
    let by_coordinates = found.world_coordinates_smear.as_ref();
    let coordinates = by_coordinates.map(|e| format!("; by the world coordinates alone {}", with_error(e)));
    let (kernel, coordinates) = (kernel.unwrap_or_default(), coordinates.unwrap_or_default());
    found.size_smear.value?;
    Some(format!("Combining adds to T: the registration by stars {of_stars}{kernel}{coordinates}"))
}

/// The worst exposures of the registration: file, stars, xx, yy, xy with the error, and the
/// largest trace of a zone.
pub fn registration_rows(found: &Registration) -> Vec<Vec<String>> {
    const SHOWN: usize = 12;
    let trace = |t: &SmearTensor| t.xx + t.yy;
    let mut worst: Vec<&ExposureRegistration> = found.exposures.iter().collect();
    worst.sort_by(|a, b| trace(&b.tensor).total_cmp(&trace(&a.tensor)));
    let row = |e: &&ExposureRegistration| {
        let zone = e.zones.iter().map(|z| trace(&z.tensor)).fold(f64::NAN, f64::max);
        let t = &e.tensor;
        let numbers =
            [t.xx, t.yy, t.xy, t.err, zone].map(|v| if v.is_finite() { power(v) } else { MISSING.into() });
        [file_name(&e.file).to_owned(), e.stars.to_string()].into_iter().chain(numbers).collect()
    };
    worst.iter().take(SHOWN).map(row).collect()
}

/// Change of the higher moments, in a line each.
pub fn higher_rows(found: &HigherMomentsChange) -> Vec<Vec<String>> {
    [("coma", &found.coma), ("trefoil", &found.trefoil), ("kurtosis", &found.kurtosis)]
        .map(|(name, m)| vec![name.into(), with_interval(m.rms, m.low, m.high)])
        .to_vec()
}

/// Trends with brightness: quantity, slope with its error, chance, rank correlation.
pub fn brightness_rows(found: &Brightness) -> Vec<Vec<String>> {
    let row = |(name, t): (&str, &BrightnessTrend)| {
        let slope = format!("{:+.5} ± {:.5}", t.slope, t.err);
        vec![name.into(), slope, significant(t.p, 2), format!("{:+.2}", t.rank_correlation)]
    };
    [("ln T", &found.size), ("e1", &found.e1), ("e2", &found.e2)].map(row).to_vec()
}

/// The fewest exposures that must cover a galaxy.
fn overlap(r: &Repeatability) -> Option<String> {
    let (weights, all) = (r.weights.as_ref()?, r.overlap.last()?.k);
    let fewest = r.smallest_overlap?;
    let suffice = if fewest == 1 { "suffices" } else { "suffice" };
    Some(format!(
        "Under {weights} weights {fewest} of the {all} exposures over a galaxy {suffice}, where they are drawn at random"
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
