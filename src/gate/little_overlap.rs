//! The exposures share little sky.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "little-overlap",
    title: "The exposures share little sky",
    what: "The judged exposures have less than half of the reference exposure's field in common.",
    why: "Change is averaged over the sky that all judged exposures see. What only some of them see goes into the combination unjudged.",
    formula: "area seen by all / area of the reference exposure < 0.5",
    unit: "fraction of area",
    source: "Common practice, no source",
    remedy: "Judge shorter runs of exposures, or judge each pointing by itself.",
    severities: REMARK_OR_UNDECIDED,
};
