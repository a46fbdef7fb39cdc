//! The estimating equations behind every moment, and what pixel noise does to them.
//!
//! Each set of moments solves `F(θ) = Σ_i I_i ψ(r_i; θ) = 0`, linear in the pixels
//! `I`. With `θ = (x, y, Mxx, Mxy, Myy, ...)`, `d = r - (x, y)` and weight `W`,
//!
//! - rows 0, 1: `ψ = W d` (the weighted centroid),
//! - rows 2 to 4: `ψ = W (d dᵀ - a M)`, where the adaptive weight
//!   `W = exp(-½ dᵀ M⁻¹ d)` has `a = ½` (Bernstein & Jarvis 2002, AJ 123, 583; Hirata &
//!   Seljak 2003, MNRAS 343, 459) and the fixed circular weight `exp(-½ d²/σ²)` has `a = 1`,
//! - rows 5 to 9, where asked for: `ψ = W (q(u) - m)` with `u = N^(-½) d`, the spin-1 and
//!   spin-3 third moments and the fourth radial one; `N = M` under the adaptive weight and
//!   `2 M` under a fixed one, so that both agree where the weight is matched.
//!
//! For noise of variance `v_i`, expanding `F` to second order gives (derivation in the
//! comments of [`Solution::noise`]) the covariance `J⁻¹ V J⁻ᵀ` and the bias that is
//! subtracted. Blurring the image by a small jitter tensor changes `F` by half its second
//! derivative with respect to the centre, which gives the response to jitter.

use nalgebra::{Matrix2, SMatrix, SVector};

/// Steps of the finite differences, as a share of the natural scale of a parameter.
/// Truncation is of the order of its square, rounding of 1e-16 over its square.
const DIFFERENCE_STEP: f64 = 1e-3;

/// Newton steps before a fit is given up.
const MAX_STEPS: usize = 60;

/// The weight under which moments are taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weight {
    /// The elliptical Gaussian that matches the image.
    Adaptive,
    /// A circular Gaussian of this sigma, pixels.
    Fixed(f64),
}

/// One pixel of a cut-out: position relative to the cut-out's centre (pixels), value, variance.
#[derive(Debug, Clone, Copy)]
pub struct Pixel {
    pub x: f64,
    pub y: f64,
    pub value: f64,
    pub variance: f64,
}

/// Why a set of moments could not be had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MomentError {
    #[error("the iteration did not settle")]
    NotConverged,
    #[error("the weighted flux is not positive")]
    NoFlux,
    #[error("the image is wider or further off-centre than its cut-out allows")]
    OutOfCutout,
    #[error("masked pixels carry too much of the weight")]
    Masked,
}

/// `θ`, its covariance and bias, and its response to jitter, for `N` parameters.
#[derive(Debug, Clone)]
pub struct Noise<const N: usize> {
    pub covariance: SMatrix<f64, N, N>,
    pub bias: SVector<f64, N>,
    /// `dθ/dJxx` and `dθ/dJyy`, per pixel².
    pub jitter_response: [SVector<f64, N>; 2],
}

/// Everything in `ψ` that depends on `θ` but not on the pixel.
struct Prepared<const N: usize> {
    theta: SVector<f64, N>,
    /// Inverse of the weight's covariance.
    precision: Matrix2<f64>,
    /// `N^(-½)`.
    normalise: Matrix2<f64>,
    a: f64,
}

impl<const N: usize> Prepared<N> {
    fn new(theta: &SVector<f64, N>, weight: Weight) -> Option<Self> {
        let m = Matrix2::new(theta[2], theta[3], theta[3], theta[4]);
        let (precision, scale, a) = match weight {
            Weight::Adaptive => (m.try_inverse()?, 1.0, 0.5),
            Weight::Fixed(sigma) => (Matrix2::identity() / (sigma * sigma), 2.0, 1.0),
        };
        let normalise = if N > 5 { inverse_square_root(&(m * scale))? } else { Matrix2::identity() };
        Some(Self { theta: *theta, precision, normalise, a })
    }

    #[inline]
    fn offset(&self, p: &Pixel) -> (f64, f64) {
        (p.x - self.theta[0], p.y - self.theta[1])
    }

    #[inline]
    fn weight(&self, dx: f64, dy: f64) -> f64 {
        let q = self.precision[(0, 0)] * dx * dx
            + 2.0 * self.precision[(0, 1)] * dx * dy
            + self.precision[(1, 1)] * dy * dy;
        (-0.5 * q).exp()
    }

