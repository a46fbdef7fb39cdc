//! What pixel noise does to solved moments: their covariance and their bias.
//!
//! With pixels `I + n`, noise of variance `v`, and the solution moved to `θ + δ`,
//! `0 = Σ n ψ + J δ + Σ n ∂ψ·δ + ½ δᵀHδ`. First order: `δ₁ = -J⁻¹ Σ n ψ`, so the covariance is
//! `C = J⁻¹ (Σ v ψ ψᵀ) J⁻ᵀ`. Second order: `E δ₂ = -J⁻¹ (½ H:C - Σ v ∂ψ·(J⁻¹ψ))`.
//!
//! All derivatives are those of `ψ = W φ`, whose parts depend on `θ` as follows. With `P`
//! the inverse of the weight's covariance, `g = P d`, and for each parameter the vector `c`
//! with `c = (1, 0), (0, 1)` for the centre and `(gx, 0), (gy, gx), (0, gy)` for `Mxx`, `Mxy`,
//! `Myy` of an adaptive weight (zero for a fixed one),
//!
//! - `∂ ln W = L = (gx, gy, ½ gx², gx gy, ½ gy²)`, the last three only if adaptive;
//! - `∂ₗ∂ₘ ln W = -cₗᵀ P cₘ`, from `∂M⁻¹ = -M⁻¹ ∂M M⁻¹`;
//! - `C:∂²(Wφ) = W [(LᵀCL + C:∂²ln W) φ + 2 ∂φ·(CL) + C:∂²φ]`.

use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

use super::estimating::{Solution, Weight};
use super::pixels::{Gaussian, Pixels};

/// `θ`'s covariance and bias, for `N` parameters.
#[derive(Debug, Clone)]
pub struct Noise<const N: usize> {
    pub covariance: SMatrix<f64, N, N>,
    pub bias: SVector<f64, N>,
}

impl<const N: usize> Solution<N> {
    /// Covariance and noise bias; `None` where they are not finite.
    pub fn noise(&self, pixels: &Pixels) -> Option<Noise<N>> {
        let psi = Psi::new(&self.theta, self.weight)?;
        let inverse = &self.jacobian_inverse;
        let mut v = SMatrix::<f64, N, N>::zeros();
        let mut along = SVector::<f64, N>::zeros();
        pixels.for_each_weighted(&psi.weight, |dx, dy, w, _, variance| {
            let here = psi.at(dx, dy);
            let power = w * w * variance;
            v.ger(power, &here.phi, &here.phi, 1.0);
            let direction = inverse * here.phi;
            let change = here.phi * here.slope_along(&direction) + psi.phi_along(&here, &direction);
            along += change * power;
        });
        let covariance = inverse * v * inverse.transpose();
        if covariance.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let spread = Spread::new(&psi, &covariance);
        let mut curvature = SVector::<f64, N>::zeros();
        pixels.for_each_weighted(&psi.weight, |dx, dy, w, value, _| {
            curvature += psi.curvature(&psi.at(dx, dy), &spread) * (w * value);
        });
        let bias = -(inverse * (curvature * 0.5 - along));
        Some(Noise { covariance, bias })
    }
}

/// `ψ` and its derivatives at one `θ`.
pub(super) struct Psi<const N: usize> {
    theta: SVector<f64, N>,
    weight: Gaussian,
    adaptive: bool,
    a: f64,
    /// For the higher moments.
    root: InverseRoot,
}

/// `φ` and first derivatives at one pixel.
pub(super) struct Here<const N: usize> {
    d: Vector2<f64>,
    phi: SVector<f64, N>,
    /// `∂ ln W / ∂θ` for centre and `M`.
    slope: SVector<f64, 5>,
    /// The vectors `c` of centre and `M`.
    c: [Vector2<f64>; 5],
    u: Vector2<f64>,
}

impl<const N: usize> Here<N> {
    fn slope_along(&self, direction: &SVector<f64, N>) -> f64 {
        self.slope.dot(&direction.fixed_rows::<5>(0))
    }
}

