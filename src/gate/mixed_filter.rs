//! Another filter.

use super::{Check, LEAVE_OUT_OR_REMARK};

pub const CHECK: Check = Check {
    code: "mixed-filter",
    title: "Another filter",
    what: "The header names another filter (or none) than that of the like group with the most exposure time.",
    why: "The PSF grows with the wavelength, so exposures through different filters do not share one; and where they seem to, stars and galaxies of other colours do not.",
    formula: "filter differs, letter case and blanks at the ends aside",
    unit: "none (name)",
    source: "Common practice, no source",
    remedy: "Judge each filter by itself. Where the card is wrong, name the right one by `header.filter`; where no card can be trusted, set this check to remark.",
    severities: LEAVE_OUT_OR_REMARK,
};
