//! Alignment drifts.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "alignment-drifts",
    title: "Alignment drifts",
    what: "Coma, astigmatism, trefoil or spherical aberration follows a straight line through time by five standard deviations, and stands out of the scatter about it.",
    why: "A growing misalignment, unlike a blur that recurs, makes the PSF of the stack's ends differ.",
    formula: "slope / error >= 5, and Student t of the slope in the scatter",
    unit: "nm rms per exposure",
    source: "Shack & Thompson 1980 SPIE 251, 146; McLeod 1996 PASP 108, 217 (forms from memory)",
    remedy: "Combine shorter spans; realign by the flight team's own procedures and limits.",
    severities: REMARK_OR_UNDECIDED,
};
