//! The third and fourth moments as polynomials in the offset: coma and trefoil, `u = N^(-½) d` to the third power, and
//! kurtosis, `|u|⁴`; with their derivatives, for the propagation of noise ([`super::noise`]).

use std::ops::Range;

use nalgebra::{Matrix2, SVector};

use super::powers::{CUBIC, Cubic, Linear, Poly, Products, QUADRATIC, QUARTIC, Quadratic, Quartic};

/// The polynomials of the higher moments, and with respect to `u` their first derivatives, and the second ones
/// xx, xy and yy.
pub(super) struct Higher {
    pub phi: [Quartic; 5],
    pub gradients: [[Cubic; 2]; 5],
    pub hessians: [[Quadratic; 3]; 5],
}

impl Higher {
    /// Of second moments alone.
    pub const NONE: Self = Self {
        phi: [Quartic::ZERO; 5],
        gradients: [[Cubic::ZERO; 2]; 5],
        hessians: [[Quadratic::ZERO; 3]; 5],
    };

    /// `Σ f φ m` where `with` holds `Σ f m` times the monomials up to degree 4: the moments have but one degree beside
    /// their constant, the third and the fourth.
    #[inline(always)]
    pub fn dots(&self, with: &[f64; QUARTIC]) -> [f64; 5] {
        let dot = |k: usize, degree: Range<usize>| {
            let own = &self.phi[k].0;
            own[0] * with[0] + own[degree.clone()].iter().zip(&with[degree]).map(|(a, b)| a * b).sum::<f64>()
        };
        let third = QUADRATIC..CUBIC;
        [
            dot(0, third.clone()),
            dot(1, third.clone()),
            dot(2, third.clone()),
            dot(3, third),
            dot(4, CUBIC..QUARTIC),
        ]
    }

    /// Of the `k`-th moment, [`Products::with`].
    #[inline(always)]
    pub fn with(&self, k: usize, f: &Products) -> [f64; QUARTIC] {
        let own = &self.phi[k];
        if k < 4 {
            f.with_some::<QUADRATIC, CUBIC, QUARTIC>(&own.0)
        } else {
            f.with_some::<CUBIC, QUARTIC, QUARTIC>(&own.0)
        }
    }

    /// With `u = N^(-½) d`.
    #[inline(always)]
    pub fn new<const N: usize>(theta: &SVector<f64, N>, root: &Matrix2<f64>) -> Self {
        let u = Poly([0.0, root[(0, 0)], root[(0, 1)]]);
        let v = Poly([0.0, root[(1, 0)], root[(1, 1)]]);
        let mut phi = polynomials(&u, &v);
        for (k, phi) in phi.iter_mut().enumerate() {
            *phi = phi.plus_constant(-theta[5 + k]);
        }
        Self { phi, gradients: gradients(&u, &v), hessians: hessians(&u, &v) }
    }
}

/// `u²`, `u v` and `v²`.
#[inline(always)]
fn squares_of(u: &Linear, v: &Linear) -> [Quadratic; 3] {
    [u.times(u), u.times(v), v.times(v)]
}

/// `coma1, coma2, trefoil1, trefoil2, kurtosis` polynomials of `u`.
#[inline(always)]
fn polynomials(u: &Linear, v: &Linear) -> [Quartic; 5] {
    let [uu, _, vv] = squares_of(u, v);
    let r2 = uu.plus(1.0, &vv);
    [
        u.times(&r2),
        v.times(&r2),
        u.times(&uu.plus(-3.0, &vv)),
        v.times(&uu.scaled(3.0).plus(-1.0, &vv)),
        r2.times(&r2),
    ]
}

#[inline(always)]
fn gradients(u: &Linear, v: &Linear) -> [[Cubic; 2]; 5] {
    let [uu, uv, vv] = squares_of(u, v);
    let r2 = uu.plus(1.0, &vv);
    let difference = uu.plus(-1.0, &vv).scaled(3.0).widened();
    let cubed = |w: &Linear| -> Cubic { w.times(&r2) };
    [
        [uu.scaled(3.0).plus(1.0, &vv).widened(), uv.scaled(2.0).widened()],
        [uv.scaled(2.0).widened(), uu.plus(3.0, &vv).widened()],
        [difference, uv.scaled(-6.0).widened()],
        [uv.scaled(6.0).widened(), difference],
        [cubed(u).scaled(4.0), cubed(v).scaled(4.0)],
    ]
}

