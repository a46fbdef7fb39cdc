//! What stands beside the decision: the decision does not rest on it unless `[checks]` in the
//! settings says so.
//!
//! - [`shear_budget`]: the change as shear bias, cause by cause
//! - [`correlation`]: what the exposures' own models leave over the field
//! - [`registration`]: what laying the exposures on one another adds to the PSF
//! - [`brightness`]: whether bright stars have another shape
//! - [`higher`]: change of third and fourth moments
//! - [`overlap`], [`weights`]: how many exposures must cover a galaxy
//! - [`combined`]: the PSF of the combination
//! - [`optics`], [`blur`]: jitter, focus and alignment, by the forward model or from moments
//! - [`over_time`], [`time_reasons`]: the field means through time, in numbers and sentences

pub mod blur;
pub mod brightness;
pub mod combined;
pub mod correlation;
mod followed;
pub mod higher;
pub mod optics;
mod optics_stack;
pub mod over_time;
pub mod overlap;
pub mod registration;
pub mod shear_budget;
mod sky_angle;
pub mod time_reasons;
mod weights;

use super::assess::Place;
use super::decide::Outcome;
use super::judge::Case;
use super::model::{Decision, Verdict};
use crate::settings::Settings;

/// Adds all of it to the verdict of `outcome`, with the reasons it gives. `optics` is what the optics say
/// of the stack, whatever the outcome.
pub(super) fn add(
    verdict: &mut Verdict,
    case: &Case,
    outcome: &Outcome,
    settings: &Settings,
    optics: Option<&optics::Found>,
) {
    let (stack, tables, limits, confidence) = (case.stack, case.tables, case.limits, case.confidence);
    let judged = outcome.judged.as_ref().or(case.all);
    let half = outcome.judged_by;

    let bias = shear_budget::ShearCase {
        tables,
        stack,
        judged,
        half,
        place: if case.in_sky { Place::Sky } else { Place::Detector },
        own_error: case.own_error,
        limits,
        obstruction: settings.telescope.obstruction,
        psf_ellipticity: case.mean_ellipticity(),
        confidence,
    };
    shear_budget::complete(verdict, &bias);

    let pixel_arcsec = tables.iter().find_map(|t| t.facts.pixel_arcsec);
    verdict.residual_correlation =
        correlation::of_stack(stack, case.models, case.viable, pixel_arcsec, limits, confidence);
    verdict.registration =
        registration::of_stack(stack, case.viable, tables, settings.combine.resampling_kernel_pix2, limits);
    verdict.brightness = brightness::of_stack(stack, case.models, case.viable);
    verdict.higher_moments =
        judged.and_then(|judged| higher::of_stack(tables, stack, judged, half, bias.place, confidence));
    let said = [
        verdict.residual_correlation.as_ref().and_then(correlation::reason),
        verdict.registration.as_ref().and_then(registration::reason),
        verdict.brightness.as_ref().and_then(brightness::reason),
    ];
    verdict.reasons.extend(said.into_iter().flatten());

    let weights = settings.combine.weights;
    verdict.combined = combined::combined(tables, stack, case.models, added_up(outcome), weights);
    if let (Some(to), Some(judged)) = (&mut verdict.repeatability, judged) {
        verdict.notes.extend(overlap::add(to, judged, stack, tables, weights, limits));
    }
    over_time::add(verdict, tables, stack);
    if let Some(found) = optics {
        optics::write(verdict, found);
    }
}

/// Places of what is added up: the kept, under split the largest group.
fn added_up(outcome: &Outcome) -> &[usize] {
    match (&outcome.judged, outcome.decision) {
        (Some(largest), Decision::Split) => &largest.keep,
        _ => &outcome.kept,
    }
}
