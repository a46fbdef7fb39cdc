//! Too few stars.

use super::Check;

pub const CHECK: Check = Check {
    code: "few-stars",
    title: "Too few stars",
    what: "The exposure has fewer usable stars than its PSF over the field can be measured with.",
    why: "Without stars nothing vouches for the PSF.",
    formula: "stars < 8, or fewer shared with the other exposures than the field functions need",
    unit: "stars",
    source: "Common practice, no source",
    remedy: "Look at the refused detections and their reasons; clouds, strong trailing or lost focus are the usual ones.",
};
