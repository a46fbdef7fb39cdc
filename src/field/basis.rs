//! Polynomials in (x, y), orthonormal over the field.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::FieldError;

/// Polynomials of total degree up to `degree`, orthonormal under the mean over a region:
/// `<phi_j phi_k> = delta_jk`. A field `sum c_k phi_k` therefore has the mean `c_0`
/// (the first function is 1) and the mean square `sum c_k^2` over that region.
///
/// Functions are ordered by total degree, so the first `(d+1)(d+2)/2` of them are the
/// basis of degree `d`.
#[derive(Debug, Clone, PartialEq)]
pub struct Basis {
    degree: usize,
    centre: (f64, f64),
    half_width: (f64, f64),
    /// Lower triangular map from Legendre products to the orthonormal functions, at least of this
    /// degree; none where the products are orthonormal already (a rectangle).
    map: Option<DMatrix<f64>>,
}

/// Number of polynomials in two variables of total degree up to `degree`.
pub fn functions_of_degree(degree: usize) -> usize {
    (degree + 1) * (degree + 2) / 2
}

impl Basis {
    /// Over the rectangle `x0..x1`, `y0..y1` (any unit): products of Legendre polynomials.
    pub fn over_rectangle(x0: f64, x1: f64, y0: f64, y1: f64, degree: usize) -> Result<Self, FieldError> {
        let half_width = (0.5 * (x1 - x0), 0.5 * (y1 - y0));
        if !(half_width.0 > 0.0 && half_width.1 > 0.0 && half_width.0.is_finite() && half_width.1.is_finite())
        {
            return Err(FieldError::EmptyRegion { points: 0 });
        }
        Ok(Self { degree, centre: (0.5 * (x0 + x1), 0.5 * (y0 + y1)), half_width, map: None })
    }

    /// Over a region of any shape, given as points that sample it evenly (a grid inside
    /// the overlap of the exposures, say).
    pub fn over_points(points: &[(f64, f64)], degree: usize) -> Result<Self, FieldError> {
        let ones = vec![1.0; points.len()];
        Self::over_weighted_points(points, &ones, degree)
    }

    /// As [`Basis::over_points`], each point standing for an area `weights[i]` of the region.
    pub fn over_weighted_points(
        points: &[(f64, f64)],
        weights: &[f64],
        degree: usize,
    ) -> Result<Self, FieldError> {
        let empty = FieldError::EmptyRegion { points: points.len() };
        if weights.len() != points.len() {
            return Err(FieldError::LengthMismatch {
                what: "the weights of the region",
                found: weights.len(),
                expected: points.len(),
            });
        }
        let total: f64 = weights.iter().sum();
        if !(total > 0.0 && total.is_finite()) || weights.iter().any(|w| *w < 0.0) {
            return Err(empty);
        }
        let (x0, x1) = extent(points.iter().map(|p| p.0));
        let (y0, y1) = extent(points.iter().map(|p| p.1));
        let mut basis = Self::over_rectangle(x0, x1, y0, y1, degree).map_err(|_| empty)?;

        let functions = basis.functions();
        let mut gram = DMatrix::zeros(functions, functions);
        for (&(x, y), &weight) in points.iter().zip(weights) {
            let row = DVector::from_vec(basis.legendre_products(x, y));
            gram.ger(weight / total, &row, &row, 1.0);
        }
        let lower = Cholesky::new(gram).ok_or(FieldError::Singular { functions })?.unpack();
        if lower.diagonal().iter().any(|d| *d < 1e-6) {
            return Err(FieldError::Singular { functions });
        }
        let inverse = lower
            .solve_lower_triangular(&DMatrix::identity(functions, functions))
            .ok_or(FieldError::Singular { functions })?;
        let mut map = inverse;
        map[(0, 0)] = 1.0;
        basis.map = Some(map);
        Ok(basis)
    }

    pub fn degree(&self) -> usize {
        self.degree
    }

    /// Number of functions, `(degree+1)(degree+2)/2`.
    pub fn functions(&self) -> usize {
        functions_of_degree(self.degree)
    }

    /// The same basis cut at a lower degree (or itself, if it has no higher one).
    pub fn truncated(&self, degree: usize) -> Self {
        Self { degree: degree.min(self.degree), ..self.clone() }
    }

    /// The basis of up to `degree` over the same region, as far as it was made so fine: over a
    /// rectangle always, over points up to the degree that it was cut from.
    pub fn refined(&self, degree: usize) -> Self {
        let made =
            |map: &DMatrix<f64>| (0..).take_while(|&d| functions_of_degree(d) <= map.nrows()).count() - 1;
        let finest = self.map.as_ref().map_or(usize::MAX, made);
        Self { degree: degree.clamp(self.degree, finest.max(self.degree)), ..self.clone() }
    }

    /// The functions as sums of Legendre products, functions by products: lower triangular.
    pub fn from_products(&self) -> DMatrix<f64> {
        let functions = self.functions();
        match &self.map {
            None => DMatrix::identity(functions, functions),
            Some(map) => map.view((0, 0), (functions, functions)).lower_triangle(),
        }
    }

    /// Centre and half widths of the rectangle that the Legendre polynomials run over.
    pub(super) fn frame(&self) -> ([f64; 2], [f64; 2]) {
        (self.centre.into(), self.half_width.into())
    }

