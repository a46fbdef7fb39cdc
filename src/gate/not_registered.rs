//! Not registered with the others.

use super::{Check, LEAVE_OUT};

pub const CHECK: Check = Check {
    code: "not-registered",
    title: "Not registered with the others",
    what: "The exposure's stars could not be laid on those of the other exposures, neither by world coordinates nor by their pattern.",
    why: "Unless the same stars are compared, a change of the PSF cannot be told from a difference between stars.",
    formula: "common stars < 4, or < a quarter of the shorter list; or no chain of shared stars to the others",
    unit: "stars",
    source: "Common practice, no source",
    remedy: "Look at the frame: another field, trailed stars or too few of them. Give world coordinates.",
    severities: LEAVE_OUT,
};
