//! The PSF differs from that of the kept exposures.

use super::Check;

pub const CHECK: Check = Check {
    code: "psf-differs",
    title: "The PSF differs from that of the kept exposures",
    what: "With this exposure the change between exposures is over the limit; without it the rest can be combined, judged by stars that took no part in the choice.",
    why: "Left in, it would put a shear bias into the combination that nobody sees.",
    formula: "chosen with one half of the stars, judged with the other",
    unit: "-",
    source: "Sample splitting, common practice",
    remedy: "Leave it out, or carry its own PSF.",
};