impl<const N: usize> Psi<N> {
    pub(super) fn new(theta: &SVector<f64, N>, weight: Weight) -> Option<Self> {
        let adaptive = weight == Weight::Adaptive;
        let m = [theta[2], theta[3], theta[4]];
        let root = if N > 5 {
            InverseRoot::new(m, if adaptive { 1.0 } else { 2.0 })?
        } else {
            InverseRoot::default()
        };
        Some(Self { theta: *theta, weight: weight.at(theta)?, adaptive, a: weight.a(), root })
    }

    #[inline]
    fn at(&self, dx: f64, dy: f64) -> Here<N> {
        let t = &self.theta;
        let &Gaussian { pxx, pxy, pyy, .. } = &self.weight;
        let d = Vector2::new(dx, dy);
        let mut phi = SVector::<f64, N>::zeros();
        phi[0] = dx;
        phi[1] = dy;
        phi[2] = dx * dx - self.a * t[2];
        phi[3] = dx * dy - self.a * t[3];
        phi[4] = dy * dy - self.a * t[4];
        let mut u = Vector2::zeros();
        if N > 5 {
            u = self.root.value * d;
            for (k, q) in polynomials(u).into_iter().enumerate() {
                phi[5 + k] = q - t[5 + k];
            }
        }
        let (gx, gy) = (pxx * dx + pxy * dy, pxy * dx + pyy * dy);
        let mut slope = SVector::from([gx, gy, 0.0, 0.0, 0.0]);
        let mut c = [Vector2::x(), Vector2::y(), Vector2::zeros(), Vector2::zeros(), Vector2::zeros()];
        if self.adaptive {
            (slope[2], slope[3], slope[4]) = (0.5 * gx * gx, gx * gy, 0.5 * gy * gy);
            (c[2], c[3], c[4]) = (Vector2::new(gx, 0.0), Vector2::new(gy, gx), Vector2::new(0.0, gy));
        }
        Here { d, phi, slope, c, u }
    }

    /// `∂φ·t`.
    #[inline]
    fn phi_along(&self, here: &Here<N>, t: &SVector<f64, N>) -> SVector<f64, N> {
        let (dx, dy) = (here.d.x, here.d.y);
        let mut change = SVector::<f64, N>::zeros();
        change[0] = -t[0];
        change[1] = -t[1];
        change[2] = -2.0 * dx * t[0] - self.a * t[2];
        change[3] = -dy * t[0] - dx * t[1] - self.a * t[3];
        change[4] = -2.0 * dy * t[1] - self.a * t[4];
        if N > 5 {
            let du =
                self.root.along([t[2], t[3], t[4]]) * here.d - self.root.value * Vector2::new(t[0], t[1]);
            for (k, gradient) in gradients(here.u).into_iter().enumerate() {
                change[5 + k] = gradient.dot(&du) - t[5 + k];
            }
        }
        change
    }

    /// `C:∂²(Wφ) / W`.
    #[inline]
    fn curvature(&self, here: &Here<N>, spread: &Spread<N>) -> SVector<f64, N> {
        let c = &spread.covariance;
        let corner = c.fixed_view::<5, 5>(0, 0);
        let along = corner * here.slope;
        let turned = square(&corner.into_owned(), &here.c);
        let &Gaussian { pxx, pxy, pyy, .. } = &self.weight;
        let bend = pxx * turned[(0, 0)] + 2.0 * pxy * turned[(0, 1)] + pyy * turned[(1, 1)];
        // C L reaches the higher moments' own rows too, through their covariance with θ₀..₄.
        let lifted: SVector<f64, N> = c.fixed_view::<N, 5>(0, 0) * here.slope;
        let mut sum = here.phi * (along.dot(&here.slope) - bend) + self.phi_along(here, &lifted) * 2.0;
        sum[2] += 2.0 * c[(0, 0)];
        sum[3] += 2.0 * c[(0, 1)];
        sum[4] += 2.0 * c[(1, 1)];
        if N > 5 {
            let root = &self.root;
            let du = [
                -root.value.column(0).into_owned(),
                -root.value.column(1).into_owned(),
                root.first[0] * here.d,
                root.first[1] * here.d,
                root.first[2] * here.d,
            ];
            let square_u = square(&corner.into_owned(), &du);
            let second_u = spread.root_second * here.d + spread.root_mixed;
            let both = gradients(here.u).into_iter().zip(hessians(here.u));
            for (k, (gradient, hessian)) in both.enumerate() {
                sum[5 + k] += gradient.dot(&second_u) + hessian.dot(&square_u);
            }
        }
        sum
    }

