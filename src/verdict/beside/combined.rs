//! The PSF of the combination, promised from the exposures' own moments.

use nalgebra::{Matrix2, SymmetricEigen};

use super::super::model::CombinedPsf;
use super::super::own_model::{FieldMeans, OwnModel};
use super::super::results::finite;
use super::super::stack::Stack;
use super::weights::weights_of;
use crate::moments::Weight;
use crate::settings::CombineWeights;
use crate::stars::affine::Affine;
use crate::table::StarTable;

/// One exposure's part in the sum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// Share of the sum's flux that it gives; any scale.
    pub share: f64,
    /// Second moments under the weight of [`mixture`], pixels².
    pub moments: Matrix2<f64>,
}

/// Moments of the weighted sum of PSFs about a common centre, under `weight`.
///
/// The adaptive moments of a sum are the fixed point `M = 2 Σ a_t F_t m_t / Σ a_t F_t`, with `m_t` the
/// normalised moments of the part and `F_t` its flux under the weight `exp(-r^T M^-1 r / 2)`: normalised
/// moments average with the weighted fluxes. Both are taken as those of a Gaussian of the part's
/// own moments, which is exact to first order in the differences between the parts; in second order the size
/// is off by up to [`SECOND_ORDER`] times the variance of ln T (tests/coaddition.rs). `None` without parts,
/// where one is not positive definite, or where the fixed point is not reached.
pub fn mixture(parts: &[Part], weight: Weight) -> Option<Matrix2<f64>> {
    let fixed = match weight {
        Weight::Adaptive => None,
        Weight::Fixed(sigma) => Some(Matrix2::identity() * (sigma * sigma)),
    };
    // Under a fixed weight the moments are the weight's with the Gaussian's: M^-1 = m^-1 - W^-1.
    let gaussians: Vec<(f64, Matrix2<f64>)> = parts
        .iter()
        .map(|part| {
            let whole = match fixed {
                None => part.moments,
                Some(w) => (part.moments.try_inverse()? - w.try_inverse()?).try_inverse()?,
            };
            positive(&whole).then_some((part.share, whole))
        })
        .collect::<Option<_>>()?;
    let under = |weight: &Matrix2<f64>| -> Option<Matrix2<f64>> {
        let inverse = weight.try_inverse()?;
        let (mut sum, mut flux) = (Matrix2::zeros(), 0.0);
        for (share, m) in &gaussians {
            let weighted = (m.try_inverse()? + inverse).try_inverse()?;
            let part = share * (weighted.determinant() / m.determinant()).sqrt();
            sum += weighted * part;
            flux += part;
        }
        (flux > 0.0).then(|| sum / flux)
    };
    let Some(weight) = fixed else {
        let mut m = gaussians.first()?.1;
        for _ in 0..MOST_STEPS {
            let found = under(&m)?;
            let next = (found.try_inverse()? - m.try_inverse()?).try_inverse()?;
            if (next - m).norm() < ARRIVED * m.norm() {
                return Some(next);
            }
            m = next;
        }
        return None;
    };
    under(&weight)
}

/// What [`mixture`] leaves out: its relative error of size over the variance of ln T between the parts, and of e
/// over the product of the standard deviations of ln T and e. Measured on diffraction images under jitter,
/// defocus and astigmatism: 1.8 and 0.9 (tests/coaddition.rs).
pub const SECOND_ORDER: f64 = 2.0;

const MOST_STEPS: usize = 200;
const ARRIVED: f64 = 1e-13;

/// Standard deviation over the parts, by share.
fn spread(parts: &[Part], value: impl Fn(&Matrix2<f64>) -> f64) -> f64 {
    let total: f64 = parts.iter().map(|p| p.share).sum();
    let mean = parts.iter().map(|p| p.share * value(&p.moments)).sum::<f64>() / total;
    let square = parts.iter().map(|p| p.share * (value(&p.moments) - mean).powi(2)).sum::<f64>() / total;
    square.sqrt()
}

fn positive(m: &Matrix2<f64>) -> bool {
    m.iter().all(|v| v.is_finite()) && SymmetricEigen::new(*m).eigenvalues.iter().all(|&v| v > 0.0)
}

