//! Moments of a star image: adaptive, under a fixed ladder of circular weights,
//! and of third and fourth order, each with its error.

/// Widths of the fixed circular weights, sigma in pixels. Judging picks one rung
/// for a whole stack, so the ladder never depends on the data.
pub const LADDER_SIGMA_PIXELS: [f64; 6] = [1.5, 2.0, 2.5, 3.0, 4.0, 6.0];

/// Second moments under one weight, noise bias removed. Pixels².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shape {
    pub mxx: f64,
    pub myy: f64,
    pub mxy: f64,
    /// `T = mxx + myy`, pixels².
    pub size: f64,
    pub size_err: f64,
    pub e1: f64,
    pub e2: f64,
    /// Error of each component of the ellipticity.
    pub e_err: f64,
    /// Change of `ln T` per pixel² of added jitter trace, `d ln T / d (Jxx + Jyy)`.
    pub size_response: f64,
    /// Change of `e` per pixel² of added jitter difference, `d e1 / d (Jxx - Jyy)`.
    pub e_response: f64,
}

/// Third and fourth moments in units of the second-moment ellipse (reference.md 4).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HigherMoments {
    pub coma1: f64,
    pub coma2: f64,
    pub coma_err: f64,
    pub trefoil1: f64,
    pub trefoil2: f64,
    pub trefoil_err: f64,
    pub kurtosis: f64,
    pub kurtosis_err: f64,
}
