//! The same image twice.

use super::{Check, LEAVE_OUT};

pub const CHECK: Check = Check {
    code: "repeated",
    title: "The same image as another exposure",
    what: "Every detection of the exposure has, to the last bit, the position and flux that it has in an earlier one: a copy, perhaps under another name or compression.",
    why: "Copies always agree. Counted as exposures they would make any telescope look steady.",
    formula: "positions and fluxes of all detections equal",
    unit: "none",
    source: "Common practice, no source",
    remedy: "Give each exposure once.",
    severities: LEAVE_OUT,
};
