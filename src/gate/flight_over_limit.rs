//! A term of the flight is over its limit.

use super::{Check, REMARK};

pub const CHECK: Check = Check {
    code: "flight-over-limit",
    title: "A term is over its limit",
    what: "The latest night's mean of a term is beyond its limit by more than its error explains: one-sided, Holm over all tests of the run. Limits of size and ellipticity are those of the requirement, and count from the start of the span since the last step; the others are those of `[flight]` in the settings, and count from zero.",
    why: "What is exposed now may not be combined with what was exposed then, or is outside what the flight team holds to be aligned.",
    formula: "z = (|x - reference| - limit)/err, p = P(Z > z)",
    unit: "that of the term: ln T, ellipticity, mas2 or nm",
    source: "common practice",
    remedy: "Act by the flight team's own procedures and limits; judge stacks from both sides together (`stackworthy judge`) before they are combined.",
    severities: REMARK,
};