    #[inline]
    fn psi(&self, p: &Pixel) -> SVector<f64, N> {
        let (dx, dy) = self.offset(p);
        let w = self.weight(dx, dy);
        let t = &self.theta;
        let mut psi = SVector::<f64, N>::zeros();
        psi[0] = w * dx;
        psi[1] = w * dy;
        psi[2] = w * (dx * dx - self.a * t[2]);
        psi[3] = w * (dx * dy - self.a * t[3]);
        psi[4] = w * (dy * dy - self.a * t[4]);
        if N > 5 {
            for (k, q) in higher_polynomials(&self.normalise, dx, dy).into_iter().enumerate() {
                psi[5 + k] = w * (q - t[5 + k]);
            }
        }
        psi
    }

    fn sum(&self, pixels: &[Pixel]) -> SVector<f64, N> {
        pixels.iter().fold(SVector::zeros(), |f, p| f + self.psi(p) * p.value)
    }
}

/// `coma1, coma2, trefoil1, trefoil2, kurtosis` polynomials at offset `d`.
#[inline]
fn higher_polynomials(normalise: &Matrix2<f64>, dx: f64, dy: f64) -> [f64; 5] {
    let u = normalise[(0, 0)] * dx + normalise[(0, 1)] * dy;
    let v = normalise[(1, 0)] * dx + normalise[(1, 1)] * dy;
    let r2 = u * u + v * v;
    [u * r2, v * r2, u * (u * u - 3.0 * v * v), v * (3.0 * u * u - v * v), r2 * r2]
}

/// `A^(-½)` of a symmetric positive-definite matrix: `(A + √det I) / √(tr + 2 √det)` is its root.
fn inverse_square_root(a: &Matrix2<f64>) -> Option<Matrix2<f64>> {
    let det = a.determinant();
    if det.is_nan() || det <= 0.0 || a[(0, 0)] <= 0.0 {
        return None;
    }
    let root_det = det.sqrt();
    let root = (a + Matrix2::identity() * root_det) / (a.trace() + 2.0 * root_det).sqrt();
    root.try_inverse()
}

/// A solved set of moments.
#[derive(Debug, Clone)]
pub struct Solution<const N: usize> {
    pub theta: SVector<f64, N>,
    pub weight: Weight,
    /// `Σ W I` and its variance.
    pub weighted_flux: f64,
    pub weighted_flux_variance: f64,
    jacobian_inverse: SMatrix<f64, N, N>,
}

/// Solves the estimating equations for the centre and second moments, from a first guess
/// `[x, y, Mxx, Mxy, Myy]` (pixels, pixels²). `reach` is the half-width of the cut-out.
pub fn solve_second(
    pixels: &[Pixel],
    weight: Weight,
    guess: [f64; 5],
    reach: f64,
) -> Result<Solution<5>, MomentError> {
    let mut theta = SVector::<f64, 5>::from(guess);
    for step in 0..MAX_STEPS {
        let next = match weight {
            // The closed step is exact for a Gaussian and brings any sane start near.
            Weight::Adaptive if step < 6 => closed_step(pixels, &theta)?,
            _ => newton_step(pixels, weight, &theta)?,
        };
        let scale = (next[2] + next[4]).max(1e-6);
        let change = (next - theta).abs();
        theta = next;
        if theta[0].abs() > 0.5 * reach || theta[1].abs() > 0.5 * reach {
            return Err(MomentError::OutOfCutout);
        }
        let settled = change[0].max(change[1]) < 1e-9 * scale.sqrt()
            && change[2].max(change[3]).max(change[4]) < 1e-9 * scale;
        if settled && step > 0 {
            return finish(pixels, weight, theta);
        }
    }
    Err(MomentError::NotConverged)
}

/// `M⁻¹ ← m⁻¹ - M⁻¹` with `m` the weighted second moment, which has the adaptive fixed
/// point and is exact in one step for a noiseless Gaussian; where that is not positive
/// definite, the slower `M ← 2 m`.
fn closed_step(pixels: &[Pixel], theta: &SVector<f64, 5>) -> Result<SVector<f64, 5>, MomentError> {
    let prepared = Prepared::new(theta, Weight::Adaptive).ok_or(MomentError::NotConverged)?;
    let (mut b, mut first, mut second) = (0.0, [0.0; 2], [0.0; 3]);
    for p in pixels {
        let (dx, dy) = prepared.offset(p);
        let wi = prepared.weight(dx, dy) * p.value;
        b += wi;
        first[0] += wi * dx;
        first[1] += wi * dy;
        second[0] += wi * dx * dx;
        second[1] += wi * dx * dy;
        second[2] += wi * dy * dy;
    }
    if b.is_nan() || b <= 0.0 {
        return Err(MomentError::NoFlux);
    }
    let (mx, my) = (first[0] / b, first[1] / b);
    let m = Matrix2::new(
        second[0] / b - mx * mx,
        second[1] / b - mx * my,
        second[1] / b - mx * my,
        second[2] / b - my * my,
    );
    let deweighted = m
        .try_inverse()
        .and_then(|inverse| (inverse - prepared.precision).try_inverse())
        .filter(|n| n.determinant() > 0.0 && n[(0, 0)] > 0.0 && n.trace() < 4.0 * (theta[2] + theta[4]));
    let new = deweighted.unwrap_or(m * 2.0);
    if new.determinant().is_nan() || new.determinant() <= 0.0 || new[(0, 0)] <= 0.0 {
        return Err(MomentError::NotConverged);
    }
    Ok(SVector::from([theta[0] + 2.0 * mx, theta[1] + 2.0 * my, new[(0, 0)], new[(0, 1)], new[(1, 1)]]))
}

