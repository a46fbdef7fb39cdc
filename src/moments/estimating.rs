//! The estimating equations behind every moment, and their solution.
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
//! What pixel noise and jitter do to the solution is in [`super::noise`].

use std::ops::AddAssign;

use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

use super::grid::PowerSums;
use super::noise::{Noise, Psi};
use super::pixels::Gaussian;
use super::powers::Products;
use super::sums::{Image, WithNoise};

/// Newton steps before a fit is given up.
const MAX_STEPS: usize = 60;

/// Closed steps before Newton's, at most; fewer where one is shorter than this share of the star's width, for then
/// Newton's come nearer faster.
const CLOSED_STEPS: usize = 6;
const NEAR: f64 = 0.02;

/// Newton's error after a step is about the square of the step, and under a fixed weight far less, which an image the
/// same on both sides pulls to neither. After a step below this share of the star's width all sums are taken, those of
/// the noise too.
const LAST_STEP: f64 = 3e-3;
const LAST_STEP_OF_CENTRE: f64 = 0.02;

/// One more step from these sums, if shorter than this, makes the solution: it is then known to the square of this, and
/// its errors, from the sums before the step, to this.
const SETTLED: f64 = 1e-6;

/// An adaptive weight narrower than this on any axis has shrunk onto one row of pixels, the
/// next ones at `exp(-½/0.2²) = 4e-6`, and measures nothing: even a point spread evenly over
/// one pixel has `1/√12 = 0.29`.
const NARROWEST_SIGMA_PIXELS: f64 = 0.2;

/// The weight under which moments are taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weight {
    /// The elliptical Gaussian that matches the image.
    Adaptive,
    /// A circular Gaussian of this sigma, pixels.
    Fixed(f64),
}

impl Weight {
    /// The weight at parameters `θ`; `None` where `M` is not positive definite.
    pub(super) fn at<const N: usize>(self, theta: &SVector<f64, N>) -> Option<Gaussian> {
        let covariance = match self {
            Weight::Adaptive => [theta[2], theta[3], theta[4]],
            Weight::Fixed(sigma) => [sigma * sigma, 0.0, sigma * sigma],
        };
        Gaussian::new(theta[0], theta[1], covariance)
    }

    /// The `a` of rows 2 to 4.
    pub(super) fn a(self) -> f64 {
        match self {
            Weight::Adaptive => 0.5,
            Weight::Fixed(_) => 1.0,
        }
    }
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

/// A solved set of moments.
#[derive(Debug, Clone)]
pub struct Solution {
    /// `x, y, Mxx, Mxy, Myy`
    pub theta: SVector<f64, 5>,
    pub weight: Weight,
    /// `Σ W I` and its variance.
    pub weighted_flux: f64,
    pub weighted_flux_variance: f64,
    /// About `theta - step`, of a cut-out.
    pub(super) powers: Option<Box<PowerSums>>,
    /// From the place of the sums.
    pub(super) step: SVector<f64, 5>,
    /// `(∂F/∂θ)⁻¹`.
    pub(super) jacobian_inverse: SMatrix<f64, 5, 5>,
    /// `dθ/dJxx` and `dθ/dJyy` of centre and second moments, per pixel²: a small jitter
    /// tensor `J` blurs the image, which changes `F` by half its second derivative with
    /// respect to the centre.
    pub jitter_response: [SVector<f64, 5>; 2],
}

impl Solution {
    /// Weighted flux over its error.
    pub fn snr(&self) -> f64 {
        self.weighted_flux / self.weighted_flux_variance.sqrt()
    }

