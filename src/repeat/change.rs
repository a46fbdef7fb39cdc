//! How the PSF over the field differs from exposure to exposure.

use nalgebra::{DMatrix, DVector};

use super::interval::{NoiseMode, RmsChange, rms_change, with_extra};
use super::noise_check::{NoiseCheck, Residual, check};
use super::star_offsets::NormalEquations;
use super::{RepeatError, root::crossing_above};
use crate::field::Basis;
use crate::field::robust::{bisquare, huber, median, scale_about_zero};

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
    /// Value minus model and star offset, one vector a component, in the order of the rows.
    pub residuals: Vec<Vec<f64>>,
    /// 1 for a row that took part, 0 for one rejected as outlying.
    pub weights: Vec<f64>,
    pub leverage: Vec<f64>,
    /// Rows that took part, by exposure.
    pub stars_used: Vec<usize>,
    /// Rows rejected as outlying, by exposure.
    pub rejected: Vec<usize>,
    modes: Vec<NoiseMode>,
}

/// Most coefficients (exposures times functions) that are solved with their full covariance;
/// beyond, that of [`NormalEquations::exposure_covariances`] stands in, linear in the exposures.
pub const DENSE_LIMIT: usize = 720;

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
    check_rows(exposures, rows, values)?;
    let data = Data::new(basis, exposures, rows, values, reference);
    data.check_links()?;

    let stated: Vec<f64> = rows.iter().map(|r| r.sigma * r.sigma).collect();
    let mut fit = data.fit(&stated)?;
    let noise_check = data.check_noise(&fit, &stated)?;
    let white = (noise_check.excess_variance - noise_check.correlated.variance.max(0.0)).max(0.0);
    if white > 0.0 || noise_check.variance_factor < 1.0 {
        let raised: Vec<f64> = stated.iter().map(|v| v * noise_check.variance_factor + white).collect();
        fit = data.fit(&raised)?;
    }
    data.into_change(fit, noise_check)
}

impl Change {
    /// The rms change `sqrt(sum_t <f_t^2> / (n-1))` averaged over the components, noise removed,
    /// with its two-sided interval. Scatter above the errors that is not shown to be white over
    /// the field is added, with its own uncertainty.
    pub fn rms(&self, confidence: f64) -> Result<RmsChange, RepeatError> {
        let change = rms_change(&self.modes, confidence)?;
        let check = &self.noise_check;
        if !check.in_doubt() {
            return Ok(change);
        }
        let per_row = self.exposures as f64 / (self.exposures as f64 - 1.0);
        let reach = super::interval::two_sided_normal(confidence) * check.correlated.err;
        let bound = |v: f64| v.max(0.0) * per_row;
        let v = check.correlated.variance;
        // Change of high order must be plain before it raises the lower bound.
        let plain = 3.0 * check.correlated.err;
        Ok(with_extra(change, bound(v), bound(v - plain.max(reach)), bound(v + reach)))
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

/// The rows and values of some exposures alone, renumbered in the order of `keep`.
pub fn restrict(rows: &[Row], values: &[Vec<f64>], keep: &[usize]) -> (Vec<Row>, Vec<Vec<f64>>) {
    let mut kept_rows = vec![];
    let mut kept_values = vec![vec![]; values.len()];
    for (i, row) in rows.iter().enumerate() {
        if let Some(exposure) = keep.iter().position(|t| *t == row.exposure) {
            kept_rows.push(Row { exposure, ..*row });
            for (kept, all) in kept_values.iter_mut().zip(values) {
                kept.push(all[i]);
            }
        }
    }
    (kept_rows, kept_values)
}

/// The measurements, arranged for the solver.
struct Data<'a> {
    exposures: usize,
    functions: usize,
    rows: &'a [Row],
    values: &'a [Vec<f64>],
    reference: Reference,
    phi: Vec<f64>,
    exposure_of: Vec<usize>,
    rows_of_star: Vec<Vec<usize>>,
}

/// One converged robust fit.
struct Fit {
    /// Stacked, one a component.
    coefficients: Vec<DVector<f64>>,
    blocks: Vec<DMatrix<f64>>,
    residuals: Vec<Vec<f64>>,
    variances: Vec<f64>,
    weights: Vec<f64>,
    fitted_variance: Vec<f64>,
    prior: Vec<f64>,
    offset_variance: Option<f64>,
}

impl<'a> Data<'a> {
    fn new(
        basis: &Basis,
        exposures: usize,
        rows: &'a [Row],
        values: &'a [Vec<f64>],
        reference: Reference,
    ) -> Self {
        let phi = rows.iter().flat_map(|r| basis.evaluate(r.x, r.y)).collect();
        let mut by_star = std::collections::BTreeMap::<usize, Vec<usize>>::new();
        for (i, row) in rows.iter().enumerate() {
            by_star.entry(row.star).or_default().push(i);
        }
        Self {
            exposures,
            functions: basis.functions(),
            rows,
            values,
            reference,
            phi,
            exposure_of: rows.iter().map(|r| r.exposure).collect(),
            rows_of_star: by_star.into_values().collect(),
        }
    }

