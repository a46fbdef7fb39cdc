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
    /// Weights of the combination that the overlap is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weights: Option<String>,
    /// The error of a random k of the exposures under those weights.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub overlap: Vec<OverlapRow>,
}

/// A galaxy under `k` exposures: the rms error of its PSF against that of the stack, with upper
/// bounds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OverlapRow {
    pub k: u32,
    pub size_error: Option<f64>,
    pub size_high: Option<f64>,
    pub ellipticity_error: Option<f64>,
    pub ellipticity_high: Option<f64>,
    pub passes: bool,
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
    /// The cause whose response `m` and `c` carry as values; their bounds cover every cause.
    /// `"formula"` where no response was simulated for the galaxy asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
    /// Causes with the largest upper bounds of m and of c.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_cause_m: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst_cause_c: Option<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub per_cause: Vec<CauseBias>,
    /// The plain formula from adaptive moments, beside.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_formula: Option<BiasPair>,
    /// Bias by the error of the exposures' own models, as adaptive moments see it, were it of the kind that jitter makes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub own_model: Option<BiasPair>,
    /// The galaxy-sized weight under which the change was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight_sigma_pix: Option<f64>,
    /// The same change as `repeatability`, under that weight: fractional of its T, and of its e.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub under_weight: Option<SizeAndEllipticity>,
    /// For which galaxy, and what the numbers mean.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub meaning: Option<String>,
}

/// m and c were the change of one cause; no c where the cause leaves a round PSF round.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CauseBias {
    pub cause: String,
    pub m: BiasEstimate,
    pub c: Option<BiasEstimate>,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct BiasPair {
    pub m: BiasEstimate,
    pub c: BiasEstimate,
}

/// The PSF of the combination: adaptive moments of the weighted sum of the exposures' PSFs, each
/// exposure scaled to the same flux, field mean; scatter of the registration not included.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct CombinedPsf {
    /// As in the settings: `"equal"`, `"exposure"`, `"inverse-variance"`.
    pub weights: String,
    /// Exposures that are added.
    pub exposures: u32,
    /// The exposure in whose x, y `e1` and `e2` are given.
    pub axes_of: String,
    pub size_pix2: Option<f64>,
    pub size_arcsec2: Option<f64>,
    /// Error of `size_arcsec2` (arcsec²), or of `size_pix2` where there is no scale.
    pub size_err: Option<f64>,
    pub e1: Option<f64>,
    pub e2: Option<f64>,
    pub e_err: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Requirement {
    pub name: String,
    pub source: String,
    /// Whether every number was confirmed in its source or derived; false for a choice or from memory.
    #[serde(default)]
    pub confirmed: bool,
    pub m: Option<f64>,
    pub c: Option<f64>,
    pub size_ratio: Option<f64>,
    pub size_limit: f64,
    pub ellipticity_limit: f64,
}

#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Reason {
    pub code: String,
    pub text: String,
    pub quantity: Option<String>,
    pub value: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub limit: Option<f64>,
    /// `1 - high / limit`: the share of the limit that is left above the upper bound.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub margin: Option<f64>,
    /// Where the limit comes from, and whether its numbers were confirmed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_source: Option<String>,
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
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    /// Pointing, degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ra_deg: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dec_deg: Option<f64>,
    /// Reading of the focus drive.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub focus: Option<f64>,
    /// Further numbers of the header that may vary (temperatures in deg C), by card.
    #[serde(default, skip_serializing_if = "std::collections::BTreeMap::is_empty")]
    pub housekeeping: std::collections::BTreeMap<String, f64>,
    /// Detections refused, by word.
    pub refused: std::collections::BTreeMap<String, u32>,
    /// Of the frame file; verdicts made before have its BLAKE3 or SHA-256.
    #[serde(alias = "blake3", alias = "sha256")]
    pub xxh3: Option<String>,
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
    /// SNR in one exposure of equal stars that would measure as much as those in hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub star_snr: Option<f64>,
    /// The same, with which as many stars as in hand would decide.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub star_snr_needed: Option<f64>,
    pub text: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ToolInfo {
    pub version: String,
    pub arguments: Vec<String>,
}

/// A value with its standard error.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Estimate {
    pub value: Option<f64>,
    pub err: Option<f64>,
}

