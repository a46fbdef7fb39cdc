//! How the PSF over the field differs from exposure to exposure.

use nalgebra::DMatrix;

use super::RepeatError;
use super::interval::{NoiseMode, RmsChange, rms_change};
use super::noise_check::{Excess, NoiseCheck};
use super::places::unseen_over_scatter;
pub use super::solve::Layout;
use super::solve::{Data, check_rows};
use crate::field::{Basis, basis::functions_of_degree};

/// One star in one exposure. Coordinates are in the frame and unit of the basis; `sigma` is the
/// standard error of the measured value (of each component, where there are two).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row {
    pub star: usize,
    pub exposure: usize,
    pub x: f64,
    pub y: f64,
    pub sigma: f64,
}

/// Which star in which exposure, and where: a [`Row`] without its error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    pub star: usize,
    pub exposure: usize,
    pub x: f64,
    pub y: f64,
}

impl From<&Row> for Place {
    fn from(&Row { star, exposure, x, y, .. }: &Row) -> Self {
        Self { star, exposure, x, y }
    }
}

/// What a change is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reference {
    /// `q = b_s + f_t(x) + noise`, each star's own value b free: change at a fixed place of the sky.
    Sky,
    /// `q = F(x) + b_s + f_t(x) + noise`, F a static field and b zero-mean of a fitted
    /// variance: change of the telescope itself.
    Detector,
}

/// The change between exposures, fitted.
#[derive(Debug, Clone)]
pub struct Change {
    pub exposures: usize,
    pub components: usize,
    pub functions: usize,
    /// One matrix a component, exposures by functions; columns sum to zero.
    pub coefficients: Vec<DMatrix<f64>>,
    /// Covariance of one exposure's coefficients, the star offsets taken as known; one a
    /// exposure, functions by functions, the same for every component.
    pub exposure_covariance: Vec<DMatrix<f64>>,
    /// Covariance of all coefficients (index `exposure * functions + function`); none where
    /// there are more than [`DENSE_LIMIT`] of them.
    pub covariance: Option<DMatrix<f64>>,
    pub noise_check: NoiseCheck,
    /// Variance of the star offsets (detector only).
    pub offset_variance: Option<f64>,
    /// Whether a row took part, or was rejected as outlying.
    pub took_part: Vec<bool>,
    /// Rows that took part, by exposure.
    pub stars_used: Vec<usize>,
    /// Rows rejected as outlying, by exposure.
    pub rejected: Vec<usize>,
    pub(super) modes: Vec<NoiseMode>,
}

/// A basis of this degree holds the changes to be expected of a telescope; below it, where stars are too
/// few, all scatter that may be change is allowed for, whether it stands out or not.
pub const ENOUGH_DEGREE: usize = 3;

/// Most coefficients (exposures times functions) that are solved with their full covariance;
/// beyond, that of [`NormalEquations::exposure_covariances`] stands in, linear in the exposures.
pub const DENSE_LIMIT: usize = 720;

/// Stars per function of the basis on which a change is expressed.
const STARS_PER_FUNCTION: usize = 4;

/// The degree of the basis for so many stars in the exposure that has fewest, at most
/// [`ENOUGH_DEGREE`]; none where they are too few.
pub fn degree_for(stars: usize) -> Option<usize> {
    (0..=ENOUGH_DEGREE).rev().find(|&degree| STARS_PER_FUNCTION * functions_of_degree(degree) <= stars)
}

/// Fits the change between `exposures` exposures from `rows`, with `values` one vector a component
/// (one for ln T; two for e1, e2, which share their robust weights).
///
/// Rejects outlying measurements by the bisquare. If the residuals exceed the stated
/// errors significantly, the errors are raised by what exceeds them and is white, and
/// the fit repeated; if they fall short significantly, the errors are scaled down.
///
/// Errors: fewer than two exposures; an exposure whose shared stars cannot fix the basis, or
/// that is not linked to the others; rows that are not finite.
pub fn measure_change(
    basis: &Basis,
    exposures: usize,
    rows: &[Row],
    values: &[Vec<f64>],
    reference: Reference,
) -> Result<Change, RepeatError> {
    let sigmas: Vec<f64> = rows.iter().map(|row| row.sigma).collect();
    check_rows(exposures, rows.iter().map(Place::from), &sigmas, values)?;
    let layout = Layout::new(exposures, rows.iter().map(Place::from));
    fit_change(basis, &layout, &sigmas, values, reference)
}

/// The same on rows whose layout is known and that have these errors; other quantities of the same stars may
/// share it.
pub fn measure_change_on(
    basis: &Basis,
    layout: &Layout,
    sigmas: &[f64],
    values: &[Vec<f64>],
    reference: Reference,
) -> Result<Change, RepeatError> {
    check_rows(layout.exposures(), layout.rows(), sigmas, values)?;
    fit_change(basis, layout, sigmas, values, reference)
}

