//! The mean star image out to its wings, and what it tells of neighbours: how much light a
//! neighbour leaks into a star's weight, and which faint peaks beside a bright star are only
//! its diffraction rings and spikes.

use ndarray::Array2;

use super::detect::Detection;
use super::smoothing::smooth;
use crate::moments::Weight;
use crate::sky::Residual;

/// Half-width of the mean image, in sigma of the stars.
const REACH_SIGMAS: f64 = 16.0;

/// Stars averaged, at most.
const MOST_STARS: usize = 40;

/// A peak is a wing if it is no brighter than this times what the mean image has there.
/// Wings vary over the field with the aberrations.
const WING_TOLERANCE: f64 = 2.0;

/// Where nothing but noise is left of the mean image, in sigma of the stars.
const OUTSKIRTS_SIGMAS: f64 = 12.0;

/// The mean image smoothed by the matched filter, 1 at the centre.
#[derive(Debug, Clone)]
pub struct Wings {
    smoothed: Array2<f32>,
    /// Its mean over rings one pixel wide, from the centre outwards.
    rings: Vec<f64>,
    half: i64,
    sigma: f64,
}

impl Wings {
    /// From the brightest of `stars`, which should be isolated and unsaturated. `None` when
    /// there is none.
    pub fn from_stars(residual: &Residual, stars: &[Detection], sigma: f64) -> Option<Self> {
        let half = (REACH_SIGMAS * sigma).ceil() as i64;
        let side = (2 * half + 1) as usize;
        let mut images: Vec<Array2<f32>> = Vec::new();
        for star in stars.iter().take(MOST_STARS) {
            let mut image = image_of(residual, star, half);
            image.mapv_inplace(|value| (f64::from(value) / star.flux) as f32);
            images.push(image);
        }
        if images.is_empty() {
            return None;
        }
        let mut values = Vec::with_capacity(images.len());
        let median = Array2::from_shape_fn((side, side), |at| {
            values.clear();
            values.extend(images.iter().map(|image| image[at]).filter(|value| value.is_finite()));
            crate::sky::quantile(&mut values, 0.5, None).unwrap_or(0.0) as f32
        });
        let mut smoothed = smooth(&median, sigma);
        let peak = smoothed[(half as usize, half as usize)];
        if peak.is_nan() || peak <= 0.0 {
            return None;
        }
        smoothed.mapv_inplace(|value| value / peak);
        clear_noise(&mut smoothed, half, sigma);
        Some(Self::new(smoothed, half, sigma))
    }

    fn new(smoothed: Array2<f32>, half: i64, sigma: f64) -> Self {
        let mut rings = vec![(0.0, 0.0); half as usize + 1];
        for (at, &value) in smoothed.indexed_iter() {
            if let Some((sum, count)) = rings.get_mut(radius(at, half).round() as usize) {
                *sum += f64::from(value);
                *count += 1.0;
            }
        }
        let rings = rings.into_iter().map(|(sum, count): (f64, f64)| sum / count.max(1.0)).collect();
        Self { smoothed, rings, half, sigma }
    }

    /// Without any usable star: a Gaussian.
    pub fn gaussian(sigma: f64) -> Self {
        let half = (REACH_SIGMAS * sigma).ceil() as i64;
        let side = (2 * half + 1) as usize;
        let smoothed = Array2::from_shape_fn((side, side), |(r, c)| {
            let r2 = ((r as i64 - half).pow(2) + (c as i64 - half).pow(2)) as f64;
            (-0.25 * r2 / (sigma * sigma)).exp() as f32
        });
        Self::new(smoothed, half, sigma)
    }

    pub fn reach(&self) -> f64 {
        self.half as f64
    }

    /// Matched-filter response at an offset from a star over that at its centre; the largest
    /// of the pixels around, since rings move with the aberrations. Zero beyond the reach.
    fn response(&self, dx: f64, dy: f64) -> f64 {
        let (cx, cy) = (dx.round() as i64 + self.half, dy.round() as i64 + self.half);
        let side = 2 * self.half + 1;
        let mut top = 0.0_f32;
        for y in cy - 1..=cy + 1 {
            for x in cx - 1..=cx + 1 {
                if x >= 0 && y >= 0 && x < side && y < side {
                    top = top.max(self.smoothed[(y as usize, x as usize)]);
                }
            }
        }
        f64::from(top)
    }

