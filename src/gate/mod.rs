//! Checks: one file each, with its code and the text that `stackworthy explain` prints.

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
pub const ALL: &[&Check] = &[];

pub fn find(code: &str) -> Option<&'static Check> {
    ALL.iter().copied().find(|c| c.code == code)
}
