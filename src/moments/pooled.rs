//! Moments of the mean star, from the pixels of many stars at once.
//!
//! Pixels of stars at many sub-pixel positions, each taken relative to its own centroid,
//! sample the mean pixel-convolved profile far finer than any single star does. The
//! estimating equations solved on all of them together give adaptive moments even where the
//! pixels are too coarse for a single star, and how much less each rung of the ladder
//! responds to a change of the PSF than the adaptive moments do.

use ndarray::Array2;

use super::estimating::{Weight, solve_second};
use super::pixels::Pixels;
use super::star::shape_of;
use super::{LADDER_SIGMA_PIXELS, Shape};

/// One star of the pool.
#[derive(Debug, Clone, Copy)]
pub struct PooledStar<'a> {
    /// Sky-subtracted pixels `[y, x]`.
    pub pixels: &'a Array2<f32>,
    pub mask: &'a Array2<bool>,
    /// Centroid relative to the central pixel.
    pub x: f64,
    pub y: f64,
    pub flux: f64,
}

/// Shapes of the mean star. The errors in them mean nothing: the pixels carry no noise model.
#[derive(Debug, Clone, Copy)]
pub struct PooledMoments {
    pub adaptive: Shape,
    pub ladder: [Option<Shape>; LADDER_SIGMA_PIXELS.len()],
}

impl PooledMoments {
    /// Change of (ln T, e) under `weight` for a unit change of the adaptive (ln T, e), for a
    /// jitter-like change; 1 for the adaptive weight, `None` for a rung that was not measured.
    pub fn response(&self, weight: Weight) -> Option<(f64, f64)> {
        let Weight::Fixed(sigma) = weight else { return Some((1.0, 1.0)) };
        let rung = LADDER_SIGMA_PIXELS.iter().position(|&rung| rung == sigma)?;
        let shape = self.ladder[rung]?;
        let size = shape.size_response / self.adaptive.size_response;
        let e = shape.e_response / self.adaptive.e_response;
        (size > 0.0 && e > 0.0 && size.is_finite() && e.is_finite()).then_some((size, e))
    }
}

/// Measures the mean star; `sigma_guess` in pixels. `None` without stars or a solution.
pub fn pooled_moments(stars: &[PooledStar], sigma_guess: f64) -> Option<PooledMoments> {
    let mut pixels = Pixels::default();
    let mut reach = f64::MAX;
    for star in stars.iter().filter(|s| s.flux > 0.0) {
        let half = (star.pixels.nrows() / 2) as f64;
        reach = reach.min(half);
        for (row, (values, mask)) in star.pixels.outer_iter().zip(star.mask.outer_iter()).enumerate() {
            let usable = |(&value, &bad): (&f32, &bool)| {
                if bad { (0.0, 0.0) } else { (f64::from(value) / star.flux, 1.0) }
            };
            let pixels_of_row = values.iter().zip(mask).map(usable);
            pixels.push_row(-half - star.x, row as f64 - half - star.y, pixels_of_row);
        }
    }
    if pixels.is_empty() {
        return None;
    }
    let t = sigma_guess * sigma_guess;
    let shape_under = |weight: Weight| {
        let width = match weight {
            Weight::Adaptive => 2.0 * sigma_guess,
            Weight::Fixed(sigma) => sigma,
        };
        let near = pixels.within(0.0, 0.0, (5.5 * width).min(reach + 0.5));
        let m = match weight {
            Weight::Adaptive => t,
            Weight::Fixed(sigma) => t * sigma * sigma / (t + sigma * sigma),
        };
        let solution = solve_second(&near, weight, [0.0, 0.0, m, 0.0, m], reach).ok()?;
        shape_of(&solution)
    };
    let adaptive = shape_under(Weight::Adaptive)?;
    let ladder =
        LADDER_SIGMA_PIXELS.map(|s| if 3.5 * s > reach { None } else { shape_under(Weight::Fixed(s)) });
    Some(PooledMoments { adaptive, ladder })
}
