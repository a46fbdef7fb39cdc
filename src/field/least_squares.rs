//! Weighted linear least squares: by the normal equations where they lose no digits, which is several
//! times as fast, otherwise by Householder QR.

use nalgebra::{DMatrix, DVector};

use super::FieldError;

/// The solution of a weighted linear least-squares problem.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    pub coefficients: DVector<f64>,
    /// Upper triangular `S` with `S S^T = (X^T W X)^-1`.
    root: DMatrix<f64>,
}

impl Solution {
    /// `(X^T W X)^-1`: the covariance where the weights are inverse variances.
    pub fn covariance(&self) -> DMatrix<f64> {
        &self.root * self.root.transpose()
    }

    /// Diagonal of the hat matrix, one a row of the design that was solved with these weights.
    pub fn leverages(&self, design: &DMatrix<f64>, weights: &[f64]) -> Vec<f64> {
        let mut leverages = vec![0.0; design.nrows()];
        let columns = columns(design);
        pulp::Arch::new().dispatch(Leverages {
            columns: &columns,
            root: &self.root,
            weights,
            leverages: &mut leverages,
        });
        leverages
    }
}

fn columns(design: &DMatrix<f64>) -> Vec<&[f64]> {
    design.as_slice().chunks_exact(design.nrows().max(1)).collect()
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
    let mut root = r.solve_upper_triangular(&DMatrix::identity(functions, functions)).ok_or(singular)?;
    for (k, length) in length.iter().enumerate() {
        coefficients[k] /= length;
        root.row_mut(k).unscale_mut(*length);
    }
    Ok(Solution { coefficients, root })
}

/// None where the columns are too nearly dependent.
fn by_normal_equations(design: &DMatrix<f64>, values: &[f64], weights: &[f64]) -> Option<Solution> {
    let (rows, functions) = design.shape();
    let columns = columns(design);
    let mut weighted = vec![0.0; rows];
    let mut normal = DMatrix::zeros(functions, functions);
    let mut right = DVector::zeros(functions);
    pulp::Arch::new().dispatch(Normal {
        columns: &columns,
        values,
        weights,
        weighted: &mut weighted,
        normal: &mut normal,
        right: &mut right,
    });
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
    let mut root =
        cholesky.l_dirty().solve_lower_triangular(&DMatrix::identity(functions, functions))?.transpose();
    for (k, length) in length.iter().enumerate() {
        coefficients[k] /= length;
        root.row_mut(k).unscale_mut(*length);
    }
    Some(Solution { coefficients, root })
}

/// The normal matrix and its right side. A type with a call that is always inlined: a closure may be
/// compiled by itself, without the instructions that were chosen.
struct Normal<'a> {
    columns: &'a [&'a [f64]],
    values: &'a [f64],
    weights: &'a [f64],
    weighted: &'a mut [f64],
    normal: &'a mut DMatrix<f64>,
    right: &'a mut DVector<f64>,
}

impl pulp::NullaryFnOnce for Normal<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { columns, values, weights, weighted, normal, right } = self;
        for k in 0..columns.len() {
            for ((out, x), w) in weighted.iter_mut().zip(columns[k]).zip(weights) {
                *out = x * w;
            }
            right[k] = dot(weighted, values);
            let mut j = 0;
            while j + 4 <= k + 1 {
                let four = [columns[j], columns[j + 1], columns[j + 2], columns[j + 3]];
                let found = four_dots(weighted, four);
                for l in 0..4 {
                    normal[(k, j + l)] = found[l];
                }
                j += 4;
            }
            for j in j..=k {
                normal[(k, j)] = dot(weighted, columns[j]);
            }
            for j in 0..k {
                normal[(j, k)] = normal[(k, j)];
            }
        }
    }
}

/// The diagonal of the hat matrix.
struct Leverages<'a> {
    columns: &'a [&'a [f64]],
    root: &'a DMatrix<f64>,
    weights: &'a [f64],
    leverages: &'a mut [f64],
}

impl pulp::NullaryFnOnce for Leverages<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (block, leverages) in self.leverages.chunks_mut(BLOCK).enumerate() {
            add_squares(self.columns, self.root, block * BLOCK, leverages);
        }
        for (leverage, w) in self.leverages.iter_mut().zip(self.weights) {
            *leverage = (*leverage * w).clamp(0.0, 1.0);
        }
    }
}

/// Rows whose leverages are summed at once, in registers.
const BLOCK: usize = 32;

/// `|S^T x|^2` of the rows from `first` on.
#[inline(always)]
fn add_squares(columns: &[&[f64]], root: &DMatrix<f64>, first: usize, squares: &mut [f64]) {
    let count = squares.len();
    for k in 0..columns.len() {
        let mut sums = [0.0; BLOCK];
        for j in 0..=k {
            let factor = root[(j, k)];
            let column = &columns[j][first..first + count];
            if let Ok(column) = <&[f64; BLOCK]>::try_from(column) {
                for i in 0..BLOCK {
                    sums[i] = factor.mul_add(column[i], sums[i]);
                }
            } else {
                for i in 0..count {
                    sums[i] = factor.mul_add(column[i], sums[i]);
                }
            }
        }
        for i in 0..count {
            squares[i] = sums[i].mul_add(sums[i], squares[i]);
        }
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
            sums[k] = a[k].mul_add(b[k], sums[k]);
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// The same with four columns at once, so that no sum waits for the one before.
#[inline(always)]
fn four_dots(a: &[f64], columns: [&[f64]; 4]) -> [f64; 4] {
    let mut sums = [[0.0; 8]; 4];
    let whole = a.len() / 8 * 8;
    let [b, c, d, e] = columns.map(|column| column[..whole].chunks_exact(8));
    for ((((a, b), c), d), e) in a[..whole].chunks_exact(8).zip(b).zip(c).zip(d).zip(e) {
        for k in 0..8 {
            sums[0][k] = a[k].mul_add(b[k], sums[0][k]);
            sums[1][k] = a[k].mul_add(c[k], sums[1][k]);
            sums[2][k] = a[k].mul_add(d[k], sums[2][k]);
            sums[3][k] = a[k].mul_add(e[k], sums[3][k]);
        }
    }
    let mut found = sums.map(|sums| sums.iter().sum::<f64>());
    for (found, column) in found.iter_mut().zip(columns) {
        *found += dot(&a[whole..], &column[whole..]);
    }
    found
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
        let trace: f64 = solution.leverages(&design, &weights).iter().sum();
        assert!((trace - 4.0).abs() < 1e-9, "{trace}");
        let nearly = DMatrix::from_fn(37, 2, |i, k| 6e4 + if k == 0 { 0.0 } else { 1e-3 * i as f64 });
        assert!(by_normal_equations(&nearly, &values, &weights).is_none());
        assert!(solve(&nearly, &values, &weights).is_ok());
    }
}
