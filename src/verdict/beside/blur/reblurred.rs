//! The stars of the sharpest exposure, blurred on purpose: what a tensor that was added does to their
//! moments, whatever their profile.

use std::f64::consts::PI;
use std::sync::Arc;

use nalgebra::Vector3;
use ndarray::Array2;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::super::super::stack;
use crate::moments::{Cutout, StarMoments, Weight, measure};
use crate::stars::Star;
use crate::table::StarTable;

/// Stars that are blurred, the brightest; so many of them for a mean change of size, in which the stars differ less.
const STARS: usize = 40;
const STARS_FOR_SIZE: usize = 8;
/// Of at least this signal-to-noise ratio: the noise of a kurtosis, 2 over it, is then under 0.04 a star.
const MIN_SNR: f64 = 50.0;
/// Half a side of a blurred image, over the width of its star.
const REACH_SIGMAS: f64 = 5.5;

/// Half a side of the largest image that is blurred: no star is so wide, whatever a table says.
const MOST_HALF: f64 = 256.0;

/// How an added variance may have come about.
#[derive(Clone, Copy, PartialEq)]
pub enum Added {
    Nothing,
    /// A Gaussian of the whole tensor.
    Jitter,
    /// A uniform motion along the long axis, a round Gaussian besides.
    Motion,
}

/// Bright stars of an exposure, with their pixels and their numbers over the stack.
pub struct Originals<'a> {
    stars: Vec<Original<'a>>,
    sky_noise: f64,
}

struct Original<'a> {
    star: &'a Star,
    image: &'a Array2<f32>,
    identity: Option<usize>,
}

/// A star after it was blurred.
pub struct BlurredStar {
    /// After it.
    pub moments: StarMoments,
    /// Its signal-to-noise ratio before.
    pub snr: f64,
    /// Its number over the stack.
    pub identity: Option<usize>,
}

impl<'a> Originals<'a> {
    /// `matched`: the same exposure's stars, with their numbers.
    pub fn of(table: &'a StarTable, matched: &stack::Exposure) -> Self {
        let identity = |star: &Star| {
            matched.stars.iter().find(|m| m.x == star.x && m.y == star.y).and_then(|m| m.identity())
        };
        let stars = table
            .stars
            .iter()
            .filter(|s| s.refused.is_none() && s.snr >= MIN_SNR)
            .filter(|s| s.cutout_mask.as_ref().is_none_or(|mask| mask.iter().all(|bad| !bad)))
            .filter_map(|s| Some((s, s.cutout.as_deref()?)))
            .take(STARS)
            .map(|(star, image)| Original { star, image, identity: identity(star) })
            .collect();
        Self { stars, sky_noise: table.sky_noise }
    }

    /// Moments of each star after the tensor `[xx, yy, xy]`, pixels², was added; `sigma_pixels` is about the
    /// width after it. `None` where a star gives none.
    pub fn blurred(
        &self,
        added: Added,
        tensor: [f64; 3],
        sigma_pixels: f64,
        weight: Weight,
    ) -> Vec<Option<BlurredStar>> {
        self.brightest_blurred(STARS, added, tensor, sigma_pixels, weight)
    }

    fn brightest_blurred(
        &self,
        most: usize,
        added: Added,
        tensor: [f64; 3],
        sigma_pixels: f64,
        weight: Weight,
    ) -> Vec<Option<BlurredStar>> {
        let mut planner = FftPlanner::new();
        let mut of_star = |&Original { star, image, identity }: &Original| {
            let pixels = blurred(image, added, tensor, sigma_pixels, &mut planner)?;
            // So little that no noise bias is taken off: blurred noise is not white.
            let variance = Array2::from_elem(pixels.dim(), 1e-6 * (self.sky_noise as f32).powi(2));
            let mask = Array2::from_elem(pixels.dim(), false);
            let offset = (star.x - star.x.round(), star.y - star.y.round());
            let moments = measure(&Cutout { pixels, variance, mask }, offset, sigma_pixels, weight).ok()?;
            Some(BlurredStar { moments, snr: star.snr, identity })
        };
        self.stars.iter().take(most).map(&mut of_star).collect()
    }

    /// `(Mxx + Myy, Mxx - Myy, 2 Mxy)` of the brightest stars under `weight`, pixels², after the tensor was added.
    pub fn moments(
        &self,
        added: Added,
        tensor: [f64; 3],
        sigma_pixels: f64,
        primary: Weight,
        weight: Weight,
    ) -> Vec<Option<Vector3<f64>>> {
        let moments = |blurred: Option<BlurredStar>| {
            let shape = blurred?.moments.shape_under(weight)?;
            Some(Vector3::new(shape.size, shape.mxx - shape.myy, 2.0 * shape.mxy))
        };
        let stars = self.brightest_blurred(STARS_FOR_SIZE, added, tensor, sigma_pixels, primary);
        stars.into_iter().map(moments).collect()
    }
}

