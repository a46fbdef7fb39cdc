//! Jitter drifts.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "jitter-drifts",
    title: "Jitter drifts",
    what: "A component of the jitter tensor follows a straight line through time by five standard deviations of the fits, and stands out of the scatter about the line.",
    why: "A PSF that grows through a stack cannot be one PSF for long.",
    formula: "slope / error >= 5, and Student t of the slope in the scatter",
    unit: "mas2 per exposure",
    source: "Weighted straight line: common practice",
    remedy: "Combine shorter spans; look for what loosens or wakes as the sequence runs.",
    severities: REMARK_OR_UNDECIDED,
};
