//! World coordinates: TAN with SIP or TPV distortion.
//!
//! Sources: Greisen & Calabretta 2002, A&A 395, 1061 (linear part, units);
//! Calabretta & Greisen 2002, A&A 395, 1077 (TAN, poles); Shupe et al. 2005, ASP
//! Conf. Ser. 347, 491 (SIP); the FITS registry of conventions for TPV.
//!
//! A pixel goes through these steps:
//!
//! | step | from | to |
//! |---|---|---|
//! | SIP | pixel from the reference pixel | the same, undistorted |
//! | CD | undistorted pixel | intermediate (x, y), degrees |
//! | TPV | intermediate (x, y) | the same, undistorted |
//! | TAN | intermediate (x, y) | right ascension, declination |

mod linear;
mod sip;
mod tan;
mod tpv;

use super::card::Header;
use sip::Sip;
use tan::Tan;
use tpv::Tpv;

/// Rounds of the inverse; each gains digits, and five suffice for a distortion of percents.
const MOST_ROUNDS: usize = 30;
/// The inverse is done when a step is smaller than this, pixels.
const INVERSE_PIXELS: f64 = 1e-10;
/// Residual at which an inverse that stopped is still accepted, pixels.
const ACCEPTED_PIXELS: f64 = 1e-6;

/// Right ascension less another, the short way round: -180 to 180 degrees.
pub fn ra_difference_deg(ra: f64, from: f64) -> f64 {
    (ra - from + 540.0).rem_euclid(360.0) - 180.0
}

/// A celestial world coordinate system. Pixels are 0-based here.
#[derive(Debug, Clone, PartialEq)]
pub struct Wcs {
    /// Reference pixel, 0-based.
    reference: [f64; 2],
    /// Degrees per pixel; row 0 is the longitude axis.
    cd: [[f64; 2]; 2],
    inverse_cd: [[f64; 2]; 2],
    sip: Option<Sip>,
    tpv: Option<Tpv>,
    tan: Tan,
}

impl Wcs {
    /// A plain tangent projection.
    ///
    /// `reference`: the reference pixel, 0-based; `sky`: its right ascension and
    /// declination, degrees; `cd`: d(xi, eta)/d(x, y), degrees per pixel. None if a
    /// number is not finite, `cd` cannot be inverted, or the declination is beyond a pole.
    pub fn tangent(reference: [f64; 2], sky: [f64; 2], cd: [[f64; 2]; 2]) -> Option<Wcs> {
        let inverse_cd = linear::inverse(cd)?;
        let tan = Tan::new(sky[0], sky[1], None)?;
        let finite = reference.iter().all(|v| v.is_finite());
        finite.then_some(Wcs { reference, cd, inverse_cd, sip: None, tpv: None, tan })
    }

    /// Reads the celestial coordinates of an image. None, with a note where the header
    /// speaks of coordinates at all, if they are of a kind not known here.
    pub fn from_header(header: &Header) -> (Option<Wcs>, Vec<String>) {
        let mut notes = Vec::new();
        if header.card("CTYPE1").is_none() && header.card("CTYPE2").is_none() {
            return (None, notes);
        }
        match read(header, &mut notes) {
            Ok(wcs) => (Some(wcs), notes),
            Err(why) => {
                notes.push(format!("The header's sky coordinates are not used: {why}."));
                (None, notes)
            }
        }
    }

    /// Pixel (0-based) to (right ascension, declination), degrees; right ascension in
    /// `0..360`. None where the pixel is not finite or lies off the projection.
    pub fn pixel_to_sky(&self, x: f64, y: f64) -> Option<(f64, f64)> {
        let (xi, eta) = self.plane(x, y);
        self.tan.to_sky(xi, eta)
    }