fn newton_step(
    pixels: &[Pixel],
    weight: Weight,
    theta: &SVector<f64, 5>,
) -> Result<SVector<f64, 5>, MomentError> {
    let prepared = Prepared::new(theta, weight).ok_or(MomentError::NotConverged)?;
    let f = prepared.sum(pixels);
    let j = jacobian(pixels, weight, theta).ok_or(MomentError::NotConverged)?;
    let mut delta = -(j.try_inverse().ok_or(MomentError::NotConverged)? * f);
    let scale = match weight {
        Weight::Adaptive => (0.5 * (theta[2] + theta[4])).abs().sqrt(),
        Weight::Fixed(sigma) => sigma,
    };
    // No step further than half the width: Newton far from the root overshoots.
    let longest = (delta[0].abs().max(delta[1].abs()) / (0.5 * scale))
        .max(delta.fixed_rows::<3>(2).abs().max() / (0.5 * scale * scale));
    if !longest.is_finite() {
        return Err(MomentError::NotConverged);
    }
    if longest > 1.0 {
        delta /= longest;
    }
    Ok(theta + delta)
}

fn finish(pixels: &[Pixel], weight: Weight, theta: SVector<f64, 5>) -> Result<Solution<5>, MomentError> {
    let m = Matrix2::new(theta[2], theta[3], theta[3], theta[4]);
    if m.determinant().is_nan() || m.determinant() <= 0.0 || m[(0, 0)] <= 0.0 {
        return Err(MomentError::NotConverged);
    }
    Solution::new(pixels, weight, theta)
}

/// Natural scale of each parameter, for the finite differences.
fn scales<const N: usize>(theta: &SVector<f64, N>, weight: Weight) -> SVector<f64, N> {
    let t = match weight {
        Weight::Adaptive => 0.5 * (theta[2] + theta[4]).abs(),
        Weight::Fixed(sigma) => sigma * sigma,
    };
    SVector::from_fn(|k, _| match k {
        0 | 1 => t.sqrt(),
        2..=4 => t,
        _ => 1.0,
    })
}

/// `∂F/∂θ` by central differences.
fn jacobian<const N: usize>(
    pixels: &[Pixel],
    weight: Weight,
    theta: &SVector<f64, N>,
) -> Option<SMatrix<f64, N, N>> {
    let scale = scales(theta, weight);
    let mut j = SMatrix::<f64, N, N>::zeros();
    for l in 0..N {
        let mut step = SVector::<f64, N>::zeros();
        step[l] = 0.1 * DIFFERENCE_STEP * scale[l];
        let plus = Prepared::new(&(theta + step), weight)?.sum(pixels);
        let minus = Prepared::new(&(theta - step), weight)?.sum(pixels);
        j.set_column(l, &((plus - minus) / (2.0 * step[l])));
    }
    Some(j)
}

impl<const N: usize> Solution<N> {
    fn new(pixels: &[Pixel], weight: Weight, theta: SVector<f64, N>) -> Result<Self, MomentError> {
        let prepared = Prepared::new(&theta, weight).ok_or(MomentError::NotConverged)?;
        let (mut flux, mut variance) = (0.0, 0.0);
        for p in pixels {
            let (dx, dy) = prepared.offset(p);
            let w = prepared.weight(dx, dy);
            flux += w * p.value;
            variance += w * w * p.variance;
        }
        if flux.is_nan() || flux <= 0.0 {
            return Err(MomentError::NoFlux);
        }
        let jacobian_inverse = jacobian(pixels, weight, &theta)
            .and_then(|j| j.try_inverse())
            .ok_or(MomentError::NotConverged)?;
        Ok(Self { theta, weight, weighted_flux: flux, weighted_flux_variance: variance, jacobian_inverse })
    }

    /// Sum of the weight times the model `W` over the pixels, to turn the weighted flux
    /// into a flux: `Σ W`.
    pub fn weight_at(&self, x: f64, y: f64) -> f64 {
        Prepared::new(&self.theta, self.weight).map_or(0.0, |p| {
            let (dx, dy) = (x - self.theta[0], y - self.theta[1]);
            p.weight(dx, dy)
        })
    }