/// A star's image with the tensor added to its moments, and room for the wider star.
fn blurred(
    image: &Array2<f32>,
    added: Added,
    tensor: [f64; 3],
    sigma_pixels: f64,
    planner: &mut FftPlanner<f64>,
) -> Option<Array2<f32>> {
    let reach = (REACH_SIGMAS * sigma_pixels).ceil();
    if !(reach < MOST_HALF && image.nrows() as f64 <= 2.0 * MOST_HALF) {
        return None;
    }
    let half = (image.nrows() / 2).max(reach as usize);
    let n = 2 * half + 1;
    let edge = half - image.nrows() / 2;
    let mut values = Array2::from_elem((n, n), Complex::<f64>::default());
    for ((row, column), &value) in image.indexed_iter() {
        *values.get_mut((row + edge, column + edge))? = f64::from(value).into();
    }
    let mut spectrum = transformed(values, &planner.plan_fft_forward(n))?;
    let frequency = |k: usize| (if k > half { k as f64 - n as f64 } else { k as f64 }) / n as f64;
    for ((row, column), value) in spectrum.indexed_iter_mut() {
        *value *= transfer(added, tensor, [frequency(column), frequency(row)]) / (n * n) as f64;
    }
    Some(transformed(spectrum, &planner.plan_fft_inverse(n))?.mapv(|v| v.re as f32))
}

/// Along rows, then along columns.
fn transformed(values: Array2<Complex<f64>>, fft: &Arc<dyn Fft<f64>>) -> Option<Array2<Complex<f64>>> {
    let mut out = values;
    for _ in 0..2 {
        fft.process(out.as_slice_mut()?);
        out = out.reversed_axes().as_standard_layout().into_owned();
    }
    Some(out)
}

/// Factor of the blur at a frequency `[fx, fy]`, cycles a pixel.
fn transfer(added: Added, [xx, yy, xy]: [f64; 3], [fx, fy]: [f64; 2]) -> f64 {
    let gaussian = |variance: f64| (-2.0 * PI * PI * variance).exp();
    match added {
        Added::Nothing => 1.0,
        Added::Jitter => gaussian(xx * fx * fx + 2.0 * xy * fx * fy + yy * fy * fy),
        Added::Motion => {
            let reach = (xx - yy).hypot(2.0 * xy);
            let across = 0.5 * (xx + yy - reach);
            let (sin, cos) = (0.5 * (2.0 * xy).atan2(xx - yy)).sin_cos();
            // The variance of a uniform length L is L²/12.
            let phase = PI * (12.0 * reach).sqrt() * (fx * cos + fy * sin);
            let motion = if phase == 0.0 { 1.0 } else { phase.sin() / phase };
            gaussian(across * (fx * fx + fy * fy)) * motion
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gaussian(side: usize, sigma: f64) -> Array2<f32> {
        let half = (side / 2) as f64;
        Array2::from_shape_fn((side, side), |(r, c)| {
            let (x, y) = (c as f64 - half, r as f64 - half);
            (-0.5 * (x * x + y * y) / (sigma * sigma)).exp() as f32
        })
    }

    /// xx, yy, xy, kurtosis.
    fn moments(pixels: Array2<f32>) -> [f64; 4] {
        let variance = Array2::from_elem(pixels.dim(), 1e-12);
        let mask = Array2::from_elem(pixels.dim(), false);
        let found = measure(&Cutout { pixels, variance, mask }, (0.0, 0.0), 2.0, Weight::Adaptive).unwrap();
        let shape = found.adaptive.unwrap();
        [shape.mxx, shape.myy, shape.mxy, found.higher.unwrap().kurtosis]
    }

    #[test]
    fn a_width_that_no_star_has_is_refused() {
        for sigma in [1e5, 1e300, f64::NAN] {
            assert!(
                blurred(&gaussian(21, 1.5), Added::Jitter, [1.0, 1.0, 0.0], sigma, &mut FftPlanner::new())
                    .is_none()
            );
        }
    }

    #[test]
    fn a_gaussian_with_jitter_is_the_wider_gaussian() {
        let image =
            blurred(&gaussian(21, 1.5), Added::Jitter, [3.0, 1.0, 0.5], 3.0, &mut FftPlanner::new()).unwrap();
        for (found, put_in) in moments(image).into_iter().zip([5.25, 3.25, 0.5, 2.0]) {
            assert!((found - put_in).abs() < 2e-3, "{found} {put_in}");
        }
    }

    /// Unweighted, the fourth moment of a uniform length falls short of a Gaussian's by 6/5 of its variance squared
    /// (excess kurtosis of the uniform distribution); the weighted one by less.
    #[test]
    fn a_uniform_motion_flattens() {
        let still = blurred(&gaussian(21, 1.5), Added::Nothing, [3.0, 1.0, 0.5], 3.0, &mut FftPlanner::new())
            .unwrap();
        assert!((moments(still)[3] - 2.0).abs() < 1e-3);
        let [xx, yy, _, kurtosis] = moments(
            blurred(&gaussian(21, 1.5), Added::Motion, [4.0, 0.5, 0.0], 3.0, &mut FftPlanner::new()).unwrap(),
        );
        let unweighted = 2.0 - 0.25 * 1.2 * (3.5f64 / (2.25 + 4.0)).powi(2);
        assert!(kurtosis < 1.99 && kurtosis > unweighted - 0.01, "{kurtosis} {unweighted}");
        assert!(xx > yy + 3.0, "{xx} {yy}");
    }
}
