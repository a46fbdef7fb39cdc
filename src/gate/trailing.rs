//! Images are smeared along one direction.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "trailing",
    title: "Images are smeared along one direction",
    what: "With the telescope's facts: uniform motion fits an exposure better than jitter. Without: moments added to the sharpest exposure's lie along one axis.",
    why: "A smear along one direction is ellipticity in every star and every galaxy.",
    formula: "uniform motion L adds L^2/12 along its track",
    unit: "mas, or pixels without a plate scale",
    source: "Second moment of a uniform distribution",
    remedy: "Leave out the smeared exposures; see whether the direction stays with the detector (tracking) or the horizon (wind, refraction).",
    severities: REMARK_OR_UNDECIDED,
};
