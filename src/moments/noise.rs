//! What pixel noise does to solved moments: their covariance and their bias.
//!
//! With pixels `I + n`, noise of variance `v`, and the solution moved to `θ + δ`,
//! `0 = Σ n ψ + J δ + Σ n ∂ψ·δ + ½ δᵀHδ`. First order: `δ₁ = -J⁻¹ Σ n ψ`, so the covariance is
//! `C = J⁻¹ (Σ v ψ ψᵀ) J⁻ᵀ`. Second order: `E δ₂ = -J⁻¹ (½ H:C - Σ v ∂ψ·(J⁻¹ψ))`.
//!
//! Every `φ`, and every factor of its derivatives, is a polynomial in the offset `d` from the centre: all
//! sums over pixels follow from `Σ I W dxᵖ dy^q` and `Σ v W² dxᵖ dy^q`, taken once ([`super::grid`]).
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
use super::grid::PowerSums;
use super::pixels::Gaussian;
use super::powers::{Poly, Products, dot};

/// `θ`'s covariance and bias, for `N` parameters.
#[derive(Debug, Clone)]
pub struct Noise<const N: usize> {
    pub covariance: SMatrix<f64, N, N>,
    pub bias: SVector<f64, N>,
}

impl<const N: usize> Solution<N> {
    /// Covariance and noise bias, from the sums under the solved weight; `None` where they are not
    /// finite.
    pub fn noise(&self, sums: &PowerSums) -> Option<Noise<N>> {
        let psi = Psi::new(&self.theta, self.weight)?;
        let forms = psi.forms();
        let (light, power) = (Products::new(&sums.light), Products::new(&sums.power));
        let inverse = &self.jacobian_inverse;

        let with_phi = forms.phi.map(|phi| power.with(&phi));
        let v = SMatrix::<f64, N, N>::from_fn(|k, l| dot(&forms.phi[k], &with_phi[l]));
        let covariance = inverse * v * inverse.transpose();
        if covariance.iter().any(|value| !value.is_finite()) {
            return None;
        }
        // J⁻¹ ψ; centre and second moments do not hang on the higher ones.
        let direction: [Poly; N] = std::array::from_fn(|l| {
            let parts = if l < 5 { 5 } else { N };
            (0..parts).fold(Poly::constant(0.0), |sum, k| sum.plus(inverse[(l, k)], &forms.phi[k]))
        });
        let along_slope =
            (0..5).fold(Poly::constant(0.0), |sum, l| sum.plus(1.0, &forms.slope[l].times(&direction[l])));
        let along = forms.phi_times(&power.with(&along_slope)) + forms.phi_along(&power, &direction);
        let curvature = forms.curvature(&light, &Spread::new(&psi, &covariance));
        let bias = -(inverse * (curvature * 0.5 - along));
        Some(Noise { covariance, bias })
    }
}

/// `ψ` at one `θ`.
pub(super) struct Psi<const N: usize> {
    theta: SVector<f64, N>,
    weight: Gaussian,
    adaptive: bool,
    a: f64,
    /// For the higher moments.
    root: InverseRoot,
}

/// `ψ` and its derivatives as polynomials in the offset.
pub(super) struct Forms<'a, const N: usize> {
    psi: &'a Psi<N>,
    phi: [Poly; N],
    /// `∂ ln W / ∂θ` for centre and `M`.
    slope: [Poly; 5],
    /// The vectors `c` of centre and `M`.
    c: [[Poly; 2]; 5],
    /// Of the higher moments' polynomials with respect to `u`: first derivatives, and the second
    /// ones xx, xy and yy.
    gradients: [[Poly; 2]; 5],
    hessians: [[Poly; 3]; 5],
}

