//! Not registered with the others.

use super::Check;

pub const CHECK: Check = Check {
    code: "not-registered",
    title: "Not registered with the others",
    what: "The exposure's stars could not be laid on those of the other exposures.",
    why: "Unless the same stars are compared, a change of the PSF cannot be told from a difference between stars.",
    formula: "fewer than 4 common stars, or fewer than a quarter of the smaller list",
    unit: "stars",
    source: "Common practice, no source",
    remedy: "Check the target; give world coordinates; look at the frame.",
};
