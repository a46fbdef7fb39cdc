//! Another frame size.

use super::Check;

pub const CHECK: Check = Check {
    code: "mixed-size",
    title: "Another frame size",
    what: "The frame has another number of pixels than the largest like group of the stack.",
    why: "Another camera, window or binning: the field patterns do not match.",
    formula: "width x height differs",
    unit: "pixels",
    source: "Common practice, no source",
    remedy: "Judge each frame size by itself.",
};
