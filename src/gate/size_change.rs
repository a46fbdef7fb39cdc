//! Change of size between exposures.

use super::Check;

pub const CHECK: Check = Check {
    code: "size-change",
    title: "Change of size between exposures",
    what: "The realised rms change of ln T between the exposures in hand, averaged over the field in the frame of combination, with the measuring noise removed and a two-sided interval.",
    why: "A PSF that is larger in one exposure than the model of the stack says dilutes shear there: a multiplicative bias.",
    formula: "rms = sqrt( sum_t <(ln T_t - mean)^2> / (n-1) ); passes when the upper bound is under the limit",
    unit: "fraction of T",
    source: "Interval by inverting tests on a generalised chi-square (Imhof 1961, Biometrika 48, 419); equivalence testing (Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657)",
    remedy: "Leave out the exposures that differ, combine groups of like ones, or carry each exposure's own PSF; if undecided, more stars or exposures.",
};
