//! Another binning.

use super::Check;

pub const CHECK: Check = Check {
    code: "mixed-binning",
    title: "Another binning",
    what: "The exposure was read out with another binning.",
    why: "Pixels of another size give another pixel-convolved PSF.",
    formula: "binning differs",
    unit: "-",
    source: "Common practice, no source",
    remedy: "Judge each binning by itself.",
};
