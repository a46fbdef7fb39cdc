//! `verdict.json`: the result model as it stands. Null, never NaN.

use crate::verdict::Verdict;
use crate::verdict::model::SCHEMA;

use super::{ReportError, VERDICT_JSON};

/// Pretty JSON. A number that is not finite becomes null.
pub fn to_text(verdict: &Verdict) -> Result<String, ReportError> {
    let make = |e: serde_json::Error| ReportError::Make { name: VERDICT_JSON, message: e.to_string() };
    Ok(serde_json::to_string_pretty(verdict).map_err(make)? + "\n")
}

/// A verdict read back. Its format is looked at first: another version's fields would only puzzle.
pub fn from_text(text: &str) -> Result<Verdict, ReportError> {
    let wrong = |e: serde_json::Error| ReportError::Verdict { message: e.to_string() };
    let value: serde_json::Value = serde_json::from_str(text).map_err(wrong)?;
    match value.get("schema").and_then(|s| s.as_str()) {
        Some(SCHEMA) => serde_json::from_value(value).map_err(wrong),
        Some(found) => Err(ReportError::Schema { found: found.into() }),
        None => Err(ReportError::Verdict { message: "it has no \"schema\"".into() }),
    }
}
