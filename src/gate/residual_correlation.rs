//! What the exposures' own models leave hangs together over the field.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "residual-correlation",
    title: "Residuals of the exposures' own models hang together over the field",
    what: "The correlation functions rho1 to rho5 of what each exposure's own model leaves of stars held out of it, from the closest pairs to the size of the field, with jackknife errors.",
    why: "A PSF error that is common to neighbouring places is common to their galaxies: it does not average out and adds to the correlation function of shear, or to the tangential shear of a cluster.",
    formula: "rho1 = <de* de>, rho2 = <e* de>, rho3 = <(e dT/T)* (e dT/T)>, rho4 = <de* (e dT/T)>, rho5 = <e* (e dT/T)>, d star minus model; |rho1 + rho3 + 2 rho4| against (1.84 c T_gal/T_psf)^2 at every separation, that is delta xi+ against c^2",
    unit: "dimensionless; separations in arcmin, or pixels without a plate scale",
    source: "Rowe 2010, MNRAS 404, 350; Jarvis et al. 2016, MNRAS 460, 2245 (the factors of delta xi+ from memory; they vary between papers); sigma_sys^2 as limit: Amara & Refregier 2008, MNRAS 391, 228. Both stars of a pair are held out of the same fit: derived, since stars held out one at a time leave their own noise in the product",
    remedy: "See in the map of residuals where they lie; a finer field model where the stars bear it, more stars an exposure, or a model from several exposures whose PSF repeats.",
    severities: REMARK_OR_UNDECIDED,
};
