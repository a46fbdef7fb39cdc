//! Error of each exposure's own ellipticity model.

use super::Check;

pub const CHECK: Check = Check {
    code: "own-model-ellipticity",
    title: "Error of each exposure's own ellipticity model",
    what: "How far held-out stars lie from their exposure's own field model of e, per component, beyond their measuring noise.",
    why: "If every exposure keeps its own PSF, this error takes the place of the change between exposures.",
    formula: "sqrt( mean square of held-out residuals - noise variance + variance of the model )",
    unit: "ellipticity per component",
    source: "Cross-validation, common practice",
    remedy: "More or brighter stars; a higher order where the field asks for it.",
};
