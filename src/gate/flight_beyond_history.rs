//! A term of the flight has left its own history.

use super::{Check, REMARK};

pub const CHECK: Check = Check {
    code: "flight-beyond-history",
    title: "A term has left its own history",
    what: "The latest night's mean of a term (size, ellipticity, jitter, focus, coma, astigmatism, focal-plane tilt) against the nights before it, since the last step found; against single visits where there are fewer than four nights before. Of all tests of one run of `flight alarm`, any is wrong in at most the stated share of the runs in which nothing changes (Holm).",
    why: "Whatever moved it may go on moving it: the next stacks may not be combinable, or the alignment is being lost. The visit's own verdict compares exposures of one stack alone and cannot see this.",
    formula: "t = (x - mean)/sqrt(s^2 (1 + 1/n) + max(0, err^2 - mean err_i^2)), Student with n - 1 degrees of freedom, s the scatter of the n values before, measuring errors included, or these errors where they are larger",
    unit: "that of the term: ln T, ellipticity, mas2 or nm",
    source: "prediction interval of a normal sample: common practice; Holm 1979, Scand. J. Stat. 6, 65 (from memory)",
    remedy: "Look at what else is new since: target, elevation, temperature, a move. If the telescope was re-aligned, say from when history counts (`flight alarm --since`). Advice replaces neither the survey team's validation nor the flight team's procedures and limits.",
    severities: REMARK,
};