#[inline(always)]
fn hessians(u: &Linear, v: &Linear) -> [[Quadratic; 3]; 5] {
    let [uu, uv, vv] = squares_of(u, v);
    let times = |w: &Linear, factor: f64| w.scaled(factor).widened();
    [
        [times(u, 6.0), times(v, 2.0), times(u, 2.0)],
        [times(v, 2.0), times(u, 2.0), times(v, 6.0)],
        [times(u, 6.0), times(v, -6.0), times(u, -6.0)],
        [times(v, 6.0), times(u, 6.0), times(v, -6.0)],
        [uu.scaled(12.0).plus(4.0, &vv), uv.scaled(8.0), uu.scaled(4.0).plus(12.0, &vv)],
    ]
}

/// `N^(-½)` with `N = scale M`, and its derivatives with respect to `Mxx`, `Mxy`, `Myy`.
#[derive(Default, Clone)]
pub(super) struct InverseRoot {
    pub value: Matrix2<f64>,
    pub first: [Matrix2<f64>; 3],
    pub second: [[Matrix2<f64>; 3]; 3],
}

impl InverseRoot {
    /// With `s = √det N` and `h = 1/(s √(tr N + 2 s))` it is `h A`, `A = adj N + s I`, since `(N + s I)/√(tr N + 2 s)` is the
    /// root of `N`. The derivatives of `s` and `ln h` give those of the product.
    pub fn new(m: [f64; 3], scale: f64) -> Option<Self> {
        let [xx, xy, yy] = m.map(|value| value * scale);
        let det = xx * yy - xy * xy;
        if det.is_nan() || det <= 0.0 || xx <= 0.0 {
            return None;
        }
        let s = det.sqrt();
        let trace = xx + yy + 2.0 * s;
        let h = 1.0 / (s * trace.sqrt());
        let adjoint = Matrix2::new(yy + s, -xy, -xy, xx + s);
        // `_1` and `_2` are first and second derivatives with respect to Nxx, Nxy, Nyy.
        let (det_1, det_2) = ([yy, -2.0 * xy, xx], [[0.0, 0.0, 1.0], [0.0, -2.0, 0.0], [1.0, 0.0, 0.0]]);
        let s_1 = det_1.map(|d| d / (2.0 * s));
        let trace_1 = [1.0 + 2.0 * s_1[0], 2.0 * s_1[1], 1.0 + 2.0 * s_1[2]];
        let log_h_1: [f64; 3] = std::array::from_fn(|l| -0.5 * trace_1[l] / trace - s_1[l] / s);
        let without_s = [[0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [1.0, 0.0, 0.0]];
        let adjoint_1: [Matrix2<f64>; 3] = std::array::from_fn(|l| {
            let [corner, side, other] = without_s[l];
            Matrix2::new(corner + s_1[l], side, side, other + s_1[l])
        });
        let mut root = Self { value: adjoint * h, ..Self::default() };
        for l in 0..3 {
            root.first[l] = (adjoint * log_h_1[l] + adjoint_1[l]) * (h * scale);
            for k in 0..=l {
                let s_2 = (0.5 * det_2[l][k] - s_1[l] * s_1[k]) / s;
                let log_h_2 = -0.5 * (2.0 * s_2 - trace_1[l] * trace_1[k] / trace) / trace
                    - (s_2 - s_1[l] * s_1[k] / s) / s;
                let second = adjoint * (log_h_1[l] * log_h_1[k] + log_h_2)
                    + adjoint_1[k] * log_h_1[l]
                    + adjoint_1[l] * log_h_1[k]
                    + Matrix2::from_diagonal_element(s_2);
                root.second[l][k] = second * (h * scale * scale);
                root.second[k][l] = root.second[l][k];
            }
        }
        Some(root)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn derivatives_of_the_inverse_root_are_its_differences() {
        let (m, scale, step) = ([3.0, 0.8, 2.1], 2.0, 1e-4);
        let root = InverseRoot::new(m, scale).unwrap();
        let moved = |l: usize, by: f64| {
            let mut moved = m;
            moved[l] += by;
            InverseRoot::new(moved, scale).unwrap()
        };
        let n = Matrix2::new(m[0], m[1], m[1], m[2]) * scale;
        assert!((root.value * n * root.value - Matrix2::identity()).abs().max() < 1e-14);
        for l in 0..3 {
            let (more, less) = (moved(l, step), moved(l, -step));
            let first = (more.value - less.value) / (2.0 * step);
            assert!((root.first[l] - first).abs().max() < 1e-8, "{l}");
            for k in 0..3 {
                let second = (more.first[k] - less.first[k]) / (2.0 * step);
                assert!((root.second[l][k] - second).abs().max() < 1e-8, "{l} {k}");
            }
        }
    }
}
