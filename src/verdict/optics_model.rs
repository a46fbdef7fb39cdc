//! The `optics` part of the result model: plain numbers with their units in the names.

use serde::{Deserialize, Serialize};

/// Optics and jitter of a stack.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Optics {
    /// `"forward-fit"`, or `"moments"` where only the estimate from moments was possible.
    pub method: String,
    /// Why nothing, or not all, was fitted.
    pub notes: Vec<String>,
    pub telescope: Option<TelescopeFacts>,
    /// In the order of the exposures that were compared.
    pub exposures: Vec<ExposureOptics>,
    /// Whether each group of terms changes between exposures.
    pub changes: Vec<TermChange>,
    /// Terms that drift steadily.
    pub drifts: Vec<TermDrift>,
    /// The jitter that recurs in all exposures.
    pub common_jitter: Option<Jitter>,
    /// What would be won were a term nulled, largest first.
    pub advice: Vec<NullingAdvice>,
    /// Whether something from outside the images settles the joint sign of the even terms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub even_sign_settled: Option<bool>,
    /// What the images cannot tell.
    pub cannot_tell: Vec<String>,
    /// The findings in sentences.
    pub summary: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TelescopeFacts {
    pub aperture_m: f64,
    pub obstruction: f64,
    pub wavelength_nm: f64,
    pub bandwidth_nm: f64,
    pub pixel_arcsec: f64,
    pub diffusion_pixels: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExposureOptics {
    pub file: String,
    /// From moments: what was added to the sharpest exposure's image.
    pub blur: Option<BlurChange>,
    pub fit: Option<OpticsFit>,
    pub note: Option<String>,
}

/// A tensor added to the image of the sharpest exposure, were it jitter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlurChange {
    /// `"mas2"` or `"pix2"`; rms in its root.
    pub unit: String,
    pub xx: f64,
    pub yy: f64,
    pub xy: f64,
    /// Error of `xx + yy` and of `xx - yy`.
    pub trace_err: f64,
    pub difference_err: f64,
    /// Rms along the long axis; along the short one, none where the image is narrower there.
    pub major_rms: Option<f64>,
    pub minor_rms: Option<f64>,
    /// Long axis, degrees from the detector's x towards y.
    pub angle_deg: f64,
    /// Long axis, degrees from north through east.
    pub position_angle_deg: Option<f64>,
    /// Mean kurtosis of the stars, with its error (2 for a Gaussian; less for a ring).
    pub kurtosis: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kurtosis_err: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Jitter {
    pub xx_mas2: f64,
    pub yy_mas2: f64,
    pub xy_mas2: f64,
    pub xx_err: f64,
    pub yy_err: f64,
    pub xy_err: f64,
    pub major_rms_mas: Option<f64>,
    pub minor_rms_mas: Option<f64>,
    /// Long axis, degrees from the detector's x towards y.
    pub angle_deg: f64,
    /// Long axis, degrees from north through east.
    pub position_angle_deg: Option<f64>,
    /// Long axis, degrees from the direction of the zenith.
    pub angle_from_elevation_deg: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Term {
    pub name: String,
    pub value: f64,
    pub error: f64,
    /// False where the images do not decide it.
    pub determined: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Share {
    pub cause: String,
    pub share: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZoneFit {
    /// Half-diagonals from the centre of the field.
    pub x: f64,
    pub y: f64,
    pub stars: u32,
    pub chi2_per_degree: f64,
    /// Largest mean residual in a pixel, share of the flux.
    pub worst_residual: f64,
}

/// Uniform motion told from jitter by the shape of the image.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trailing {
    pub length_mas: f64,
    pub length_err: f64,
    /// Degrees from the detector's x towards y.
    pub angle_deg: f64,
    /// How much better the fit is with it than with jitter alone, in chi-square.
    pub chi2_gain: f64,
    /// True where that decides for trailing.
    pub preferred: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OpticsFit {
    pub stars: u32,
    pub chi2_per_degree: f64,
    pub jitter: Jitter,
    /// Jitter minus that of the stack, `[xx, yy, xy]`, mas².
    pub jitter_change_mas2: Option<[f64; 3]>,
    pub trailing: Option<Trailing>,
    pub terms: Vec<Term>,
    /// At the centre of the field.
    pub wavefront_rms_nm: f64,
    /// Mean over the field, before pixel and diffusion.
    pub strehl_wavefront: Option<f64>,
    pub strehl: Option<f64>,
    pub size_mas2: Option<f64>,
    /// What the size falls by without a cause; for diffraction, what it alone has.
    pub size_shares: Vec<Share>,
    pub zones: Vec<ZoneFit>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TermChange {
    pub group: String,
    pub chi2: f64,
    pub degrees_of_freedom: u32,
    /// Chance of as large a chi-square were nothing to change.
    pub chance: f64,
    /// True at five standard deviations.
    pub shown: bool,
    /// Rms change of ln T and of e that this group alone makes.
    pub size_rms: Option<f64>,
    pub ellipticity_rms: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TermDrift {
    pub term: String,
    pub per_exposure: f64,
    pub error: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NullingAdvice {
    pub term: String,
    pub amplitude_nm: f64,
    /// Fall of the size, share of T.
    pub size_gain: f64,
    pub ellipticity_before: f64,
    pub ellipticity_after: f64,
}
