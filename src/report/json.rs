//! `verdict.json`: the result model as it stands. Null, never NaN.

use crate::verdict::Verdict;

use super::{ReportError, VERDICT_JSON};

/// Pretty JSON. A number that is not finite becomes null.
pub fn to_text(verdict: &Verdict) -> Result<String, ReportError> {
    let make = |e: serde_json::Error| ReportError::Make { name: VERDICT_JSON, message: e.to_string() };
    Ok(serde_json::to_string_pretty(verdict).map_err(make)? + "\n")
}
