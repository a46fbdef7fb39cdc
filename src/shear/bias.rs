//! First estimate of the shear bias that a PSF error gives.

use super::{SHEAR_POLARISABILITY, ShearError};

/// A value with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bias {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

/// Multiplicative and additive shear bias.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShearBias {
    pub m: Bias,
    pub c: Bias,
}

/// The formula as reports print it; the numbers are those of `response.json`, over its set-ups and obstructions.
pub const FORMULA: &str = "m = (T_psf/T_gal) dT/T; c = (1/1.84)(T_psf/T_gal)(de + e dT/T): first estimate from \
     unweighted moments; at size ratio 1.4 the simulated m of an exponential galaxy is 0.8 to 1.5 times it \
     for jitter, 1.5 to 3.5 for defocus, 2.3 to 5.9 for coma, up to 26 for spherical aberration";

/// Shear bias from the rms error of PSF size (`size`, fractional) and ellipticity (`ellipticity`, per
/// component), for a PSF of ellipticity modulus `psf_ellipticity` and a galaxy of `size_ratio =
/// T_gal/T_psf`:
///
/// `m = (dT/T) / size_ratio`, `c = (de + e dT/T) / (P size_ratio)`, P = 1.84 (Paulin-Henriksson et al.
/// 2008, A&A 484, 67; P from memory).
///
/// In c the value adds the two causes in quadrature, as independent ones; the bounds take them
/// aligned (high) and opposed (low).
pub fn shear_bias(
    size: Bias,
    ellipticity: Bias,
    psf_ellipticity: f64,
    size_ratio: f64,
) -> Result<ShearBias, ShearError> {
    if !(size_ratio > 0.0 && size_ratio.is_finite()) {
        return Err(ShearError::NotPositive { name: "size_ratio", value: size_ratio });
    }
    let e = psf_ellipticity.abs();
    let scale = 1.0 / (SHEAR_POLARISABILITY * size_ratio);
    Ok(ShearBias {
        m: Bias { value: size.value / size_ratio, low: size.low / size_ratio, high: size.high / size_ratio },
        c: Bias {
            value: scale * ellipticity.value.hypot(e * size.value),
            low: scale * (ellipticity.low - e * size.high).max(e * size.low - ellipticity.high).max(0.0),
            high: scale * (ellipticity.high + e * size.high),
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the unweighted-moment propagation itself: `M_gal = M_obs - M_psf`, so that
    /// `e_gal T_gal = e_obs T_obs - e_psf T_psf` (derived, reference of the formula above).
    #[test]
    fn agrees_with_deconvolving_by_a_wrong_psf() {
        let (t_psf, e_psf, t_gal, e_gal) = (1.0, 0.05, 1.5, 0.1);
        let (dt, de) = (1e-6, 3e-6);
        let (t_obs, q_obs) = (t_psf + t_gal, e_psf * t_psf + e_gal * t_gal);
        let (t_model, q_model) = (t_psf * (1.0 + dt), (e_psf + de) * t_psf * (1.0 + dt));
        let found = (q_obs - q_model) / (t_obs - t_model);
        let at = |v: f64| Bias { value: v, low: v, high: v };
        let bias = shear_bias(at(dt), at(de), e_psf, t_gal / t_psf).unwrap();
        // Aligned causes: m e_gal - P c is the change of the galaxy's ellipticity.
        let predicted = bias.m.value * e_gal - SHEAR_POLARISABILITY * bias.c.high;
        assert!(((found - e_gal) - predicted).abs() < 1e-11);
    }

    #[test]
    fn bounds_enclose_the_value() {
        let size = Bias { value: 0.02, low: 0.01, high: 0.03 };
        let ellipticity = Bias { value: 0.002, low: 0.001, high: 0.004 };
        let bias = shear_bias(size, ellipticity, 0.1, 1.5).unwrap();
        assert!(bias.c.low <= bias.c.value && bias.c.value <= bias.c.high);
        assert!(shear_bias(size, ellipticity, 0.1, 0.0).is_err());
    }
}
