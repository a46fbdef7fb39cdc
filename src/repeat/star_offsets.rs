//! The normal equations of the change between exposures, with every star's own offset
//! eliminated.
//!
//! Model of row i (star s, exposure t): `q_i = b_s + f_t(x_i) + noise`, `f_t = sum_k c_tk phi_k`,
//! weight `w_i`. With `W_s = sum w` over the rows of a star and `p_s` the prior precision of its
//! offset (0: free), the offsets drop out and leave, for the stacked coefficients,
//! `A = sum_s [ sum_i w_i X_i X_i^T - (sum_i w_i X_i)(sum_i w_i X_i)^T / (W_s + p_s) ]`.

use nalgebra::{Cholesky, DMatrix, DVector, DVectorView};

use super::groups::Groups;
use super::{RepeatError, sweeps};
use crate::field::Basis;

/// Most coefficients (exposures times functions) whose fitted values use the full inverse.
pub const EXACT_LEVERAGE_LIMIT: usize = 180;

/// A weighted problem: rows in the order of the measurements.
#[derive(Debug, Clone)]
pub struct NormalEquations<'a> {
    pub exposures: usize,
    pub functions: usize,
    pub basis: &'a Basis,
    /// Of each row.
    pub places: &'a [[f64; 2]],
    /// Exposure of each row.
    pub exposure_of: &'a [u32],
    pub rows_of_exposure: &'a Groups,
    /// Star of each row, counted from 0 without gaps.
    pub star_of: &'a [u32],
    pub rows_of_star: &'a Groups,
    /// Robust weight over variance, one a row.
    pub weights: Vec<f64>,
    /// Precision of each star's offset about zero; 0 leaves it free.
    pub prior: Vec<f64>,
    /// Whether the change sums to zero over the exposures inside the solution (free
    /// offsets), or only after it (the mean then being the static field).
    pub centred: bool,
}