    /// Every exposure needs shared stars for its functions and, on the sky, a chain of
    /// shared stars to every other.
    fn check_links(&self) -> Result<(), RepeatError> {
        let functions = self.functions;
        let needed = functions + 1;
        let mut shared = vec![vec![0usize; self.exposures]; self.exposures];
        let mut usable = vec![0usize; self.exposures];
        for rows in &self.rows_of_star {
            for &i in rows {
                let t = self.exposure_of[i];
                let linked = self.reference == Reference::Detector || rows.len() > 1;
                usable[t] += usize::from(linked);
                for &j in rows {
                    shared[t][self.exposure_of[j]] += 1;
                }
            }
        }
        // The worst exposure is the one to name.
        if let Some((exposure, count)) = usable.iter().enumerate().min_by_key(|(_, count)| **count)
            && *count < needed
        {
            return Err(RepeatError::TooFewShared { exposure, shared: *count, functions, needed });
        }
        if self.reference == Reference::Detector {
            return Ok(());
        }
        let hub = (0..self.exposures).max_by_key(|t| usable[*t]).unwrap_or(0);
        let (mut reached, mut open) = (vec![false; self.exposures], vec![hub]);
        reached[hub] = true;
        while let Some(t) = open.pop() {
            for u in 0..self.exposures {
                if !reached[u] && shared[t][u] >= functions {
                    reached[u] = true;
                    open.push(u);
                }
            }
        }
        match reached.iter().position(|r| !r) {
            Some(exposure) => Err(RepeatError::NotLinked { exposure, functions }),
            None => Ok(()),
        }
    }

    fn equations(&self, weights: Vec<f64>, prior: Vec<f64>) -> NormalEquations<'_> {
        NormalEquations {
            exposures: self.exposures,
            functions: self.functions,
            phi: &self.phi,
            exposure_of: &self.exposure_of,
            rows_of_star: &self.rows_of_star,
            weights,
            prior,
            centred: self.reference == Reference::Sky,
        }
    }

    /// Finds the outlying rows by iteratively reweighted least squares (Huber's weights from the
    /// plain solution, then the bisquare, scale from the median residual), rejects those of
    /// weight zero, and solves by plain least squares with the rest. The reweighted step
    /// (Rousseeuw & Leroy 1987, Robust Regression and Outlier Detection, from memory) keeps
    /// the covariance exact where stars are few; a smooth weight would not.
    fn fit(&self, variances: &[f64]) -> Result<Fit, RepeatError> {
        let mut weights = vec![1.0; self.rows.len()];
        let mut prior = vec![0.0; self.rows_of_star.len()];
        let mut fit = self.solve_once(&weights, &prior, variances)?;
        let mut offset_variance = None;
        for (weight_of, iterations) in [(huber as fn(f64) -> f64, 12), (bisquare, 25)] {
            for _ in 0..iterations {
                let distances = self.distances(&fit);
                let Some(scale) = self.scale(&distances) else { break };
                let new: Vec<f64> = distances.iter().map(|d| weight_of(d / scale)).collect();
                let moved = new.iter().zip(&weights).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
                weights = new;
                if self.reference == Reference::Detector {
                    offset_variance = Some(self.offset_prior(&fit, &mut prior));
                }
                fit = self.solve_once(&weights, &prior, variances)?;
                if moved < 1e-4 {
                    break;
                }
            }
        }
        let distances = self.distances(&fit);
        // Few residuals can have a small median by chance: the stated errors are its floor.
        let scale = self.scale(&distances).unwrap_or(1.0).max(1.0);
        let kept = distances.iter().map(|d| if bisquare(d / scale) > 0.0 { 1.0 } else { 0.0 });
        fit = self.solve_once(&kept.collect::<Vec<f64>>(), &prior, variances)?;
        fit.offset_variance = offset_variance;
        Ok(fit)
    }

