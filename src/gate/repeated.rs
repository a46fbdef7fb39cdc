//! The same image twice.

use super::Check;

pub const CHECK: Check = Check {
    code: "repeated",
    title: "The same image as another exposure",
    what: "Every star of the exposure has to the last bit the position and flux that it has in an earlier one: a copy, perhaps under another name or in another compression.",
    why: "Copies always agree; counted as exposures they would make any telescope look steady.",
    formula: "positions and fluxes of all detections equal",
    unit: "-",
    source: "Common practice, no source",
    remedy: "Give each exposure once.",
};
