//! Change of ellipticity between exposures.

use super::{Check, Severity};

pub const CHECK: Check = Check {
    code: "ellipticity-change",
    title: "Change of ellipticity between exposures",
    what: "The rms change of ellipticity between the exposures in hand (not of the population they come from), the mean square of both components, averaged over the field at fixed places of the sky, with the measuring noise removed and a two-sided interval.",
    why: "A PSF ellipticity that the model of the stack does not know is taken for shear in every galaxy: an additive bias of about (1/1.84)(T_psf/T_gal) de.",
    formula: "rms = sqrt( sum_t <|e_t - mean_t|^2 / 2> / (n-1) ), noise removed; passes when the upper bound is under the limit, fails when the lower bound is over it",
    unit: "ellipticity per component, e = (Mxx - Myy, 2 Mxy)/T",
    source: "Interval by inverting tests on a generalised chi-square (Imhof 1961, Biometrika 48, 419); equivalence testing (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657)",
    remedy: "Look for tracking, jitter and field rotation; leave out the exposures that differ, combine groups of like ones, or carry each exposure's own PSF; if undecided, more stars or exposures.",
    severities: &[Severity::Decide],
};