    fn solve_once(&self, robust: &[f64], prior: &[f64], variances: &[f64]) -> Result<Fit, RepeatError> {
        let weights = robust.iter().zip(variances).map(|(u, v)| u / v).collect();
        let mut equations = self.equations(weights, prior.to_vec());
        if self.reference == Reference::Detector && prior.iter().all(|p| *p == 0.0) {
            // Before their variance is known the offsets are held at zero.
            equations.prior = vec![1e12 / median(variances).unwrap_or(1.0); prior.len()];
        }
        let blocks = equations.exposure_covariances()?;
        let coefficients: Vec<DVector<f64>> =
            self.values.iter().map(|values| equations.solve(values, &blocks)).collect();
        let residuals = coefficients
            .iter()
            .zip(self.values)
            .map(|(c, values)| {
                let mut left: Vec<f64> =
                    (0..self.rows.len()).map(|i| values[i] - equations.model(c, i)).collect();
                let offsets = equations.offsets(&left);
                for (rows, offset) in self.rows_of_star.iter().zip(offsets) {
                    for &i in rows {
                        left[i] -= offset;
                    }
                }
                left
            })
            .collect();
        Ok(Fit {
            fitted_variance: equations.fitted_variances(&blocks)?,
            prior: equations.prior,
            coefficients,
            blocks,
            residuals,
            variances: variances.to_vec(),
            weights: robust.to_vec(),
            offset_variance: None,
        })
    }

    /// Rms over the components of the residual over its standard deviation. Of a row with robust
    /// weight u, noise v and fitted variance g that is `v + (1 - 2u) g`: a row inside the fit
    /// is drawn to it, one left out is not.
    fn distances(&self, fit: &Fit) -> Vec<f64> {
        (0..self.rows.len())
            .map(|i| {
                let square = fit.residuals.iter().map(|r| r[i] * r[i]).sum::<f64>();
                let v = fit.variances[i];
                let variance = (v + (1.0 - 2.0 * fit.weights[i]) * fit.fitted_variance[i]).max(0.05 * v);
                (square / (self.values.len() as f64 * variance)).sqrt()
            })
            .collect()
    }

    /// Scale of the distances: their median over that of the Gaussian case. None without scatter.
    fn scale(&self, distances: &[f64]) -> Option<f64> {
        let gaussian = if self.values.len() == 1 { 0.674489750196082 } else { std::f64::consts::LN_2.sqrt() };
        Some(median(distances)? / gaussian).filter(|s| *s > 1e-9)
    }

