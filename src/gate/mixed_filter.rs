//! Another filter.

use super::Check;

pub const CHECK: Check = Check {
    code: "mixed-filter",
    title: "Another filter",
    what: "The exposure was taken through another filter than the largest like group of the stack.",
    why: "The PSF scales with wavelength; different filters never share one.",
    formula: "filter differs",
    unit: "-",
    source: "Common practice, no source",
    remedy: "Judge each filter by itself.",
};
