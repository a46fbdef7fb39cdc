//! A term of the flight will cross its limit.

use super::{Check, REMARK};

pub const CHECK: Check = Check {
    code: "flight-will-cross",
    title: "A term will cross its limit",
    what: "The robust slope of a term's visit means since the last step found, where it is more than chance, carried on from the latest visit: it reaches the limit within the hours asked for (`--within-hours`). Limits of size and ellipticity are those of the requirement, and count from the start of that span; limits of jitter, focus, coma, astigmatism and tilt are those of `[flight]` in the settings, and count from zero.",
    why: "A warning before a limit is crossed leaves time to act by the flight team's own procedures.",
    formula: "t = (limit - level)/slope, slope the median of the slopes of all pairs, each weighted by the inverse variances of its two visits (their errors and the scatter beyond them); from the earliest to the latest: level and slope at the ends of their intervals; the slope is tested by Mann and Kendall's S under the same weights, Holm over all tests of the run",
    unit: "hours from the latest visit",
    source: "Sen 1968, J. Am. Stat. Assoc. 63, 1379; Mann 1945, Econometrica 13, 245 (from memory); carrying a line on is a choice, not from a source",
    remedy: "Plan a re-alignment or a refocus before then, by the flight team's own procedures and limits; look at what changes as steadily (`flight report`). A line need not go on: look again after the next visit.",
    severities: REMARK,
};
