//! A steady telescope under a turning sky.

use super::{Check, REMARK};

pub const CHECK: Check = Check {
    code: "field-rotation",
    title: "The sky turned or moved under a steady pattern",
    what: "The change at fixed places of the sky is over a limit, while at fixed places of the detector both upper bounds are within theirs.",
    why: "Rotation turns an ellipticity fixed to the detector by twice its angle, and dithers carry a galaxy across the field pattern: the combined PSF is a mixture although nothing in the telescope changed.",
    formula: "lower bound of the rms on the sky > limit; upper bounds of the rms on the detector < limits",
    unit: "none (yes or no)",
    source: "Transformation of a spin-2 field, common practice; equivalence testing (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657)",
    remedy: "Carry each exposure's own PSF, or combine runs of like rotation; nothing needs adjusting on the telescope.",
    severities: REMARK,
};
