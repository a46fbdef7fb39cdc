//! The PSF differs from that of the others.

use super::{Check, LEAVE_OUT_OR_REMARK};

pub const CHECK: Check = Check {
    code: "psf-differs",
    title: "The PSF differs from that of the others",
    what: "With this exposure the change between exposures is over the limit; without it the rest may be combined, judged by stars that took no part in the choice, or by all stars where it is off beyond doubt. Where the rest may not be combined either, it marks the exposures farther from the most typical one than the limit and than 2.5 times the median distance.",
    why: "Left in, it would put a shear bias into the combination that nobody sees.",
    formula: "off beyond doubt: (size change/limit)^2 + (ellipticity change/limit)^2 against each of the rest is over 1 by 5 standard errors; otherwise chosen one by one, each time that whose removal lowers (size change/limit)^2 + (ellipticity change/limit)^2 most, by one half of the stars; judged with the other half. The rest keeps at least 60 % of the exposure time.",
    unit: "change over limit",
    source: "Sample splitting: common practice, no source",
    remedy: "Leave it out, or carry its own PSF. Set to remark, no exposure is left out for its PSF: all are combined, or none.",
    severities: LEAVE_OUT_OR_REMARK,
};