/// The combined PSF of the exposures at `places`, field mean. `None` where fewer than two have a model
/// and a place on the common frame.
pub fn combined(
    tables: &[StarTable],
    stack: &Stack,
    models: &[Option<OwnModel>],
    places: &[usize],
    weights: CombineWeights,
) -> Option<CombinedPsf> {
    let known: Vec<(FieldMeans, Affine)> = places
        .iter()
        .filter_map(|&p| {
            let exposure = &stack.exposures[p];
            Some((models[p].as_ref()?.means(exposure), exposure.transform?))
        })
        .collect();
    if known.len() < 2 || known.len() < places.len() {
        return None;
    }
    let weighted = weights_of(weights, places, stack, tables);
    let word = if weighted.is_some() { weights.word() } else { CombineWeights::Equal.word() };
    let shares = weighted.unwrap_or_else(|| vec![1.0; places.len()]);
    let parts: Vec<Part> = known
        .iter()
        .zip(&shares)
        .map(|((means, transform), &share)| Part { share, moments: turned(means, transform) })
        .collect();
    let m = mixture(&parts, stack.weight)?;
    let size = m.trace();
    // To first order T and e are the means with the shares; what the second order leaves is added.
    let total: f64 = shares.iter().sum();
    let error = |each: fn(&FieldMeans) -> f64| {
        let squares = known.iter().zip(&shares).map(|((means, _), a)| (a / total * each(means)).powi(2));
        squares.sum::<f64>().sqrt()
    };
    let spread_size = spread(&parts, |m| m.trace().ln());
    let spread_e1 = spread(&parts, |m| (m[(0, 0)] - m[(1, 1)]) / m.trace());
    let spread_e2 = spread(&parts, |m| 2.0 * m[(0, 1)] / m.trace());
    let left_size = SECOND_ORDER * spread_size * spread_size;
    let left_e = SECOND_ORDER * spread_size * (0.5 * (spread_e1.powi(2) + spread_e2.powi(2))).sqrt();
    let reference = &tables[stack.exposures.get(stack.reference)?.table];
    let scale2 = reference.facts.pixel_arcsec.map(|s| s * s);
    Some(CombinedPsf {
        weights: word.into(),
        exposures: u32::try_from(known.len()).ok()?,
        axes_of: reference.file.clone(),
        size_pix2: finite(size),
        size_arcsec2: scale2.and_then(|s2| finite(size * s2)),
        size_err: finite(error(|m| m.size_err / m.size).hypot(left_size) * size * scale2.unwrap_or(1.0)),
        e1: finite((m[(0, 0)] - m[(1, 1)]) / size),
        e2: finite(2.0 * m[(0, 1)] / size),
        e_err: finite(error(|m| m.e_err).hypot(left_e)),
    })
}

/// An exposure's moments in the common frame.
fn turned(means: &FieldMeans, transform: &Affine) -> Matrix2<f64> {
    let half = 0.5 * means.size * transform.scale().powi(2);
    let (sin, cos) = (2.0 * transform.rotation()).sin_cos();
    let (e1, e2) = (means.e1 * cos - means.e2 * sin, means.e1 * sin + means.e2 * cos);
    Matrix2::new(1.0 + e1, e2, e2, 1.0 - e1) * half
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(share: f64, size: f64, e1: f64, e2: f64) -> Part {
        let m = Matrix2::new(1.0 + e1, e2, e2, 1.0 - e1) * (0.5 * size);
        Part { share, moments: m }
    }

    #[test]
    fn equal_parts_give_themselves() {
        let parts = [part(1.0, 2.0, 0.1, -0.05), part(3.0, 2.0, 0.1, -0.05)];
        for weight in [Weight::Adaptive, Weight::Fixed(1.5)] {
            let under = |m: Matrix2<f64>| (mixture(&parts, weight).unwrap() - m).norm();
            assert!(under(parts[0].moments) < 1e-10);
        }
    }

    /// Small differences average with the shares.
    #[test]
    fn small_differences_average() {
        let parts = [part(1.0, 2.0, 0.001, 0.0), part(3.0, 2.004, -0.001, 0.002)];
        let m = mixture(&parts, Weight::Adaptive).unwrap();
        assert!((m.trace() - 2.003).abs() < 1e-5, "{}", m.trace());
        assert!(((m[(0, 0)] - m[(1, 1)]) / m.trace() + 0.0005).abs() < 5e-6);
        assert!((2.0 * m[(0, 1)] / m.trace() - 0.0015).abs() < 5e-6);
    }

    /// A wide part counts for less than its share: the weight sees less of its flux.
    #[test]
    fn a_wide_part_counts_for_less() {
        let parts = [part(1.0, 2.0, 0.0, 0.0), part(1.0, 6.0, 0.0, 0.0)];
        let size = mixture(&parts, Weight::Adaptive).unwrap().trace();
        assert!(size > 2.5 && size < 3.5, "{size}");
        assert!(mixture(&[], Weight::Adaptive).is_none());
        assert!(mixture(&[part(1.0, 1.0, 1.5, 0.0)], Weight::Adaptive).is_none());
    }
}
