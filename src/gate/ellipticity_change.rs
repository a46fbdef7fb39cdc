//! Change of ellipticity between exposures.

use super::Check;

pub const CHECK: Check = Check {
    code: "ellipticity-change",
    title: "Change of ellipticity between exposures",
    what: "The realised rms change of ellipticity between the exposures in hand, the mean of both components, averaged over the field in the frame of combination, noise removed.",
    why: "A PSF ellipticity that the model of the stack does not know adds to every galaxy: an additive bias.",
    formula: "rms = sqrt( sum_t <(|e_t - mean|^2) / 2> / (n-1) ); passes when the upper bound is under the limit",
    unit: "ellipticity per component, e = (Mxx - Myy, 2 Mxy)/T",
    source: "Interval by inverting tests on a generalised chi-square (Imhof 1961, Biometrika 48, 419); equivalence testing (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657)",
    remedy: "Look for tracking, jitter and field rotation; leave out, group, or carry each exposure's own PSF.",
};
