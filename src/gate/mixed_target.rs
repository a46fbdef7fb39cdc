//! Another target.

use super::Check;

pub const CHECK: Check = Check {
    code: "mixed-target",
    title: "Another target",
    what: "The exposure names another target than the largest like group of the stack.",
    why: "There is nothing to combine.",
    formula: "target differs",
    unit: "-",
    source: "Common practice, no source",
    remedy: "Judge each target by itself, or mend the header.",
};
