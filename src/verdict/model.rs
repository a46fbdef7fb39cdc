//! The result model, as `verdict.json` holds it. Missing is `None` (null), never NaN.

use serde::{Deserialize, Serialize};

pub const SCHEMA: &str = "stackworthy/verdict/1";

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    Combine,
    CombineSubset,
    Split,
    CombineWithOwnPsfs,
    DoNotCombine,
    Undecided,
}

impl Decision {
    pub fn word(self) -> &'static str {
        match self {
            Decision::Combine => "combine",
            Decision::CombineSubset => "combine-subset",
            Decision::Split => "split",
            Decision::CombineWithOwnPsfs => "combine-with-own-psfs",
            Decision::DoNotCombine => "do-not-combine",
            Decision::Undecided => "undecided",
        }
    }

    /// Exit code of `check` and `judge`.
    pub fn exit_code(self) -> u8 {
        match self {
            Decision::Combine => 0,
            Decision::CombineSubset => 3,
            Decision::Split => 4,
            Decision::CombineWithOwnPsfs => 5,
            Decision::DoNotCombine => 6,
            Decision::Undecided => 7,
        }
    }
}

/// An rms with its two-sided interval and its limit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Measured {
    pub rms: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub limit: Option<f64>,
    /// What the exposures were drawn from (random effects), where given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub population: Option<Population>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Population {
    pub tau: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// Size (fractional, of T) and ellipticity (per component).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SizeAndEllipticity {
    pub size: Measured,
    pub ellipticity: Measured,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Repeatability {
    /// `"sky"` or `"detector"`.
    pub frame: String,
    pub size: Measured,
    pub ellipticity: Measured,
    /// Fewest exposures over a galaxy that still meet the requirement.
    pub smallest_overlap: Option<u32>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BiasEstimate {
    pub value: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub limit: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct ShearBudget {
    pub m: BiasEstimate,
    pub c: BiasEstimate,
    /// The formula and its label.
    pub formula: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Requirement {
    pub name: String,
    pub source: String,
    pub m: Option<f64>,
    pub c: Option<f64>,
    pub size_ratio: Option<f64>,
    pub size_limit: f64,
    pub ellipticity_limit: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reason {
    pub code: String,
    pub text: String,
    pub quantity: Option<String>,
    pub value: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub limit: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Gate {
    Keep,
    LeaveOut,
    Unreadable,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct JitterTensor {
    pub xx: f64,
    pub yy: f64,
    pub xy: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExposureResult {
    pub file: String,
    pub time: Option<String>,
    pub exposure_s: Option<f64>,
    /// Stars kept.
    pub stars: Option<u32>,
    pub gate: Gate,
    /// Codes of the checks that speak of this exposure.
    pub reasons: Vec<String>,
    pub size_arcsec2: Option<f64>,
    pub size_pix2: Option<f64>,
    /// Error of `size_arcsec2` (arcsec²), or of `size_pix2` where there is no scale.
    pub size_err: Option<f64>,
    pub e1: Option<f64>,
    pub e2: Option<f64>,
    pub e_err: Option<f64>,
    pub jitter_mas2: Option<JitterTensor>,
    /// Field-mean FWHM of the equivalent Gaussian, pixels.
    pub fwhm_pix: Option<f64>,
    pub sky_level: Option<f64>,
    pub sky_noise: Option<f64>,
    /// Change of the field mean against the stack: ln T and e, detector frame.
    pub filter: Option<String>,
    pub mjd_mid: Option<f64>,
    pub altitude_deg: Option<f64>,
    /// Detections refused, by word.
    pub refused: std::collections::BTreeMap<String, u32>,
    pub sha256: Option<String>,
    pub notes: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SizeDefinition {
    /// `"adaptive"` or `"floored"`.
    pub weight: String,
    pub weight_sigma_arcsec: Option<f64>,
    pub weight_sigma_pix: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct NoiseCheck {
    pub size_pull: Option<f64>,
    pub ellipticity_pull: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct UndecidedAdvice {
    pub stars_needed: Option<u32>,
    pub exposures_needed: Option<u32>,
    pub text: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToolInfo {
    pub version: String,
    pub arguments: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    pub schema: String,
    pub tool: ToolInfo,
    pub decision: Decision,
    pub also_allowed: Vec<Decision>,
    pub confidence: f64,
    pub requirement: Requirement,
    pub reasons: Vec<Reason>,
    pub repeatability: Option<Repeatability>,
    pub all_exposures: Option<SizeAndEllipticity>,
    pub instrument: Option<SizeAndEllipticity>,
    pub own_model: Option<SizeAndEllipticity>,
    pub shear: Option<ShearBudget>,
    pub groups: Vec<Vec<String>>,
    pub size_definition: SizeDefinition,
    pub exposures: Vec<ExposureResult>,
    pub noise_check: NoiseCheck,
    /// Optics and jitter, where they were fitted.
    pub optics: Option<super::optics_model::Optics>,
    pub undecided: Option<UndecidedAdvice>,
    /// What a verdict is not.
    pub cautions: Vec<String>,
    pub notes: Vec<String>,
}
