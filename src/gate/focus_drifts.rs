//! Focus drifts.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "focus-drifts",
    title: "Focus drifts",
    what: "Defocus, its curvature or the focal-plane tilt follows a straight line through time by five standard deviations, and stands out of the scatter about it.",
    why: "A growing defocus makes every later exposure less like the first.",
    formula: "slope / error >= 5, and Student t of the slope in the scatter",
    unit: "nm rms per exposure",
    source: "Weighted straight line: common practice",
    remedy: "Combine shorter spans; refocus more often, by the flight team's own procedures and limits.",
    severities: REMARK_OR_UNDECIDED,
};
