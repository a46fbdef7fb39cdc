//! Another frame size.

use super::{Check, LEAVE_OUT};

pub const CHECK: Check = Check {
    code: "mixed-size",
    title: "Another frame size",
    what: "The frame has another number of pixels along x or y than the like group with the most exposure time.",
    why: "It is another camera, window or binning: one place in pixels is no longer one place in the field.",
    formula: "width or height differs",
    unit: "pixels",
    source: "Common practice, no source",
    remedy: "Judge each frame size by itself; cut windows to one size before measuring.",
    severities: LEAVE_OUT,
};