    /// `θ` where the sums were taken.
    pub(super) fn place_of_sums(&self) -> SVector<f64, 5> {
        self.theta - self.step
    }
}

/// Solves the estimating equations for the centre and second moments, from a first guess
/// `[x, y, Mxx, Mxy, Myy]` (pixels, pixels²). `reach` is the half-width of the cut-out.
pub fn solve_second(
    pixels: &impl Image,
    weight: Weight,
    guess: [f64; 5],
    reach: f64,
) -> Result<Solution, MomentError> {
    let mut theta = SVector::<f64, 5>::from(guess);
    let mut earlier = theta;
    let mut is_near = false;
    for step in 0..MAX_STEPS {
        // The closed step is exact for a Gaussian and brings any sane start near.
        let closed = weight == Weight::Adaptive && step < CLOSED_STEPS && !is_near;
        let next = match weight {
            _ if closed => closed_step(pixels, &theta)?,
            Weight::Adaptive => newton_step(pixels, &theta)?,
            Weight::Fixed(sigma) => centre_step(pixels, sigma, &theta)?,
        };
        let moved = distance(&next, &theta, weight);
        theta = next;
        if theta[0].abs() > 0.5 * reach || theta[1].abs() > 0.5 * reach {
            return Err(MomentError::OutOfCutout);
        }
        is_near |= moved < NEAR;
        let last = match weight {
            _ if closed => SETTLED,
            Weight::Adaptive => LAST_STEP,
            Weight::Fixed(_) => LAST_STEP_OF_CENTRE,
        };
        if moved < last {
            let solution = finish(pixels, weight, theta)?;
            if distance(&solution.theta, &theta, weight) < SETTLED {
                return Ok(solution);
            }
            theta = solution.theta;
        }
        // Where it was before, it goes round for ever.
        if step > CLOSED_STEPS && distance(&theta, &earlier, weight) < SETTLED {
            break;
        }
        if step.is_power_of_two() {
            earlier = theta;
        }
    }
    Err(MomentError::NotConverged)
}

/// In shares of the star's width; under a fixed weight of the centres alone, which the second moments follow from.
fn distance(a: &SVector<f64, 5>, b: &SVector<f64, 5>, weight: Weight) -> f64 {
    let scale = (a[2] + a[4]).max(1e-6);
    let change = (a - b).abs();
    let of_centre = change[0].max(change[1]) / scale.sqrt();
    match weight {
        Weight::Adaptive => of_centre.max(change.fixed_rows::<3>(2).max() / scale),
        Weight::Fixed(_) => of_centre,
    }
}

/// `M⁻¹ ← m⁻¹ - M⁻¹` with `m` the weighted second moment, which has the adaptive fixed
/// point and is exact in one step for a noiseless Gaussian; where that is not positive
/// definite, the slower `M ← 2 m`.
fn closed_step(pixels: &impl Image, theta: &SVector<f64, 5>) -> Result<SVector<f64, 5>, MomentError> {
    let gaussian = Weight::Adaptive.at(theta).ok_or(MomentError::NotConverged)?;
    let sums = pixels.sums(&gaussian);
    let b = sums.get(0, 0);
    if b.is_nan() || b <= 0.0 {
        return Err(MomentError::NoFlux);
    }
    let (mx, my) = (sums.get(1, 0) / b, sums.get(0, 1) / b);
    let mxy = sums.get(1, 1) / b - mx * my;
    let m = Matrix2::new(sums.get(2, 0) / b - mx * mx, mxy, mxy, sums.get(0, 2) / b - my * my);
    let precision = Matrix2::new(gaussian.pxx, gaussian.pxy, gaussian.pxy, gaussian.pyy);
    let deweighted = m
        .try_inverse()
        .and_then(|inverse| (inverse - precision).try_inverse())
        .filter(|n| n.determinant() > 0.0 && n[(0, 0)] > 0.0 && n.trace() < 4.0 * (theta[2] + theta[4]));
    let new = deweighted.unwrap_or(m * 2.0);
    if new.determinant().is_nan() || new.determinant() <= 0.0 || new[(0, 0)] <= 0.0 {
        return Err(MomentError::NotConverged);
    }
    Ok(SVector::from([theta[0] + 2.0 * mx, theta[1] + 2.0 * my, new[(0, 0)], new[(0, 1)], new[(1, 1)]]))
}

fn newton_step(pixels: &impl Image, theta: &SVector<f64, 5>) -> Result<SVector<f64, 5>, MomentError> {
    let weight = Weight::Adaptive;
    let gaussian = weight.at(theta).ok_or(MomentError::NotConverged)?;
    let sums = pixels.sums(&gaussian);
    let m = [theta[2], theta[3], theta[4]];
    let inverse = inverse(&sums.jacobian(&gaussian, true, weight.a(), m), weight);
    let mut delta = -(inverse.ok_or(MomentError::NotConverged)? * sums.equations(weight.a(), m));
    let scale = (0.5 * (theta[2] + theta[4])).abs().sqrt();
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

/// Newton's step of the centre under a fixed weight, and the second moments there, which follow: those about the old
/// centre and, to first order, what the step makes of them.
fn centre_step(
    pixels: &impl Image,
    sigma: f64,
    theta: &SVector<f64, 5>,
) -> Result<SVector<f64, 5>, MomentError> {
    let weight = Weight::Fixed(sigma);
    let gaussian = weight.at(theta).ok_or(MomentError::NotConverged)?;
    let sums = pixels.sums(&gaussian);
    let flux = sums.get(0, 0);
    let m = sums.second_moments();
    let jacobian = sums.jacobian(&gaussian, false, weight.a(), m);
    let of_centre = jacobian.fixed_view::<2, 2>(0, 0).try_inverse().ok_or(MomentError::NotConverged)?;
    let mut delta = -(of_centre * Vector2::new(sums.get(1, 0), sums.get(0, 1)));
    let longest = delta.abs().max() / (0.5 * sigma);
    if !longest.is_finite() {
        return Err(MomentError::NotConverged);
    }
    if longest > 1.0 {
        delta /= longest;
    }
    let change = jacobian.fixed_view::<3, 2>(2, 0) * delta / flux;
    let moved: [f64; 3] = std::array::from_fn(|k| m[k] + change[k]);
    Ok(SVector::from([theta[0] + delta[0], theta[1] + delta[1], moved[0], moved[1], moved[2]]))
}

/// Of `∂F/∂θ`, by blocks `(A B; C D)` of centre and second moments: with `S = D - C A⁻¹ B`, it is
/// `(A⁻¹ + A⁻¹ B S⁻¹ C A⁻¹, -A⁻¹ B S⁻¹; -S⁻¹ C A⁻¹, S⁻¹)`, where under a fixed weight `B` is zero and `D` a number.
fn inverse(jacobian: &SMatrix<f64, 5, 5>, weight: Weight) -> Option<SMatrix<f64, 5, 5>> {
    let a = jacobian.fixed_view::<2, 2>(0, 0).try_inverse()?;
    let b = jacobian.fixed_view::<2, 3>(0, 2);
    let ca = jacobian.fixed_view::<3, 2>(2, 0) * a;
    let mut inverse = SMatrix::<f64, 5, 5>::zeros();
    match weight {
        Weight::Adaptive => {
            let s = (jacobian.fixed_view::<3, 3>(2, 2) - ca * b).try_inverse()?;
            let (sca, ab) = (s * ca, a * b);
            inverse.fixed_view_mut::<2, 2>(0, 0).copy_from(&(a + ab * sca));
            inverse.fixed_view_mut::<2, 3>(0, 2).copy_from(&-(ab * s));
            inverse.fixed_view_mut::<3, 2>(2, 0).copy_from(&-sca);
            inverse.fixed_view_mut::<3, 3>(2, 2).copy_from(&s);
        }
        Weight::Fixed(_) => {
            let d = jacobian[(2, 2)];
            inverse.fixed_view_mut::<2, 2>(0, 0).copy_from(&a);
            inverse.fixed_view_mut::<3, 2>(2, 0).copy_from(&(ca / -d));
            inverse.fixed_view_mut::<3, 3>(2, 2).fill_diagonal(1.0 / d);
        }
    }
    Some(inverse)
}

/// Newton's last step from `theta`, with all that follows from the sums there.
fn finish(pixels: &impl Image, weight: Weight, theta: SVector<f64, 5>) -> Result<Solution, MomentError> {
    let adaptive = weight == Weight::Adaptive;
    let gaussian = weight.at(&theta).ok_or(MomentError::NotConverged)?;
    let WithNoise { sums, variance: weighted_flux_variance, powers } = pixels.with_noise(&gaussian, adaptive);
    let flux = sums.get(0, 0);
    if flux.is_nan() || flux <= 0.0 {
        return Err(MomentError::NoFlux);
    }
    let m = match weight {
        Weight::Adaptive => [theta[2], theta[3], theta[4]],
        Weight::Fixed(_) => sums.second_moments(),
    };
    // Variance along the narrowest axis.
    let narrowest = 0.5 * (m[0] + m[2] - ((m[0] - m[2]).powi(2) + 4.0 * m[1] * m[1]).sqrt());
    let least = if adaptive { NARROWEST_SIGMA_PIXELS.powi(2) } else { 0.0 };
    if narrowest.is_nan() || narrowest <= least {
        return Err(MomentError::NotConverged);
    }
    let jacobian = sums.jacobian(&gaussian, adaptive, weight.a(), m);
    let jacobian_inverse = inverse(&jacobian, weight).ok_or(MomentError::NotConverged)?;
    let jitter_response =
        sums.curvature_of_centre(&gaussian, weight.a(), m).map(|c| -(jacobian_inverse * c) * 0.5);
    let step = -(jacobian_inverse * sums.equations(weight.a(), m));
    Ok(Solution {
        theta: SVector::from([theta[0], theta[1], m[0], m[1], m[2]]) + step,
        weight,
        weighted_flux: flux + sums.slope_of_flux(&gaussian, adaptive).dot(&step),
        weighted_flux_variance,
        powers,
        step,
        jacobian_inverse,
        jitter_response,
    })
}

/// The third and fourth moments behind solved second moments, and the noise of all: they are explicit once the
/// centre and `M` are known. `None` where they are not finite.
pub fn with_higher(sums: &PowerSums, second: &Solution) -> Option<(SVector<f64, 10>, Noise<10>)> {
    pulp::Arch::new().dispatch(WithHigher { sums, second })
}

/// [`with_higher`], to be run with the processor's widest instructions.
struct WithHigher<'a> {
    sums: &'a PowerSums,
    second: &'a Solution,
}

impl pulp::NullaryFnOnce for WithHigher<'_> {
    type Output = Option<(SVector<f64, 10>, Noise<10>)>;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let Self { sums, second } = self;
        let light = Products(&sums.light);
        let flux = sums.light[0];
        let mut theta = SVector::<f64, 10>::zeros();
        theta.fixed_rows_mut::<5>(0).copy_from(&second.place_of_sums());
        let psi = Psi::new(&theta, second.weight)?;
        let mut forms = psi.forms();
        theta.fixed_rows_mut::<5>(5).copy_from_slice(&forms.solve_higher(&light));
        // ∂F/∂θ = (A 0; B -f) with f the weighted flux: its inverse is (A⁻¹ 0; B A⁻¹/f -1/f).
        let (upper, lower) = (&second.jacobian_inverse, forms.jacobian_of_higher(&light) / flux);
        let mut inverse = SMatrix::<f64, 10, 10>::zeros();
        inverse.fixed_view_mut::<5, 5>(0, 0).copy_from(upper);
        inverse.fixed_view_mut::<5, 5>(5, 0).copy_from(&(lower * upper));
        inverse.fixed_view_mut::<5, 5>(5, 5).fill_diagonal(-1.0 / flux);
        let noise = forms.noise(sums, &inverse)?;
        for (first, step) in [(0, second.step), (5, lower * second.step)] {
            theta.fixed_rows_mut::<5>(first).add_assign(&step);
        }
        Some((theta, noise))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_inverse_by_blocks_is_the_inverse() {
        let full = SMatrix::<f64, 5, 5>::from_fn(|i, j| {
            let wave = ((3 * i + 7 * j) as f64).sin();
            if i == j { -3.0 + wave } else { wave }
        });
        let found = inverse(&full, Weight::Adaptive).unwrap();
        assert!((found * full - SMatrix::identity()).abs().max() < 1e-12);
        let mut fixed = full;
        fixed.fixed_view_mut::<2, 3>(0, 2).fill(0.0);
        fixed.fixed_view_mut::<3, 3>(2, 2).copy_from(&(SMatrix::<f64, 3, 3>::identity() * -2.0));
        let found = inverse(&fixed, Weight::Fixed(1.5)).unwrap();
        assert!((found * fixed - SMatrix::identity()).abs().max() < 1e-12);
    }
}
