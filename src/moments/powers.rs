//! Sums of powers `S_pq = Σ f dxᵖ dy^q` over the pixels of a cut-out, and polynomials in the offset
//! `(dx, dy)` from a centre: `Σ f a(d) b(d)` of two polynomials follows from the sums alone.

/// Numbers of coefficients up to degree 0 to 4.
pub const UP_TO: [usize; 5] = [1, 3, 6, 10, 15];
/// Of all `S_pq` up to order 8.
pub const SUMS: usize = 45;

/// Place of `dxᵖ dy^q` among the monomials, by degree, then by `q`.
pub const fn place(p: usize, q: usize) -> usize {
    (p + q) * (p + q + 1) / 2 + q
}

/// `(p, q)` of the monomials up to degree 4.
const EXPONENTS: [(usize, usize); 15] = {
    let mut exponents = [(0, 0); 15];
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
const PRODUCT: [[usize; 15]; 15] = {
    let mut places = [[0; 15]; 15];
    let mut i = 0;
    while i < 15 {
        let mut j = 0;
        while j < 15 {
            places[i][j] = place(EXPONENTS[i].0 + EXPONENTS[j].0, EXPONENTS[i].1 + EXPONENTS[j].1);
            j += 1;
        }
        i += 1;
    }
    places
};

/// A polynomial of degree 4 at most in the offset.
#[derive(Debug, Clone, Copy)]
pub struct Poly {
    pub c: [f64; 15],
    pub degree: usize,
}

impl Poly {
    pub const fn constant(value: f64) -> Self {
        let mut c = [0.0; 15];
        c[0] = value;
        Self { c, degree: 0 }
    }

    /// `a dx + b dy + c`
    pub const fn linear(a: f64, b: f64, constant: f64) -> Self {
        let mut c = [0.0; 15];
        (c[0], c[1], c[2]) = (constant, a, b);
        Self { c, degree: 1 }
    }

    fn coefficients(&self) -> &[f64] {
        &self.c[..UP_TO[self.degree]]
    }

    /// Adds `factor` times another.
    #[inline]
    pub fn add(&mut self, factor: f64, other: &Poly) {
        for (own, other) in self.c.iter_mut().zip(other.coefficients()) {
            *own += factor * other;
        }
        self.degree = self.degree.max(other.degree);
    }

    #[inline]
    pub fn plus(mut self, factor: f64, other: &Poly) -> Self {
        self.add(factor, other);
        self
    }

    pub fn scaled(self, factor: f64) -> Self {
        Self { c: self.c.map(|value| value * factor), degree: self.degree }
    }

    /// The product; of degree 4 at most.
    #[inline]
    pub fn times(&self, other: &Poly) -> Self {
        let degree = self.degree + other.degree;
        debug_assert!(degree <= 4);
        let mut c = [0.0; 15];
        for (i, a) in self.coefficients().iter().enumerate() {
            for (b, at) in other.coefficients().iter().zip(&PRODUCT[i]) {
                c[*at] += a * b;
            }
        }
        Self { c, degree }
    }
}

/// `S` of products: row i, column j holds that of monomial i times monomial j.
pub struct Products {
    s: [[f64; 15]; 15],
}

impl Products {
    /// From `S_pq` as [`place`] orders them.
    pub fn new(sums: &[f64; SUMS]) -> Self {
        let mut s = [[0.0; 15]; 15];
        for (row, places) in s.iter_mut().zip(&PRODUCT) {
            for (value, at) in row.iter_mut().zip(places) {
                *value = sums[*at];
            }
        }
        Self { s }
    }

    /// `Σ f m(d) a(d)` for every monomial m.
    #[inline]
    pub fn with(&self, a: &Poly) -> [f64; 15] {
        let mut out = [0.0; 15];
        for (factor, row) in a.coefficients().iter().zip(&self.s) {
            for (out, value) in out.iter_mut().zip(row) {
                *out += factor * value;
            }
        }
        out
    }

    /// `Σ f a(d)`
    #[inline]
    pub fn of(&self, a: &Poly) -> f64 {
        dot(a, &self.s[0])
    }

    /// `Σ f a(d) b(d)`
    #[inline]
    pub fn pair(&self, a: &Poly, b: &Poly) -> f64 {
        a.coefficients().iter().zip(&self.s).map(|(factor, row)| factor * dot(b, row)).sum()
    }
}

/// `Σ f a(d) b(d)` where `with` is [`Products::with`] of b.
#[inline]
pub fn dot(a: &Poly, with: &[f64; 15]) -> f64 {
    a.coefficients().iter().zip(with).map(|(a, b)| a * b).sum()
}