    /// Variance of the star offsets by Paule & Mandel (1982, J. Res. NBS 87, 377) over the stars
    /// that do not stand out; `prior` gets its inverse, lowered to zero for stars that do
    /// (pairs), whose offset is then free.
    fn offset_prior(&self, fit: &Fit, prior: &mut [f64]) -> f64 {
        let equations = self.equations(
            fit.weights.iter().zip(&fit.variances).map(|(u, v)| u / v).collect(),
            vec![0.0; self.rows_of_star.len()],
        );
        let mut means: Vec<Vec<f64>> = vec![];
        for (c, values) in fit.coefficients.iter().zip(self.values) {
            let left: Vec<f64> = (0..self.rows.len()).map(|i| values[i] - equations.model(c, i)).collect();
            means.push(equations.offsets(&left));
        }
        let noise: Vec<Option<f64>> = self
            .rows_of_star
            .iter()
            .map(|rows| {
                let total: f64 = rows.iter().map(|i| equations.weights[*i]).sum();
                (total > 0.0).then(|| 1.0 / total)
            })
            .collect();
        let known: Vec<usize> = (0..noise.len()).filter(|s| noise[*s].is_some()).collect();
        let typical_noise =
            median(&known.iter().filter_map(|s| noise[*s]).collect::<Vec<_>>()).unwrap_or(1.0);
        let floor = 1e-6 * typical_noise;
        let all: Vec<f64> = means.iter().flat_map(|m| known.iter().map(|s| m[*s])).collect();
        let first = scale_about_zero(&all).unwrap_or(0.0).powi(2) - typical_noise;
        let distance = |s: usize, variance: f64| {
            let square = means.iter().map(|m| m[s] * m[s]).sum::<f64>() / means.len() as f64;
            (square / (noise[s].unwrap_or(0.0) + variance)).sqrt()
        };
        let weight: Vec<f64> = (0..noise.len())
            .map(|s| if noise[s].is_some() { bisquare(distance(s, first.max(floor))) } else { 0.0 })
            .collect();
        let plain: Vec<usize> = known.iter().copied().filter(|s| weight[*s] > 0.0).collect();
        // The static field takes its functions from the star means, and the change as much
        // of its own as only star means can tell (stars seen in few exposures).
        let within: f64 = equations.informative_weights().iter().sum();
        let held: f64 =
            self.equations(equations.weights.clone(), fit.prior.clone()).informative_weights().iter().sum();
        let from_means = ((self.exposures - 1) * self.functions) as f64 * (1.0 - within / held).max(0.0);
        let dof = (plain.len() as f64 - self.functions as f64 - from_means).max(1.0);
        let miss = |variance: f64| plain.iter().map(|s| distance(*s, variance).powi(2)).sum::<f64>() - dof;
        let variance = if miss(floor) <= 0.0 {
            floor
        } else {
            crossing_above(miss, floor, typical_noise, 1e-6).unwrap_or(first.max(floor))
        };
        for (p, u) in prior.iter_mut().zip(&weight) {
            *p = u / variance;
        }
        variance
    }

    /// The noise check, on the rows that were not rejected, each at full weight.
    fn check_noise(&self, fit: &Fit, variances: &[f64]) -> Result<NoiseCheck, RepeatError> {
        let full = fit.weights.iter().zip(variances).map(|(u, v)| if *u > 0.0 { 1.0 / v } else { 0.0 });
        let equations = self.equations(full.collect(), fit.prior.clone());
        let blocks = equations.exposure_covariances()?;
        let fitted = equations.fitted_variances(&blocks)?;
        let leverage: Vec<f64> = fitted.iter().zip(variances).map(|(g, v)| (g / v).min(1.0)).collect();
        let used: Vec<usize> =
            (0..self.rows.len()).filter(|i| fit.weights[*i] > 0.0 && leverage[*i] < 0.99).collect();
        let residuals: Vec<Residual> = used
            .iter()
            .map(|&i| Residual {
                exposure: self.rows[i].exposure,
                x: self.rows[i].x,
                y: self.rows[i].y,
                value: [fit.residuals[0][i], fit.residuals.get(1).map_or(0.0, |r| r[i])],
                variance: variances[i],
                leverage: leverage[i],
            })
            .collect();
        let left = 1.0 - 1.0 / self.exposures as f64;
        let k = self.functions;
        let induced = |i: usize, j: usize| {
            let (a, b) = (used[i], used[j]);
            let phi_a = DVector::from_column_slice(&self.phi[a * k..(a + 1) * k]);
            let phi_b = DVector::from_column_slice(&self.phi[b * k..(b + 1) * k]);
            -left * (&blocks[self.exposure_of[a]] * &phi_a).dot(&phi_b)
        };
        Ok(check(&residuals, self.exposures, self.values.len(), induced))
    }

