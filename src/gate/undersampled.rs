//! Pixels too coarse for adaptive moments.

use super::Check;

pub const CHECK: Check = Check {
    code: "undersampled",
    title: "Pixels too coarse for adaptive moments",
    what: "The PSF is narrower than adaptive moments on pixels can bear, so moments under a fixed weight stand in, divided by their measured response to a change.",
    why: "Below about 2.4 pixels per FWHM the plain adaptive size is biased by per cents and jumps with the sub-pixel position.",
    formula: "sqrt(T/2) < 0.97 pixels",
    unit: "pixels",
    source: "Computed with the tool's own optics; tests/moments_accuracy.rs",
    remedy: "Dithers by fractions of a pixel help the combination; the judgement itself needs nothing.",
};
