//! Focus changes between exposures.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "focus-changes",
    title: "Focus changes between exposures",
    what: "Defocus and focal-plane tilt fitted to each exposure, tested against their errors for change; shown at five standard deviations without a steady drift.",
    why: "Focus changes the wings as well as the core of the PSF: the shear bias is several times what the size alone says.",
    formula: "chi-square of a common mean",
    unit: "nm rms",
    source: "Annular Zernike defocus: Noll 1976 JOSA 66, 207; Mahajan 1981 JOSA 71, 75",
    remedy: "Leave out what is out of focus; see whether focus moves between exposures.",
    severities: REMARK_OR_UNDECIDED,
};