    /// Covariance, noise bias and jitter response.
    ///
    /// With pixels `I + n` and `θ + δ`, `0 = Σ n ψ + J δ + Σ n ∂ψ·δ + ½ δᵀHδ`. First
    /// order: `δ₁ = -J⁻¹ Σ n ψ`, so `C = J⁻¹ (Σ v ψ ψᵀ) J⁻ᵀ`. Second order:
    /// `E δ₂ = -J⁻¹ ( -Σ v ∂ψ·(J⁻¹ψ) + ½ H:C )`. The first sum is a derivative of each
    /// pixel's own ψ along `J⁻¹ψ`, the second a sum of second derivatives along the columns
    /// of a root of `C`: both by central differences.
    pub fn noise(&self, pixels: &[Pixel]) -> Option<Noise<N>> {
        let here = Prepared::new(&self.theta, self.weight)?;
        let scale = scales(&self.theta, self.weight);
        let mut v = SMatrix::<f64, N, N>::zeros();
        let mut along = SVector::<f64, N>::zeros();
        for p in pixels {
            let psi = here.psi(p);
            v += psi * psi.transpose() * p.variance;
            let direction = self.jacobian_inverse * psi;
            let length = direction.component_div(&scale).norm();
            if length > 0.0 {
                let step = direction * (DIFFERENCE_STEP / length);
                let plus = Prepared::new(&(self.theta + step), self.weight)?.psi(p);
                let minus = Prepared::new(&(self.theta - step), self.weight)?.psi(p);
                along += (plus - minus) * (p.variance * length / (2.0 * DIFFERENCE_STEP));
            }
        }
        let covariance = self.jacobian_inverse * v * self.jacobian_inverse.transpose();
        let f0 = here.sum(pixels);
        let second = |direction: &SVector<f64, N>| -> Option<SVector<f64, N>> {
            let length = direction.component_div(&scale).norm();
            if length == 0.0 {
                return Some(SVector::zeros());
            }
            let step = direction * (DIFFERENCE_STEP / length);
            let plus = Prepared::new(&(self.theta + step), self.weight)?.sum(pixels);
            let minus = Prepared::new(&(self.theta - step), self.weight)?.sum(pixels);
            Some((plus + minus - f0 * 2.0) * (length / DIFFERENCE_STEP).powi(2))
        };
        let mut curvature = SVector::<f64, N>::zeros();
        for column in root(&covariance)?.column_iter() {
            curvature += second(&column.into_owned())?;
        }
        let bias = -(self.jacobian_inverse * (curvature * 0.5 - along));
        let mut jitter_response = [SVector::<f64, N>::zeros(); 2];
        for (k, response) in jitter_response.iter_mut().enumerate() {
            let mut axis = SVector::<f64, N>::zeros();
            axis[k] = 1.0;
            *response = -(self.jacobian_inverse * second(&axis)? * 0.5);
        }
        Some(Noise { covariance, bias, jitter_response })
    }
}

/// A matrix `R` with `R Rᵀ = C`, from the eigenvectors: `C` may be singular.
fn root<const N: usize>(c: &SMatrix<f64, N, N>) -> Option<SMatrix<f64, N, N>> {
    let dynamic = nalgebra::DMatrix::from_fn(N, N, |i, j| 0.5 * (c[(i, j)] + c[(j, i)]));
    if dynamic.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let eigen = dynamic.symmetric_eigen();
    Some(SMatrix::from_fn(|i, j| eigen.eigenvectors[(i, j)] * eigen.eigenvalues[j].max(0.0).sqrt()))
}

/// Adds the third and fourth moments to solved second moments: they are explicit once the
/// centre and `M` are known.
pub fn with_higher(pixels: &[Pixel], second: &Solution<5>) -> Result<Solution<10>, MomentError> {
    let mut theta = SVector::<f64, 10>::zeros();
    theta.fixed_rows_mut::<5>(0).copy_from(&second.theta);
    let prepared = Prepared::new(&theta, second.weight).ok_or(MomentError::NotConverged)?;
    let mut sums = [0.0; 5];
    for p in pixels {
        let (dx, dy) = prepared.offset(p);
        let wi = prepared.weight(dx, dy) * p.value;
        for (sum, q) in sums.iter_mut().zip(higher_polynomials(&prepared.normalise, dx, dy)) {
            *sum += wi * q;
        }
    }
    for (k, sum) in sums.into_iter().enumerate() {
        theta[5 + k] = sum / second.weighted_flux;
    }
    Solution::new(pixels, second.weight, theta)
}
