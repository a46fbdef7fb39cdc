//! Shape that depends on brightness.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "brightness-dependent",
    title: "The stars' shape depends on their brightness",
    what: "The trend of ln T, e1 and e2 with the stars' flux, every star averaged over the exposures and taken against the exposures' own models; what changes with the inverse of the flux (sky level, wings, neighbours) is fitted beside it and not counted. A remark: it leaves the decision as it is.",
    why: "Where charge already collected pushes away what follows, bright stars are larger than the PSF of faint galaxies: a PSF model from bright stars is too large for them, a multiplicative bias. A detector that does not count in proportion to light does likewise.",
    formula: "mean residual = a + b F/F_max + c F_ref/F by robust least squares; spoken of where b has a chance under 1e-3 and the rank correlation agrees at 0.01",
    unit: "fraction of T, or ellipticity, from no light to the brightest star",
    source: "Common practice, no source; rank correlation: Spearman 1904, Am. J. Psychol. 15, 72",
    remedy: "Correct the frames for it before measuring, or leave the brightest stars out of the PSF model (detector.saturation set lower does so here).",
    severities: REMARK_OR_UNDECIDED,
};
