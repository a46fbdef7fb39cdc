//! Checks: one file each, with its code and the text that `stackworthy explain` prints.

pub mod alignment_changes;
pub mod alignment_drifts;
pub mod blur_changes;
pub mod ellipticity_change;
pub mod few_stars;
pub mod focus_changes;
pub mod focus_drifts;
pub mod jitter_changes;
pub mod jitter_drifts;
pub mod jitter_recurs;
pub mod little_overlap;
pub mod mixed_binning;
pub mod mixed_filter;
pub mod mixed_size;
pub mod mixed_target;
pub mod noise_model;
pub mod not_registered;
pub mod one_exposure;
pub mod optics_misfit;
pub mod own_model_ellipticity;
pub mod own_model_size;
pub mod psf_differs;
pub mod repeated;
pub mod size_change;
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
}

/// Every check, in the order in which they are listed.
pub const ALL: &[&Check] = &[
    &size_change::CHECK,
    &ellipticity_change::CHECK,
    &own_model_size::CHECK,
    &own_model_ellipticity::CHECK,
    &noise_model::CHECK,
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
            for text in [check.title, check.what, check.why, check.remedy, check.source] {
                assert!(!text.is_empty(), "{}", check.code);
            }
        }
    }
}
