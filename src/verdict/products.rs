//! What judging gives beside the verdict: each kept exposure's PSF over the field,
//! and the arrays that figures are drawn from. Plain data, pixels 0-based.

use ndarray::Array2;

use super::model::Verdict;
use crate::stars::Refusal;

/// The outcome of judging one stack.
#[derive(Debug, Clone)]
pub struct Judgement {
    pub verdict: Verdict,
    /// One for each kept exposure, in the order of the verdict's exposures.
    pub field_models: Vec<FieldModel>,
    pub pictures: Pictures,
}

/// One exposure's PSF over the field, to be evaluated at any place.
///
/// With `u = (x - x_middle) / x_half`, `v` likewise, a quantity is
/// `sum_k coefficient[k] * u^i v^j` where `powers[k] = (i, j)`.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldModel {
    pub file: String,
    /// Plate scale, arcsec per pixel, where known.
    pub pixel_arcsec: Option<f64>,
    /// Pixels, 0-based: `x_middle - x_half ..= x_middle + x_half` is the fitted field.
    pub x_middle: f64,
    pub x_half: f64,
    pub y_middle: f64,
    pub y_half: f64,
    pub degree: u32,
    /// Powers of `(u, v)`, one pair a term.
    pub powers: Vec<(u32, u32)>,
    /// Coefficients of `ln(T / pixel²)`, and of the ellipticity; one a term.
    pub ln_size: Vec<f64>,
    pub e1: Vec<f64>,
    pub e2: Vec<f64>,
    /// Covariance of the coefficients, `[term, term]`.
    pub ln_size_covariance: Array2<f64>,
    pub e1_covariance: Array2<f64>,
    pub e2_covariance: Array2<f64>,
    /// Mean star images by zone of the field; may be empty.
    pub zones: Vec<ZoneImage>,
}

/// The mean star of one zone of the field.
#[derive(Debug, Clone, PartialEq)]
pub struct ZoneImage {
    /// Mean place of its stars, pixels, 0-based.
    pub x: f64,
    pub y: f64,
    pub stars: u32,
    /// `[y, x]`, centred on the middle pixel, sum 1.
    pub image: Array2<f32>,
}

/// Arrays to draw figures from, of the whole stack. Every part may be empty; figures without
/// data are left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pictures {
    /// Size of the frame, pixels.
    pub width: f64,
    pub height: f64,
    /// Arcsec per pixel, where known.
    pub pixel_arcsec: Option<f64>,
    /// Mean of the kept exposures' field models on a grid.
    pub mean: Vec<FieldSample>,
    pub exposures: Vec<ExposurePicture>,
    pub pulls: Pulls,
    /// Evenly taken from all exposures, some thousands at most.
    pub detections: Vec<Detection>,
    /// The exposures whose fit of the optics leaves most, worst first.
    pub optics: Vec<OpticsPicture>,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct ExposurePicture {
    pub file: String,
    pub kept: bool,
    pub stars: Vec<StarPoint>,
    /// The exposure's own field model on the same grid as the mean.
    pub model: Vec<FieldSample>,
    /// Mean star images by zone of the field, their middle alone.
    pub zones: Vec<ZoneImage>,
}

/// How repeats of the kept exposures' stars scatter about their mean, over their stated errors:
/// counts in bins of [`Pulls::BIN`], of which the first and the last hold all beyond.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Pulls {
    pub size: Vec<u32>,
    /// Both components.
    pub ellipticity: Vec<u32>,
}

impl Pulls {
    pub const BIN: f64 = 0.25;
    /// Bins on each side of zero.
    pub const HALF: usize = 18;

    /// Middle of a bin.
    pub fn middle(bin: usize) -> f64 {
        (bin as f64 + 0.5 - Self::HALF as f64) * Self::BIN
    }
}

/// A detection against the locus of point sources.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Detection {
    pub snr: f64,
    /// `ln T` minus that of its exposure's field model.
    pub off_locus: f64,
    pub refused: Option<Refusal>,
}

/// What the forward fit of the optics makes of one exposure.
#[derive(Debug, Clone, PartialEq)]
pub struct OpticsPicture {
    pub file: String,
    pub chi2_per_degree: f64,
    /// Zones along each side of the field.
    pub side: usize,
    pub zones: Vec<OpticsZone>,
}

/// Mean star of one zone as measured and as modelled, not centred: stars as they fall on the pixels,
/// share of the flux, `[y, x]`.
#[derive(Debug, Clone, PartialEq)]
pub struct OpticsZone {
    /// Column and row, from the first pixel on.
    pub cell: [usize; 2],
    pub stars: u32,
    pub chi2_per_degree: f64,
    pub data: Array2<f32>,
    pub model: Array2<f32>,
    /// Error of a pixel by the stated noise, the largest of the zone.
    pub error: f64,
}

/// One star that was used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StarPoint {
    /// Pixels, 0-based.
    pub x: f64,
    pub y: f64,
    pub ln_size: f64,
    pub e1: f64,
    pub e2: f64,
    /// False where the fit over the field set it aside as an outlier.
    pub kept: bool,
    /// Star minus its exposure's field model: ln T, e1, e2.
    pub residual: Option<[f64; 3]>,
}

/// The model at one place of the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldSample {
    /// Pixels, 0-based.
    pub x: f64,
    pub y: f64,
    /// `ln(T / pixel²)`.
    pub ln_size: f64,
    pub e1: f64,
    pub e2: f64,
}
