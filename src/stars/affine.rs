//! Linear maps between the pixel frames of two exposures.

use nalgebra::{DMatrix, DVector, Matrix2};

/// `(x, y) -> A (x, y) + b`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine {
    pub matrix: [[f64; 2]; 2],
    pub shift: [f64; 2],
}

impl Affine {
    pub fn identity() -> Self {
        Self { matrix: [[1.0, 0.0], [0.0, 1.0]], shift: [0.0, 0.0] }
    }

    pub fn apply(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [[a, b], [c, d]] = self.matrix;
        [a * x + b * y + self.shift[0], c * x + d * y + self.shift[1]]
    }

    /// The map that applies `first`, then `self`.
    pub fn after(&self, first: &Self) -> Self {
        let m = self.linear() * first.linear();
        Self { matrix: [[m[(0, 0)], m[(0, 1)]], [m[(1, 0)], m[(1, 1)]]], shift: self.apply(first.shift) }
    }

    pub fn inverse(&self) -> Option<Self> {
        let m = self.linear().try_inverse()?;
        let back = Self { matrix: [[m[(0, 0)], m[(0, 1)]], [m[(1, 0)], m[(1, 1)]]], shift: [0.0; 2] };
        let [x, y] = back.apply(self.shift);
        Some(Self { shift: [-x, -y], ..back })
    }

    /// Angle by which directions turn, radians, counter-clockwise from +x to +y.
    pub fn rotation(&self) -> f64 {
        let [[a, b], [c, d]] = self.matrix;
        (c - b).atan2(a + d)
    }

    /// Factor by which lengths grow.
    pub fn scale(&self) -> f64 {
        self.linear().determinant().abs().sqrt()
    }

    fn linear(&self) -> Matrix2<f64> {
        let [[a, b], [c, d]] = self.matrix;
        Matrix2::new(a, b, c, d)
    }

    /// Least squares over point pairs, six parameters; `None` for fewer than three pairs or
    /// points on a line.
    pub fn fit(from: &[[f64; 2]], to: &[[f64; 2]]) -> Option<Self> {
        if from.len() < 3 {
            return None;
        }
        let centre = mean(from);
        let design = DMatrix::from_fn(from.len(), 3, |i, j| match j {
            0 => 1.0,
            _ => from[i][j - 1] - centre[j - 1],
        });
        let qr = design.col_piv_qr();
        let solve = |axis: usize| {
            let right = DVector::from_iterator(to.len(), to.iter().map(|p| p[axis]));
            let normal = design_solve(&qr, &right)?;
            Some([normal[0], normal[1], normal[2]])
        };
        let (u, v) = (solve(0)?, solve(1)?);
        let matrix = [[u[1], u[2]], [v[1], v[2]]];
        let shift = [u[0] - u[1] * centre[0] - u[2] * centre[1], v[0] - v[1] * centre[0] - v[2] * centre[1]];
        Some(Self { matrix, shift })
    }

    /// Least squares over point pairs, shift, rotation and scale only; `None` for fewer
    /// than two distinct pairs.
    pub fn fit_similarity(from: &[[f64; 2]], to: &[[f64; 2]]) -> Option<Self> {
        let (cf, ct) = (mean(from), mean(to));
        let (mut dot, mut cross, mut square) = (0.0, 0.0, 0.0);
        for (p, q) in from.iter().zip(to) {
            let (x, y) = (p[0] - cf[0], p[1] - cf[1]);
            let (u, v) = (q[0] - ct[0], q[1] - ct[1]);
            dot += x * u + y * v;
            cross += x * v - y * u;
            square += x * x + y * y;
        }
        if from.len() < 2 || square <= 0.0 {
            return None;
        }
        let (a, b) = (dot / square, cross / square);
        let matrix = [[a, -b], [b, a]];
        let shift = [ct[0] - a * cf[0] + b * cf[1], ct[1] - b * cf[0] - a * cf[1]];
        Some(Self { matrix, shift })
    }
}

fn mean(points: &[[f64; 2]]) -> [f64; 2] {
    let n = points.len().max(1) as f64;
    [points.iter().map(|p| p[0]).sum::<f64>() / n, points.iter().map(|p| p[1]).sum::<f64>() / n]
}

fn design_solve(
    qr: &nalgebra::ColPivQR<f64, nalgebra::Dyn, nalgebra::Dyn>,
    right: &DVector<f64>,
) -> Option<DVector<f64>> {
    let (q, r) = (qr.q(), qr.r());
    let mut solution = r.solve_upper_triangular(&(q.transpose() * right))?;
    qr.p().inv_permute_rows(&mut solution);
    let sane = r.diagonal().iter().all(|d| d.abs() > 1e-9 * r[(0, 0)].abs());
    sane.then_some(solution)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_and_shift_are_found_again() {
        let turn = Affine { matrix: [[0.8, -0.6], [0.6, 0.8]], shift: [30.0, -12.0] };
        let from = [[0.0, 0.0], [100.0, 3.0], [40.0, 70.0], [11.0, 90.0]];
        let to = from.map(|p| turn.apply(p));
        for found in [Affine::fit(&from, &to), Affine::fit_similarity(&from, &to)] {
            let found = found.unwrap();
            for (p, q) in from.iter().zip(&to) {
                let [x, y] = found.apply(*p);
                assert!((x - q[0]).abs() < 1e-9 && (y - q[1]).abs() < 1e-9);
            }
            assert!((found.rotation() - 0.6_f64.atan2(0.8)).abs() < 1e-12);
            let back = found.inverse().unwrap().after(&found);
            assert!((back.matrix[0][0] - 1.0).abs() < 1e-12 && back.shift[0].abs() < 1e-9);
        }
        assert!(Affine::fit(&[[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]], &[[0.0; 2]; 3]).is_none());
    }
}
