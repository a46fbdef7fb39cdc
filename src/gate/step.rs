//! Does the PSF change at one moment?

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "step",
    title: "Does the PSF change at one moment?",
    what: "The one place that splits the exposures' field means (ln T, e1, e2, on the detector) best into two levels, at least two exposures each; from 8 exposures on. Whether a step or a drift describes them better is compared; either is said where the odds are under ten to one. All drifts, steps and periods of a stack are one family of tests: where nothing changes, any of them is spoken of in at most 1 - confidence of the stacks (Holm).",
    why: "What happened at one moment (a refocus, a bump, a new guide star) parts the stack into two groups, each of which may be combined by itself. It is a remark; the decision rests on the rms change alone.",
    formula: "k maximises n (S_k)^2 / (k (n - k)), S_k = sum of the first k deviations from the mean; p = share of 9999 series with as small a share of the squares left, the values in random order (from 12 exposures) or independent normal values (before); step against line by BIC with 3 and 2 parameters, preferred over a difference of 2 ln 10",
    unit: "ln T or ellipticity",
    source: "Least squares with a permutation test, common practice; beside it Pettitt 1979, Appl. Stat. 28, 126 (from memory); BIC: Schwarz 1978, Ann. Stat. 6, 461 and Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773 (from memory)",
    remedy: "Look in the log for what happened between the two exposures named; judge the exposures before and after as two stacks. The size of a step that is barely significant is overstated.",
    severities: REMARK_OR_UNDECIDED,
};
