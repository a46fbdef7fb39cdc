//! Too few stars.

use super::{Check, LEAVE_OUT};

pub const CHECK: Check = Check {
    code: "few-stars",
    title: "Too few stars",
    what: "The exposure has fewer usable stars, or shares fewer of them with the other exposures, than its PSF over the field can be measured with.",
    why: "Only stars say what the PSF is; without them nothing vouches for the exposure.",
    formula: "usable stars < 8, or stars shared with other exposures <= functions of the field (6 for a quadratic field, which 24 stars allow; 3 below that, 1 below 12)",
    unit: "stars",
    source: "Common practice, no source",
    remedy: "Look at the refused detections and their reasons: clouds, strong trailing and lost focus are the usual ones. A lower `stars.min_snr` admits fainter stars.",
    severities: LEAVE_OUT,
};
