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
use super::higher::{Higher, InverseRoot};
use super::pixels::Gaussian;
use super::powers::{CUBIC, Cubic, DX, DY, Linear, Poly, Products, QUADRATIC, QUARTIC, Quadratic, Quartic};

/// `θ`'s covariance and bias, for `N` parameters.
#[derive(Debug, Clone)]
pub struct Noise<const N: usize> {
    pub covariance: SMatrix<f64, N, N>,
    pub bias: SVector<f64, N>,
}

impl Noise<10> {
    /// Of centre and second moments.
    pub fn of_second(&self) -> Noise<5> {
        let covariance = self.covariance.fixed_view::<5, 5>(0, 0).into_owned();
        Noise { covariance, bias: self.bias.fixed_rows::<5>(0).into_owned() }
    }
}

impl Solution {
    /// Covariance and noise bias, from the sums under the solved weight; `None` where they are not
    /// finite.
    pub fn noise(&self, sums: &PowerSums) -> Option<Noise<5>> {
        pulp::Arch::new().dispatch(OfSecond { solution: self, sums })
    }
}

/// `ψ` at one `θ`, of 5 parameters, or 10 with the higher moments.
#[derive(Clone)]
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
    /// Of centre and second moments.
    phi: [Quadratic; 5],
    /// `∂ ln W / ∂θ` for centre and `M`.
    slope: [Quadratic; 5],
    /// The vectors `c` of centre and `M`.
    c: [[Linear; 2]; 5],
    /// Of the higher moments.
    higher: Higher,
}

const ONE: Linear = Poly([1.0, 0.0, 0.0]);
const ZERO: Linear = Linear::ZERO;

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

    /// `∂u/∂θ` of `u = N^(-½) d`, for centre and `M`.
    #[inline(always)]
    fn change_of_u(&self) -> [[Linear; 2]; 5] {
        let root = &self.root;
        let constant = |column: usize| [0, 1].map(|j| ZERO.plus_constant(-root.value[(j, column)]));
        let moved = |l: usize| [0, 1].map(|j| turned(&root.first[l], j));
        [constant(0), constant(1), moved(0), moved(1), moved(2)]
    }

    #[inline(always)]
    pub(super) fn forms(&self) -> Forms<'_, N> {
        let (t, a) = (&self.theta, self.a);
        let &Gaussian { pxx, pxy, pyy, .. } = &self.weight;
        let square = |a: &Linear, b: &Linear| -> Quadratic { a.times(b) };
        let phi = [
            DX.widened(),
            DY.widened(),
            square(&DX, &DX).plus_constant(-a * t[2]),
            square(&DX, &DY).plus_constant(-a * t[3]),
            square(&DY, &DY).plus_constant(-a * t[4]),
        ];
        let (gx, gy) = (Poly([0.0, pxx, pxy]), Poly([0.0, pxy, pyy]));
        let mut slope = [gx.widened(), gy.widened(), Quadratic::ZERO, Quadratic::ZERO, Quadratic::ZERO];
        let mut c = [[ONE, ZERO], [ZERO, ONE], [ZERO; 2], [ZERO; 2], [ZERO; 2]];
        if self.adaptive {
            slope[2] = square(&gx, &gx).scaled(0.5);
            slope[3] = square(&gx, &gy);
            slope[4] = square(&gy, &gy).scaled(0.5);
            (c[2], c[3], c[4]) = ([gx, ZERO], [gy, gx], [ZERO, gy]);
        }
        let higher = if N > 5 { Higher::new(t, &self.root.value) } else { Higher::NONE };
        Forms { psi: self, phi, slope, c, higher }
    }
}