    fn into_change(self, fit: Fit, noise_check: NoiseCheck) -> Result<Change, RepeatError> {
        let (n, k, q) = (self.exposures, self.functions, self.values.len());
        let weights = fit.weights.iter().zip(&fit.variances).map(|(u, v)| u / v).collect();
        let equations = self.equations(weights, fit.prior.clone());
        let leverage = (0..fit.weights.len())
            .map(|i| equations.weights[i] * fit.fitted_variance[i])
            .map(|h| h.min(1.0))
            .collect();
        let exposure_covariance = fit.blocks;
        let mut stacked = fit.coefficients.clone();
        for c in &mut stacked {
            equations.centre(c);
        }
        let covariance = if n * k <= DENSE_LIMIT { Some(equations.covariance()?) } else { None };
        let modes = match &covariance {
            Some(covariance) => dense_modes(covariance, &stacked, n, k),
            None => block_modes(&exposure_covariance, &stacked, n, k),
        };
        let coefficients = stacked.iter().map(|c| DMatrix::from_row_slice(n, k, c.as_slice())).collect();
        let count = |wanted: bool| {
            let mut counts = vec![0; n];
            for (u, t) in fit.weights.iter().zip(&self.exposure_of) {
                counts[*t] += usize::from((*u > 0.0) == wanted);
            }
            counts
        };
        Ok(Change {
            exposures: n,
            components: q,
            functions: k,
            coefficients,
            exposure_covariance,
            covariance,
            noise_check,
            offset_variance: fit.offset_variance,
            residuals: fit.residuals,
            leverage,
            stars_used: count(true),
            rejected: count(false),
            weights: fit.weights,
            modes,
        })
    }
}

/// Modes from the eigenvectors of the full covariance (rank `(n-1) k`).
fn dense_modes(covariance: &DMatrix<f64>, stacked: &[DVector<f64>], n: usize, k: usize) -> Vec<NoiseMode> {
    let q = stacked.len() as f64;
    let scale = 1.0 / ((n as f64 - 1.0) * q);
    let eigen = covariance.clone().symmetric_eigen();
    let mut order: Vec<usize> = (0..n * k).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
    order
        .into_iter()
        .take((n - 1) * k)
        .map(|j| {
            let vector = eigen.eigenvectors.column(j);
            let square: f64 = stacked.iter().map(|c| vector.dot(c).powi(2)).sum();
            NoiseMode { lambda: eigen.eigenvalues[j].max(0.0) * scale, dof: q, square: square * scale }
        })
        .collect()
}

/// Modes from every exposure's own covariance: `P diag(B_t) P` has, to order 1/n, the eigenvalues
/// of the B_t; `(n-1)/n` of a degree of freedom each keeps trace and rank.
fn block_modes(blocks: &[DMatrix<f64>], stacked: &[DVector<f64>], n: usize, k: usize) -> Vec<NoiseMode> {
    let q = stacked.len() as f64;
    let scale = 1.0 / ((n as f64 - 1.0) * q);
    let left = (n as f64 - 1.0) / n as f64;
    let mut modes = vec![];
    for (t, block) in blocks.iter().enumerate() {
        let eigen = block.clone().symmetric_eigen();
        for j in 0..k {
            let vector = eigen.eigenvectors.column(j);
            let square: f64 = stacked.iter().map(|c| vector.dot(&c.rows(t * k, k)).powi(2)).sum();
            modes.push(NoiseMode {
                lambda: eigen.eigenvalues[j].max(0.0) * scale,
                dof: q * left,
                square: square * scale,
            });
        }
    }
    modes
}

fn check_rows(exposures: usize, rows: &[Row], values: &[Vec<f64>]) -> Result<(), RepeatError> {
    if exposures < 2 {
        return Err(RepeatError::TooFewExposures { exposures });
    }
    if values.is_empty() || values.len() > 2 {
        return Err(RepeatError::LengthMismatch {
            what: "the list of components",
            found: values.len(),
            expected: 1,
        });
    }
    for component in values {
        if component.len() != rows.len() {
            return Err(RepeatError::LengthMismatch {
                what: "a component",
                found: component.len(),
                expected: rows.len(),
            });
        }
    }
    for (i, row) in rows.iter().enumerate() {
        let bad = |what| Err(RepeatError::BadRow { row: i, what });
        if row.exposure >= exposures {
            return bad("its exposure is beyond the last one");
        }
        if !(row.x.is_finite() && row.y.is_finite()) {
            return bad("its position is not finite");
        }
        if !(row.sigma > 0.0 && row.sigma.is_finite()) {
            return bad("its error is not a finite number above zero");
        }
        if values.iter().any(|v| !v[i].is_finite()) {
            return bad("its value is not finite");
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
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
