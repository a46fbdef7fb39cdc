//! The distribution of a weighted sum of non-central chi-squares.

use std::f64::consts::PI;

use nalgebra::Complex;
use statrs::distribution::{ContinuousCDF, Normal};

/// One term `lambda * chi2(dof, noncentrality)`: `lambda` above zero, `dof` above zero (not
/// necessarily whole), `noncentrality` the sum of the squared means in units of the noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    pub lambda: f64,
    pub dof: f64,
    pub noncentrality: f64,
}

/// `Q = sum_j lambda_j chi2(dof_j, noncentrality_j)`, independent terms.
#[derive(Debug, Clone, PartialEq)]
pub struct QuadraticForm {
    terms: Vec<Term>,
}

/// Below this probability the inversion integral, good to about 1e-9, is no longer
/// trusted and the saddlepoint approximation (a few per cent, relative) takes over.
const TAIL: f64 = 1e-6;
/// Error allowed in the inversion integral.
const ACCURACY: f64 = 1e-9;
/// Most points of the trapezoidal rule; where more are needed the bent contour is used.
const MOST_POINTS: f64 = 3000.0;

/// Terms beyond which those alike are joined: the form of a thousand exposures has ten thousand.
const MANY_TERMS: usize = 1000;
/// Weights joined differ by no more than this share, so that the variance is off by its square at most.
const ALIKE: f64 = 0.01;

/// Terms of nearly the same weight as one, of all their degrees of freedom and non-centrality, and with the
/// mean that they have together.
fn joined(mut terms: Vec<Term>) -> Vec<Term> {
    terms.sort_by(|a, b| a.lambda.total_cmp(&b.lambda));
    let mut found: Vec<Term> = Vec::new();
    let mut rest = &terms[..];
    while let Some(first) = rest.first() {
        let most = (1.0 + ALIKE) * first.lambda;
        let (alike, others) = rest.split_at(rest.partition_point(|t| t.lambda <= most));
        let dof = alike.iter().map(|t| t.dof).sum::<f64>();
        let noncentrality = alike.iter().map(|t| t.noncentrality).sum::<f64>();
        let mean = alike.iter().map(|t| t.lambda * (t.dof + t.noncentrality)).sum::<f64>();
        found.push(Term { lambda: mean / (dof + noncentrality), dof, noncentrality });
        rest = others;
    }
    found
}

impl QuadraticForm {
    /// Terms whose weight or degrees of freedom are not above zero add nothing and are dropped. Of very many,
    /// those of nearly the same weight are joined.
    pub fn new(terms: impl IntoIterator<Item = Term>) -> Self {
        let terms: Vec<Term> = terms.into_iter().filter(|t| t.lambda > 0.0 && t.dof > 0.0).collect();
        Self { terms: if terms.len() > MANY_TERMS { joined(terms) } else { terms } }
    }

    pub fn mean(&self) -> f64 {
        self.terms.iter().map(|t| t.lambda * (t.dof + t.noncentrality)).sum()
    }

    pub fn variance(&self) -> f64 {
        self.terms.iter().map(|t| 2.0 * t.lambda.powi(2) * (t.dof + 2.0 * t.noncentrality)).sum()
    }

    /// `P(Q > x)`.
    ///
    /// Imhof (1961, Biometrika 48, 419) inverts the characteristic function; the sum is
    /// Davies's (1973, Biometrika 60, 415) midpoint rule. Few terms, whose integrand dies
    /// away slowly, take the same inversion on a contour bent around the singularities
    /// (Talbot 1979, J. Inst. Maths Applics 23, 97). Tail probabilities below 1e-6 come from the
    /// saddlepoint approximation of Lugannani & Rice as Kuonen (1999, Biometrika 86, 929)
    /// applies it to quadratic forms.
    pub fn survival(&self, x: f64) -> f64 {
        if self.terms.is_empty() {
            return if x < 0.0 { 1.0 } else { 0.0 };
        }
        if x <= 0.0 {
            return 1.0;
        }
        if x.is_nan() {
            return f64::NAN;
        }
        let approximate = self.saddlepoint_survival(x);
        if approximate.min(1.0 - approximate) < TAIL {
            return approximate;
        }
        let exact = match self.imhof_survival(x) {
            Some(p) => p,
            None => 1.0 - self.bent_contour_cdf(x),
        };
        // An inversion that strays from the approximation has met its limits.
        if exact.is_finite() && exact > 0.0 && exact < 1.0 && (exact - approximate).abs() < 0.1 {
            exact
        } else {
            approximate
        }
    }

    /// `P(Q <= x)`.
    pub fn cdf(&self, x: f64) -> f64 {
        1.0 - self.survival(x)
    }

    /// The point that Q does not exceed with probability `p`.
    pub fn quantile(&self, p: f64) -> Option<f64> {
        if !(p > 0.0 && p < 1.0) || self.terms.is_empty() {
            return None;
        }
        super::root::crossing_above(|x| self.cdf(x) - p, 0.0, self.mean(), 1e-9)
    }

