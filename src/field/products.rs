//! The polynomials behind a basis at many places at once: made where they are asked for, which takes less time than to
//! read them from memory, and no memory.

use super::Basis;

/// Places at once.
pub const LANES: usize = 16;

/// One number a place.
pub type Lanes = [f64; LANES];

/// The Legendre products, of which the functions of a basis are sums ([`Basis::from_products`]), at up to [`LANES`] places.
#[derive(Debug, Clone)]
pub struct Products {
    centre: [f64; 2],
    per_half_width: [f64; 2],
    /// Legendre polynomials in one coordinate, by degree.
    in_x: Vec<Lanes>,
    in_y: Vec<Lanes>,
    values: Vec<Lanes>,
}

impl Products {
    /// Of this basis, at no place yet.
    pub fn of(basis: &Basis) -> Self {
        let (centre, half_width) = basis.frame();
        let polynomials = vec![[0.0; LANES]; basis.degree() + 1];
        Self {
            centre,
            per_half_width: half_width.map(|half| 1.0 / half),
            in_x: polynomials.clone(),
            in_y: polynomials,
            values: vec![[0.0; LANES]; basis.functions()],
        }
    }

    /// The products at the first [`LANES`] of these places, one entry a product; numbers beyond the last place mean
    /// nothing.
    #[inline(always)]
    pub fn at(&mut self, places: impl Iterator<Item = [f64; 2]>) -> &[Lanes] {
        let (mut u, mut v) = ([0.0; LANES], [0.0; LANES]);
        for ((u, v), [x, y]) in u.iter_mut().zip(&mut v).zip(places) {
            *u = (x - self.centre[0]) * self.per_half_width[0];
            *v = (y - self.centre[1]) * self.per_half_width[1];
        }
        legendre(&u, &mut self.in_x);
        legendre(&v, &mut self.in_y);
        let mut values = self.values.iter_mut();
        for total in 0..self.in_x.len() {
            let factors = self.in_x[..=total].iter().rev().zip(&self.in_y);
            for ((in_x, in_y), value) in factors.zip(&mut values) {
                for lane in 0..LANES {
                    value[lane] = in_x[lane] * in_y[lane];
                }
            }
        }
        &self.values
    }
}

/// As the polynomials of one place in `basis`.
#[inline(always)]
fn legendre(u: &Lanes, polynomials: &mut [Lanes]) {
    for k in 0..polynomials.len() {
        let (before, from_here) = polynomials.split_at_mut(k);
        let here = &mut from_here[0];
        // With unit mean square each, P_k of P_(k-1) and P_(k-2).
        let norm = |k: usize| (2.0 * k as f64 + 1.0).sqrt();
        match before {
            [] => *here = [1.0; LANES],
            [_] => (0..LANES).for_each(|lane| here[lane] = norm(1) * u[lane]),
            [.., second, first] => {
                let k_f = k as f64;
                let of_first = (2.0 * k_f - 1.0) / k_f * norm(k) / norm(k - 1);
                let of_second = (k_f - 1.0) / k_f * norm(k) / norm(k - 2);
                for lane in 0..LANES {
                    here[lane] = of_first * u[lane] * first[lane] - of_second * second[lane];
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn functions_are_their_sums_of_the_products() {
        let points: Vec<(f64, f64)> =
            (0..400).map(|k| (900.0 + (k % 20) as f64, 0.5 * (k / 20) as f64)).collect();
        let odd: Vec<(f64, f64)> = points.iter().copied().filter(|(x, y)| x - y < 912.0).collect();
        for degree in 0..=5 {
            let bases =
                [Basis::over_points(&odd, 5), Basis::over_rectangle(899.5, 919.5, -0.5, 10.0, degree)];
            for basis in bases.map(|basis| basis.unwrap().truncated(degree)) {
                let (mut products, map) = (Products::of(&basis), basis.from_products());
                for places in points.chunks(7) {
                    let values = products.at(places.iter().map(|&(x, y)| [x, y])).to_vec();
                    for (lane, &(x, y)) in places.iter().enumerate() {
                        let here = map.clone()
                            * nalgebra::DVector::from_iterator(values.len(), values.iter().map(|v| v[lane]));
                        for (a, b) in here.iter().zip(basis.evaluate(x, y)) {
                            assert!((a - b).abs() < 1e-11 * (1.0 + b.abs()), "{degree}: {a} {b}");
                        }
                    }
                }
            }
        }
    }
}
