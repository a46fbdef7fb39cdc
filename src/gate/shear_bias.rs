//! Shear bias by the change of the PSF, cause by cause.

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "shear-bias",
    title: "Shear bias by the change of the PSF",
    what: "The change between exposures, measured once more under a fixed weight about as wide as a small galaxy (of the ladder's rungs the one under which the causes differ least), times the stored response of each cause: jitter, defocus, astigmatism, coma, trefoil, spherical aberration. The value is that of jitter, the bounds cover every cause. The reason speaks where m or c is not shown to be within its limit; it does not change the decision, which rests on the limits of size and ellipticity.",
    why: "The plain formula looks at the core of the PSF: at size ratio 1.4 the simulated m of an exponential galaxy is 0.8 to 1.5 times the formula's for jitter, 1.5 to 3.5 for defocus, 2.3 to 5.9 for coma, up to 26 for spherical aberration.",
    formula: "m = R_m rms(ln T_w), c = R_c rms(e_w); R from exponential discs convolved with a changed PSF and fitted by least squares with the unchanged one, by obstruction, size ratio T_gal/T_psf and width of the weight; beside it m = (T_psf/T_gal) dT/T, c = (1/1.84)(T_psf/T_gal)(de + e dT/T)",
    unit: "shear per shear (m), shear (c)",
    source: "Response: simulation, scripts/shear_response.py. Formula: Paulin-Henriksson et al. 2008, A&A 484, 67, with the divisor 1.84 from memory",
    remedy: "A galaxy covered by k of N exposures has sqrt(1/k - 1/N) of the bias, and one covered by all and modelled with the combination's PSF none of it. Otherwise leave out exposures, model each with its own PSF, or ask for lower limits of size and ellipticity.",
    severities: REMARK_OR_UNDECIDED,
};
