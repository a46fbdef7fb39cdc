//! Moments of the weighted image: `S_pq = Σ I W dxᵖ dy^q`, and what follows from them for the
//! second moments: the estimating equations, their Jacobian, and their answer to jitter.

use nalgebra::{SMatrix, SVector};

use super::grid::{Grid, PowerSums};
use super::pixels::{Gaussian, Pixels};
use super::powers::place;

/// An image whose sums under a weight can be had.
pub trait Image {
    fn sums(&self, weight: &Gaussian) -> Sums;
    /// The sums, and what noise does to them, under a weight that follows the moments or is fixed.
    fn with_noise(&self, weight: &Gaussian, adaptive: bool) -> WithNoise;
}

/// The sums under a solved weight.
pub struct WithNoise {
    pub sums: Sums,
    /// `Σ W² v`
    pub variance: f64,
    /// Of a cut-out: up to order 8 under an adaptive weight, under a fixed one as far as its noise needs.
    pub powers: Option<Box<PowerSums>>,
}

impl Image for Pixels {
    fn sums(&self, weight: &Gaussian) -> Sums {
        Sums::new(self, weight)
    }

    fn with_noise(&self, weight: &Gaussian, _: bool) -> WithNoise {
        let mut total = 0.0;
        self.for_each_weighted(weight, |_, _, w, _, variance| total += w * w * variance);
        WithNoise { sums: self.sums(weight), variance: total, powers: None }
    }
}

impl Image for Grid {
    fn sums(&self, weight: &Gaussian) -> Sums {
        Sums::of_powers(&self.light(weight))
    }

    fn with_noise(&self, weight: &Gaussian, adaptive: bool) -> WithNoise {
        let powers = if adaptive { self.light_and_power(weight) } else { self.under_fixed(weight) };
        let sums = Sums::of_powers(&powers.light);
        WithNoise { sums, variance: powers.power[0], powers: Some(Box::new(powers)) }
    }
}

/// `S_pq` for `p + q ≤ 4`.
pub struct Sums {
    s: [[f64; 5]; 5],
}

impl Sums {
    pub fn new(pixels: &Pixels, weight: &Gaussian) -> Self {
        let mut s = [[0.0; 5]; 5];
        pixels.for_each_row(weight, |row| {
            let mut along = [0.0; 5];
            row.for_each(|dx, w, value, _| {
                let mut term = w * value;
                for sum in &mut along {
                    *sum += term;
                    term *= dx;
                }
            });
            for (p, sum) in along.into_iter().enumerate() {
                let mut term = sum;
                for s in &mut s[p][..5 - p] {
                    *s += term;
                    term *= row.dy;
                }
            }
        });
        Self { s }
    }

    /// From sums ordered as [`place`] does.
    pub fn of_powers(powers: &[f64]) -> Self {
        let mut s = [[0.0; 5]; 5];
        for (p, s) in s.iter_mut().enumerate() {
            for (q, s) in s[..5 - p].iter_mut().enumerate() {
                *s = powers[place(p, q)];
            }
        }
        Self { s }
    }

    /// `S_pq`.
    pub fn get(&self, p: usize, q: usize) -> f64 {
        self.s[p][q]
    }

    /// `[Mxx, Mxy, Myy]` about the centre of the weight.
    pub fn second_moments(&self) -> [f64; 3] {
        [(2, 0), (1, 1), (0, 2)].map(|(p, q)| self.s[p][q] / self.s[0][0])
    }

    /// `∂ Σ I W/∂θ`, see [`Sums::jacobian`].
    pub fn slope_of_flux(&self, weight: &Gaussian, adaptive: bool) -> SVector<f64, 5> {
        let (s, &Gaussian { pxx, pxy, pyy, .. }) = (&self.s, weight);
        let of = |a: f64, b: f64, c: f64| a * s[2][0] + b * s[1][1] + c * s[0][2];
        let [xx, xy, yy] = [
            of(pxx * pxx, 2.0 * pxx * pxy, pxy * pxy),
            of(pxx * pxy, pxx * pyy + pxy * pxy, pxy * pyy),
            of(pxy * pxy, 2.0 * pxy * pyy, pyy * pyy),
        ];
        let of_m = if adaptive { [0.5 * xx, xy, 0.5 * yy] } else { [0.0; 3] };
        let (x, y) = (pxx * s[1][0] + pxy * s[0][1], pxy * s[1][0] + pyy * s[0][1]);
        SVector::from([x, y, of_m[0], of_m[1], of_m[2]])
    }

