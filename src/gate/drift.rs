//! Does the PSF drift through the stack?

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "drift",
    title: "Does the PSF drift through the stack?",
    what: "The robust slope of the exposures' field means (ln T, e1, e2, on the detector) against the time of their middles, or against their order where times are missing; from 5 exposures on. All drifts, steps and periods of a stack are one family of tests: where nothing changes, any of them is spoken of in at most 1 - confidence of the stacks (Holm).",
    why: "A drift makes the first and the last exposure differ most: the stack grows worse the longer it is, and a shorter span may pass where the whole does not. It is a remark; the decision rests on the rms change alone.",
    formula: "slope = median of (q_j - q_i)/(t_j - t_i) over all pairs; S = rising less falling pairs; p = P(|S| as large in random order), counted out up to 60 exposures without ties, else normal; interval from the sorted slopes at (N -/+ C)/2, P(|S| <= C) >= confidence. Where what is left has a lag-one correlation r plainly over zero (12 exposures and more), the interval and a second probability have var S multiplied by 1 + 2 sum (1 - k/n) r^k",
    unit: "ln T or ellipticity per hour (or per exposure)",
    source: "Sen 1968, J. Am. Stat. Assoc. 63, 1379; Mann 1945, Econometrica 13, 245 and Kendall 1975, Rank Correlation Methods (from memory); autocorrelation: Yue & Wang 2004, Water Resour. Manag. 18, 201 (from memory)",
    remedy: "Look at what changes as steadily: temperature, focus, altitude, field rotation (`follows-housekeeping`). Shorten the span that is combined, or correct focus during it.",
    severities: REMARK_OR_UNDECIDED,
};
