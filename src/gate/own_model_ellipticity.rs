//! Error of each exposure's own ellipticity model.

use super::{Check, Severity};

pub const CHECK: Check = Check {
    code: "own-model-ellipticity",
    title: "Error of each exposure's own ellipticity model",
    what: "How far held-out stars lie from their exposure's own field model of e, per component, beyond their measuring noise.",
    why: "Where every exposure keeps its own PSF, this error takes the place of the change between exposures: it decides whether they may be combined so, and which take part.",
    formula: "error = sqrt(v), where sum r^2/(sigma^2 + v) equals the number of held-out residuals r, both components together; interval by the quantiles of chi-square; passes when the upper bound is under the limit",
    unit: "ellipticity per component, e = (Mxx - Myy, 2 Mxy)/T",
    source: "Interval: Q-profile (Viechtbauer 2007, Stat. Med. 26, 37), the mean being known; cross-validation: common practice",
    remedy: "More or brighter stars; where stars suffice, what is left is structure finer than the model: combine with one PSF if that passes, or leave the exposure out.",
    severities: &[Severity::Decide],
};
