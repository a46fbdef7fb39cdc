//! The gnomonic projection (Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3),
//! with the native pole at the reference point, so that its declination is CRVAL2.

use super::linear::Matrix;

/// Cosine of the distance from the point of contact under which a place counts as behind.
const HORIZON: f64 = 1e-9;

/// The plane that touches the sky at one point.
#[derive(Debug, Clone, PartialEq)]
pub struct Tan {
    ra_rad: f64,
    dec_sin: f64,
    dec_cos: f64,
    /// From intermediate (x, y) to (xi, eta), east and north.
    rotation: Matrix,
}

impl Tan {
    /// The point of contact in degrees; `pole`: LONPOLE, degrees, by default 180, or 0
    /// at the celestial pole (equation 8 there). None outside the sphere.
    pub fn new(ra_deg: f64, dec_deg: f64, pole: Option<f64>) -> Option<Tan> {
        if !ra_deg.is_finite() || !(-90.0..=90.0).contains(&dec_deg) || pole.is_some_and(|p| !p.is_finite()) {
            return None;
        }
        let pole = pole.unwrap_or(if dec_deg >= 90.0 { 0.0 } else { 180.0 });
        let (sin, cos) = (180.0 - pole).to_radians().sin_cos();
        let (dec_sin, dec_cos) = dec_deg.to_radians().sin_cos();
        Some(Tan { ra_rad: ra_deg.to_radians(), dec_sin, dec_cos, rotation: [[cos, -sin], [sin, cos]] })
    }

    /// From intermediate coordinates to east and north.
    pub fn rotation(&self) -> Matrix {
        self.rotation
    }

    /// Intermediate (x, y), degrees, to right ascension in `0..360` and declination.
    pub fn to_sky(&self, x: f64, y: f64) -> Option<(f64, f64)> {
        if !(x.is_finite() && y.is_finite()) {
            return None;
        }
        let [xi, eta] = super::linear::apply(self.rotation, [x.to_radians(), y.to_radians()]);
        let below = self.dec_cos - eta * self.dec_sin;
        let ra = self.ra_rad + xi.atan2(below);
        let dec = (self.dec_sin + eta * self.dec_cos).atan2(xi.hypot(below));
        let ra = ra.to_degrees().rem_euclid(360.0);
        Some((if ra >= 360.0 { 0.0 } else { ra }, dec.to_degrees()))
    }

    /// Right ascension and declination, degrees, to intermediate (x, y), degrees. None on
    /// the half of the sky behind the plane.
    pub fn to_plane(&self, ra_deg: f64, dec_deg: f64) -> Option<(f64, f64)> {
        let (sin, cos) = dec_deg.to_radians().sin_cos();
        let (along_sin, along_cos) = (ra_deg.to_radians() - self.ra_rad).sin_cos();
        let depth = self.dec_sin * sin + self.dec_cos * cos * along_cos;
        if depth.is_nan() || depth < HORIZON || !(-90.0..=90.0).contains(&dec_deg) {
            return None;
        }
        let xi = (cos * along_sin / depth).to_degrees();
        let eta = ((self.dec_cos * sin - self.dec_sin * cos * along_cos) / depth).to_degrees();
        let r = self.rotation;
        Some((r[0][0] * xi + r[1][0] * eta, r[0][1] * xi + r[1][1] * eta))
    }
}
