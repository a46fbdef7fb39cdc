//! No gain is known.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "no-gain",
    title: "No gain is known",
    what: "Neither the header nor the settings say how many electrons a frame unit stands for.",
    why: "Without it the stars' own photon noise is left out of the stated errors. Bright stars then seem to scatter too much, and what is not shown to be white over the field counts as change.",
    formula: "variance of a pixel = sky noise^2 + light of the star / gain; the second term is missing",
    unit: "electrons per frame unit",
    source: "Merline & Howell 1995, Exp. Astron. 6, 163 (the noise of a detector)",
    remedy: "Set `detector.gain`, or name the card that holds it by `header.gain`.",
    severities: REMARK_OR_UNDECIDED,
};