    /// `Σ I ψ`, rows 0 to 4, for moments `m = [Mxx, Mxy, Myy]`.
    pub fn equations(&self, a: f64, m: [f64; 3]) -> SVector<f64, 5> {
        self.times(0, 0, a, m)
    }

    /// `Σ I dxᵖ dy^q ψ`.
    fn times(&self, p: usize, q: usize, a: f64, m: [f64; 3]) -> SVector<f64, 5> {
        let s = |i: usize, j: usize| self.s[p + i][q + j];
        SVector::from([
            s(1, 0),
            s(0, 1),
            s(2, 0) - a * m[0] * s(0, 0),
            s(1, 1) - a * m[1] * s(0, 0),
            s(0, 2) - a * m[2] * s(0, 0),
        ])
    }

    /// `∂F/∂θ = Σ I (∂ ln W/∂θ ψ + W ∂φ/∂θ)` with `ψ = W φ`. Under `W = exp(-½ dᵀ P d)` and with
    /// `g = P d` the logarithm's derivative is `g` for the centre; for an adaptive weight,
    /// where `P = M⁻¹`, it is `½ gx²`, `gx gy`, `½ gy²` for `Mxx`, `Mxy`, `Myy`.
    pub fn jacobian(&self, weight: &Gaussian, adaptive: bool, a: f64, m: [f64; 3]) -> SMatrix<f64, 5, 5> {
        let psi = |p, q| self.times(p, q, a, m);
        let [x, y] = [psi(1, 0), psi(0, 1)];
        let mut j = SMatrix::<f64, 5, 5>::zeros();
        j.set_column(0, &(x * weight.pxx + y * weight.pxy));
        j.set_column(1, &(x * weight.pxy + y * weight.pyy));
        if adaptive {
            let [xx, xy, yy] = self.gradient_squares(weight, a, m);
            j.set_column(2, &(xx * 0.5));
            j.set_column(3, &xy);
            j.set_column(4, &(yy * 0.5));
        }
        let s = &self.s;
        j[(0, 0)] -= s[0][0];
        j[(1, 1)] -= s[0][0];
        j[(2, 0)] -= 2.0 * s[1][0];
        j[(3, 0)] -= s[0][1];
        j[(3, 1)] -= s[1][0];
        j[(4, 1)] -= 2.0 * s[0][1];
        for k in 2..5 {
            j[(k, k)] -= a * s[0][0];
        }
        j
    }

    /// `∂²F/∂x²` and `∂²F/∂y²`: by `∂²(Wφ) = W ((g² - P) φ + 2 g ∂φ + ∂²φ)`.
    pub fn curvature_of_centre(&self, weight: &Gaussian, a: f64, m: [f64; 3]) -> [SVector<f64, 5>; 2] {
        let [xx, _, yy] = self.gradient_squares(weight, a, m);
        let flat = self.equations(a, m);
        let s = &self.s;
        // Σ I W g, Σ I W dx g and Σ I W dy g, for the x and the y component of g.
        let g = |row: [f64; 2], p: usize, q: usize| row[0] * s[p + 1][q] + row[1] * s[p][q + 1];
        let (px, py) = ([weight.pxx, weight.pxy], [weight.pxy, weight.pyy]);
        let slope_x = SVector::from([-g(px, 0, 0), 0.0, -2.0 * g(px, 1, 0), -g(px, 0, 1), 0.0]);
        let slope_y = SVector::from([0.0, -g(py, 0, 0), 0.0, -g(py, 1, 0), -2.0 * g(py, 0, 1)]);
        let along_x = xx - flat * weight.pxx + slope_x * 2.0;
        let along_y = yy - flat * weight.pyy + slope_y * 2.0;
        let twice = 2.0 * s[0][0];
        [
            along_x + SVector::from([0.0, 0.0, twice, 0.0, 0.0]),
            along_y + SVector::from([0.0, 0.0, 0.0, 0.0, twice]),
        ]
    }

    /// `Σ I ψ` times `gx²`, `gx gy` and `gy²`.
    fn gradient_squares(&self, weight: &Gaussian, a: f64, m: [f64; 3]) -> [SVector<f64, 5>; 3] {
        let &Gaussian { pxx, pxy, pyy, .. } = weight;
        let [xx, xy, yy] = [(2, 0), (1, 1), (0, 2)].map(|(p, q)| self.times(p, q, a, m));
        [
            xx * (pxx * pxx) + xy * (2.0 * pxx * pxy) + yy * (pxy * pxy),
            xx * (pxx * pxy) + xy * (pxx * pyy + pxy * pxy) + yy * (pxy * pyy),
            xx * (pxy * pxy) + xy * (2.0 * pxy * pyy) + yy * (pyy * pyy),
        ]
    }
}
