//! Change of size between exposures.

use super::{Check, Severity};

pub const CHECK: Check = Check {
    code: "size-change",
    title: "Change of size between exposures",
    what: "The rms change of ln T between the exposures in hand (not of the population they come from), averaged over the field at fixed places of the sky, with the measuring noise removed and a two-sided interval.",
    why: "Where one exposure's PSF is larger than the PSF that the stack is taken to have, its galaxies are deconvolved by too small a one: a multiplicative shear bias of about (T_psf/T_gal) dT/T.",
    formula: "rms = sqrt( sum_t <(ln T_t - mean_t)^2> / (n-1) ), noise removed; passes when the upper bound is under the limit, fails when the lower bound is over it",
    unit: "fraction of T = Mxx + Myy (adaptive)",
    source: "Interval by inverting tests on a generalised chi-square (Imhof 1961, Biometrika 48, 419); equivalence testing (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657)",
    remedy: "Leave out the exposures that differ, combine groups of like ones, or carry each exposure's own PSF; if undecided, more stars or exposures.",
    severities: &[Severity::Decide],
};
