//! The third and fourth moments as polynomials in the offset: coma and trefoil, `u = N^(-½) d` to the third power, and
//! kurtosis, `|u|⁴`; with their derivatives, for the propagation of noise ([`super::noise`]).

use nalgebra::{Matrix2, SVector};

use super::powers::{Cubic, Linear, Poly, Quadratic, Quartic};

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

    /// With `u = N^(-½) d`.
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
fn squares_of(u: &Linear, v: &Linear) -> [Quadratic; 3] {
    [u.times(u), u.times(v), v.times(v)]
}

/// `coma1, coma2, trefoil1, trefoil2, kurtosis` polynomials of `u`.
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
    /// The derivatives by central differences: with steps of 3e-4 of `M`, truncation and
    /// rounding stay under 1e-7 of a noise bias that is itself small.
    pub fn new(m: [f64; 3], scale: f64) -> Option<Self> {
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