impl<const N: usize> Forms<'_, N> {
    /// Covariance and noise bias, of a solution with this inverse of `∂F/∂θ`.
    #[inline(always)]
    pub(super) fn noise(&self, sums: &PowerSums, inverse: &SMatrix<f64, N, N>) -> Option<Noise<N>> {
        // A fixed weight hangs on its centre alone.
        if self.psi.adaptive {
            self.noise_under::<5>(sums, inverse)
        } else {
            self.noise_under::<2>(sums, inverse)
        }
    }

    /// Under a weight that hangs on the first `FOLLOWED` parameters.
    #[inline(always)]
    fn noise_under<const FOLLOWED: usize>(
        &self,
        sums: &PowerSums,
        inverse: &SMatrix<f64, N, N>,
    ) -> Option<Noise<N>> {
        let forms = self;
        let (light, power) = (Products(&sums.light), Products(&sums.power));
        let covariance = inverse * forms.squares(&power) * inverse.transpose();
        if covariance.iter().any(|value| !value.is_finite()) {
            return None;
        }
        // J⁻¹ ψ; centre and second moments do not hang on the higher ones.
        let direction: [Quadratic; 5] = std::array::from_fn(|l| {
            (0..5).fold(Quadratic::ZERO, |sum, k| sum.plus(inverse[(l, k)], &forms.phi[k]))
        });
        let of_phi = forms.sum(&power);
        let of_higher_directions = (inverse * of_phi).data.0[0];
        let along_slope = sum_of_products::<FOLLOWED>(&forms.slope, &direction);
        let along = forms.phi_times(&power, &along_slope)
            + forms.phi_along(&power, &direction, &of_higher_directions);
        let curvature = forms.curvature::<FOLLOWED>(&light, &Spread::new(self.psi, &covariance));
        let bias = -(inverse * (curvature * 0.5 - along));
        Some(Noise { covariance, bias })
    }
}

/// [`Solution::noise`], to be run with the processor's widest instructions.
struct OfSecond<'a> {
    solution: &'a Solution,
    sums: &'a PowerSums,
}

impl pulp::NullaryFnOnce for OfSecond<'_> {
    type Output = Option<Noise<5>>;

    #[inline(always)]
    fn call(self) -> Option<Noise<5>> {
        let psi = Psi::new(&self.solution.place_of_sums(), self.solution.weight)?;
        psi.forms().noise(self.sums, &self.solution.jacobian_inverse)
    }
}

/// One component of a matrix times `d`.
#[inline(always)]
fn turned(matrix: &Matrix2<f64>, j: usize) -> Linear {
    Poly([0.0, matrix[(j, 0)], matrix[(j, 1)]])
}

#[inline(always)]
fn sum_of_products<const COUNT: usize>(a: &[Quadratic; 5], b: &[Quadratic; 5]) -> Quartic {
    let mut sum = Quartic::ZERO;
    for l in 0..COUNT {
        let product: Quartic = a[l].times(&b[l]);
        sum = sum.plus(1.0, &product);
    }
    sum
}

