//! Another target.

use super::{Check, LEAVE_OUT_OR_REMARK};

pub const CHECK: Check = Check {
    code: "mixed-target",
    title: "Another target",
    what: "The header names another target (or none) than that of the like group with the most exposure time.",
    why: "Different fields have no sky in common to combine; a target card mistyped in one exposure looks the same.",
    formula: "target differs, letter case and blanks at the ends aside",
    unit: "none (name)",
    source: "Common practice, no source",
    remedy: "Judge each target by itself. Where the card is wrong, name the right one by `header.target`; where no card can be trusted, set this check to remark: exposures of another field then show as not-registered.",
    severities: LEAVE_OUT_OR_REMARK,
};
