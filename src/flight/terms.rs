//! What is followed through a flight: each term's name, unit, and the setting that limits it.

use crate::settings::FlightSettings;

/// A quantity with one or two components.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    Size,
    Ellipticity,
    Jitter,
    Blur,
    Defocus,
    Coma,
    Astigmatism,
    FocalPlaneTilt,
}

/// One number that is followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Term {
    /// As stored; `ln_size` is the logarithm of the size that is.
    pub name: &'static str,
    pub quantity: Quantity,
    /// For people.
    pub words: &'static str,
    pub unit: &'static str,
    /// Whether it changes its sign with the joint sign of the even terms.
    pub even: bool,
}

const fn term(name: &'static str, quantity: Quantity, words: &'static str, unit: &'static str) -> Term {
    Term {
        name,
        quantity,
        words,
        unit,
        even: matches!(quantity, Quantity::Defocus | Quantity::Astigmatism | Quantity::FocalPlaneTilt),
    }
}

/// In the order in which they are shown.
pub const TERMS: [Term; 16] = [
    term("ln_size", Quantity::Size, "size, ln T", ""),
    term("e1", Quantity::Ellipticity, "ellipticity e1", ""),
    term("e2", Quantity::Ellipticity, "ellipticity e2", ""),
    term("jitter_xx_mas2", Quantity::Jitter, "jitter xx", "mas²"),
    term("jitter_yy_mas2", Quantity::Jitter, "jitter yy", "mas²"),
    term("jitter_xy_mas2", Quantity::Jitter, "jitter xy", "mas²"),
    term("blur_xx_mas2", Quantity::Blur, "added blur xx", "mas²"),
    term("blur_yy_mas2", Quantity::Blur, "added blur yy", "mas²"),
    term("blur_xy_mas2", Quantity::Blur, "added blur xy", "mas²"),
    term("defocus_nm", Quantity::Defocus, "defocus", "nm"),
    term("coma_x_nm", Quantity::Coma, "coma x", "nm"),
    term("coma_y_nm", Quantity::Coma, "coma y", "nm"),
    term("astigmatism_0_nm", Quantity::Astigmatism, "astigmatism 0°", "nm"),
    term("astigmatism_45_nm", Quantity::Astigmatism, "astigmatism 45°", "nm"),
    term("defocus_tilt_x_nm", Quantity::FocalPlaneTilt, "focal-plane tilt x", "nm"),
    term("defocus_tilt_y_nm", Quantity::FocalPlaneTilt, "focal-plane tilt y", "nm"),
];

/// How much of a term is allowed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    pub value: f64,
    /// From zero, or from the start of the span since the last step.
    pub from_zero: bool,
}

impl Term {
    pub fn find(name: &str) -> Option<&'static Term> {
        TERMS.iter().find(|t| t.name == name)
    }

    /// The limit by the settings, or by the requirement of the latest verdict.
    pub fn limit(&self, settings: &FlightSettings, size: f64, ellipticity: f64) -> Option<Limit> {
        let fixed = |value: Option<f64>| value.map(|value| Limit { value, from_zero: true });
        let change = |value: f64| Some(Limit { value, from_zero: false });
        match self.quantity {
            Quantity::Size => change(size),
            Quantity::Ellipticity => change(ellipticity),
            Quantity::Jitter => fixed(settings.jitter_mas2),
            // Against the sharpest exposure of its own stack: it has no limit of its own.
            Quantity::Blur => None,
            Quantity::Defocus => fixed(settings.defocus_nm),
            Quantity::Coma => fixed(settings.coma_nm),
            Quantity::Astigmatism => fixed(settings.astigmatism_nm),
            Quantity::FocalPlaneTilt => fixed(settings.focal_plane_tilt_nm),
        }
    }
}
