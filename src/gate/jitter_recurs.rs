//! The same jitter in every exposure.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "jitter-recurs",
    title: "The same jitter in every exposure",
    what: "The mean jitter tensor of the stack, where it stands out of its errors and does not change.",
    why: "A blur that recurs is part of every exposure alike: it costs resolution but does not stand in the way of combining.",
    formula: "J = (sum C_t^-1)^-1 sum C_t^-1 J_t",
    unit: "mas2",
    source: "Weighted mean: common practice",
    remedy: "Nothing for the verdict; for resolution, look at the pointing loop. Where the detector's diffusion is not given it is part of this number.",
    severities: REMARK_OR_UNDECIDED,
};
