//! The TPV polynomials: a correction to the intermediate coordinates (the FITS registry
//! of conventions, "The TPV World Coordinate System Convention").

use super::linear::Matrix;
use crate::frame::card::Header;

/// Highest coefficient of the convention, plus one.
const COEFFICIENTS: usize = 40;

/// Powers of (x, y, r) that go with each coefficient, of the first axis; the second
/// axis has x and y exchanged.
#[rustfmt::skip]
const POWERS: [(i32, i32, i32); COEFFICIENTS] = [
    (0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1), (2, 0, 0), (1, 1, 0), (0, 2, 0), (3, 0, 0),
    (2, 1, 0), (1, 2, 0), (0, 3, 0), (0, 0, 3), (4, 0, 0), (3, 1, 0), (2, 2, 0), (1, 3, 0),
    (0, 4, 0), (5, 0, 0), (4, 1, 0), (3, 2, 0), (2, 3, 0), (1, 4, 0), (0, 5, 0), (0, 0, 5),
    (6, 0, 0), (5, 1, 0), (4, 2, 0), (3, 3, 0), (2, 4, 0), (1, 5, 0), (0, 6, 0), (7, 0, 0),
    (6, 1, 0), (5, 2, 0), (4, 3, 0), (3, 4, 0), (2, 5, 0), (1, 6, 0), (0, 7, 0), (0, 0, 7),
];

/// The coefficients of both axes that are not zero, by number.
#[derive(Debug, Clone, PartialEq)]
pub struct Tpv {
    longitude: Vec<(usize, f64)>,
    latitude: Vec<(usize, f64)>,
}

impl Tpv {
    /// Reads `PVi_k` of the two axes; the linear coefficient is one where it is not given.
    pub fn from_header(header: &Header, lon: usize, lat: usize) -> Result<Tpv, String> {
        Ok(Tpv { longitude: coefficients(header, lon)?, latitude: coefficients(header, lat)? })
    }

    /// True where a TAN header carries PV cards that have no meaning for TAN: the older way
    /// of writing TPV. PV 0 to 4 of the longitude axis can be the native reference point.
    pub fn is_hidden(header: &Header, lon: usize, lat: usize) -> bool {
        (0..COEFFICIENTS).any(|k| {
            header.card(&format!("PV{lat}_{k}")).is_some()
                || (k > 4 && header.card(&format!("PV{lon}_{k}")).is_some())
        })
    }

    /// Undistorted intermediate coordinates, degrees.
    pub fn apply(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [polynomial(&self.longitude, x, y), polynomial(&self.latitude, y, x)]
    }

    /// d(undistorted)/d(x, y)
    pub fn jacobian(&self, [x, y]: [f64; 2]) -> Matrix {
        let first = gradient(&self.longitude, x, y);
        let second = gradient(&self.latitude, y, x);
        [first, [second[1], second[0]]]
    }
}

fn coefficients(header: &Header, axis: usize) -> Result<Vec<(usize, f64)>, String> {
    let mut list = Vec::new();
    for k in 0..COEFFICIENTS {
        let card = format!("PV{axis}_{k}");
        let value = match header.card(&card) {
            Some(found) => found.number().ok_or(format!("{card} = {:?} is no number", found.value))?,
            None if k == 1 => 1.0,
            None => 0.0,
        };
        if value != 0.0 {
            list.push((k, value));
        }
    }
    Ok(list)
}

fn polynomial(terms: &[(usize, f64)], x: f64, y: f64) -> f64 {
    let r = x.hypot(y);
    let term = |&(k, c): &(usize, f64)| {
        let (px, py, pr) = POWERS[k];
        c * x.powi(px) * y.powi(py) * r.powi(pr)
    };
    terms.iter().map(term).sum()
}

/// By the first and second argument.
fn gradient(terms: &[(usize, f64)], x: f64, y: f64) -> [f64; 2] {
    let r = x.hypot(y);
    let slope =
        |power: i32, base: f64| if power == 0 { 0.0 } else { f64::from(power) * base.powi(power - 1) };
    let mut sum = [0.0; 2];
    for &(k, c) in terms {
        let (px, py, pr) = POWERS[k];
        if pr > 0 {
            // dr/dx = x/r: nothing at the reference point, where r has no slope.
            let radial = if r > 0.0 { c * slope(pr, r) / r } else { 0.0 };
            sum[0] += radial * x;
            sum[1] += radial * y;
        } else {
            sum[0] += c * slope(px, x) * y.powi(py);
            sum[1] += c * x.powi(px) * slope(py, y);
        }
    }
    sum
}