    /// The values of all functions at (x, y).
    pub fn evaluate(&self, x: f64, y: f64) -> Vec<f64> {
        let products = self.legendre_products(x, y);
        match &self.map {
            None => products,
            Some(map) => {
                (0..products.len()).map(|k| (0..=k).map(|j| map[(k, j)] * products[j]).sum()).collect()
            }
        }
    }

    /// One row of function values for each position.
    pub fn design(&self, xs: &[f64], ys: &[f64]) -> DMatrix<f64> {
        let mut design = DMatrix::zeros(xs.len(), self.functions());
        for (i, (&x, &y)) in xs.iter().zip(ys).enumerate() {
            for (k, value) in self.evaluate(x, y).into_iter().enumerate() {
                design[(i, k)] = value;
            }
        }
        design
    }

    /// Orthonormal Legendre products in coordinates scaled to -1..1, by total degree.
    fn legendre_products(&self, x: f64, y: f64) -> Vec<f64> {
        let (u, v) = ((x - self.centre.0) / self.half_width.0, (y - self.centre.1) / self.half_width.1);
        let mut products = Vec::with_capacity(self.functions());
        let mut products_of = |in_x: &mut [f64], in_y: &mut [f64]| {
            legendre(u, in_x);
            legendre(v, in_y);
            for total in 0..in_x.len() {
                products.extend((0..=total).map(|j| in_x[total - j] * in_y[j]));
            }
        };
        match self.degree {
            0..=USUAL_DEGREE => {
                let (mut in_x, mut in_y) = ([0.0; USUAL_DEGREE + 1], [0.0; USUAL_DEGREE + 1]);
                products_of(&mut in_x[..=self.degree], &mut in_y[..=self.degree]);
            }
            _ => products_of(&mut vec![0.0; self.degree + 1], &mut vec![0.0; self.degree + 1]),
        }
        products
    }
}

/// Up to this degree nothing is put on the heap for the polynomials in one coordinate.
const USUAL_DEGREE: usize = 7;

/// Legendre polynomials with unit mean square on -1..1: `sqrt(2k+1) P_k(u)`, by the three-term
/// recurrence.
fn legendre(u: f64, p: &mut [f64]) {
    for k in 0..p.len() {
        let k_f = k as f64;
        p[k] = match k {
            0 => 1.0,
            1 => u,
            _ => ((2.0 * k_f - 1.0) * u * p[k - 1] - (k_f - 1.0) * p[k - 2]) / k_f,
        };
    }
    p.iter_mut().enumerate().for_each(|(k, value)| *value *= (2.0 * k as f64 + 1.0).sqrt());
}

fn extent(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean_products(basis: &Basis, points: &[(f64, f64)]) -> DMatrix<f64> {
        let mut gram = DMatrix::zeros(basis.functions(), basis.functions());
        for &(x, y) in points {
            let row = DVector::from_vec(basis.evaluate(x, y));
            gram.ger(1.0 / points.len() as f64, &row, &row, 1.0);
        }
        gram
    }

    #[test]
    fn orthonormal_over_an_odd_shape() {
        // A quarter disc far from the origin.
        let points: Vec<(f64, f64)> = (0..60)
            .flat_map(|i| (0..60).map(move |j| (i as f64, j as f64)))
            .filter(|(x, y)| x.hypot(*y) < 55.0)
            .map(|(x, y)| (4000.0 + x, -3000.0 + 2.0 * y))
            .collect();
        let basis = Basis::over_points(&points, 4).unwrap();
        let gram = mean_products(&basis, &points);
        assert!((gram - DMatrix::identity(15, 15)).amax() < 1e-10);
        assert_eq!(basis.evaluate(4010.0, -2990.0)[0], 1.0);
        let cut = basis.truncated(2);
        assert_eq!(cut.evaluate(4010.0, -2990.0), basis.evaluate(4010.0, -2990.0)[..6].to_vec());
        assert_eq!(cut.refined(9), basis);
    }

    #[test]
    fn orthonormal_over_a_rectangle() {
        // Gauss-Legendre nodes of order 6 integrate the products of degree 4 exactly.
        let nodes = [0.238619186083197, 0.661209386466265, 0.932469514203152];
        let weights = [0.467913934572691, 0.360761573048139, 0.171324492379170];
        let basis = Basis::over_rectangle(100.0, 300.0, -50.0, 50.0, 4).unwrap();
        let mut gram = DMatrix::zeros(15, 15);
        for (u, wu) in nodes.iter().zip(weights).flat_map(|(n, w)| [(*n, w), (-n, w)]) {
            for (v, wv) in nodes.iter().zip(weights).flat_map(|(n, w)| [(*n, w), (-n, w)]) {
                let row = DVector::from_vec(basis.evaluate(200.0 + 100.0 * u, 50.0 * v));
                gram.ger(0.25 * wu * wv, &row, &row, 1.0);
            }
        }
        assert!((gram - DMatrix::identity(15, 15)).amax() < 1e-12);
    }

    #[test]
    fn a_line_is_no_region() {
        let points: Vec<(f64, f64)> = (0..50).map(|i| (i as f64, 3.0)).collect();
        assert!(matches!(Basis::over_points(&points, 1), Err(FieldError::EmptyRegion { points: 50 })));
        let slanted: Vec<(f64, f64)> = (0..50).map(|i| (i as f64, 3.0 * i as f64)).collect();
        assert!(matches!(Basis::over_points(&slanted, 1), Err(FieldError::Singular { functions: 3 })));
        assert!(Basis::over_points(&[], 0).is_err());
    }
}
