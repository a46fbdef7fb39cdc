//! Weighted linear least squares: by the normal equations where they lose no digits, which is several
//! times as fast, otherwise by Householder QR.

use nalgebra::{DMatrix, DVector};

use super::FieldError;

/// The solution of a weighted linear least-squares problem.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    pub coefficients: DVector<f64>,
    /// `(X^T W X)^-1`: the covariance where the weights are inverse variances.
    pub covariance: DMatrix<f64>,
    /// Diagonal of the hat matrix, one a row.
    pub leverage: Vec<f64>,
}

/// Normal equations of columns of unit length are used where every pivot of their Cholesky factor is
/// above this: the condition number is then below some 1e4 and ten digits are left.
const SAFE_PIVOT: f64 = 0.03;

/// Minimises `sum w_i (values_i - (X c)_i)^2` for the design `X` (rows by functions).
///
/// Columns are scaled to unit length before the QR, so that functions of very different
/// size (a year beside a constant) lose no digits; a diagonal of R below 1e-12 counts as
/// singular. Rows of weight zero stay out.
pub fn solve(design: &DMatrix<f64>, values: &[f64], weights: &[f64]) -> Result<Solution, FieldError> {
    let (rows, functions) = design.shape();
    let used = weights.iter().filter(|w| **w > 0.0).count();
    if used < functions {
        return Err(FieldError::TooFewStars { stars: used, functions });
    }
    if let Some(solution) = by_normal_equations(design, values, weights) {
        return Ok(solution);
    }
    let root: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
    let mut scaled = design.clone();
    for (i, r) in root.iter().enumerate() {
        scaled.row_mut(i).scale_mut(*r);
    }
    let length: Vec<f64> = (0..functions).map(|k| scaled.column(k).norm()).collect();
    if length.iter().any(|l| !(*l > 0.0 && l.is_finite())) {
        return Err(FieldError::Singular { functions });
    }
    for (k, l) in length.iter().enumerate() {
        scaled.column_mut(k).unscale_mut(*l);
    }
    let target = DVector::from_iterator(rows, values.iter().zip(&root).map(|(v, r)| v * r));

    let (q, r) = scaled.qr().unpack();
    if r.diagonal().iter().any(|d| d.abs() < 1e-12) {
        return Err(FieldError::Singular { functions });
    }
    let singular = FieldError::Singular { functions };
    let mut coefficients = r.solve_upper_triangular(&(q.transpose() * target)).ok_or(singular.clone())?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(functions, functions)).ok_or(singular)?;
    let mut covariance = &inverse * inverse.transpose();
    for k in 0..functions {
        coefficients[k] /= length[k];
        for j in 0..functions {
            covariance[(k, j)] /= length[k] * length[j];
        }
    }
    let leverage = (0..rows).map(|i| q.row(i).norm_squared().min(1.0)).collect();
    Ok(Solution { coefficients, covariance, leverage })
}

/// None where the columns are too nearly dependent.
fn by_normal_equations(design: &DMatrix<f64>, values: &[f64], weights: &[f64]) -> Option<Solution> {
    let (rows, functions) = design.shape();
    let columns: Vec<&[f64]> = design.as_slice().chunks_exact(rows.max(1)).collect();
    let (mut normal, mut right) = pulp::Arch::new().dispatch(Normal { columns: &columns, values, weights });
    let length: Vec<f64> = normal.diagonal().iter().map(|square| square.sqrt()).collect();
    for k in 0..functions {
        right[k] /= length[k];
        for j in 0..functions {
            normal[(k, j)] /= length[k] * length[j];
        }
    }
    let cholesky = normal.cholesky()?;
    // A pivot that is not a number is not above it either.
    if !cholesky.l_dirty().diagonal().iter().all(|pivot| *pivot > SAFE_PIVOT) {
        return None;
    }
    let mut coefficients = cholesky.solve(&right);
    let mut covariance = cholesky.inverse();
    for k in 0..functions {
        coefficients[k] /= length[k];
        for j in 0..functions {
            covariance[(k, j)] /= length[k] * length[j];
        }
    }
    let of_rows = Leverage { columns: &columns, covariance: &covariance, weights };
    let leverage = pulp::Arch::new().dispatch(of_rows);
    Some(Solution { coefficients, covariance, leverage })
}

