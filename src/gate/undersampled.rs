//! Pixels too coarse for adaptive moments.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "undersampled",
    title: "Pixels too coarse for adaptive moments",
    what: "The PSF is narrower than adaptive moments on pixels can bear. Moments under one fixed weight stand in, and changes are divided by their response, measured on the stack's own mean star.",
    why: "Below about 2.4 pixels per FWHM the plain adaptive size is biased by per cents and jumps with the sub-pixel position, which looks like change.",
    formula: "sqrt(T/2) along the narrowest axis < 0.97 pixels",
    unit: "pixels",
    source: "Computed with this program's own optics (tests/moments_accuracy.rs)",
    remedy: "Nothing for the judgement itself. Dither by fractions of a pixel for the combination. If you do not trust the stand-in, raise this check to undecided.",
    severities: REMARK_OR_UNDECIDED,
};