/// Correlation functions of what the exposures' own models leave of stars held out of them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResidualCorrelation {
    /// Of the separations: `"arcmin"`, or `"pixel"` where there is no plate scale.
    pub unit: String,
    pub exposures: u32,
    /// Mean an exposure.
    pub stars: u32,
    pub errors_from: String,
    pub bins: Vec<CorrelationBin>,
    /// Limit on the additive combination, at every separation.
    pub additive_limit: f64,
    pub delta_xi_limit: Option<f64>,
    /// `"within"`, `"over"` or `"cannot tell"`.
    pub standing: String,
    /// The formula and its label.
    pub formula: String,
}

impl ResidualCorrelation {
    /// The bin that decides: where it is over the limit the one that is most plainly so, else that
    /// which reaches farthest, its error counted in.
    pub fn worst(&self) -> Option<&CorrelationBin> {
        let side = if self.standing == "over" { -2.0 } else { 1.0 };
        let reach = |bin: &&CorrelationBin| Some(bin.additive.value?.abs() + side * bin.additive.err?);
        let known = self.bins.iter().filter(|bin| reach(bin).is_some());
        known.max_by(|a, b| reach(a).unwrap_or(0.0).total_cmp(&reach(b).unwrap_or(0.0)))
    }
}

/// One bin of separations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CorrelationBin {
    pub from: f64,
    pub to: f64,
    /// Mean of the pairs.
    pub separation: f64,
    pub pairs: u64,
    pub rho1: Estimate,
    pub rho2: Estimate,
    pub rho3: Estimate,
    pub rho4: Estimate,
    pub rho5: Estimate,
    /// `rho1 + rho3 + 2 rho4`, on the PSF.
    pub additive: Estimate,
    /// The same on shear, where the size ratio is known.
    pub delta_xi: Option<Estimate>,
}

/// Mean products of position residuals, centroid noise removed, pixels²; `err` is that of xx and yy.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SmearTensor {
    pub xx: f64,
    pub yy: f64,
    pub xy: f64,
    pub err: f64,
}

/// What laying the exposures on one another adds to the size of the combined PSF.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Registration {
    /// `"stars"`: by the matched stars themselves.
    pub method: String,
    /// Variance of the centroids' noise over that of `sqrt(2) s/snr`, as the faint stars show it.
    pub noise_factor: f64,
    pub mean: SmearTensor,
    /// dT/T by the registration.
    pub size_smear: Estimate,
    /// dT/T by the resampling kernel, where its variance was stated.
    pub kernel_smear: Option<f64>,
    /// dT/T were the exposures laid on one another by their own world coordinates, where all
    /// have them.
    pub world_coordinates_smear: Option<Estimate>,
    /// Above this the smear is spoken of.
    pub spoken_limit: f64,
    pub exposures: Vec<ExposureRegistration>,
    /// The formula and its label.
    pub formula: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExposureRegistration {
    pub file: String,
    pub stars: u32,
    pub tensor: SmearTensor,
    pub zones: Vec<ZoneRegistration>,
}

/// One zone of the detector, by its middle in FITS pixels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZoneRegistration {
    pub x: f64,
    pub y: f64,
    pub stars: u32,
    pub tensor: SmearTensor,
}

/// Rms change of third and fourth moments between the exposures judged, as of size; per component;
/// no limit.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct HigherMomentsChange {
    /// `"sky"` or `"detector"`.
    pub frame: String,
    pub coma: Measured,
    pub trefoil: Measured,
    pub kurtosis: Measured,
}

/// Trend of the stars' shape with their brightness.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Brightness {
    pub stars: u32,
    pub size: BrightnessTrend,
    pub e1: BrightnessTrend,
    pub e2: BrightnessTrend,
    /// The formula and its label.
    pub formula: String,
}

