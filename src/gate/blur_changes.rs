//! Blur changes, about round.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "blur-changes",
    title: "Blur changes, about round",
    what: "Moments added to the sharpest exposure's are about equal in all directions; the facts of the telescope are not given, so the cause is not known.",
    why: "The size of the PSF changes between exposures.",
    formula: "dJ = dM / response of the weighted moments",
    unit: "mas2, or pixel2 without a plate scale",
    source: "Response of adaptive moments to jitter, measured on the stars",
    remedy: "Give the telescope's facts under [telescope] in the settings to tell focus from jitter.",
    severities: REMARK_OR_UNDECIDED,
};
