//! Alignment changes between exposures.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "alignment-changes",
    title: "Alignment changes between exposures",
    what: "Coma, astigmatism, trefoil or spherical aberration fitted to each exposure, tested against their errors for change; shown at five standard deviations without a steady drift.",
    why: "A moved mirror changes the PSF differently over the field.",
    formula: "chi-square of a common mean",
    unit: "nm rms",
    source: "Shack & Thompson 1980 SPIE 251, 146; Schechter & Levinson 2011 PASP 123, 812 (forms from memory)",
    remedy: "Leave out the exposures that differ; see the term that moved in verdict.json.",
    severities: REMARK_OR_UNDECIDED,
};
