//! What a verdict says of its exposures, flattened for the log.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::FlightError;
use crate::optics::PATTERN_TERMS;
use crate::verdict::Verdict;
use crate::verdict::keep::keep_list;
use crate::verdict::model::{ExposureResult, Gate, SCHEMA};
use crate::verdict::optics_model::ExposureOptics;

/// One verdict as it goes into the log.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// SHA-256 of its contents, hex, apart from the command line it was made by.
    pub sha256: String,
    pub verdict: LoggedVerdict,
    pub exposures: Vec<LoggedExposure>,
}

/// What a verdict asked and what it answered, besides its exposures.
#[derive(Debug, Clone, PartialEq)]
pub struct LoggedVerdict {
    pub path: String,
    pub decision: String,
    pub confidence: f64,
    pub size_limit: f64,
    pub ellipticity_limit: f64,
    /// Under which weight sizes and ellipticities were taken.
    pub weight: String,
    /// Whether the joint sign of the even terms is settled; none where no optics were fitted.
    pub sign_settled: Option<bool>,
}

/// A value of one term in one exposure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TermValue {
    pub value: f64,
    pub error: Option<f64>,
    /// False where the images do not decide it.
    pub determined: bool,
}

/// A row of the log. Missing is none, never zero.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LoggedExposure {
    /// XXH3 of the frame, hex; of one that could not be read `unreadable:` and its path.
    pub frame: String,
    pub file: String,
    /// Middle of the exposure, MJD in UTC.
    pub mjd_mid: Option<f64>,
    pub exposure_s: Option<f64>,
    pub target: Option<String>,
    pub filter: Option<String>,
    pub altitude_deg: Option<f64>,
    pub ra_deg: Option<f64>,
    pub dec_deg: Option<f64>,
    pub focus: Option<f64>,
    /// `keep`, `leave-out` or `unreadable`.
    pub gate: String,
    /// Whether the verdict lists it as one to combine.
    pub combined: bool,
    pub stars: Option<u32>,
    /// By name; jitter and size with their units in the name.
    pub terms: BTreeMap<String, TermValue>,
    pub housekeeping: BTreeMap<String, f64>,
}

impl Record {
    /// From the text of a `verdict.json`.
    pub fn of(text: &str, path: &str) -> Result<Self, FlightError> {
        let no_verdict = |e: serde_json::Error| FlightError::NoVerdict(e.to_string());
        let mut value: serde_json::Value = serde_json::from_str(text).map_err(no_verdict)?;
        let schema = value.get("schema").and_then(|s| s.as_str()).unwrap_or_default();
        if schema != SCHEMA {
            return match schema.starts_with("stackworthy/verdict/") {
                true => Err(FlightError::OtherSchema { found: schema.into(), known: SCHEMA }),
                false => Err(FlightError::NoVerdict("it has no schema of one".into())),
            };
        }
        let verdict: Verdict = serde_json::from_value(value.clone()).map_err(no_verdict)?;
        // How it was called is no part of what it says.
        if let Some(arguments) = value.pointer_mut("/tool/arguments") {
            *arguments = serde_json::Value::Null;
        }
        let kept = keep_list(&verdict);
        let optics = verdict.optics.as_ref();
        let exposures = verdict.exposures.iter().map(|e| {
            let own = optics.and_then(|o| o.exposures.iter().find(|row| row.file == e.file));
            logged(e, own, kept.contains(&e.file))
        });
        Ok(Self {
            sha256: hex(&Sha256::digest(value.to_string().as_bytes())),
            verdict: LoggedVerdict {
                path: path.into(),
                decision: verdict.decision.word().into(),
                confidence: verdict.confidence,
                size_limit: verdict.requirement.size_limit,
                ellipticity_limit: verdict.requirement.ellipticity_limit,
                weight: match verdict.size_definition.weight_sigma_pix {
                    Some(sigma) => format!("{}, sigma {sigma:.2} pixels", verdict.size_definition.weight),
                    None => verdict.size_definition.weight.clone(),
                },
                sign_settled: optics.and_then(|o| o.even_sign_settled),
            },
            exposures: {
                // A frame counts once, however often it was given.
                let mut seen = std::collections::HashSet::new();
                exposures.filter(|e| seen.insert(e.frame.clone())).collect()
            },
        })
    }
}

fn logged(e: &ExposureResult, optics: Option<&ExposureOptics>, combined: bool) -> LoggedExposure {
    let gate = match e.gate {
        Gate::Keep => "keep",
        Gate::LeaveOut => "leave-out",
        Gate::Unreadable => "unreadable",
    };
    let mut terms = BTreeMap::new();
    let mut put = |name: &str, value: Option<f64>, error: Option<f64>, determined: bool| {
        if let Some(value) = value.filter(|v| v.is_finite()) {
            let error = error.filter(|e| e.is_finite() && *e >= 0.0);
            terms.insert(name.to_owned(), TermValue { value, error, determined });
        }
    };
    put("size_arcsec2", e.size_arcsec2, e.size_err, true);
    put("size_pix2", e.size_pix2, e.size_err.filter(|_| e.size_arcsec2.is_none()), true);
    put("e1", e.e1, e.e_err, true);
    put("e2", e.e2, e.e_err, true);
    if let Some(blur) = optics.and_then(|o| o.blur.as_ref()) {
        let (trace, difference) = (0.5 * blur.trace_err, 0.5 * blur.difference_err);
        let axis = trace.hypot(difference);
        for (name, value, error) in
            [("xx", blur.xx, axis), ("yy", blur.yy, axis), ("xy", blur.xy, difference)]
        {
            put(&format!("blur_{name}_{}", blur.unit), Some(value), Some(error), true);
        }
    }
    if let Some(fit) = optics.and_then(|o| o.fit.as_ref()) {
        let j = &fit.jitter;
        put("jitter_xx_mas2", Some(j.xx_mas2), Some(j.xx_err), true);
        put("jitter_yy_mas2", Some(j.yy_mas2), Some(j.yy_err), true);
        put("jitter_xy_mas2", Some(j.xy_mas2), Some(j.xy_err), true);
        for term in fit.terms.iter().filter(|t| PATTERN_TERMS.contains(&t.name.as_str())) {
            put(&term.name, Some(term.value), Some(term.error), term.determined);
        }
    }
    LoggedExposure {
        frame: e.xxh3.clone().unwrap_or_else(|| format!("unreadable:{}", e.file)),
        file: e.file.clone(),
        mjd_mid: e.mjd_mid.filter(|t| t.is_finite()),
        exposure_s: e.exposure_s,
        target: e.target.clone(),
        filter: e.filter.clone(),
        altitude_deg: e.altitude_deg,
        ra_deg: e.ra_deg,
        dec_deg: e.dec_deg,
        focus: e.focus,
        gate: gate.into(),
        combined,
        stars: e.stars,
        terms,
        housekeeping: e
            .housekeeping
            .iter()
            .filter(|(_, v)| v.is_finite())
            .map(|(k, v)| (k.clone(), *v))
            .collect(),
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