impl<const N: usize> Forms<'_, N> {
    /// `Σ f φ g`
    #[inline(always)]
    fn phi_times<const TERMS: usize>(&self, f: &Products, g: &Poly<TERMS>) -> SVector<f64, N> {
        let mut sums = SVector::<f64, N>::zeros();
        if N > 5 {
            sums = self.dots(&f.with(g));
        } else {
            let with: [f64; QUADRATIC] = f.with(g);
            for k in 0..5 {
                sums[k] = self.phi[k].dot(&with);
            }
        }
        sums
    }

    /// The third and fourth moments that make their own rows of `F` zero, put in place.
    #[inline(always)]
    pub(super) fn solve_higher(&mut self, light: &Products) -> [f64; 5] {
        let mut solved = [0.0; 5];
        for (solved, phi) in solved.iter_mut().zip(&mut self.higher.phi) {
            *solved = light.of(phi) / light.0[0];
            *phi = phi.plus_constant(-*solved);
        }
        solved
    }

    /// `F = Σ I ψ`.
    #[inline(always)]
    pub(super) fn sum(&self, light: &Products) -> SVector<f64, N> {
        self.phi_times(light, &Poly([1.0]))
    }

    /// `Σ f φ m` where `with` holds `Σ f m` times the monomials.
    #[inline(always)]
    fn dots(&self, with: &[f64; QUARTIC]) -> SVector<f64, N> {
        let mut sums = SVector::<f64, N>::zeros();
        for k in 0..5 {
            sums[k] = self.phi[k].dot(with);
        }
        for (k, sum) in self.higher.dots(with).into_iter().enumerate() {
            sums[5 + k] = sum;
        }
        sums
    }

    /// `Σ f φ φᵀ`
    #[inline(always)]
    fn squares(&self, f: &Products) -> SMatrix<f64, N, N> {
        let mut squares = SMatrix::<f64, N, N>::zeros();
        for k in 0..5 {
            squares.set_column(k, &self.phi_times(f, &self.phi[k]));
            if N > 5 {
                squares.set_column(5 + k, &self.dots(&self.higher.with(k, f)));
            }
        }
        squares
    }

    /// `Σ f ∂φ·t`, `t` given for centre and second moments, and `Σ f t` for the others.
    #[inline(always)]
    fn phi_along(&self, f: &Products, t: &[Quadratic; 5], of_t: &[f64; N]) -> SVector<f64, N> {
        let a = self.psi.a;
        let mut change = SVector::<f64, N>::zeros();
        let ([x_tx, y_tx], [x_ty, y_ty]) = (f.moments_of(&t[0]), f.moments_of(&t[1]));
        change[0] = -f.of(&t[0]);
        change[1] = -f.of(&t[1]);
        change[2] = -2.0 * x_tx - a * f.of(&t[2]);
        change[3] = -y_tx - x_ty - a * f.of(&t[3]);
        change[4] = -2.0 * y_ty - a * f.of(&t[4]);
        if N > 5 {
            let root = &self.psi.root;
            for j in 0..2 {
                let entry = |i: usize| {
                    (0..3).fold(Quadratic::ZERO, |sum, l| sum.plus(root.first[l][(j, i)], &t[2 + l]))
                };
                let (along_x, along_y): (Cubic, Cubic) = (DX.times(&entry(0)), DY.times(&entry(1)));
                let du = along_x
                    .plus(1.0, &along_y)
                    .plus(-root.value[(j, 0)], &t[0])
                    .plus(-root.value[(j, 1)], &t[1]);
                let with: [f64; CUBIC] = f.with(&du);
                for (k, gradient) in self.higher.gradients.iter().enumerate() {
                    change[5 + k] += gradient[j].dot(&with);
                }
            }
            for k in 5..N {
                change[k] -= of_t[k];
            }
        }
        change
    }

    /// `Σ f C:∂²(Wφ) / W`.
    #[inline(always)]
    fn curvature<const FOLLOWED: usize>(&self, f: &Products, spread: &Spread<N>) -> SVector<f64, N> {
        let c = &spread.covariance;
        let &Gaussian { pxx, pxy, pyy, .. } = &self.psi.weight;
        // C L reaches the higher moments' own rows too, through their covariance with θ₀..₄.
        let lifted: [Quadratic; N] = std::array::from_fn(|l| {
            (0..FOLLOWED).fold(Quadratic::ZERO, |sum, m| sum.plus(c[(l, m)], &self.slope[m]))
        });
        let low = [lifted[0], lifted[1], lifted[2], lifted[3], lifted[4]];
        let [turned_xx, turned_xy, turned_yy] = square::<N, FOLLOWED>(c, &self.c);
        let factor = sum_of_products::<FOLLOWED>(&low, &self.slope)
            .plus(-pxx, &turned_xx)
            .plus(-2.0 * pxy, &turned_xy)
            .plus(-pyy, &turned_yy);
        let of_lifted = lifted.map(|poly| f.of(&poly));
        let mut sum = self.phi_times(f, &factor) + self.phi_along(f, &low, &of_lifted) * 2.0;
        let flat = f.0[0];
        sum[2] += 2.0 * c[(0, 0)] * flat;
        sum[3] += 2.0 * c[(0, 1)] * flat;
        sum[4] += 2.0 * c[(1, 1)] * flat;
        if N > 5 {
            let du = self.psi.change_of_u();
            let squares: [[f64; QUADRATIC]; 3] = square::<N, 5>(c, &du).map(|poly| f.with(&poly));
            let second_u = [0, 1].map(|j| turned(&spread.root_second, j).plus_constant(spread.root_mixed[j]));
            let with_second: [[f64; CUBIC]; 2] = second_u.map(|poly| f.with(&poly));
            for (k, (gradient, hessian)) in
                self.higher.gradients.iter().zip(&self.higher.hessians).enumerate()
            {
                sum[5 + k] += gradient[0].dot(&with_second[0])
                    + gradient[1].dot(&with_second[1])
                    + hessian[0].dot(&squares[0])
                    + 2.0 * hessian[1].dot(&squares[1])
                    + hessian[2].dot(&squares[2]);
            }
        }
        sum
    }

    /// The rows of `∂F/∂θ` of the third and fourth moments, by centre and second moments.
    #[inline(always)]
    pub(super) fn jacobian_of_higher(&self, light: &Products) -> SMatrix<f64, 5, 5> {
        let mut j = SMatrix::<f64, 5, 5>::zeros();
        let du = self.psi.change_of_u();
        for (l, (slope, [du, dv])) in self.slope.iter().zip(&du).enumerate() {
            let mut column = self.higher.dots(&light.with(slope));
            let with: [[f64; CUBIC]; 2] = [light.with(du), light.with(dv)];
            for (sum, gradient) in column.iter_mut().zip(&self.higher.gradients) {
                *sum += gradient[0].dot(&with[0]) + gradient[1].dot(&with[1]);
            }
            j.set_column(l, &SVector::from(column));
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
    #[inline(always)]
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
#[inline(always)]
fn square<const N: usize, const COUNT: usize>(
    covariance: &SMatrix<f64, N, N>,
    c: &[[Linear; 2]; 5],
) -> [Quadratic; 3] {
    let mut sums = [Quadratic::ZERO; 3];
    for l in 0..COUNT {
        let row = [0, 1].map(|i| (0..COUNT).fold(ZERO, |sum, m| sum.plus(covariance[(l, m)], &c[m][i])));
        for (sum, (i, j)) in sums.iter_mut().zip([(0, 0), (0, 1), (1, 1)]) {
            let product: Quadratic = c[l][i].times(&row[j]);
            *sum = sum.plus(1.0, &product);
        }
    }
    sums
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
                sums
            };
            let value = |theta: &SVector<f64, 10>| {
                Psi::new(theta, weight).unwrap().forms().sum(&Products(&one_pixel(theta)))
            };
            let psi = Psi::new(&theta, weight).unwrap();
            let sums = one_pixel(&theta);
            let (forms, pixel) = (psi.forms(), Products(&sums));
            let direction = SVector::<f64, 10>::from([0.3, -0.5, 0.7, -0.4, 0.9, 0.2, 0.3, -0.1, 0.4, -0.6]);
            let h = 1e-3;
            let (plus, minus) = (value(&(theta + direction * h)), value(&(theta - direction * h)));
            let along = std::array::from_fn(|l| Quadratic::ZERO.plus_constant(direction[l]));
            let of_along = std::array::from_fn(|l| direction[l] * sums[0]);
            let slope = (0..5).fold(Quadratic::ZERO, |sum, l| sum.plus(direction[l], &forms.slope[l]));
            let first = forms.phi_times(&pixel, &slope) + forms.phi_along(&pixel, &along, &of_along);
            assert!((first - (plus - minus) / (2.0 * h)).abs().max() < 1e-5, "{weight:?}");
            let spread = Spread::new(&psi, &(direction * direction.transpose()));
            let second = forms.curvature::<5>(&pixel, &spread);
            let differences = (plus + minus - value(&theta) * 2.0) / (h * h);
            assert!((second - differences).abs().max() < 1e-5, "{weight:?}: {second} {differences}");
            let jacobian = forms.jacobian_of_higher(&pixel);
            for l in 0..5 {
                let mut step = SVector::<f64, 10>::zeros();
                step[l] = h;
                let slope = (value(&(theta + step)) - value(&(theta - step))) / (2.0 * h);
                assert!((jacobian.column(l) - slope.fixed_rows::<5>(5)).abs().max() < 1e-5, "{weight:?} {l}");
            }
        }
    }
}
