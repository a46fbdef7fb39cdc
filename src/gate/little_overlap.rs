//! The exposures share little sky.

use super::Check;

pub const CHECK: Check = Check {
    code: "little-overlap",
    title: "The exposures share little sky",
    what: "The share of the reference exposure's field that all judged exposures see.",
    why: "Change is averaged over the common sky; what only some exposures see is not judged.",
    formula: "area seen by all / area of one exposure",
    unit: "fraction",
    source: "Common practice, no source",
    remedy: "Judge shorter runs of exposures, or split the stack by pointing.",
};