const ZERO: Poly = Poly::constant(0.0);
const ONE: Poly = Poly::constant(1.0);
const DX: Poly = Poly::linear(1.0, 0.0, 0.0);
const DY: Poly = Poly::linear(0.0, 1.0, 0.0);

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

    pub(super) fn forms(&self) -> Forms<'_, N> {
        let (t, a) = (&self.theta, self.a);
        let &Gaussian { pxx, pxy, pyy, .. } = &self.weight;
        let (xx, xy, yy) = (DX.times(&DX), DX.times(&DY), DY.times(&DY));
        let mut phi = [ZERO; N];
        (phi[0], phi[1]) = (DX, DY);
        phi[2] = xx.plus(-a * t[2], &ONE);
        phi[3] = xy.plus(-a * t[3], &ONE);
        phi[4] = yy.plus(-a * t[4], &ONE);
        let (gx, gy) = (Poly::linear(pxx, pxy, 0.0), Poly::linear(pxy, pyy, 0.0));
        let mut slope = [gx, gy, ZERO, ZERO, ZERO];
        let mut c = [[ONE, ZERO], [ZERO, ONE], [ZERO; 2], [ZERO; 2], [ZERO; 2]];
        if self.adaptive {
            slope[2] = gx.times(&gx).scaled(0.5);
            slope[3] = gx.times(&gy);
            slope[4] = gy.times(&gy).scaled(0.5);
            (c[2], c[3], c[4]) = ([gx, ZERO], [gy, gx], [ZERO, gy]);
        }
        let (mut gradients, mut hessians) = ([[ZERO; 2]; 5], [[ZERO; 3]; 5]);
        if N > 5 {
            let root = &self.root.value;
            let u = Poly::linear(root[(0, 0)], root[(0, 1)], 0.0);
            let v = Poly::linear(root[(1, 0)], root[(1, 1)], 0.0);
            for (k, q) in polynomials(&u, &v).iter().enumerate() {
                phi[5 + k] = q.plus(-t[5 + k], &ONE);
            }
            (gradients, hessians) = (self::gradients(&u, &v), self::hessians(&u, &v));
        }
        Forms { psi: self, phi, slope, c, gradients, hessians }
    }
}

