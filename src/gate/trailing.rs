//! Images are smeared along one direction.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "trailing",
    title: "Images are smeared along one direction",
    what: "With the telescope's facts: uniform motion fits an exposure better than jitter. Without: what the moments have over the sharpest exposure's differs from axis to axis, by 5 errors and a twentieth of the size. Its share of what the size gained, its direction, growth and period are told.",
    why: "A smear along one direction is ellipticity in every star and every galaxy.",
    formula: "uniform motion L adds L^2/12 along its track; smear = hypot(Jxx - Jyy, 2 Jxy)",
    unit: "mas (rms from moments, end to end from the fit), or pixels without a plate scale",
    source: "Second moment of a uniform distribution",
    remedy: "Leave out the smeared exposures; see whether the direction stays with the detector (tracking) or the horizon (wind, refraction). Look to the focus too: astigmatism turns its change into a smear.",
    severities: REMARK_OR_UNDECIDED,
};