/// `XᵀWX` and `XᵀWy`.
struct Normal<'a> {
    columns: &'a [&'a [f64]],
    values: &'a [f64],
    weights: &'a [f64],
}

impl pulp::WithSimd for Normal<'_> {
    type Output = (DMatrix<f64>, DVector<f64>);

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Self::Output {
        let functions = self.columns.len();
        let (mut normal, mut right) = (DMatrix::zeros(functions, functions), DVector::zeros(functions));
        let mut weighted = vec![0.0; self.values.len()];
        for k in 0..functions {
            for ((out, x), w) in weighted.iter_mut().zip(self.columns[k]).zip(self.weights) {
                *out = x * w;
            }
            right[k] = dot(&weighted, self.values);
            for j in 0..=k {
                normal[(k, j)] = dot(&weighted, self.columns[j]);
                normal[(j, k)] = normal[(k, j)];
            }
        }
        (normal, right)
    }
}

/// `W diag(X C Xᵀ)`.
struct Leverage<'a> {
    columns: &'a [&'a [f64]],
    covariance: &'a DMatrix<f64>,
    weights: &'a [f64],
}

impl pulp::WithSimd for Leverage<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Vec<f64> {
        let mut leverage = vec![0.0; self.weights.len()];
        for k in 0..self.columns.len() {
            for j in 0..=k {
                let factor = self.covariance[(k, j)] * if j == k { 1.0 } else { 2.0 };
                for ((sum, x), y) in leverage.iter_mut().zip(self.columns[k]).zip(self.columns[j]) {
                    *sum += factor * x * y;
                }
            }
        }
        for (leverage, w) in leverage.iter_mut().zip(self.weights) {
            *leverage = (*leverage * w).clamp(0.0, 1.0);
        }
        leverage
    }
}

/// In eight partial sums, which the processor takes at once.
#[inline(always)]
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a, b) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a.remainder().iter().zip(b.remainder()).map(|(x, y)| x * y).sum();
    for (a, b) in a.zip(b) {
        for k in 0..8 {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().sum::<f64>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ways_give_the_same_and_dependent_columns_go_the_safe_one() {
        let design =
            DMatrix::from_fn(37, 4, |i, k| (0.1 * i as f64 + 0.3).powi(k as i32) * 10_f64.powi(2 * k as i32));
        let values: Vec<f64> = (0..37).map(|i| (0.7 * i as f64).sin()).collect();
        let weights: Vec<f64> = (0..37).map(|i| if i == 5 { 0.0 } else { 1.0 + (i % 3) as f64 }).collect();
        let fast = by_normal_equations(&design, &values, &weights);
        let solution = solve(&design, &values, &weights).unwrap();
        if let Some(fast) = fast {
            assert!(
                (fast.coefficients - &solution.coefficients).norm() < 1e-9 * solution.coefficients.norm()
            );
        }
        let model = &design * &solution.coefficients;
        for k in 0..4 {
            // The residuals are orthogonal to every function.
            let (mut off, mut size) = (0.0, 0.0);
            for i in 0..37 {
                off += weights[i] * (values[i] - model[i]) * design[(i, k)];
                size += (weights[i] * values[i] * design[(i, k)]).abs();
            }
            assert!(off.abs() < 1e-9 * size, "{k}: {off} of {size}");
        }
        let trace: f64 = solution.leverage.iter().sum();
        assert!((trace - 4.0).abs() < 1e-9, "{trace}");
        let nearly = DMatrix::from_fn(37, 2, |i, k| 6e4 + if k == 0 { 0.0 } else { 1e-3 * i as f64 });
        assert!(by_normal_equations(&nearly, &values, &weights).is_none());
        assert!(solve(&nearly, &values, &weights).is_ok());
    }
}
