//! What is fitted to an exposure: the wavefront over the field, jitter, trailing.

use crate::optics::FieldPattern;
use crate::optics::misalignment::PATTERN_TERMS;
use crate::optics::zernike::MODES;

/// Coefficients of the wavefront over the field.
pub const PATTERN: usize = PATTERN_TERMS.len();
/// Components of the jitter tensor: xx, yy, xy.
pub const JITTER: usize = 3;
/// Most parameters there are: pattern, jitter, drift.
pub const MOST: usize = PATTERN + JITTER + 2;

/// Name of a parameter, with its unit.
pub fn name(parameter: usize) -> &'static str {
    const MOTION: [&str; MOST - PATTERN] =
        ["jitter_xx_mas2", "jitter_yy_mas2", "jitter_xy_mas2", "drift_x_mas", "drift_y_mas"];
    if parameter < PATTERN { PATTERN_TERMS[parameter] } else { MOTION[parameter - PATTERN] }
}

/// Whether flipping the sign of this one together with all other even ones leaves the
/// image of a point-symmetric pupil the same: defocus, astigmatism and spherical.
pub fn is_even(parameter: usize) -> bool {
    let name = name(parameter);
    ["defocus", "astigmatism", "spherical"].iter().any(|word| name.starts_with(word))
}

/// Values of all parameters; drift is zero where it is not fitted.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Values {
    pub pattern: FieldPattern,
    /// `[xx, yy, xy]`, mas². Not forced to be a covariance: noise may take it below zero.
    pub jitter_mas2: [f64; JITTER],
    /// Uniform motion from start to end, mas; its sign has no meaning.
    pub drift_mas: [f64; 2],
}

impl Values {
    pub fn to_list(self) -> [f64; MOST] {
        let mut list = [0.0; MOST];
        list[..PATTERN].copy_from_slice(&self.pattern.terms());
        list[PATTERN..PATTERN + JITTER].copy_from_slice(&self.jitter_mas2);
        list[PATTERN + JITTER..].copy_from_slice(&self.drift_mas);
        list
    }

    /// From the first parameters; those not given are zero.
    pub fn from_list(list: &[f64]) -> Self {
        let at = |k: usize| list.get(k).copied().unwrap_or(0.0);
        Self {
            pattern: FieldPattern::from_terms(std::array::from_fn(at)),
            jitter_mas2: std::array::from_fn(|k| at(PATTERN + k)),
            drift_mas: std::array::from_fn(|k| at(PATTERN + JITTER + k)),
        }
    }

    /// The same image: all even terms with the other sign.
    pub fn flipped(self) -> Self {
        let mut list = self.to_list();
        for (k, value) in list.iter_mut().enumerate() {
            if is_even(k) {
                *value = -*value;
            }
        }
        Self::from_list(&list)
    }

    /// Defocus averaged over a square field whose corners are at one half-diagonal.
    pub fn mean_defocus_nm(&self) -> f64 {
        self.pattern.defocus_nm + self.pattern.defocus_curvature_nm / 3.0
    }

    /// Uniform motion's share of the second moments, `L L^T / 12`, `[xx, yy, xy]`, mas².
    pub fn drift_moments_mas2(&self) -> [f64; 3] {
        let [x, y] = self.drift_mas;
        [x * x / 12.0, y * y / 12.0, x * y / 12.0]
    }
}

/// How each coefficient of Z4 to Z11 at `(x, y)` of the field follows the pattern's terms.
pub fn zernike_slopes(x: f64, y: f64) -> [[f64; PATTERN]; MODES] {
    let mut slopes = [[0.0; PATTERN]; MODES];
    for term in 0..PATTERN {
        let unit = std::array::from_fn(|k| if k == term { 1.0 } else { 0.0 });
        let column = FieldPattern::from_terms(unit).wavefront(x, y).noll_nm();
        for (row, value) in slopes.iter_mut().zip(column) {
            row[term] = value;
        }
    }
    slopes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_and_values_hold_the_same() {
        let list: [f64; MOST] = std::array::from_fn(|k| k as f64 + 0.5);
        assert_eq!(Values::from_list(&list).to_list(), list);
        assert_eq!(Values::from_list(&list).flipped().flipped().to_list(), list);
        let (x, y) = (0.3, -0.7);
        let straight = Values::from_list(&list).pattern.wavefront(x, y).noll_nm();
        for (row, value) in zernike_slopes(x, y).iter().zip(straight) {
            let sum: f64 = row.iter().zip(&list).map(|(slope, term)| slope * term).sum();
            assert!((sum - value).abs() < 1e-12);
        }
        assert_eq!((0..MOST).filter(|&k| is_even(k)).count(), 10);
    }
}