    /// `F = Σ I ψ`.
    pub(super) fn sum(&self, pixels: &Pixels) -> SVector<f64, N> {
        let mut sum = SVector::<f64, N>::zeros();
        pixels
            .for_each_weighted(&self.weight, |dx, dy, w, value, _| sum += self.at(dx, dy).phi * (w * value));
        sum
    }

    /// `J = ∂F/∂θ`.
    pub(super) fn jacobian(&self, pixels: &Pixels) -> SMatrix<f64, N, N> {
        let mut j = SMatrix::<f64, N, N>::zeros();
        let mut flux = 0.0;
        pixels.for_each_weighted(&self.weight, |dx, dy, w, value, _| {
            let here = self.at(dx, dy);
            for l in 0..5 {
                let unit = SVector::<f64, N>::from_fn(|k, _| f64::from(k == l));
                let change = here.phi * here.slope[l] + self.phi_along(&here, &unit);
                j.column_mut(l).axpy(w * value, &change, 1.0);
            }
            flux += w * value;
        });
        for k in 5..N {
            j[(k, k)] = -flux;
        }
        j
    }
}

/// A covariance `C` of `θ`, and what it makes of the second derivatives of `u = N^(-½) d`.
struct Spread<const N: usize> {
    covariance: SMatrix<f64, N, N>,
    /// `Σ Cₗₘ ∂ₗ∂ₘ N^(-½)` over the second moments.
    root_second: Matrix2<f64>,
    /// `-2 Σ Cₗₘ ∂ₘ N^(-½) eₗ` over the centre and the second moments.
    root_mixed: Vector2<f64>,
}

impl<const N: usize> Spread<N> {
    fn new(psi: &Psi<N>, covariance: &SMatrix<f64, N, N>) -> Self {
        let mut root_second = Matrix2::zeros();
        let mut root_mixed = Vector2::zeros();
        for l in 0..3 {
            for m in 0..3 {
                root_second += psi.root.second[l][m] * covariance[(2 + l, 2 + m)];
            }
            let with_centre = Vector2::new(covariance[(0, 2 + l)], covariance[(1, 2 + l)]);
            root_mixed -= psi.root.first[l] * with_centre * 2.0;
        }
        Self { covariance: *covariance, root_second, root_mixed }
    }
}

/// `Σ Cₗₘ cₗ cₘᵀ`.
#[inline]
fn square(covariance: &SMatrix<f64, 5, 5>, c: &[Vector2<f64>; 5]) -> Matrix2<f64> {
    let columns = SMatrix::<f64, 2, 5>::from_columns(c);
    columns * covariance * columns.transpose()
}

/// `coma1, coma2, trefoil1, trefoil2, kurtosis` polynomials at `u`.
#[inline]
fn polynomials(u: Vector2<f64>) -> [f64; 5] {
    let (u, v) = (u.x, u.y);
    let r2 = u * u + v * v;
    [u * r2, v * r2, u * (u * u - 3.0 * v * v), v * (3.0 * u * u - v * v), r2 * r2]
}

#[inline]
fn gradients(u: Vector2<f64>) -> [Vector2<f64>; 5] {
    let (u, v) = (u.x, u.y);
    let (uu, uv, vv) = (u * u, u * v, v * v);
    [
        Vector2::new(3.0 * uu + vv, 2.0 * uv),
        Vector2::new(2.0 * uv, uu + 3.0 * vv),
        Vector2::new(3.0 * (uu - vv), -6.0 * uv),
        Vector2::new(6.0 * uv, 3.0 * (uu - vv)),
        Vector2::new(4.0 * u * (uu + vv), 4.0 * v * (uu + vv)),
    ]
}

#[inline]
fn hessians(u: Vector2<f64>) -> [Matrix2<f64>; 5] {
    let (u, v) = (u.x, u.y);
    let cross = 8.0 * u * v;
    [
        Matrix2::new(6.0 * u, 2.0 * v, 2.0 * v, 2.0 * u),
        Matrix2::new(2.0 * v, 2.0 * u, 2.0 * u, 6.0 * v),
        Matrix2::new(6.0 * u, -6.0 * v, -6.0 * v, -6.0 * u),
        Matrix2::new(6.0 * v, 6.0 * u, 6.0 * u, -6.0 * v),
        Matrix2::new(12.0 * u * u + 4.0 * v * v, cross, cross, 4.0 * u * u + 12.0 * v * v),
    ]
}

