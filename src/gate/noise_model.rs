//! Are the stated errors the true ones?.

use super::Check;

pub const CHECK: Check = Check {
    code: "noise-model",
    title: "Are the stated errors the true ones?",
    what: "The scatter of each star's repeated measurements about the fitted change, over its stated error: 1 when the noise model is right.",
    why: "Everything that is called a change is what exceeds the noise; an understated noise makes a steady telescope look unsteady.",
    formula: "pull = sqrt( sum (residual/sigma)^2 / degrees of freedom )",
    unit: "1",
    source: "Chi-square test, common practice; Paulin-Henriksson et al. 2008, A&A 484, 67 for errors of size and ellipticity",
    remedy: "Set `detector.gain` and `detector.read_noise`; look for flat-field residuals, charge-dependent size or undersampling. Scatter that is not shown to be white over the field counts as change.",
};
