//! The matched filter against Gaussians that were put in: each is found once, wherever the blocks in which a frame is
//! smoothed end, and also where only every second or fourth row is looked at. A Gaussian under the filter of its own
//! width gives its flux and its place; the parabola through three smoothed pixels is off by up to 0.02 pixels and
//! 1.6 % of the flux (numpy, rows 4 apart at a sigma of 9).

use ndarray::Array2;
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use stackworthy::frame::Region;
use stackworthy::sky::{self, Residual};
use stackworthy::stars::detect::{Detection, detect, detect_on};

const FLUX: f64 = 3e4;

/// Gaussians of `sigma` pixels on a sky of 200 with noise of 1.
fn frame(height: usize, width: usize, sigma: f64, places: &[(f64, f64)]) -> Array2<f32> {
    let mut random = rand::rngs::StdRng::seed_from_u64(8);
    let normal = Normal::new(200.0, 1.0).unwrap();
    let mut pixels = Array2::from_shape_fn((height, width), |_| normal.sample(&mut random));
    let reach = (6.0 * sigma).ceil() as i64;
    for &(x, y) in places {
        for py in (y as i64 - reach).max(0)..(y as i64 + reach).min(height as i64) {
            for px in (x as i64 - reach).max(0)..(x as i64 + reach).min(width as i64) {
                let r2 = (px as f64 - x).powi(2) + (py as f64 - y).powi(2);
                let peak = FLUX / (2.0 * std::f64::consts::PI * sigma * sigma);
                pixels[(py as usize, px as usize)] += peak * (-0.5 * r2 / (sigma * sigma)).exp();
            }
        }
    }
    pixels.mapv(|value| value as f32)
}

fn found(
    pixels: &Array2<f32>,
    find: impl Fn(&Residual, &sky::Sky, Region) -> Vec<Detection>,
) -> Vec<Detection> {
    let (height, width) = pixels.dim();
    let region = Region { x0: 0, x1: width, y0: 0, y1: height };
    let pixels = pixels.clone().into();
    let sky = sky::measure(&pixels, region, None).unwrap();
    find(&Residual::new(&pixels, &sky, region), &sky, region)
}

/// Noise moves a peak of such a signal-to-noise ratio (some 700 at 1.6 pixels, 125 at 9) by less than a hundredth of
/// its width, and the flux by less than 3 %.
fn assert_once(found: &[Detection], places: &[(f64, f64)], sigma: f64) {
    for &(x, y) in places {
        let near: Vec<&Detection> =
            found.iter().filter(|d| (d.x - x).hypot(d.y - y) < 2.0 * sigma && d.flux > 0.2 * FLUX).collect();
        assert_eq!(near.len(), 1, "{x} {y}: {near:?}");
        let off = (near[0].x - x).abs().max((near[0].y - y).abs());
        assert!(off < 0.02 + 0.03 * sigma, "{x} {y}: {:?}", near[0]);
        assert!((near[0].flux / FLUX - 1.0).abs() < 0.016 + 0.03, "{x} {y}: {:?}", near[0]);
    }
}

#[test]
fn where_blocks_end_nothing_is_lost_or_found_twice() {
    let sigma = 1.6;
    // Blocks begin 4 pixels from the edge; they are 64 and 2048 columns wide and 128 rows high.
    let xs = [67.0, 67.5, 68.0, 68.4, 1000.3, 2115.0, 2115.6, 2116.0, 2117.0, 4160.5, 4927.0, 4931.5, 4932.0];
    let places: Vec<(f64, f64)> = xs
        .iter()
        .enumerate()
        .flat_map(|(k, &x)| {
            let rows = [20.0, 60.0, 100.0, 130.5, 170.0, 210.0, 250.0, 270.0];
            rows.map(|y| (x, y + [0.0, 1.0, 1.5, 2.0][k % 4]))
        })
        .filter(|&(x, y)| ((x + 3.0 * y) as usize).is_multiple_of(2))
        .collect();
    // No two that touch.
    let mut apart: Vec<(f64, f64)> = Vec::new();
    for place in places {
        if apart.iter().all(|other| (other.0 - place.0).hypot(other.1 - place.1) > 12.0) {
            apart.push(place);
        }
    }
    assert!(apart.len() > 25, "{}", apart.len());
    let pixels = frame(290, 5000, sigma, &apart);
    assert_once(&found(&pixels, |r, sky, region| detect(r, sky, region, sigma, 5.0)), &apart, sigma);
}

#[test]
fn every_second_or_fourth_row_is_enough_for_wide_images() {
    for (sigma, step) in [(4.0, 2), (6.0, 2), (9.0, 4)] {
        let places = [(100.0, 100.0), (300.5, 131.0), (200.25, 202.5), (400.0, 303.75), (95.5, 330.0)];
        let pixels = frame(420, 500, sigma, &places);
        let all = found(&pixels, |r, sky, region| {
            detect_on(r, sky, region, sigma, 25.0, &[region.y0..region.y1], step)
        });
        assert_once(&all, &places, sigma);
    }
}