/// `N^(-½)` with `N = scale M`, and its derivatives with respect to `Mxx`, `Mxy`, `Myy`.
#[derive(Default)]
struct InverseRoot {
    value: Matrix2<f64>,
    first: [Matrix2<f64>; 3],
    second: [[Matrix2<f64>; 3]; 3],
}

impl InverseRoot {
    /// The derivatives by central differences: with steps of 3e-4 of `M`, truncation and
    /// rounding stay under 1e-7 of a noise bias that is itself small.
    fn new(m: [f64; 3], scale: f64) -> Option<Self> {
        let step = 3e-4 * (m[0] + m[2] - (m[0] - m[2]).hypot(2.0 * m[1]));
        let at = |l: usize, by: f64, k: usize, also: f64| {
            let mut moved = m;
            moved[l] += by * step;
            moved[k] += also * step;
            inverse_square_root(moved.map(|value| value * scale))
        };
        let value = at(0, 0.0, 0, 0.0)?;
        let mut root = Self { value, ..Self::default() };
        for l in 0..3 {
            root.first[l] = (at(l, 1.0, l, 0.0)? - at(l, -1.0, l, 0.0)?) / (2.0 * step);
            for k in 0..3 {
                root.second[l][k] = (at(l, 1.0, k, 1.0)? - at(l, 1.0, k, -1.0)? - at(l, -1.0, k, 1.0)?
                    + at(l, -1.0, k, -1.0)?)
                    / (4.0 * step * step);
            }
        }
        Some(root)
    }

    /// The derivative along a change of `M`.
    #[inline]
    fn along(&self, change: [f64; 3]) -> Matrix2<f64> {
        self.first[0] * change[0] + self.first[1] * change[1] + self.first[2] * change[2]
    }
}

/// `A^(-½)` of a positive-definite `A = [Axx, Axy, Ayy]`: `(A + √det I) / √(tr + 2 √det)` is its
/// root.
fn inverse_square_root([xx, xy, yy]: [f64; 3]) -> Option<Matrix2<f64>> {
    let det = xx * yy - xy * xy;
    if det.is_nan() || det <= 0.0 || xx <= 0.0 {
        return None;
    }
    let root_det = det.sqrt();
    let root = Matrix2::new(xx + root_det, xy, xy, yy + root_det) / (xx + yy + 2.0 * root_det).sqrt();
    root.try_inverse()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every derivative against differences of `ψ` itself.
    #[test]
    fn derivatives_are_those_of_the_equations() {
        for weight in [Weight::Adaptive, Weight::Fixed(1.7)] {
            let theta = SVector::<f64, 10>::from([0.2, -0.1, 3.0, 0.6, 2.2, 0.1, -0.05, 0.2, 0.07, 2.1]);
            let (x, y) = (1.4, -2.3);
            let value = |theta: &SVector<f64, 10>| {
                let psi = Psi::new(theta, weight).unwrap();
                let (dx, dy) = (x - theta[0], y - theta[1]);
                psi.at(dx, dy).phi * psi.weight.at(dx, dy)
            };
            let psi = Psi::new(&theta, weight).unwrap();
            let here = psi.at(x - theta[0], y - theta[1]);
            let w = psi.weight.at(x - theta[0], y - theta[1]);
            let direction = SVector::<f64, 10>::from([0.3, -0.5, 0.7, -0.4, 0.9, 0.2, 0.3, -0.1, 0.4, -0.6]);
            let h = 1e-3;
            let (plus, minus) = (value(&(theta + direction * h)), value(&(theta - direction * h)));
            let first = (here.phi * here.slope_along(&direction) + psi.phi_along(&here, &direction)) * w;
            assert!((first - (plus - minus) / (2.0 * h)).abs().max() < 1e-5, "{weight:?}");
            let along = Spread::new(&psi, &(direction * direction.transpose()));
            let second = psi.curvature(&here, &along) * w;
            let differences = (plus + minus - value(&theta) * 2.0) / (h * h);
            assert!((second - differences).abs().max() < 1e-5, "{weight:?}: {second} {differences}");
        }
    }
}
