//! Whether the stated errors are the true ones.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "noise-model",
    title: "Are the stated errors the true ones?",
    what: "The scatter of each star's repeated measurements about the fitted change, over the stated errors: 1 where the noise model is right. It speaks outside 0.9 to 1.1.",
    why: "Whatever exceeds the noise is called change. Understated noise makes a steady telescope look unsteady; overstated noise hides a change.",
    formula: "pull = sqrt( sum (residual/sigma)^2 / degrees of freedom )",
    unit: "none (ratio)",
    source: "Chi-square test: common practice, no source. Errors of size and ellipticity: derived by propagation of the pixel noise (tests/moments_accuracy.rs)",
    remedy: "Set `detector.gain` and `detector.read_noise`; then look for flat-field residuals, a size that depends on charge, or undersampling. Scatter that is not shown to be white over the field counts as change.",
    severities: REMARK_OR_UNDECIDED,
};
