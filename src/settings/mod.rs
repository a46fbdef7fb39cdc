//! Settings: the TOML profile, its defaults, and where each value came from.

use serde::{Deserialize, Serialize};

mod checks;
mod load;
mod print;
mod validate;

pub use checks::CheckSettings;
pub use load::{Loaded, Origin, SettingsError};
pub use print::{SCHEMA, to_annotated_toml};

/// Names of the requirement presets.
pub const PRESETS: [&str; 2] = ["cluster-mass", "wide-survey"];
/// What `header.time_is` may say.
pub const TIME_IS: [&str; 3] = ["start", "middle", "end"];

/// Groups of fewer exposures say too little of how like they are.
pub const SMALLEST_GROUP: usize = 3;

/// Everything a run can be told, validated. `None` means "not said": the frames'
/// headers or the data decide.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    pub requirement: RequirementSettings,
    pub telescope: TelescopeSettings,
    pub detector: DetectorSettings,
    pub combine: CombineSettings,
    pub header: HeaderSettings,
    pub stars: StarSettings,
    pub checks: CheckSettings,
    pub flight: FlightSettings,
}

/// What the science asks for. Either a preset, or `m`, `c` and `size_ratio`, or
/// limits directly on the PSF.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct RequirementSettings {
    /// `"cluster-mass"` or `"wide-survey"`.
    pub preset: String,
    /// Largest multiplicative shear bias allowed.
    pub m: Option<f64>,
    /// Largest additive shear bias allowed, per component.
    pub c: Option<f64>,
    /// `T_gal` (unconvolved, unweighted) over the adaptive `T_psf`.
    pub size_ratio: Option<f64>,
    /// Largest rms change of ln T, directly.
    pub size_limit: Option<f64>,
    /// Largest rms change of ellipticity per component, directly.
    pub ellipticity_limit: Option<f64>,
    /// Confidence of the two-sided intervals.
    pub confidence: f64,
}

impl Default for RequirementSettings {
    fn default() -> Self {
        Self {
            preset: "cluster-mass".into(),
            m: None,
            c: None,
            size_ratio: None,
            size_limit: None,
            ellipticity_limit: None,
            confidence: 0.95,
        }
    }
}

/// Facts of the telescope.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TelescopeSettings {
    pub aperture_m: Option<f64>,
    /// Linear central obstruction, fraction of the diameter.
    pub obstruction: Option<f64>,
    pub wavelength_nm: Option<f64>,
    pub bandwidth_nm: Option<f64>,
    pub pixel_arcsec: Option<f64>,
    /// Vanes that hold the secondary mirror, evenly spaced; all three, or none.
    pub vane_count: Option<usize>,
    pub vane_width_m: Option<f64>,
    /// Of the first, degrees from x towards y.
    pub vane_angle_deg: Option<f64>,
    /// Signed defocus, nm rms, of one step of the focus reading: settles the sign of the even
    /// terms where the readings change within a stack.
    pub focus_nm_per_step: Option<f64>,
}

/// Facts of the detector.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DetectorSettings {
    /// Electrons per frame unit.
    pub gain: Option<f64>,
    /// Electrons.
    pub read_noise: Option<f64>,
    /// Frame units.
    pub saturation: Option<f64>,
    /// Charge diffusion, sigma per axis, pixels.
    pub diffusion_pixels: Option<f64>,
    /// `[x0, x1, y0, y1]` in FITS pixels, first and last both inside.
    pub usable: Option<[usize; 4]>,
    /// Accept a colour-mosaic frame and measure it as if it were plain.
    pub accept_colour_mosaic: bool,
}

/// How the exposures will be combined.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CombineWeights {
    #[default]
    Equal,
    Exposure,
    InverseVariance,
}

impl CombineWeights {
    pub fn word(self) -> &'static str {
        match self {
            CombineWeights::Equal => "equal",
            CombineWeights::Exposure => "exposure",
            CombineWeights::InverseVariance => "inverse-variance",
        }
    }
}

/// `[combine]`
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CombineSettings {
    pub weights: CombineWeights,
    /// Variance of the resampling kernel per axis, pixels².
    pub resampling_kernel_pix2: Option<f64>,
    /// Fewest exposures of each group into which a stack may be split.
    pub smallest_group: usize,
}

impl Default for CombineSettings {
    fn default() -> Self {
        Self {
            weights: CombineWeights::default(),
            resampling_kernel_pix2: None,
            smallest_group: SMALLEST_GROUP,
        }
    }
}

/// Which header cards hold what, and which extensions are used. A named card is
/// looked at before the usual ones.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct HeaderSettings {
    /// Image extension: a name, or a number (0 is the primary). Default: the
    /// first two-dimensional image that holds pixels and is no mask.
    pub image: Option<String>,
    /// Extension with bad pixels (non-zero is bad).
    pub mask: Option<String>,
    /// Extension with weights (zero or less is bad).
    pub weight: Option<String>,
    /// Bits of the mask that make a pixel bad; default: any.
    pub mask_bits: Option<u32>,
    pub exposure: Option<String>,
    pub time: Option<String>,
    /// The time card holds `"start"`, `"middle"` or `"end"` of the exposure.
    pub time_is: Option<String>,
    pub gain: Option<String>,
    pub read_noise: Option<String>,
    pub saturation: Option<String>,
    pub filter: Option<String>,
    pub target: Option<String>,
    pub altitude: Option<String>,
    pub focus: Option<String>,
    pub temperature: Option<String>,
}

/// How stars are chosen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StarSettings {
    /// Smallest matched-filter SNR of a star that is used.
    pub min_snr: f64,
    /// Largest share of a star's light that neighbours may add under its weight.
    pub max_contamination: f64,
}

impl Default for StarSettings {
    fn default() -> Self {
        Self { min_snr: 30.0, max_contamination: 0.01 }
    }
}

/// `[flight]`: when the flight log raises an alarm. A limit that is not set is not watched; each
/// counts for either component by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FlightSettings {
    /// Chance that a run of `flight alarm` raises any alarm where nothing changes.
    pub false_alarm: f64,
    /// A limit that will be crossed within so many hours is an alarm.
    pub within_hours: f64,
    /// East positive: nights run from noon to noon of the mean sun there; of UTC where not set.
    pub longitude_deg: Option<f64>,
    /// Largest jitter along an axis.
    pub jitter_mas2: Option<f64>,
    /// Largest wavefront of each kind, nm rms.
    pub defocus_nm: Option<f64>,
    pub coma_nm: Option<f64>,
    pub astigmatism_nm: Option<f64>,
    /// Defocus at the corner of the field by the tilt of the focal plane, nm rms.
    pub focal_plane_tilt_nm: Option<f64>,
}

impl Default for FlightSettings {
    fn default() -> Self {
        Self {
            false_alarm: 0.01,
            within_hours: 24.0,
            longitude_deg: None,
            jitter_mas2: None,
            defocus_nm: None,
            coma_nm: None,
            astigmatism_nm: None,
            focal_plane_tilt_nm: None,
        }
    }
}

impl Settings {
    /// SHA-256, hex, of the settings that bear on the measurement of a frame: a star
    /// table made under the same hash from the same frame need not be made again.
    pub fn measurement_sha256(&self) -> String {
        use sha2::{Digest, Sha256};
        let parts = (&self.detector, &self.header, &self.stars, &self.telescope.pixel_arcsec);
        // Serialising plain structs of numbers and strings cannot fail.
        let text = serde_json::to_string(&parts).unwrap_or_default();
        Sha256::digest(text.as_bytes()).iter().map(|b| format!("{b:02x}")).collect()
    }
}