impl NormalEquations<'_> {
    /// The function values of all rows, row after row, for what looks at every pair of rows of a star.
    fn all_values(&self) -> Vec<f64> {
        self.places.iter().flat_map(|&[x, y]| self.basis.evaluate(x, y)).collect()
    }

    /// The model `f_t(x_i)` of every row under stacked coefficients.
    pub fn models(&self, coefficients: &DVector<f64>) -> Vec<f64> {
        sweeps::models(self, coefficients)
    }

    /// Total weight of a star, its prior included.
    fn total_weight(&self, star: usize) -> f64 {
        self.rows_of_star.of(star).map(|i| self.weights[i]).sum::<f64>() + self.prior[star]
    }

    /// The same of all stars.
    fn total_weights(&self) -> Vec<f64> {
        let sums = self.sums_of_stars(|i| self.weights[i]);
        sums.iter().zip(&self.prior).map(|(sum, prior)| sum + prior).collect()
    }

    /// Sums over the rows of each star. Rows are gone through in their own order, in which they lie in
    /// memory.
    fn sums_of_stars(&self, value: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut sums = vec![0.0; self.prior.len()];
        for (i, star) in self.star_of.iter().enumerate() {
            sums[*star as usize] += value(i);
        }
        sums
    }

    /// The stars' offsets (shrunk by their prior) given what the model leaves.
    pub fn offsets(&self, left: &[f64]) -> Vec<f64> {
        self.offsets_under(left, &self.total_weights())
    }

    fn offsets_under(&self, left: &[f64], totals: &[f64]) -> Vec<f64> {
        let sums = self.sums_of_stars(|i| self.weights[i] * left[i]);
        let mean = |(sum, total): (f64, &f64)| if *total > 0.0 { sum / total } else { 0.0 };
        sums.into_iter().zip(totals).map(mean).collect()
    }

    /// `X^T V^-1 values`, V the covariance with the offsets in it; `totals` are the stars' total weights.
    fn project(&self, values: &[f64], totals: &[f64]) -> DVector<f64> {
        let means = self.offsets_under(values, totals);
        sweeps::projected(self, |i| self.weights[i] * (values[i] - means[self.star_of[i] as usize]))
    }

    /// Removes the mean over the exposures from stacked coefficients.
    pub fn centre(&self, coefficients: &mut DVector<f64>) {
        for k in 0..self.functions {
            let mean = (0..self.exposures).map(|t| coefficients[t * self.functions + k]).sum::<f64>()
                / self.exposures as f64;
            for t in 0..self.exposures {
                coefficients[t * self.functions + k] -= mean;
            }
        }
    }

    /// Covariance of each exposure's coefficients by itself, as if the offsets came from
    /// elsewhere: the centred covariance is close to `P diag(B_t) P`, exactly so where every
    /// exposure has the same stars and weights. A row of a star seen in few exposures
    /// counts for the part that its own offset leaves.
    pub fn exposure_covariances(&self) -> Result<Vec<DMatrix<f64>>, RepeatError> {
        let information = sweeps::information(self, &self.informative_weights());
        information
            .into_iter()
            .enumerate()
            .map(|(exposure, a)| inverse_of_information(a).ok_or(RepeatError::Singular { exposure }))
            .collect()
    }

    /// The weight of each row, less what its own star's offset takes; a star seen in every
    /// exposure with one weight keeps all of it (centring takes that part).
    pub fn informative_weights(&self) -> Vec<f64> {
        let balanced = self.exposures as f64 / (self.exposures as f64 - 1.0);
        let totals = self.total_weights();
        let informative = |(weight, star): (&f64, &u32)| match *weight > 0.0 {
            true => weight * ((1.0 - weight / totals[*star as usize]) * balanced).min(1.0),
            false => 0.0,
        };
        self.weights.iter().zip(self.star_of).map(informative).collect()
    }

    /// The stacked, centred coefficients for `values`, by conjugate gradients
    /// preconditioned with the exposures' own covariances, from `near` on where there is a solution
    /// that differs little, until the square of the error is this share of that of nothing. Cost linear in
    /// the rows.
    pub fn solve(
        &self,
        values: &[f64],
        blocks: &[DMatrix<f64>],
        near: Option<&DVector<f64>>,
        share: f64,
    ) -> DVector<f64> {
        let totals = self.total_weights();
        let restrict = |v: &mut DVector<f64>| {
            if self.centred {
                self.centre(v);
            }
        };
        let precondition = |residual: &DVector<f64>| {
            let mut out = DVector::zeros(residual.len());
            for (t, block) in blocks.iter().enumerate() {
                let part = block * residual.rows(t * self.functions, self.functions);
                out.rows_mut(t * self.functions, self.functions).copy_from(&part);
            }
            restrict(&mut out);
            out
        };
        let image_of = |coefficients: &DVector<f64>| {
            let mut image = self.project(&self.models(coefficients), &totals);
            restrict(&mut image);
            image
        };
        let mut residual = self.project(values, &totals);
        restrict(&mut residual);
        let start = residual.dot(&precondition(&residual));
        let mut solution = DVector::zeros(residual.len());
        if let Some(near) = near {
            solution.copy_from(near);
            residual -= image_of(near);
        }
        let mut z = precondition(&residual);
        let mut direction = z.clone();
        let mut rz = residual.dot(&z);
        for _ in 0..2000 {
            if rz.is_nan() || rz <= share * start {
                break;
            }
            let image = image_of(&direction);
            let curvature = direction.dot(&image);
            if curvature.is_nan() || curvature <= 0.0 {
                break;
            }
            let step = rz / curvature;
            solution.axpy(step, &direction, 1.0);
            residual.axpy(-step, &image, 1.0);
            z = precondition(&residual);
            let next = residual.dot(&z);
            direction = &z + direction * (next / rz);
            rz = next;
        }
        solution
    }

    /// Variance of the fitted value of every row, offset included: `1/(W+p) + Xt^T C Xt` with `Xt`
    /// the row minus its star's mean row and C the inverse of the normal matrix; times the
    /// weight it is the leverage. Beyond [`EXACT_LEVERAGE_LIMIT`] coefficients C is taken as `diag(B_t)`, and the
    /// result scaled so that the change takes up as many degrees of freedom as it has coefficients.
    pub fn fitted_variances(&self, blocks: &[DMatrix<f64>]) -> Result<Vec<f64>, RepeatError> {
        let totals = self.total_weights();
        let mut variances = match self.exposures * self.functions <= EXACT_LEVERAGE_LIMIT {
            true => self.exact_change_variances(&totals, &self.inverse()?),
            false => self.change_variances_by_blocks(&totals, blocks),
        };
        for (variance, star) in variances.iter_mut().zip(self.star_of) {
            let total = totals[*star as usize];
            *variance += if total > 0.0 { 1.0 / total } else { 0.0 };
        }
        Ok(variances)
    }

    /// `Xt^T C Xt` of every row.
    fn exact_change_variances(&self, totals: &[f64], c: &DMatrix<f64>) -> Vec<f64> {
        let (k, values) = (self.functions, self.all_values());
        let phi_of = |row: usize| DVectorView::from_slice(&values[row * k..(row + 1) * k], k);
        // phi_i^T C phi_j of two rows of one star.
        let product = |i: usize, j: usize| {
            let (t, u) = (self.exposure_of[i] as usize, self.exposure_of[j] as usize);
            (c.view((t * k, u * k), (k, k)) * phi_of(j)).dot(&phi_of(i))
        };
        let mut of_change = vec![0.0; self.weights.len()];
        for (star, total) in totals.iter().enumerate().filter(|(_, total)| **total > 0.0) {
            let rows = || self.rows_of_star.of(star);
            let share = |i: usize| self.weights[i] / total;
            // Covariance of each row's model with its star's mean model.
            let with_mean: Vec<f64> =
                rows().map(|i| rows().map(|j| share(j) * product(i, j)).sum()).collect();
            let of_mean: f64 = rows().zip(&with_mean).map(|(i, c)| share(i) * c).sum();
            for (i, c) in rows().zip(&with_mean) {
                of_change[i] = (product(i, i) - 2.0 * c + of_mean).max(0.0);
            }
        }
        of_change
    }

    /// The same with the exposures' own covariances alone, scaled to the degrees of freedom.
    fn change_variances_by_blocks(&self, totals: &[f64], blocks: &[DMatrix<f64>]) -> Vec<f64> {
        let share = |i: usize| {
            let total = totals[self.star_of[i] as usize];
            if total > 0.0 { self.weights[i] / total } else { 0.0 }
        };
        let own = sweeps::quadratic_forms(self, blocks);
        let of_mean = self.sums_of_stars(|i| share(i) * share(i) * own[i]);
        let mut of_change = own;
        for (i, value) in of_change.iter_mut().enumerate() {
            let star = self.star_of[i] as usize;
            let left = (*value - 2.0 * share(i) * *value + of_mean[star]).max(0.0);
            *value = if totals[star] > 0.0 { left } else { 0.0 };
        }
        let free = if self.centred { self.exposures - 1 } else { self.exposures };
        let sum: f64 = of_change.iter().zip(&self.weights).map(|(v, w)| v * w).sum();
        let scale = if sum > 0.0 { (free * self.functions) as f64 / sum } else { 0.0 };
        of_change.iter_mut().for_each(|value| *value *= scale);
        of_change
    }

    /// The full covariance of the stacked, centred coefficients (dense).
    pub fn covariance(&self) -> Result<DMatrix<f64>, RepeatError> {
        Ok(centred_both_sides(self.inverse()?, self.exposures, self.functions))
    }

    /// Inverse of the normal matrix (dense); where offsets are free, under the condition that
    /// the coefficients sum to zero over the exposures.
    fn inverse(&self) -> Result<DMatrix<f64>, RepeatError> {
        let (n, k, values) = (self.exposures, self.functions, self.all_values());
        let phi_of = |row: usize| &values[row * k..(row + 1) * k];
        let mut a = DMatrix::<f64>::zeros(n * k, n * k);
        for s in 0..self.rows_of_star.len() {
            let total = self.total_weight(s);
            if total <= 0.0 {
                continue;
            }
            for i in self.rows_of_star.of(s) {
                for j in self.rows_of_star.of(s) {
                    let (wi, wj) = (self.weights[i], self.weights[j]);
                    let amount = if i == j { wi } else { 0.0 } - wi * wj / total;
                    let (ti, tj) = (self.exposure_of[i] as usize * k, self.exposure_of[j] as usize * k);
                    for (l, pl) in phi_of(j).iter().enumerate() {
                        for (m, pm) in phi_of(i).iter().enumerate() {
                            a[(ti + m, tj + l)] += amount * pm * pl;
                        }
                    }
                }
            }
        }
        if self.centred {
            // A heavy weight on the mean over the exposures holds it at zero.
            let heavy = 1e3 * a.diagonal().max() / n as f64;
            for t in 0..n {
                for u in 0..n {
                    for l in 0..k {
                        a[(t * k + l, u * k + l)] += heavy;
                    }
                }
            }
        }
        Ok(Cholesky::new(a).ok_or(RepeatError::Singular { exposure: self.weakest() })?.inverse())
    }

    /// The exposure with the least weight behind it.
    fn weakest(&self) -> usize {
        let mut weight = vec![0.0; self.exposures];
        for (i, w) in self.informative_weights().iter().enumerate() {
            weight[self.exposure_of[i] as usize] += w;
        }
        (0..self.exposures).min_by(|a, b| weight[*a].total_cmp(&weight[*b])).unwrap_or(0)
    }
}