    /// Is `faint`, seen beside `bright`, no more than the wing of it?
    pub fn explains(&self, bright: &Detection, faint: &Detection) -> bool {
        faint.flux <= WING_TOLERANCE * bright.flux * self.response(faint.x - bright.x, faint.y - bright.y)
    }

    /// Relative change of a star's size that a neighbour of the same flux makes at this
    /// offset, measured under `weight`: for Gaussians of width s under a weight of width w
    /// (the star's own for the adaptive one) `δT/T = (d²/s²) e^(-d²/2(s²+w²))`, no less than
    /// the leaked light itself; and for the wings beyond, a light `p` per pixel, that of a sky
    /// error, `2π p (s²+w²)²/s²`, with `p` the mean over the ring. Both derived from the
    /// weighted moments of Gaussians, as changes of the adaptive size.
    pub fn size_effect(&self, weight: Weight, dx: f64, dy: f64) -> f64 {
        let s2 = self.sigma * self.sigma;
        let w2 = match weight {
            Weight::Adaptive => s2,
            Weight::Fixed(sigma) => sigma * sigma,
        };
        let d2 = dx * dx + dy * dy;
        let t = d2 / (2.0 * (s2 + w2));
        let core = (d2 / s2).max(1.0) * (-t).exp();
        // A smoothed response r means a surface brightness of r/(4π s²) of the flux.
        let ring = self.rings.get(dx.hypot(dy).round() as usize).copied().unwrap_or(0.0);
        let wing = 2.0 * ring.max(0.0) * ((s2 + w2) / (2.0 * s2)).powi(2);
        if t > 4.0 { core.max(wing) } else { core.max(wing.min(1.0)) }
    }
}

/// The square around a star, NaN where there is nothing.
fn image_of(residual: &Residual, star: &Detection, half: i64) -> Array2<f32> {
    let (height, width) = residual.dim();
    let (top, left, side) = (star.y.round() as i64 - half, star.x.round() as i64 - half, 2 * half + 1);
    let mut image = Array2::from_elem((side as usize, side as usize), f32::NAN);
    let columns = left.clamp(0, width as i64)..(left + side).clamp(0, width as i64);
    for (y, mut row) in (top..).zip(image.outer_iter_mut()) {
        if let (0.., Some(row)) = (y, row.as_slice_mut())
            && y < height as i64
        {
            let row = &mut row[(columns.start - left) as usize..(columns.end - left) as usize];
            residual.with_gaps(y as usize, columns.start as usize, row);
        }
    }
    image
}

fn radius((row, column): (usize, usize), half: i64) -> f64 {
    ((row as i64 - half) as f64).hypot((column as i64 - half) as f64)
}

/// Sets to zero what does not stand three times above the noise of the outskirts: with few
/// stars the mean image ends in noise, which is nobody's wing.
fn clear_noise(smoothed: &mut Array2<f32>, half: i64, sigma: f64) {
    let outskirts = |at: (usize, usize)| radius(at, half) > OUTSKIRTS_SIGMAS * sigma;
    let mut outer: Vec<f32> =
        smoothed.indexed_iter().filter(|(at, _)| outskirts(*at)).map(|(_, value)| value.abs()).collect();
    let Some(typical) = crate::sky::quantile(&mut outer, 0.5, None) else { return };
    let limit = (3.0 * 1.4826 * typical) as f32;
    for (at, value) in smoothed.indexed_iter_mut() {
        if *value < limit && radius(at, half) > 4.0 * sigma {
            *value = 0.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_neighbour_matters_less_the_farther_it_is() {
        let wings = Wings::gaussian(1.5);
        assert!(wings.size_effect(Weight::Adaptive, 2.0, 0.0) > 0.5);
        assert!(wings.size_effect(Weight::Adaptive, 9.0, 0.0) < 0.01);
        assert_eq!(
            wings.size_effect(Weight::Adaptive, 100.0, 0.0),
            0.0_f64.max(4.0 * (1e4 / 9.0) * (-1e4_f64 / 9.0).exp())
        );
    }

    #[test]
    fn a_faint_peak_on_the_flank_is_a_wing_and_a_bright_one_is_not() {
        let wings = Wings::gaussian(1.5);
        let at = |x: f64, flux: f64| Detection { x, y: 0.0, flux, snr: flux };
        assert!(wings.explains(&at(0.0, 1000.0), &at(5.0, 60.0)));
        assert!(!wings.explains(&at(0.0, 1000.0), &at(5.0, 500.0)));
        assert!(!wings.explains(&at(0.0, 1000.0), &at(60.0, 6.0)));
    }
}
