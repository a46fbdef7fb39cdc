//! Annular Zernike polynomials and wavefronts made of them.
//!
//! Noll 1976 JOSA 66, 207 (order and normalisation); Mahajan 1981 JOSA 71, 75
//! (annular pupils).

/// Modes carried: Z4 to Z11.
pub(super) const MODES: usize = 8;

/// Annular Zernike polynomials Z4 to Z11 at `(x, y)` in pupil radii, for the linear
/// obstruction `obstruction`; orthonormal over the annulus, so that a coefficient is
/// the rms of its term.
///
/// Order: defocus; astigmatism sin 2t, cos 2t; coma sin t, cos t; trefoil sin 3t,
/// cos 3t; spherical.
pub fn annular_zernikes(x: f64, y: f64, obstruction: f64) -> [f64; MODES] {
    let (r2, e2) = (x * x + y * y, obstruction * obstruction);
    let (e4, e6) = (e2 * e2, e2 * e2 * e2);

    let defocus = 3f64.sqrt() * (2.0 * r2 - 1.0 - e2) / (1.0 - e2);
    let astigmatism = (6.0 / (1.0 + e2 + e4)).sqrt();
    let coma = 8f64.sqrt() * (3.0 * (1.0 + e2) * r2 - 2.0 * (1.0 + e2 + e4))
        / ((1.0 - e2) * ((1.0 + e2) * (1.0 + 4.0 * e2 + e4)).sqrt());
    let trefoil = (8.0 / (1.0 + e2 + e4 + e6)).sqrt();
    let spherical = 5f64.sqrt() * (6.0 * r2 * r2 - 6.0 * (1.0 + e2) * r2 + 1.0 + 4.0 * e2 + e4)
        / ((1.0 - e2) * (1.0 - e2));

    [
        defocus,
        astigmatism * 2.0 * x * y,
        astigmatism * (x * x - y * y),
        coma * y,
        coma * x,
        trefoil * (3.0 * x * x - y * y) * y,
        trefoil * (x * x - 3.0 * y * y) * x,
        spherical,
    ]
}

/// A wavefront at one place in the field; coefficients are rms over the pupil, nm.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Wavefront {
    /// Z4.
    pub defocus_nm: f64,
    /// Z6, along x and y.
    pub astigmatism_0_nm: f64,
    /// Z5, along the diagonals.
    pub astigmatism_45_nm: f64,
    /// Z8.
    pub coma_x_nm: f64,
    /// Z7.
    pub coma_y_nm: f64,
    /// Z10.
    pub trefoil_x_nm: f64,
    /// Z9.
    pub trefoil_y_nm: f64,
    /// Z11.
    pub spherical_nm: f64,
}

impl Wavefront {
    /// Coefficients of Z4 to Z11, in Noll order, nm.
    pub fn noll_nm(&self) -> [f64; MODES] {
        [
            self.defocus_nm,
            self.astigmatism_45_nm,
            self.astigmatism_0_nm,
            self.coma_y_nm,
            self.coma_x_nm,
            self.trefoil_y_nm,
            self.trefoil_x_nm,
            self.spherical_nm,
        ]
    }

    /// Rms over the pupil, nm.
    pub fn rms_nm(&self) -> f64 {
        self.noll_nm().iter().map(|a| a * a).sum::<f64>().sqrt()
    }
}