fn fit_change(
    basis: &Basis,
    layout: &Layout,
    sigmas: &[f64],
    values: &[Vec<f64>],
    reference: Reference,
) -> Result<Change, RepeatError> {
    let (exposures, functions) = (layout.exposures(), basis.functions());
    let data = Data { exposures, functions, basis, values, reference, layout };
    data.check_links()?;

    let stated = || sigmas.iter().map(|sigma| sigma * sigma);
    let mut fit = data.fit(stated().collect())?;
    let mut noise_check = data.check_noise(&fit, sigmas)?;
    if noise_check.variance_factor < 1.0 {
        drop(fit);
        fit = data.fit(stated().map(|v| v * noise_check.variance_factor).collect())?;
    }
    // Whatever the excess is, stars scatter by it about the fit; and the bright ones, which weigh
    // most under the stated errors, tell most of it once all weigh as they should.
    for _ in 0..MOST_FLOORS {
        let floor = noise_check.excess_variance;
        if floor <= 0.0 {
            break;
        }
        // What is made anew makes room first.
        drop(fit);
        noise_check.excess = Excess::default();
        fit = data.fit(stated().map(|v| v + floor).collect())?;
        let again = data.check_noise(&fit, sigmas)?;
        noise_check.excess_variance = again.excess.variance;
        noise_check.excess = again.excess;
        noise_check.correlated = again.correlated;
        if (noise_check.excess_variance / floor - 1.0).abs() < 0.05 {
            break;
        }
    }
    if noise_check.in_doubt() || basis.degree() < ENOUGH_DEGREE {
        noise_check.unseen_elsewhere = unseen_over_scatter(basis, layout, &fit.row_weights());
    } else {
        // Its bounds will not be asked for.
        noise_check.excess.forget_terms();
    }
    data.into_change(fit, noise_check)
}

/// Most rounds in which the floor under the errors is found.
const MOST_FLOORS: usize = 6;

impl Change {
    /// The rms change `sqrt(sum_t <f_t^2> / (n-1))` averaged over the components, noise removed,
    /// with its two-sided interval. Scatter above the errors that is not shown to be white over
    /// the field is added, with its own uncertainty.
    pub fn rms(&self, confidence: f64) -> Result<RmsChange, RepeatError> {
        let per_row = self.exposures as f64 / (self.exposures as f64 - 1.0);
        self.with_doubt(rms_change(&self.modes, confidence)?, per_row, confidence)
    }

    /// Adds the scatter above the errors where it is in doubt, `per_row` times its variance.
    pub(super) fn with_doubt(
        &self,
        change: RmsChange,
        per_row: f64,
        confidence: f64,
    ) -> Result<RmsChange, RepeatError> {
        let check = &self.noise_check;
        if !check.in_doubt() && self.functions >= functions_of_degree(ENOUGH_DEGREE) {
            return Ok(change);
        }
        Ok(check.counted_as_change(confidence).added_to(change, per_row))
    }

    /// The independent directions of the estimated change with their noise.
    pub fn modes(&self) -> &[NoiseMode] {
        &self.modes
    }

    /// Change of the field mean of one component, one an exposure, with standard errors
    /// that take the star offsets as known.
    pub fn field_mean(&self, component: usize) -> Vec<(f64, f64)> {
        (0..self.exposures)
            .map(|t| (self.coefficients[component][(t, 0)], self.exposure_covariance[t][(0, 0)].sqrt()))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::DVector;

    use super::super::solve::block_modes;
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    /// The approximation for many exposures against the full covariance, on the same data.
    #[test]
    fn block_modes_agree_with_dense_ones() {
        let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 2).unwrap();
        for (exposures, tolerance) in [(12, 0.02), (40, 0.01)] {
            let mut rng = StdRng::seed_from_u64(7);
            let (mut rows, mut values) = (vec![], vec![]);
            for star in 0..80 {
                let (x, y) = (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0));
                let sigma = 1.0 / rng.random_range(0.25f64..1.0);
                for exposure in 0..exposures {
                    if rng.random_range(0.0..1.0) < [1.0, 0.7, 0.9][exposure % 3] {
                        let noise: f64 = rng.sample(StandardNormal);
                        rows.push(Row { star, exposure, x, y, sigma });
                        values.push(sigma * noise + (exposure % 2) as f64);
                    }
                }
            }
            let change = measure_change(&basis, exposures, &rows, &[values], Reference::Sky).unwrap();
            let stacked: Vec<DVector<f64>> = change
                .coefficients
                .iter()
                .map(|c| DVector::from_column_slice(c.transpose().as_slice()))
                .collect();
            let blocks = block_modes(&change.exposure_covariance, &stacked, exposures, 6);
            let (dense, linear) =
                (rms_change(&change.modes, 0.95).unwrap(), rms_change(&blocks, 0.95).unwrap());
            assert!((dense.mean_square / linear.mean_square - 1.0).abs() < 1e-9);
            for (a, b) in [(dense.noise, linear.noise), (dense.high, linear.high), (dense.low, linear.low)] {
                assert!((a - b).abs() < tolerance * a, "{exposures}: {dense:?} {linear:?}");
            }
        }
    }
}
