//! Moments of the pixel-convolved PSF under Gaussian weights, exactly.
//!
//! By Parseval, `integral W I g` is a sum over the transfer samples, with the
//! transforms of `W`, `W r` and `W r r^T` known in closed form:
//! `2 pi |C|^(1/2) exp(-2 pi^2 f^T C f)` times `1`, `2 pi i C f` and
//! `C - 4 pi^2 C f f^T C`, for the weight `exp(-r^T C^-1 r / 2)`.

use std::f64::consts::{PI, TAU};

use super::Psf;

/// Second moments and the centroid they are taken about, pixels from the optical
/// axis point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SecondMoments {
    pub mxx: f64,
    pub myy: f64,
    pub mxy: f64,
    pub x: f64,
    pub y: f64,
}

impl SecondMoments {
    /// `T = mxx + myy`, pixels².
    pub fn size(&self) -> f64 {
        self.mxx + self.myy
    }
    pub fn e1(&self) -> f64 {
        (self.mxx - self.myy) / self.size()
    }
    pub fn e2(&self) -> f64 {
        2.0 * self.mxy / self.size()
    }
    fn determinant(&self) -> f64 {
        self.mxx * self.myy - self.mxy * self.mxy
    }
}

/// Largest step, relative to the size, at which an iteration has arrived.
const ARRIVED: f64 = 1e-12;
/// Strong aberrations with trailing come near by as little as 4 % a step.
const MOST_STEPS: usize = 5000;

impl Psf {
    /// Adaptive moments of the continuous pixel-convolved profile: the fixed point
    /// `M = 2 sum(W I r r^T) / sum(W I)`, `W = exp(-r^T M^-1 r / 2)` about its own
    /// centroid (Bernstein & Jarvis 2002 AJ 123, 583). `None` if it is not reached.
    pub fn adaptive_moments(&self) -> Option<SecondMoments> {
        let samples: Vec<_> = self.samples().filter(|s| s.2.norm_sqr() > 0.0).collect();
        let mut shape = SecondMoments { mxx: 1.5, myy: 1.5, mxy: 0.0, x: 0.0, y: 0.0 };
        for _ in 0..MOST_STEPS {
            let m = weighted(&samples, &shape)?;
            let (shift_x, shift_y) = (2.0 * (m.x - shape.x), 2.0 * (m.y - shape.y));
            let next = deconvolved(&m, &shape).unwrap_or(SecondMoments {
                mxx: 2.0 * m.mxx,
                myy: 2.0 * m.myy,
                mxy: 2.0 * m.mxy,
                ..m
            });
            let next = SecondMoments { x: shape.x + shift_x, y: shape.y + shift_y, ..next };
            let step = (next.mxx - shape.mxx).abs()
                + (next.myy - shape.myy).abs()
                + (next.mxy - shape.mxy).abs()
                + shift_x.abs()
                + shift_y.abs();
            shape = next;
            if step < ARRIVED * shape.size() {
                return Some(shape);
            }
        }
        None
    }

    /// Second moments under a fixed circular weight of `sigma_pixels`, about the
    /// centroid under the same weight; not doubled.
    pub fn weighted_moments(&self, sigma_pixels: f64) -> Option<SecondMoments> {
        let samples: Vec<_> = self.samples().filter(|s| s.2.norm_sqr() > 0.0).collect();
        let variance = sigma_pixels * sigma_pixels;
        let mut weight = SecondMoments { mxx: variance, myy: variance, mxy: 0.0, x: 0.0, y: 0.0 };
        for _ in 0..MOST_STEPS {
            let m = weighted(&samples, &weight)?;
            let (shift_x, shift_y) = (m.x - weight.x, m.y - weight.y);
            if shift_x.abs() + shift_y.abs() < ARRIVED * variance.sqrt() {
                return Some(m);
            }
            // Exact in one step for a Gaussian profile.
            let stride = (variance / (variance - 0.5 * m.size())).clamp(1.0, 2.0);
            weight.x += stride * shift_x;
            weight.y += stride * shift_y;
        }
        None
    }
}

/// Moments of the profile under the Gaussian weight `weight`: `x`, `y` the weighted
/// centroid, second moments about the weight's centre.
fn weighted(
    samples: &[(f64, f64, rustfft::num_complex::Complex<f64>)],
    weight: &SecondMoments,
) -> Option<SecondMoments> {
    let c = weight;
    let (mut sum, mut first, mut second) = (0.0, [0.0; 2], [0.0; 3]);
    for &(fx, fy, value) in samples {
        let exponent = c.mxx * fx * fx + c.myy * fy * fy + 2.0 * c.mxy * fx * fy;
        // exp(-60) is 1e-26 of the sum.
        if exponent > 3.0 {
            continue;
        }
        let gaussian = (-2.0 * PI * PI * exponent).exp();
        let (sin, cos) = (TAU * (fx * c.x + fy * c.y)).sin_cos();
        let real = gaussian * (value.re * cos - value.im * sin);
        let imaginary = gaussian * (value.re * sin + value.im * cos);
        sum += real;
        first[0] -= TAU * imaginary * fx;
        first[1] -= TAU * imaginary * fy;
        second[0] += real * fx * fx;
        second[1] += real * fy * fy;
        second[2] += real * fx * fy;
    }
    if sum <= 0.0 || !sum.is_finite() {
        return None;
    }
    let first = first.map(|v| v / sum);
    let [bxx, byy, bxy] = second.map(|v| 4.0 * PI * PI * v / sum);
    // C B C for symmetric C and B.
    let (pxx, pxy) = (c.mxx * bxx + c.mxy * bxy, c.mxx * bxy + c.mxy * byy);
    let (pyx, pyy) = (c.mxy * bxx + c.myy * bxy, c.mxy * bxy + c.myy * byy);
    Some(SecondMoments {
        mxx: c.mxx - (pxx * c.mxx + pxy * c.mxy),
        myy: c.myy - (pyx * c.mxy + pyy * c.myy),
        mxy: c.mxy - (pxx * c.mxy + pxy * c.myy),
        x: c.x + c.mxx * first[0] + c.mxy * first[1],
        y: c.y + c.mxy * first[0] + c.myy * first[1],
    })
}

/// `(m^-1 - M^-1)^-1`: the next estimate from the weighted moments `m` under the
/// weight `M`; exact in one step for a Gaussian. `None` if not positive definite.
fn deconvolved(m: &SecondMoments, weight: &SecondMoments) -> Option<SecondMoments> {
    let (dm, dw) = (m.determinant(), weight.determinant());
    if !(dm > 0.0 && dw > 0.0) {
        return None;
    }
    let (ixx, iyy, ixy) =
        (m.myy / dm - weight.myy / dw, m.mxx / dm - weight.mxx / dw, -m.mxy / dm + weight.mxy / dw);
    let di = ixx * iyy - ixy * ixy;
    (di > 0.0 && ixx > 0.0).then(|| SecondMoments { mxx: iyy / di, myy: ixx / di, mxy: -ixy / di, ..*m })
}