    /// (Right ascension, declination), degrees, to pixel (0-based): the inverse of
    /// [`Wcs::pixel_to_sky`]. None on the far half of the sky, and where the distortion
    /// polynomials have no inverse.
    pub fn sky_to_pixel(&self, ra_deg: f64, dec_deg: f64) -> Option<(f64, f64)> {
        let (xi, eta) = self.tan.to_plane(ra_deg, dec_deg)?;
        let [u, v] = linear::apply(self.inverse_cd, [xi, eta]);
        let (mut x, mut y) = (self.reference[0] + u, self.reference[1] + v);
        if self.sip.is_none() && self.tpv.is_none() {
            return Some((x, y));
        }
        let mut step = [f64::INFINITY; 2];
        for _ in 0..MOST_ROUNDS {
            let here = self.plane(x, y);
            let back = linear::inverse(self.plane_jacobian(x, y))?;
            step = linear::apply(back, [xi - here.0, eta - here.1]);
            x += step[0];
            y += step[1];
            if !(x.is_finite() && y.is_finite()) {
                return None;
            }
            if step[0].hypot(step[1]) < INVERSE_PIXELS {
                break;
            }
        }
        (step[0].hypot(step[1]) < ACCEPTED_PIXELS).then_some((x, y))
    }

    /// d(xi, eta)/d(x, y) at a pixel, degrees per pixel: xi to the east and eta to the
    /// north in the plane that touches the sky at the reference point.
    pub fn jacobian_at(&self, x: f64, y: f64) -> [[f64; 2]; 2] {
        linear::product(self.tan.rotation(), self.plane_jacobian(x, y))
    }

    /// Side of a pixel at the reference point: the root of its area, arcsec.
    pub fn pixel_scale_arcsec(&self) -> f64 {
        let [x, y] = self.reference;
        3600.0 * linear::determinant(self.jacobian_at(x, y)).abs().sqrt()
    }

    /// Direction of the detector's +y axis at a pixel: degrees from the local north
    /// through east, in -180..180. None where the pixel has no place on the sky.
    pub fn position_angle_deg(&self, x: f64, y: f64) -> Option<f64> {
        let (from, to) = (self.pixel_to_sky(x, y - 0.5)?, self.pixel_to_sky(x, y + 0.5)?);
        let (d1, d2) = (from.1.to_radians(), to.1.to_radians());
        let along = (to.0 - from.0).to_radians();
        let east = d2.cos() * along.sin();
        let north = d2.sin() * d1.cos() - d2.cos() * d1.sin() * along.cos();
        Some(east.atan2(north).to_degrees())
    }

    /// True where the x axis and the y axis lie on the sky as in a mirror: east is
    /// clockwise from north as seen in the array.
    pub fn is_mirrored(&self) -> bool {
        let [x, y] = self.reference;
        linear::determinant(self.jacobian_at(x, y)) > 0.0
    }

    /// Reference pixel, 0-based.
    pub fn reference_pixel(&self) -> [f64; 2] {
        self.reference
    }

    /// Intermediate coordinates of a pixel, degrees.
    fn plane(&self, x: f64, y: f64) -> (f64, f64) {
        let mut offset = [x - self.reference[0], y - self.reference[1]];
        if let Some(sip) = &self.sip {
            offset = sip.apply(offset);
        }
        let mut plane = linear::apply(self.cd, offset);
        if let Some(tpv) = &self.tpv {
            plane = tpv.apply(plane);
        }
        (plane[0], plane[1])
    }

    /// d(intermediate)/d(x, y), degrees per pixel.
    fn plane_jacobian(&self, x: f64, y: f64) -> [[f64; 2]; 2] {
        let mut offset = [x - self.reference[0], y - self.reference[1]];
        let mut jacobian = self.cd;
        if let Some(sip) = &self.sip {
            jacobian = linear::product(jacobian, sip.jacobian(offset));
            offset = sip.apply(offset);
        }
        if let Some(tpv) = &self.tpv {
            jacobian = linear::product(tpv.jacobian(linear::apply(self.cd, offset)), jacobian);
        }
        jacobian
    }
}