/// `left^T M right`.
pub(super) fn bilinear(matrix: &DMatrix<f64>, left: &[f64], right: &[f64]) -> f64 {
    let columns = matrix.as_slice().chunks_exact(left.len().max(1));
    columns.zip(right).map(|(column, r)| r * column.iter().zip(left).map(|(m, l)| m * l).sum::<f64>()).sum()
}

/// Inverse of an information matrix; none where its functions are not independent.
fn inverse_of_information(a: DMatrix<f64>) -> Option<DMatrix<f64>> {
    let size = a[(0, 0)];
    if size.is_nan() || size <= 0.0 {
        return None;
    }
    let cholesky = Cholesky::new(a)?;
    if cholesky.l_dirty().diagonal().iter().any(|d| *d < 1e-5 * size.sqrt()) {
        return None;
    }
    Some(cholesky.inverse())
}

fn centred_both_sides(mut c: DMatrix<f64>, n: usize, k: usize) -> DMatrix<f64> {
    for _side in 0..2 {
        for mut column in c.column_iter_mut() {
            for l in 0..k {
                let mean = (0..n).map(|t| column[t * k + l]).sum::<f64>() / n as f64;
                for t in 0..n {
                    column[t * k + l] -= mean;
                }
            }
        }
        c.transpose_mut();
    }
    c
}
