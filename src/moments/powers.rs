//! Sums of powers `S_pq = Σ f dxᵖ dy^q` over the pixels of a cut-out, and polynomials in the offset
//! `(dx, dy)` from a centre: `Σ f a(d) b(d)` of two polynomials follows from the sums alone.

/// Numbers of coefficients of a polynomial of degree 1, 2, 3 and 4.
pub const LINEAR: usize = 3;
pub const QUADRATIC: usize = 6;
pub const CUBIC: usize = 10;
pub const QUARTIC: usize = 15;
/// Of all `S_pq` up to order 8.
pub const SUMS: usize = 45;

/// Place of `dxᵖ dy^q` among the monomials, by degree, then by `q`.
pub const fn place(p: usize, q: usize) -> usize {
    (p + q) * (p + q + 1) / 2 + q
}

/// `(p, q)` of the monomials up to degree 4.
const EXPONENTS: [(usize, usize); QUARTIC] = {
    let mut exponents = [(0, 0); QUARTIC];
    let mut degree = 0;
    while degree < 5 {
        let mut q = 0;
        while q <= degree {
            exponents[place(degree - q, q)] = (degree - q, q);
            q += 1;
        }
        degree += 1;
    }
    exponents
};

/// Place of the product of two monomials.
const PRODUCT: [[usize; QUARTIC]; QUARTIC] = {
    let mut places = [[0; QUARTIC]; QUARTIC];
    let mut i = 0;
    while i < QUARTIC {
        let mut j = 0;
        while j < QUARTIC {
            places[i][j] = place(EXPONENTS[i].0 + EXPONENTS[j].0, EXPONENTS[i].1 + EXPONENTS[j].1);
            j += 1;
        }
        i += 1;
    }
    places
};

/// A polynomial in the offset, with so many coefficients: sizes known to the compiler keep its sums in registers.
#[derive(Debug, Clone, Copy)]
pub struct Poly<const TERMS: usize>(pub [f64; TERMS]);

pub type Linear = Poly<LINEAR>;
pub type Quadratic = Poly<QUADRATIC>;
pub type Cubic = Poly<CUBIC>;
pub type Quartic = Poly<QUARTIC>;

pub const DX: Linear = Poly([0.0, 1.0, 0.0]);
pub const DY: Linear = Poly([0.0, 0.0, 1.0]);

impl<const TERMS: usize> Poly<TERMS> {
    pub const ZERO: Self = Self([0.0; TERMS]);

    /// Plus `factor` times another of no higher degree.
    #[inline(always)]
    pub fn plus<const OTHER: usize>(mut self, factor: f64, other: &Poly<OTHER>) -> Self {
        for (own, other) in self.0.iter_mut().zip(&other.0) {
            *own += factor * other;
        }
        self
    }

    #[inline(always)]
    pub fn plus_constant(mut self, value: f64) -> Self {
        self.0[0] += value;
        self
    }

    #[inline(always)]
    pub fn scaled(self, factor: f64) -> Self {
        Self(self.0.map(|value| value * factor))
    }

    /// The same with room for higher powers.
    #[inline(always)]
    pub fn widened<const WIDE: usize>(&self) -> Poly<WIDE> {
        Poly::<WIDE>::ZERO.plus(1.0, self)
    }

    /// The product, which `PRODUCT_TERMS` must hold.
    #[inline(always)]
    pub fn times<const OTHER: usize, const PRODUCT_TERMS: usize>(
        &self,
        other: &Poly<OTHER>,
    ) -> Poly<PRODUCT_TERMS> {
        let mut c = [0.0; PRODUCT_TERMS];
        for i in 0..TERMS {
            for j in 0..OTHER {
                c[PRODUCT[i][j]] += self.0[i] * other.0[j];
            }
        }
        Poly(c)
    }

    /// `Σ f a(d) b(d)` where `with` is [`Products::with`] of b.
    #[inline(always)]
    pub fn dot<const WITH: usize>(&self, with: &[f64; WITH]) -> f64 {
        self.0.iter().zip(with).map(|(a, b)| a * b).sum()
    }
}

/// `S` of products of monomials.
pub struct Products<'a>(pub &'a [f64; SUMS]);

impl Products<'_> {
    /// `Σ f m(d) a(d)` for the first monomials m.
    #[inline(always)]
    pub fn with<const TERMS: usize, const MONOMIALS: usize>(&self, a: &Poly<TERMS>) -> [f64; MONOMIALS] {
        let mut out = [0.0; MONOMIALS];
        for (a, places) in a.0.iter().zip(&PRODUCT) {
            for (out, at) in out.iter_mut().zip(places) {
                *out += a * self.0[*at];
            }
        }
        out
    }

    /// As [`Products::with`], of a polynomial whose coefficients but the constant and those `FROM..TO` are zero.
    #[inline(always)]
    pub fn with_some<const FROM: usize, const TO: usize, const MONOMIALS: usize>(
        &self,
        a: &[f64],
    ) -> [f64; MONOMIALS] {
        let mut out: [f64; MONOMIALS] = std::array::from_fn(|k| a[0] * self.0[k]);
        for i in FROM..TO {
            for (out, at) in out.iter_mut().zip(&PRODUCT[i]) {
                *out += a[i] * self.0[*at];
            }
        }
        out
    }

    /// `Σ f a(d)`
    #[inline(always)]
    pub fn of<const TERMS: usize>(&self, a: &Poly<TERMS>) -> f64 {
        a.0.iter().zip(self.0).map(|(a, s)| a * s).sum()
    }

    /// `Σ f dx a(d)` and `Σ f dy a(d)`
    #[inline(always)]
    pub fn moments_of<const TERMS: usize>(&self, a: &Poly<TERMS>) -> [f64; 2] {
        let with: [f64; LINEAR] = self.with(a);
        [with[1], with[2]]
    }
}
