//! Blur changes, about round.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "blur-changes",
    title: "Blur changes, about round",
    what: "What the moments have over the sharpest exposure's has a part equal in all directions, of 5 errors and a twentieth of the size; without a fit of the optics the cause is not known. Defocus of many waves is told where stars, in the whole frame or a quarter, are flatter than Gaussian jitter, a uniform smear or poorer seeing would leave those of the sharpest.",
    why: "The size of the PSF changes between exposures.",
    formula: "dJ: what blurs the sharpest stars until their moments are the exposure's; round part Jxx + Jyy - hypot(Jxx - Jyy, 2 Jxy)",
    unit: "mas rms of both axes, or pixels without a plate scale",
    source: "Moments of the sharpest stars blurred on purpose; own method, no source",
    remedy: "Give the telescope's facts under [telescope] in the settings to tell focus from jitter.",
    severities: REMARK_OR_UNDECIDED,
};
