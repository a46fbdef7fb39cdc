//! Weighted linear least squares by Householder QR.

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
