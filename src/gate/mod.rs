//! Checks: one file each, with its code and the text that `stackworthy explain` prints.
//! Words only, which imports nothing: settings and all that follows speak of checks by code.

use serde::{Deserialize, Serialize};

pub mod alignment_changes;
pub mod alignment_drifts;
pub mod blur_changes;
pub mod brightness_dependent;
pub mod drift;
pub mod ellipticity_change;
pub mod few_stars;
pub mod field_rotation;
pub mod flight_beyond_history;
pub mod flight_over_limit;
pub mod flight_will_cross;
pub mod focus_changes;
pub mod focus_drifts;
pub mod follows_housekeeping;
pub mod jitter_changes;
pub mod jitter_drifts;
pub mod jitter_recurs;
pub mod little_overlap;
pub mod mixed_binning;
pub mod mixed_filter;
pub mod mixed_size;
pub mod mixed_target;
pub mod no_gain;
pub mod noise_model;
pub mod not_registered;
pub mod one_exposure;
pub mod optics_misfit;
pub mod own_model_ellipticity;
pub mod own_model_size;
pub mod period;
pub mod psf_differs;
pub mod registration;
pub mod repeated;
pub mod residual_correlation;
pub mod shear_bias;
pub mod size_change;
pub mod step;
pub mod trailing;
pub mod undersampled;
pub mod unreadable;

/// What a check or reason means, for a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Check {
    /// Lower-case words joined by hyphens; what `reasons` in verdict.json carry.
    pub code: &'static str,
    pub title: &'static str,
    /// What is looked at.
    pub what: &'static str,
    /// Why it matters to shear.
    pub why: &'static str,
    pub formula: &'static str,
    pub unit: &'static str,
    /// Published source, or "common practice".
    pub source: &'static str,
    /// What to do about it.
    pub remedy: &'static str,
    /// What may follow when it speaks: the first by default, the others by `[checks]` in the
    /// settings.
    pub severities: &'static [Severity],
}

/// What follows when a check speaks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// It is said and alters nothing.
    Remark,
    /// The exposure is left out of what is judged.
    LeaveOut,
    /// No positive answer is given.
    Undecided,
    /// What it measured is what the decision rests on.
    Decide,
}

impl Severity {
    pub fn word(self) -> &'static str {
        match self {
            Severity::Remark => "remark",
            Severity::LeaveOut => "leave-out",
            Severity::Undecided => "undecided",
            Severity::Decide => "decide",
        }
    }

    pub fn meaning(self) -> &'static str {
        match self {
            Severity::Remark => "it is said and alters nothing",
            Severity::LeaveOut => "the exposure is left out of what is judged",
            Severity::Undecided => "where it speaks, no positive answer is given",
            Severity::Decide => "what it measured is what the decision rests on",
        }
    }
}

/// The usual choices, by their defaults.
const REMARK: &[Severity] = &[Severity::Remark];
const REMARK_OR_UNDECIDED: &[Severity] = &[Severity::Remark, Severity::Undecided];
const LEAVE_OUT: &[Severity] = &[Severity::LeaveOut];
const LEAVE_OUT_OR_REMARK: &[Severity] = &[Severity::LeaveOut, Severity::Remark];

impl Check {
    /// What follows unless the settings say otherwise.
    pub fn severity(&self) -> Severity {
        self.severities.first().copied().unwrap_or(Severity::Remark)
    }

    /// Whether the settings have a choice.
    pub fn is_settable(&self) -> bool {
        self.severities.len() > 1
    }
}

/// Every check, in the order in which they are listed.
pub const ALL: &[&Check] = &[
    &size_change::CHECK,
    &ellipticity_change::CHECK,
    &shear_bias::CHECK,
    &own_model_size::CHECK,
    &own_model_ellipticity::CHECK,
    &residual_correlation::CHECK,
    &registration::CHECK,
    &brightness_dependent::CHECK,
    &field_rotation::CHECK,
    &noise_model::CHECK,
    &no_gain::CHECK,
    &little_overlap::CHECK,
    &unreadable::CHECK,
    &mixed_filter::CHECK,
    &mixed_target::CHECK,
    &mixed_binning::CHECK,
    &mixed_size::CHECK,
    &few_stars::CHECK,
    &not_registered::CHECK,
    &psf_differs::CHECK,
    &repeated::CHECK,
    &one_exposure::CHECK,
    &undersampled::CHECK,
    &drift::CHECK,
    &step::CHECK,
    &period::CHECK,
    &follows_housekeeping::CHECK,
    &jitter_changes::CHECK,
    &jitter_drifts::CHECK,
    &jitter_recurs::CHECK,
    &focus_changes::CHECK,
    &focus_drifts::CHECK,
    &alignment_changes::CHECK,
    &alignment_drifts::CHECK,
    &trailing::CHECK,
    &blur_changes::CHECK,
    &optics_misfit::CHECK,
    &flight_beyond_history::CHECK,
    &flight_will_cross::CHECK,
    &flight_over_limit::CHECK,
];

pub fn find(code: &str) -> Option<&'static Check> {
    ALL.iter().copied().find(|c| c.code == code)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_unique_words_and_every_text_says_something() {
        for (k, check) in ALL.iter().enumerate() {
            assert!(check.code.chars().all(|c| c.is_ascii_lowercase() || c == '-'), "{}", check.code);
            assert!(ALL[..k].iter().all(|other| other.code != check.code), "{} twice", check.code);
            let texts =
                [check.title, check.what, check.why, check.formula, check.unit, check.source, check.remedy];
            for text in texts {
                assert!(text.len() > 3, "{}: {text:?}", check.code);
            }
            assert!(!check.severities.is_empty(), "{}", check.code);
        }
    }
}