/// The coordinates a header gives, or why they cannot be used.
fn read(header: &Header, notes: &mut Vec<String>) -> Result<Wcs, String> {
    let types = ["CTYPE1", "CTYPE2"].map(|card| header.text(card).unwrap_or("").trim().to_uppercase());
    let split = |t: &str| {
        let name = t.get(..4).unwrap_or(t).trim_end_matches('-').to_string();
        let rest = t.get(4..).unwrap_or("").trim_matches('-').to_string();
        (name, rest)
    };
    let (first, second) = (split(&types[0]), split(&types[1]));
    let swapped = match (first.0.as_str(), second.0.as_str()) {
        ("RA", "DEC") => false,
        ("DEC", "RA") => true,
        _ => return Err(format!("CTYPE {:?} and {:?} are not RA and DEC", types[0], types[1])),
    };
    if first.1 != second.1 {
        return Err(format!("CTYPE {:?} and {:?} name two projections", types[0], types[1]));
    }
    let projection = first.1.as_str();
    if !["TAN", "TAN-SIP", "TPV"].contains(&projection) {
        return Err(format!("the projection {projection:?} is not TAN, TAN-SIP or TPV"));
    }
    if let Some(card) = header.cards.iter().find(|c| c.key.starts_with("CPDIS") || c.key.starts_with("CQDIS"))
    {
        notes.push(format!("{} = {}: this distortion is not applied.", card.key, card.value));
    }
    if let Some(equinox) = header.number("EQUINOX").filter(|e| *e != 2000.0) {
        notes.push(format!("The sky coordinates are of equinox {equinox}, and are taken as they stand."));
    }

    // Axis numbers of longitude and latitude.
    let (lon, lat) = if swapped { (2, 1) } else { (1, 2) };
    let number = |card: &str| match header.card(card) {
        None => Ok(None),
        Some(found) => found.number().map(Some).ok_or(format!("{card} = {:?} is no number", found.value)),
    };
    let mut cd = linear::matrix(header)?;
    let mut sky = [0.0; 2];
    for (slot, axis) in [lon, lat].into_iter().enumerate() {
        let unit = linear::degrees_per_unit(header.text(&format!("CUNIT{axis}")).unwrap_or("deg"))?;
        sky[slot] = unit * number(&format!("CRVAL{axis}"))?.ok_or(format!("CRVAL{axis} is missing"))?;
        cd[axis - 1] = cd[axis - 1].map(|v| v * unit);
    }
    if swapped {
        cd.swap(0, 1);
    }
    let pole = match number("LONPOLE")? {
        Some(pole) => Some(pole),
        None => number(&format!("PV{lon}_3"))?.filter(|_| projection != "TPV"),
    };
    let reference = [1, 2].map(|axis| number(&format!("CRPIX{axis}")).map(|v| v.unwrap_or(0.0) - 1.0));
    let reference = [reference[0].clone()?, reference[1].clone()?];

    let sip = if header.card("A_ORDER").is_some() || header.card("B_ORDER").is_some() {
        let sip = Sip::from_header(header)?;
        if projection == "TAN" {
            notes.push("SIP polynomials are applied, though CTYPE does not end in -SIP.".into());
        }
        Some(sip).filter(|_| projection != "TPV")
    } else {
        None
    };
    let tpv = match projection {
        "TPV" => Some(Tpv::from_header(header, lon, lat)?),
        "TAN" if Tpv::is_hidden(header, lon, lat) => {
            notes.push("CTYPE says TAN, but the PV cards are TPV polynomials: they are applied.".into());
            Some(Tpv::from_header(header, lon, lat)?)
        }
        _ => None,
    };
    let pole = if tpv.is_some() { number("LONPOLE")? } else { pole };
    let tan = Tan::new(sky[0], sky[1], pole)
        .ok_or(format!("CRVAL {} {} is no place on the sky", sky[0], sky[1]))?;
    let inverse_cd = linear::inverse(cd).ok_or("the CD matrix has no inverse")?;
    Ok(Wcs { reference, cd, inverse_cd, sip, tpv, tan })
}
