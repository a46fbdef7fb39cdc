//! The SIP polynomials: a correction to the pixel offset (Shupe et al. 2005, ASP Conf.
//! Ser. 347, 491). The header's own inverse (AP, BP) is approximate and not used.

use super::linear::Matrix;
use crate::frame::card::Header;

/// Highest order the convention allows.
const MOST_ORDER: i64 = 9;

/// One coefficient: factor u^p v^q.
type Term = (i32, i32, f64);

/// Corrections of u and v.
#[derive(Debug, Clone, PartialEq)]
pub struct Sip {
    a: Vec<Term>,
    b: Vec<Term>,
}

impl Sip {
    pub fn from_header(header: &Header) -> Result<Sip, String> {
        Ok(Sip { a: terms(header, "A")?, b: terms(header, "B")? })
    }

    /// The undistorted offset of a pixel offset.
    pub fn apply(&self, [u, v]: [f64; 2]) -> [f64; 2] {
        let sum = |terms: &[Term]| -> f64 { terms.iter().map(|&(p, q, c)| c * u.powi(p) * v.powi(q)).sum() };
        [u + sum(&self.a), v + sum(&self.b)]
    }

    /// d(undistorted)/d(u, v)
    pub fn jacobian(&self, [u, v]: [f64; 2]) -> Matrix {
        let by_u = |terms: &[Term]| -> f64 {
            terms
                .iter()
                .filter(|t| t.0 > 0)
                .map(|&(p, q, c)| c * f64::from(p) * u.powi(p - 1) * v.powi(q))
                .sum()
        };
        let by_v = |terms: &[Term]| -> f64 {
            terms
                .iter()
                .filter(|t| t.1 > 0)
                .map(|&(p, q, c)| c * f64::from(q) * u.powi(p) * v.powi(q - 1))
                .sum()
        };
        [[1.0 + by_u(&self.a), by_v(&self.a)], [by_u(&self.b), 1.0 + by_v(&self.b)]]
    }
}

/// The coefficients `A_p_q` with p + q up to `A_ORDER`.
fn terms(header: &Header, stem: &str) -> Result<Vec<Term>, String> {
    let card = format!("{stem}_ORDER");
    let Some(found) = header.card(&card) else { return Ok(Vec::new()) };
    let order = header
        .integer(&card)
        .filter(|n| (0..=MOST_ORDER).contains(n))
        .ok_or(format!("{card} = {:?} is not 0 to {MOST_ORDER}", found.value))? as i32;
    let mut terms = Vec::new();
    for p in 0..=order {
        for q in 0..=order - p {
            let card = format!("{stem}_{p}_{q}");
            if let Some(found) = header.card(&card) {
                let value = found.number().ok_or(format!("{card} = {:?} is no number", found.value))?;
                terms.push((p, q, value));
            }
        }
    }
    Ok(terms)
}