/// Change from no light to the brightest star.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct BrightnessTrend {
    pub slope: f64,
    pub err: f64,
    /// Chance of a slope as large without any trend.
    pub p: f64,
    pub rank_correlation: f64,
    pub rank_p: f64,
    pub significant: bool,
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
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub residual_correlation: Option<ResidualCorrelation>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub registration: Option<Registration>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub higher_moments: Option<HigherMomentsChange>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub brightness: Option<Brightness>,
    pub shear: Option<ShearBudget>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub combined: Option<CombinedPsf>,
    pub groups: Vec<Vec<String>>,
    pub size_definition: SizeDefinition,
    pub exposures: Vec<ExposureResult>,
    pub noise_check: NoiseCheck,
    /// Optics and jitter, where they were fitted.
    pub optics: Option<super::optics_model::Optics>,
    pub undecided: Option<UndecidedAdvice>,
    /// The field means through time; nothing here bears on the decision.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<TimeAnalysis>,
    /// What a verdict is not.
    pub cautions: Vec<String>,
    pub notes: Vec<String>,
}

/// How size and ellipticity go through time, from each exposure's field means on the detector.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TimeAnalysis {
    /// What times are counted in: `"hour"`, or `"exposure"` where an exposure has no time.
    pub unit: String,
    pub exposures: u32,
    /// First to last, in `unit`.
    pub span: f64,
    /// Chance that any drift, step or period is called significant where there is none.
    pub false_alarm: f64,
    /// Of `"size"` (ln T), `"e1"`, `"e2"`.
    pub quantities: Vec<QuantityInTime>,
    pub follows: Followed,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct QuantityInTime {
    pub quantity: String,
    pub drift: Option<DriftInTime>,
    pub step: Option<StepInTime>,
    pub period: Option<PeriodInTime>,
    pub stability: Option<Vec<StabilityInTime>>,
    /// What describes the change better, `"drift"`, `"step"` or `"either"`, where one of them is
    /// significant.
    pub described_by: Option<String>,
    /// Why what is null is null, by its name.
    pub withheld: std::collections::BTreeMap<String, String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriftInTime {
    /// Per `unit`, with its interval.
    pub slope: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub p_value: f64,
    pub significant: bool,
    /// Lag-one correlation of what the drift leaves, where it is plain; `low` and `high` allow for it.
    pub autocorrelation: Option<f64>,
    /// The p-value were the likeness that of a wandering series, not of a curved drift.
    pub p_if_wandering: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepInTime {
    pub last_before: String,
    pub first_after: String,
    pub before: f64,
    pub after: f64,
    /// After less before, with its interval at the place found.
    pub size: f64,
    pub low: f64,
    pub high: f64,
    pub p_value: f64,
    /// By ranks (Pettitt).
    pub p_by_ranks: f64,
    pub significant: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PeriodInTime {
    /// In `unit`.
    pub period: f64,
    pub period_err: f64,
    pub amplitude: f64,
    pub amplitude_err: f64,
    pub false_alarm: f64,
    pub significant: bool,
    /// Range that was searched.
    pub shortest: f64,
    pub longest: f64,
}

/// Allan deviation when `averaged` exposures are averaged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StabilityInTime {
    pub averaged: u32,
    /// `averaged` times the interval between exposures, in `unit`.
    pub averaging_time: f64,
    pub plain: f64,
    pub overlapping: f64,
    /// Interval of `overlapping`.
    pub low: f64,
    pub high: f64,
    pub modified: Option<f64>,
    /// Part of the errors of measurement alone.
    pub noise: f64,
}

/// Which housekeeping values the field means follow.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Followed {
    pub false_discovery_rate: f64,
    /// Values that vary; those in one order, or in the reverse one, count once.
    pub values: u32,
    pub tests: u32,
    pub found: Vec<Following>,
    /// Why nothing could be tested.
    pub withheld: Option<String>,
}

/// A rank correlation among the discoveries: a candidate cause, never a claim.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Following {
    pub quantity: String,
    pub value: String,
    /// Others that rise and fall, or fall and rise, exactly as this one.
    pub same_order: Vec<String>,
    pub exposures: u32,
    pub correlation: f64,
    pub low: f64,
    pub high: f64,
    pub p_value: f64,
    /// Adjusted for the number of tests (false discovery rate).
    pub q_value: f64,
    /// What is left of it at fixed time; null where the order is wholly that of time.
    pub given_time: Option<f64>,
    pub given_time_p_value: Option<f64>,
    /// Both change with time, and nothing significant is left of the correlation at fixed time.
    pub shared_with_time: bool,
}