    /// `1/2 + (1/pi) int_0^inf sin(theta(u)) / (u rho(u)) du`, or none where too many
    /// points would be needed.
    fn imhof_survival(&self, x: f64) -> Option<f64> {
        // The midpoint rule of step h folds in the mass of Q further than 2 pi / h from x.
        let largest = self.terms.iter().map(|t| t.lambda).fold(0.0, f64::max);
        let reach = self.mean() + 7.0 * self.variance().sqrt() + 50.0 * largest;
        let step = 2.0 * PI / reach.max(1.01 * x);
        let end = self.end_of_integrand()?;
        let points = (end / step).ceil();
        if points > MOST_POINTS {
            return None;
        }
        let mut sum = 0.0;
        for k in 0..points as usize {
            let u = (k as f64 + 0.5) * step;
            let (theta, ln_rho) = self.phase_and_decay(u, x);
            sum += theta.sin() / (u * ln_rho.exp());
        }
        Some(0.5 + sum * step / PI)
    }

    fn phase_and_decay(&self, u: f64, x: f64) -> (f64, f64) {
        let (mut theta, mut ln_rho) = (-0.5 * x * u, 0.0);
        for t in &self.terms {
            let a = t.lambda * u;
            let square = a * a;
            theta += 0.5 * (t.dof * a.atan() + t.noncentrality * a / (1.0 + square));
            ln_rho += 0.25 * t.dof * square.ln_1p() + 0.5 * t.noncentrality * square / (1.0 + square);
        }
        (theta, ln_rho)
    }

    /// Where `1 / rho` has fallen below the accuracy, with its algebraic tail.
    fn end_of_integrand(&self) -> Option<f64> {
        let dof: f64 = self.terms.iter().map(|t| t.dof).sum();
        let mut u = 1.0 / self.variance().sqrt();
        for _ in 0..120 {
            let ln_rho = self.phase_and_decay(u, 0.0).1;
            if -ln_rho - (0.5 * PI * dof).ln().max(0.0) < ACCURACY.ln() {
                return Some(u);
            }
            u *= 1.2;
        }
        None
    }

    /// `P(Q <= x)` as the inverse Laplace transform of `M(-p)/p` on Talbot's contour,
    /// `p(a) = (n/x)(0.5017 a cot(0.6407 a) - 0.6122 + 0.2645 i a)`, midpoint rule on -pi..pi
    /// (coefficients of Weideman 2006, SIAM J. Numer. Anal. 44, 2342).
    fn bent_contour_cdf(&self, x: f64) -> f64 {
        let nodes = 32;
        let scale = nodes as f64 / x;
        let mut sum = 0.0;
        // The integrand at -a is the conjugate: half of the contour, real part doubled.
        for k in 0..nodes / 2 {
            let a = (2 * k + 1) as f64 * PI / nodes as f64;
            let (sin, cos) = (0.6407 * a).sin_cos();
            let cot = cos / sin;
            let p = Complex::new(0.5017 * a * cot - 0.6122, 0.2645 * a) * scale;
            let dp = Complex::new(0.5017 * (cot - 0.6407 * a / (sin * sin)), 0.2645) * scale;
            let value = (p * x + self.ln_laplace(p)).exp() / p * dp;
            sum += 2.0 * value.im;
        }
        sum / nodes as f64
    }

    /// `ln E exp(-p Q)`.
    fn ln_laplace(&self, p: Complex<f64>) -> Complex<f64> {
        self.terms.iter().fold(Complex::new(0.0, 0.0), |sum, t| {
            let d = p * (2.0 * t.lambda) + 1.0;
            sum - d.ln() * (0.5 * t.dof) - p * (t.noncentrality * t.lambda) / d
        })
    }

    /// Lugannani-Rice tail probability at the saddlepoint `K'(s) = x`.
    fn saddlepoint_survival(&self, x: f64) -> f64 {
        let largest = self.terms.iter().map(|t| t.lambda).fold(0.0, f64::max);
        let (mut low, mut high) = (f64::NEG_INFINITY, 0.5 / largest);
        let mut s = 0.0;
        for _ in 0..200 {
            let (_, slope, curvature) = self.cumulants(s);
            let miss = slope - x;
            if miss.abs() < 1e-10 * x {
                break;
            }
            if miss > 0.0 {
                high = s
            } else {
                low = s
            }
            let newton = s - miss / curvature;
            s = if newton > low && newton < high {
                newton
            } else if low.is_finite() {
                0.5 * (low + high)
            } else {
                2.0 * s - 1.0 / largest
            };
        }
        let (k, _, curvature) = self.cumulants(s);
        let w = s.signum() * (2.0 * (s * x - k)).max(0.0).sqrt();
        let v = s * curvature.sqrt();
        let normal = Normal::standard();
        if w.abs() < 1e-4 {
            // At the mean: Q is close to Gaussian there up to its skewness.
            let skewness = self.third_cumulant() / curvature.powf(1.5);
            return 0.5 - skewness / (6.0 * (2.0 * PI).sqrt());
        }
        normal.sf(w + (v / w).ln() / w)
    }

