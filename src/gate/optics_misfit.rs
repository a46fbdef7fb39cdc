//! The model of the telescope does not fit.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "optics-misfit",
    title: "The model of the telescope does not fit",
    what: "Chi-square per degree of freedom of the forward model, median over exposures.",
    why: "Wrong facts of the telescope (5 % of the aperture, 3 % of the wavelength), or optics beyond the model, show here; fitted terms then take up the difference.",
    formula: "chi-square / degrees of freedom > 1.15",
    unit: "none (chi-square per degree of freedom)",
    source: "Chi-square of the residuals: common practice",
    remedy: "Check aperture, obstruction, wavelength, band, pixel scale, gain and diffusion in the settings.",
    severities: REMARK_OR_UNDECIDED,
};
