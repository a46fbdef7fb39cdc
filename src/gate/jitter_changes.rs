//! Jitter changes between exposures.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "jitter-changes",
    title: "Jitter changes between exposures",
    what: "The jitter tensor fitted to each exposure, tested against its errors for change over the stack; shown at five standard deviations.",
    why: "Pointing differs from exposure to exposure: size and ellipticity change alike over the whole field.",
    formula: "chi-square = sum_t (J_t - J)^T C_t^-1 (J_t - J)",
    unit: "mas2",
    source: "Jitter adds to the unweighted second moments exactly: by convolution; the test is the chi-square of a common mean",
    remedy: "Leave out the exposures that shook most; look at what the pointing met at those times.",
    severities: REMARK_OR_UNDECIDED,
};
