//! `[checks]`: what follows when a check speaks, by its code.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::gate::{ALL, Severity, find};

/// A severity for every check: its own unless said otherwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "BTreeMap<String, Severity>")]
pub struct CheckSettings(BTreeMap<String, Severity>);

impl Default for CheckSettings {
    fn default() -> Self {
        Self(ALL.iter().map(|check| (check.code.to_owned(), check.severity())).collect())
    }
}

impl From<BTreeMap<String, Severity>> for CheckSettings {
    fn from(given: BTreeMap<String, Severity>) -> Self {
        let mut all = Self::default();
        all.0.extend(given);
        all
    }
}

impl CheckSettings {
    /// What follows when the check of this code speaks; a code that no check has is a remark.
    pub fn severity(&self, code: &str) -> Severity {
        self.0.get(code).copied().unwrap_or(Severity::Remark)
    }

    /// Whether an exposure of which it speaks is left out.
    pub fn leaves_out(&self, code: &str) -> bool {
        matches!(self.severity(code), Severity::LeaveOut | Severity::Decide)
    }

    /// The first entry that its check does not allow: code, what was said, what may be said.
    pub(super) fn refused(&self) -> Option<(&str, Severity, &'static [Severity])> {
        self.0.iter().find_map(|(code, severity)| {
            let allowed = find(code)?.severities;
            (!allowed.contains(severity)).then_some((code.as_str(), *severity, allowed))
        })
    }
}
