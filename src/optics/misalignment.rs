//! How a slightly misaligned telescope's wavefront changes over the field.
//!
//! Shack & Thompson 1980 SPIE 251, 146; McLeod 1996 PASP 108, 217; Schechter &
//! Levinson 2011 PASP 123, 812. The forms are written from memory of those papers.

use super::Wavefront;

/// Wavefront coefficients as functions of the place in the field, nm rms.
///
/// The place `theta = (x, y)` is measured from the centre of the field in units of
/// its half-diagonal, so every coefficient is in nm and is reached at the corners.
/// A pair is a complex number `[real, imaginary]`; `theta = x + i y`; coma, trefoil
/// and astigmatism are `cosine term + i sine term`.
///
/// ```text
/// defocus     = defocus_nm + Re(conj(defocus_tilt) theta) + defocus_curvature |theta|^2
/// coma        = coma + coma_linear theta
/// astigmatism = astigmatism + astigmatism_linear theta + astigmatism_quadratic theta^2
/// trefoil, spherical: constant
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct FieldPattern {
    pub defocus_nm: f64,
    pub defocus_tilt_nm: [f64; 2],
    pub defocus_curvature_nm: f64,
    pub coma_nm: [f64; 2],
    pub coma_linear_nm: f64,
    pub astigmatism_nm: [f64; 2],
    pub astigmatism_linear_nm: [f64; 2],
    pub astigmatism_quadratic_nm: f64,
    pub trefoil_nm: [f64; 2],
    pub spherical_nm: f64,
}

/// Names of the pattern's coefficients, in the order of [`FieldPattern::terms`].
pub const PATTERN_TERMS: [&str; 15] = [
    "defocus_nm",
    "defocus_tilt_x_nm",
    "defocus_tilt_y_nm",
    "defocus_curvature_nm",
    "coma_x_nm",
    "coma_y_nm",
    "coma_linear_nm",
    "astigmatism_0_nm",
    "astigmatism_45_nm",
    "astigmatism_linear_x_nm",
    "astigmatism_linear_y_nm",
    "astigmatism_quadratic_nm",
    "trefoil_x_nm",
    "trefoil_y_nm",
    "spherical_nm",
];

impl FieldPattern {
    /// The coefficients in the order of [`PATTERN_TERMS`], nm.
    pub fn terms(&self) -> [f64; PATTERN_TERMS.len()] {
        let [tilt_x, tilt_y] = self.defocus_tilt_nm;
        let [coma_x, coma_y] = self.coma_nm;
        let [astigmatism_0, astigmatism_45] = self.astigmatism_nm;
        let [linear_x, linear_y] = self.astigmatism_linear_nm;
        let [trefoil_x, trefoil_y] = self.trefoil_nm;
        [
            self.defocus_nm,
            tilt_x,
            tilt_y,
            self.defocus_curvature_nm,
            coma_x,
            coma_y,
            self.coma_linear_nm,
            astigmatism_0,
            astigmatism_45,
            linear_x,
            linear_y,
            self.astigmatism_quadratic_nm,
            trefoil_x,
            trefoil_y,
            self.spherical_nm,
        ]
    }

    /// The pattern of these coefficients.
    pub fn from_terms(terms: [f64; PATTERN_TERMS.len()]) -> Self {
        let [d, tx, ty, dc, cx, cy, cl, a0, a45, lx, ly, aq, hx, hy, spherical_nm] = terms;
        Self {
            defocus_nm: d,
            defocus_tilt_nm: [tx, ty],
            defocus_curvature_nm: dc,
            coma_nm: [cx, cy],
            coma_linear_nm: cl,
            astigmatism_nm: [a0, a45],
            astigmatism_linear_nm: [lx, ly],
            astigmatism_quadratic_nm: aq,
            trefoil_nm: [hx, hy],
            spherical_nm,
        }
    }

    /// The wavefront at `(x, y)`, in half-diagonals from the centre of the field.
    pub fn wavefront(&self, x: f64, y: f64) -> Wavefront {
        let [tilt_x, tilt_y] = self.defocus_tilt_nm;
        let [linear_re, linear_im] = self.astigmatism_linear_nm;
        let quadratic = self.astigmatism_quadratic_nm;
        Wavefront {
            defocus_nm: self.defocus_nm
                + tilt_x * x
                + tilt_y * y
                + self.defocus_curvature_nm * (x * x + y * y),
            astigmatism_0_nm: self.astigmatism_nm[0] + linear_re * x - linear_im * y
                + quadratic * (x * x - y * y),
            astigmatism_45_nm: self.astigmatism_nm[1]
                + linear_re * y
                + linear_im * x
                + quadratic * 2.0 * x * y,
            coma_x_nm: self.coma_nm[0] + self.coma_linear_nm * x,
            coma_y_nm: self.coma_nm[1] + self.coma_linear_nm * y,
            trefoil_x_nm: self.trefoil_nm[0],
            trefoil_y_nm: self.trefoil_nm[1],
            spherical_nm: self.spherical_nm,
        }
    }

    /// Whether the wavefront is the same over the whole field.
    pub fn is_uniform(&self) -> bool {
        self.defocus_tilt_nm == [0.0; 2]
            && self.defocus_curvature_nm == 0.0
            && self.coma_linear_nm == 0.0
            && self.astigmatism_linear_nm == [0.0; 2]
            && self.astigmatism_quadratic_nm == 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn astigmatism_vanishes_at_both_nodes() {
        // A2 theta^2 + A0 = 0 at theta = +-sqrt(-A0 / A2): the binodal pattern.
        let pattern = FieldPattern {
            astigmatism_nm: [-9.0, 0.0],
            astigmatism_quadratic_nm: 100.0,
            ..FieldPattern::default()
        };
        for x in [0.3, -0.3] {
            let w = pattern.wavefront(x, 0.0);
            assert!(w.astigmatism_0_nm.abs() < 1e-12 && w.astigmatism_45_nm.abs() < 1e-12);
        }
        assert!(!pattern.is_uniform());
    }

    #[test]
    fn linear_coma_points_outwards() {
        let pattern = FieldPattern { coma_linear_nm: 10.0, ..FieldPattern::default() };
        let w = pattern.wavefront(0.3, -0.4);
        assert!((w.coma_x_nm - 3.0).abs() < 1e-12 && (w.coma_y_nm + 4.0).abs() < 1e-12);
    }
}