    /// Cumulant generating function and its first two derivatives.
    fn cumulants(&self, s: f64) -> (f64, f64, f64) {
        self.terms.iter().fold((0.0, 0.0, 0.0), |(k, k1, k2), t| {
            let d = 1.0 - 2.0 * s * t.lambda;
            (
                k - 0.5 * t.dof * d.ln() + t.noncentrality * t.lambda * s / d,
                k1 + t.lambda * (t.dof / d + t.noncentrality / (d * d)),
                k2 + 2.0 * t.lambda.powi(2) * (t.dof / (d * d) + 2.0 * t.noncentrality / d.powi(3)),
            )
        })
    }

    fn third_cumulant(&self) -> f64 {
        self.terms.iter().map(|t| 8.0 * t.lambda.powi(3) * (t.dof + 3.0 * t.noncentrality)).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::ChiSquared;

    fn form(terms: &[(f64, f64, f64)]) -> QuadraticForm {
        QuadraticForm::new(terms.iter().map(|&(lambda, dof, noncentrality)| Term {
            lambda,
            dof,
            noncentrality,
        }))
    }

    #[test]
    fn joining_many_terms_moves_no_bound() {
        // Weights over a decade, as the modes of a long stack have them.
        let term = |k: usize| {
            let lambda = 10f64.powf((k as f64 / 3000.0).sin());
            Term { lambda, dof: 0.9, noncentrality: 0.3 * (k % 7) as f64 }
        };
        let terms: Vec<Term> = (0..3000).map(term).collect();
        let (joined, all) = (QuadraticForm::new(terms.clone()), QuadraticForm { terms });
        assert!(joined.terms.len() < 300);
        assert!((joined.mean() / all.mean() - 1.0).abs() < 1e-12);
        assert!((joined.variance() / all.variance() - 1.0).abs() < ALIKE * ALIKE);
        for p in [0.025, 0.5, 0.975] {
            let (a, b) = (joined.quantile(p).unwrap(), all.quantile(p).unwrap());
            assert!((a / b - 1.0).abs() < 1e-6, "{p}: {a} {b}");
        }
    }

    #[test]
    fn equal_weights_are_a_chi_square() {
        for dof in [1.0, 2.0, 3.0, 5.0, 12.0, 66.0, 400.0] {
            let chi2 = ChiSquared::new(dof).unwrap();
            let q = form(&[(0.7, dof, 0.0)]);
            for p in [1e-4, 0.01, 0.025, 0.3, 0.5, 0.9, 0.975, 0.9999] {
                let x = 0.7 * chi2.inverse_cdf(p);
                let found = q.cdf(x);
                assert!((found - p).abs() < 2e-7, "dof {dof} p {p} found {found}");
            }
        }
    }

    #[test]
    fn splitting_a_term_changes_nothing() {
        let whole = form(&[(2.0, 4.0, 6.0), (0.1, 3.0, 2.0)]);
        let split =
            form(&[(2.0, 1.0, 5.0), (2.0, 3.0, 1.0), (0.1, 2.0, 0.0), (0.1, 1.0, 2.0), (0.0, 5.0, 0.0)]);
        for x in [2.0, 10.0, 20.0, 60.0] {
            assert!((whole.cdf(x) - split.cdf(x)).abs() < 1e-12);
        }
    }

    #[test]
    fn tails_stay_probabilities_and_fall() {
        for q in [
            form(&[(1.0, 1.0, 0.0)]),
            form(&[(1.0, 2.0, 9.0), (1e-4, 50.0, 3.0)]),
            form(&[(3.0, 200.0, 1e4)]),
        ] {
            let (mean, sd) = (q.mean(), q.variance().sqrt());
            let mut last = 1.0;
            for k in 0..400 {
                let x = mean * 1e-3 + sd * 0.1 * k as f64;
                let p = q.survival(x);
                assert!((0.0..=1.0).contains(&p));
                assert!(p <= last + 2e-7, "x {x}: {p} after {last}");
                last = p;
            }
            assert!(q.survival(mean + 1e4 * sd) < 1e-30);
        }
    }

    #[test]
    fn quantile_inverts_the_distribution() {
        let q = form(&[(1.0, 2.0, 3.0), (0.2, 7.0, 0.0)]);
        let x = q.quantile(0.975).unwrap();
        assert!((q.cdf(x) - 0.975).abs() < 1e-7);
        assert_eq!(q.quantile(1.0), None);
        assert_eq!(form(&[]).quantile(0.5), None);
    }
}
