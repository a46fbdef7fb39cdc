//! Only one exposure.

use super::Check;

pub const CHECK: Check = Check {
    code: "one-exposure",
    title: "Only one exposure",
    what: "There is nothing to compare the exposure with.",
    why: "Repeatability needs a repeat.",
    formula: "n < 2",
    unit: "exposures",
    source: "-",
    remedy: "Give at least two exposures; three or more say something about the population.",
};
