//! Fewer than two exposures to compare.

use super::{Check, Severity};

pub const CHECK: Check = Check {
    code: "one-exposure",
    title: "Fewer than two exposures to compare",
    what: "At most one exposure is left that can be compared with others.",
    why: "Repeatability needs a repeat.",
    formula: "judged exposures < 2",
    unit: "exposures",
    source: "None needed",
    remedy: "Look at why the others were left out. Give at least two exposures; three or more say something about the population they come from.",
    severities: &[Severity::Undecided],
};
