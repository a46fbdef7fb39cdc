//! Does the PSF follow a housekeeping value?

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "follows-housekeeping",
    title: "Does the PSF follow a housekeeping value?",
    what: "The rank correlation of the exposures' field means (ln T, e1, e2, on the detector) with every number of the headers that varies over the stack; from 6 exposures on. Values that rise and fall together count as one. Of what is reported at most one in ten is false on average. Where both change with time, what is left at fixed time is told.",
    why: "A value that goes with the PSF is where to look for its cause. It is a candidate, not a proof: anything else that changes alike would do as well, and in a stack that drifts nearly everything changes with time.",
    formula: "rho = correlation of the ranks; p from all orders (up to 8), 19999 random ones (up to 20), Student's t beyond; q = min over larger p of p (tests)/rank <= 0.1, and p <= 1 - confidence; at fixed time (rho_xy - rho_xt rho_yt)/sqrt((1 - rho_xt^2)(1 - rho_yt^2)); interval: atanh rho -/+ z sqrt(1.06/(n - 3))",
    unit: "none (correlation)",
    source: "Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289; Spearman 1904, Am. J. Psychol. 15, 72, and the interval of Fieller, Hartley & Pearson 1957, Biometrika 44, 470 (from memory)",
    remedy: "Change the value on purpose, or wait for it to change against time, and see whether the PSF goes with it. Numbers the headers do not carry cannot be tested.",
    severities: REMARK_OR_UNDECIDED,
};
