//! Measured numbers into the result model. Numbers that are not finite become null.

use super::assess::Assessment;
use super::model::*;
use super::own_model::FieldMeans;
use crate::moments::FWHM_PER_SIGMA;
use crate::repeat::{Change, RmsChange, random_effects::random_effects};
use crate::settings::{CheckSettings, Settings};
use crate::shear::{Requirement as Limits, RequirementWish, ShearError};
use crate::table::StarTable;

/// The requirement of the settings.
pub fn limits(settings: &Settings) -> Result<Limits, ShearError> {
    let r = &settings.requirement;
    Limits::resolve(&RequirementWish {
        preset: Some(r.preset.clone()),
        m: r.m,
        c: r.c,
        size_ratio: r.size_ratio,
        size_limit: r.size_limit,
        ellipticity_limit: r.ellipticity_limit,
    })
}

pub fn requirement(limits: &Limits) -> Requirement {
    let confirmed = if limits.confirmed { "confirmed" } else { "not confirmed" };
    Requirement {
        name: limits.name.clone(),
        source: format!("{} ({confirmed})", limits.source),
        confirmed: limits.confirmed,
        m: limits.m,
        c: limits.c,
        size_ratio: limits.size_ratio,
        size_limit: limits.size_limit,
        ellipticity_limit: limits.ellipticity_limit,
    }
}

pub fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// An rms with its interval and limit.
pub fn bare(rms: &RmsChange, limit: f64) -> Measured {
    Measured {
        rms: finite(rms.rms),
        low: finite(rms.low),
        high: finite(rms.high),
        limit: Some(limit),
        population: None,
    }
}

/// The same where nothing is asked.
pub fn unlimited(rms: &RmsChange) -> Measured {
    Measured { limit: None, ..bare(rms, 0.0) }
}

/// What an assessment found, against the limits.
pub fn size_and_ellipticity(found: &Assessment, limits: &Limits) -> SizeAndEllipticity {
    SizeAndEllipticity {
        size: measured(&found.size, limits.size_limit, &found.size_change),
        ellipticity: measured(&found.ellipticity, limits.ellipticity_limit, &found.e_change),
    }
}

/// An rms with its interval, its limit and the population of the field means.
fn measured(rms: &RmsChange, limit: f64, change: &Change) -> Measured {
    Measured { population: population(change, rms.confidence), ..bare(rms, limit) }
}

/// Random-effects standard deviation of the exposures' field means, averaged over the
/// components: what they were drawn from.
fn population(change: &Change, confidence: f64) -> Option<Population> {
    let mut squares = [0.0; 3];
    for component in 0..change.components {
        let means = change.field_mean(component);
        let (values, errors): (Vec<f64>, Vec<f64>) = means.into_iter().unzip();
        let variances: Vec<f64> = errors.iter().map(|e| e * e).collect();
        let found = random_effects(&values, &variances, confidence).ok()?;
        for (sum, part) in squares.iter_mut().zip([found.tau2_paule_mandel, found.tau2_low, found.tau2_high])
        {
            *sum += part / change.components as f64;
        }
    }
    let [tau, low, high] = squares.map(|square| finite(square.max(0.0).sqrt()));
    Some(Population { tau, low, high })
}

/// One exposure's row.
pub fn exposure_result(
    table: &StarTable,
    means: Option<FieldMeans>,
    reasons: Vec<String>,
    checks: &CheckSettings,
) -> ExposureResult {
    let scale2 = table.facts.pixel_arcsec.map(|s| s * s);
    let mut refused = std::collections::BTreeMap::new();
    let forgotten = table.forgotten.iter().map(|(&reason, &count)| (reason, count));
    for (reason, count) in table.stars.iter().filter_map(|s| Some((s.refused?, 1))).chain(forgotten) {
        *refused.entry(reason.word().to_owned()).or_insert(0) += count;
    }
    let kept = table.stars.iter().filter(|s| s.refused.is_none()).count();
    ExposureResult {
        file: table.file.clone(),
        time: table.facts.time.clone(),
        exposure_s: table.facts.exposure_s,
        stars: u32::try_from(kept).ok(),
        gate: if reasons.iter().any(|code| checks.leaves_out(code)) { Gate::LeaveOut } else { Gate::Keep },
        reasons,
        size_arcsec2: means.zip(scale2).and_then(|(m, s2)| finite(m.size * s2)),
        size_pix2: means.and_then(|m| finite(m.size)),
        size_err: means.and_then(|m| finite(m.size_err * scale2.unwrap_or(1.0))),
        e1: means.and_then(|m| finite(m.e1)),
        e2: means.and_then(|m| finite(m.e2)),
        e_err: means.and_then(|m| finite(m.e_err)),
        jitter_mas2: None,
        fwhm_pix: table.sigma_pixels.map(|s| s * FWHM_PER_SIGMA),
        sky_level: finite(table.sky_level),
        sky_noise: finite(table.sky_noise),
        filter: table.facts.filter.clone(),
        mjd_mid: table.facts.mjd_mid,
        altitude_deg: table.facts.altitude_deg,
        target: table.facts.target.clone(),
        ra_deg: table.facts.ra_deg,
        dec_deg: table.facts.dec_deg,
        focus: table.facts.focus,
        housekeeping: table.facts.housekeeping.clone(),
        refused,
        xxh3: Some(table.frame_xxh3.clone()),
        notes: table.notes.clone(),
    }
}

/// The row of a frame that could not be read.
pub fn unreadable(file: &str, why: &str) -> ExposureResult {
    ExposureResult {
        file: file.into(),
        time: None,
        exposure_s: None,
        stars: None,
        gate: Gate::Unreadable,
        reasons: vec!["unreadable".into()],
        size_arcsec2: None,
        size_pix2: None,
        size_err: None,
        e1: None,
        e2: None,
        e_err: None,
        jitter_mas2: None,
        fwhm_pix: None,
        sky_level: None,
        sky_noise: None,
        filter: None,
        mjd_mid: None,
        altitude_deg: None,
        target: None,
        ra_deg: None,
        dec_deg: None,
        focus: None,
        housekeeping: std::collections::BTreeMap::new(),
        refused: std::collections::BTreeMap::new(),
        xxh3: None,
        notes: vec![why.into()],
    }
}