impl<const N: usize> Forms<'_, N> {
    /// `Σ f φ g`, `with` being [`Products::with`] of g.
    fn phi_times(&self, with: &[f64; 15]) -> SVector<f64, N> {
        SVector::from_fn(|k, _| dot(&self.phi[k], with))
    }

    /// `F = Σ I ψ`.
    pub(super) fn sum(&self, light: &Products) -> SVector<f64, N> {
        self.phi_times(&light.with(&ONE))
    }

    /// `Σ f ∂φ·t`.
    fn phi_along(&self, f: &Products, t: &[Poly; N]) -> SVector<f64, N> {
        let a = self.psi.a;
        let mut change = SVector::<f64, N>::zeros();
        change[0] = -f.of(&t[0]);
        change[1] = -f.of(&t[1]);
        change[2] = -2.0 * f.pair(&DX, &t[0]) - a * f.of(&t[2]);
        change[3] = -f.pair(&DY, &t[0]) - f.pair(&DX, &t[1]) - a * f.of(&t[3]);
        change[4] = -2.0 * f.pair(&DY, &t[1]) - a * f.of(&t[4]);
        if N > 5 {
            let root = &self.psi.root;
            for j in 0..2 {
                let entry = |i: usize| (0..3).fold(ZERO, |sum, l| sum.plus(root.first[l][(j, i)], &t[2 + l]));
                let du = DX
                    .times(&entry(0))
                    .plus(1.0, &DY.times(&entry(1)))
                    .plus(-root.value[(j, 0)], &t[0])
                    .plus(-root.value[(j, 1)], &t[1]);
                let with = f.with(&du);
                for (k, gradient) in self.gradients.iter().enumerate() {
                    change[5 + k] += dot(&gradient[j], &with);
                }
            }
            for k in 5..N {
                change[k] -= f.of(&t[k]);
            }
        }
        change
    }

    /// `Σ f C:∂²(Wφ) / W`.
    fn curvature(&self, f: &Products, spread: &Spread<N>) -> SVector<f64, N> {
        let c = &spread.covariance;
        let &Gaussian { pxx, pxy, pyy, .. } = &self.psi.weight;
        // C L reaches the higher moments' own rows too, through their covariance with θ₀..₄.
        let lifted: [Poly; N] =
            std::array::from_fn(|l| (0..5).fold(ZERO, |sum, m| sum.plus(c[(l, m)], &self.slope[m])));
        let [turned_xx, turned_xy, turned_yy] = square(c, &self.c);
        let mut factor = (0..5).fold(ZERO, |sum, l| sum.plus(1.0, &lifted[l].times(&self.slope[l])));
        factor.add(-pxx, &turned_xx);
        factor.add(-2.0 * pxy, &turned_xy);
        factor.add(-pyy, &turned_yy);
        let mut sum = self.phi_times(&f.with(&factor)) + self.phi_along(f, &lifted) * 2.0;
        let flat = f.of(&ONE);
        sum[2] += 2.0 * c[(0, 0)] * flat;
        sum[3] += 2.0 * c[(0, 1)] * flat;
        sum[4] += 2.0 * c[(1, 1)] * flat;
        if N > 5 {
            let root = &self.psi.root;
            let turned = |matrix: &Matrix2<f64>, j: usize| Poly::linear(matrix[(j, 0)], matrix[(j, 1)], 0.0);
            let constant = |column: usize| [0, 1].map(|j| Poly::constant(-root.value[(j, column)]));
            let moved = |l: usize| [0, 1].map(|j| turned(&root.first[l], j));
            let du = [constant(0), constant(1), moved(0), moved(1), moved(2)];
            let squares = square(c, &du).map(|poly| f.with(&poly));
            let second_u = [0, 1].map(|j| turned(&spread.root_second, j).plus(spread.root_mixed[j], &ONE));
            let with_second = second_u.map(|poly| f.with(&poly));
            for (k, (gradient, hessian)) in self.gradients.iter().zip(&self.hessians).enumerate() {
                sum[5 + k] += dot(&gradient[0], &with_second[0])
                    + dot(&gradient[1], &with_second[1])
                    + dot(&hessian[0], &squares[0])
                    + 2.0 * dot(&hessian[1], &squares[1])
                    + dot(&hessian[2], &squares[2]);
            }
        }
        sum
    }

    /// `J = ∂F/∂θ`.
    pub(super) fn jacobian(&self, light: &Products) -> SMatrix<f64, N, N> {
        let mut j = SMatrix::<f64, N, N>::zeros();
        for l in 0..5 {
            let mut unit = [ZERO; N];
            unit[l] = ONE;
            let column = self.phi_times(&light.with(&self.slope[l])) + self.phi_along(light, &unit);
            j.set_column(l, &column);
        }
        for k in 5..N {
            j[(k, k)] = -light.of(&ONE);
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

/// `Σ Cₗₘ cₗ cₘᵀ`: xx, xy and yy.
fn square<const N: usize>(covariance: &SMatrix<f64, N, N>, c: &[[Poly; 2]; 5]) -> [Poly; 3] {
    let mut sums = [ZERO; 3];
    for l in 0..5 {
        let row = [0, 1].map(|i| (0..5).fold(ZERO, |sum, m| sum.plus(covariance[(l, m)], &c[m][i])));
        for (sum, (i, j)) in sums.iter_mut().zip([(0, 0), (0, 1), (1, 1)]) {
            sum.add(1.0, &c[l][i].times(&row[j]));
        }
    }
    sums
}

/// `coma1, coma2, trefoil1, trefoil2, kurtosis` polynomials of `u`.
fn polynomials(u: &Poly, v: &Poly) -> [Poly; 5] {
    let (uu, vv) = (u.times(u), v.times(v));
    let r2 = uu.plus(1.0, &vv);
    [
        u.times(&r2),
        v.times(&r2),
        u.times(&uu.plus(-3.0, &vv)),
        v.times(&uu.scaled(3.0).plus(-1.0, &vv)),
        r2.times(&r2),
    ]
}

fn gradients(u: &Poly, v: &Poly) -> [[Poly; 2]; 5] {
    let (uu, uv, vv) = (u.times(u), u.times(v), v.times(v));
    let r2 = uu.plus(1.0, &vv);
    let difference = uu.plus(-1.0, &vv).scaled(3.0);
    [
        [uu.scaled(3.0).plus(1.0, &vv), uv.scaled(2.0)],
        [uv.scaled(2.0), uu.plus(3.0, &vv)],
        [difference, uv.scaled(-6.0)],
        [uv.scaled(6.0), difference],
        [u.times(&r2).scaled(4.0), v.times(&r2).scaled(4.0)],
    ]
}

fn hessians(u: &Poly, v: &Poly) -> [[Poly; 3]; 5] {
    let (uu, vv) = (u.times(u), v.times(v));
    [
        [u.scaled(6.0), v.scaled(2.0), u.scaled(2.0)],
        [v.scaled(2.0), u.scaled(2.0), v.scaled(6.0)],
        [u.scaled(6.0), v.scaled(-6.0), u.scaled(-6.0)],
        [v.scaled(6.0), u.scaled(6.0), v.scaled(-6.0)],
        [uu.scaled(12.0).plus(4.0, &vv), u.times(v).scaled(8.0), uu.scaled(4.0).plus(12.0, &vv)],
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
    use crate::moments::powers::{SUMS, place};

    /// Every derivative against differences of `ψ` itself, for an image of one pixel.
    #[test]
    fn derivatives_are_those_of_the_equations() {
        for weight in [Weight::Adaptive, Weight::Fixed(1.7)] {
            let theta = SVector::<f64, 10>::from([0.2, -0.1, 3.0, 0.6, 2.2, 0.1, -0.05, 0.2, 0.07, 2.1]);
            let (x, y) = (1.4, -2.3);
            let one_pixel = |theta: &SVector<f64, 10>| {
                let (dx, dy): (f64, f64) = (x - theta[0], y - theta[1]);
                let w = weight.at(theta).unwrap().at(dx, dy);
                let mut sums = [0.0; SUMS];
                for p in 0..=8 {
                    for q in 0..=8 - p {
                        sums[place(p, q)] = w * dx.powi(p as i32) * dy.powi(q as i32);
                    }
                }
                Products::new(&sums)
            };
            let value =
                |theta: &SVector<f64, 10>| Psi::new(theta, weight).unwrap().forms().sum(&one_pixel(theta));
            let psi = Psi::new(&theta, weight).unwrap();
            let (forms, pixel) = (psi.forms(), one_pixel(&theta));
            let direction = SVector::<f64, 10>::from([0.3, -0.5, 0.7, -0.4, 0.9, 0.2, 0.3, -0.1, 0.4, -0.6]);
            let h = 1e-3;
            let (plus, minus) = (value(&(theta + direction * h)), value(&(theta - direction * h)));
            let along = std::array::from_fn(|l| Poly::constant(direction[l]));
            let slope = (0..5).fold(ZERO, |sum, l| sum.plus(direction[l], &forms.slope[l]));
            let first = forms.phi_times(&pixel.with(&slope)) + forms.phi_along(&pixel, &along);
            assert!((first - (plus - minus) / (2.0 * h)).abs().max() < 1e-5, "{weight:?}");
            let spread = Spread::new(&psi, &(direction * direction.transpose()));
            let second = forms.curvature(&pixel, &spread);
            let differences = (plus + minus - value(&theta) * 2.0) / (h * h);
            assert!((second - differences).abs().max() < 1e-5, "{weight:?}: {second} {differences}");
            let jacobian = forms.jacobian(&pixel);
            for l in 0..5 {
                let mut step = SVector::<f64, 10>::zeros();
                step[l] = h;
                let slope = (value(&(theta + step)) - value(&(theta - step))) / (2.0 * h);
                assert!((jacobian.column(l) - slope).abs().max() < 1e-5, "{weight:?} {l}");
            }
        }
    }
}
