//! Another binning.

use super::{Check, LEAVE_OUT};

pub const CHECK: Check = Check {
    code: "mixed-binning",
    title: "Another binning",
    what: "The header states another binning (or none) than that of the like group with the most exposure time.",
    why: "Larger pixels blur the image further: the PSF as sampled is another one, and so are the field patterns in pixels.",
    formula: "binning differs along x or y",
    unit: "pixels per sample",
    source: "Common practice, no source",
    remedy: "Judge each binning by itself.",
    severities: LEAVE_OUT,
};
