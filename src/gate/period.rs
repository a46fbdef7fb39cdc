//! Does the PSF swing with a period?

use super::{Check, REMARK_OR_UNDECIDED};

pub const CHECK: Check = Check {
    code: "period",
    title: "Does the PSF swing with a period?",
    what: "The strongest sine wave in the exposures' field means (ln T, e1, e2, on the detector) on uneven times, a drift or step that is found being taken out; from 12 exposures on, for periods from the span down to twice the median interval between exposures. All drifts, steps and periods of a stack are one family of tests: where nothing changes, any of them is spoken of in at most 1 - confidence of the stacks (Holm).",
    why: "A swing (a pendulum, a thermostat, a drive) averages out over many exposures but not over few, and it has a cause that can be found by its period. It is a remark; the decision rests on the rms change alone.",
    formula: "P(f) = share of the weighted squares about the base that cos and sin of 2 pi f t take away; false alarm = 1 - (1 - (1-P)^(N_K/2)) exp(-W g (1-P)^((N_K-1)/2) sqrt(N_H P/2)), W = f_max sqrt(4 pi var t), N_H = n - base functions, N_K = N_H - 2, g = sqrt(2/N_H) Gamma(N_H/2)/Gamma((N_H-1)/2)",
    unit: "hours (or exposures); amplitude in ln T or ellipticity",
    source: "Scargle 1982, ApJ 263, 835; VanderPlas 2018, ApJS 236, 16; Baluev 2008, MNRAS 385, 1279",
    remedy: "Look for what moves with that period, or with one that is seen as it through the interval between exposures (aliases). Combine whole periods.",
    severities: REMARK_OR_UNDECIDED,
};
