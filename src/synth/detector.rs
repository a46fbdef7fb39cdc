//! The detector: photons to charge, cosmic rays, hot pixels, full well, read-out.

use ndarray::Array2;
use rand::RngExt;
use rand::rngs::ChaCha8Rng;

use super::random::{Stream, exponential, gaussian, photons, stream};
use super::render::Placed;
use super::scene::{DetectorScene, Output, Scene};

/// A pixel with dark charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HotPixel {
    pub x: usize,
    pub y: usize,
    pub electrons: f64,
}

/// The scene's hot pixels, the same in every exposure.
pub(super) fn hot_pixels(scene: &Scene) -> Vec<HotPixel> {
    let detector = &scene.detector;
    let mut rng = stream(scene.seed, Stream::Detector);
    (0..detector.hot_pixels)
        .map(|_| HotPixel {
            x: rng.random_range(0..detector.width),
            y: rng.random_range(0..detector.height),
            electrons: exponential(detector.hot_electrons, &mut rng),
        })
        .collect()
}

/// Turns expected electrons into pixel values, ADU; returns the cosmic rays too.
pub(super) fn read_out(
    detector: &DetectorScene,
    expected: &Array2<f64>,
    hot: &[HotPixel],
    rng: &mut ChaCha8Rng,
) -> (Array2<f64>, Vec<Placed>) {
    let mut dark = Array2::<f64>::zeros(expected.dim());
    for pixel in hot {
        dark[[pixel.y, pixel.x]] += pixel.electrons;
    }
    let mut charge = Array2::from_shape_fn(expected.dim(), |at| photons(expected[at] + dark[at], rng));
    let tracks = cosmic_rays(detector, &mut charge, rng);
    for &column in &detector.dead_columns {
        if column >= 1 && column <= detector.width {
            charge.column_mut(column - 1).fill(0.0);
        }
    }
    if detector.bleed {
        bleed(&mut charge, detector.full_well_electrons);
    }
    charge.mapv_inplace(|electrons| {
        let held = electrons.min(detector.full_well_electrons);
        let adu = (held + gaussian(detector.read_noise, rng)) / detector.gain + detector.bias_adu;
        match detector.output {
            Output::Integer => adu.round().clamp(0.0, 65_535.0),
            Output::Float => adu,
        }
    });
    (charge, tracks)
}

/// The value of a full pixel, ADU.
pub(super) fn saturation_adu(detector: &DetectorScene) -> f64 {
    let full = detector.full_well_electrons / detector.gain + detector.bias_adu;
    match detector.output {
        Output::Integer => full.min(65_535.0),
        Output::Float => full,
    }
}

/// Straight tracks of exponentially distributed length, any direction, one pixel wide.
fn cosmic_rays(detector: &DetectorScene, charge: &mut Array2<f64>, rng: &mut ChaCha8Rng) -> Vec<Placed> {
    const STEP: f64 = 0.1;
    let (height, width) = charge.dim();
    let number = photons(detector.cosmic_rays, rng) as usize;
    (0..number)
        .map(|index| {
            let (x, y) =
                (rng.random::<f64>() * width as f64 - 0.5, rng.random::<f64>() * height as f64 - 0.5);
            let (sin, cos) = (std::f64::consts::TAU * rng.random::<f64>()).sin_cos();
            let length = 1.0 + exponential(detector.cosmic_ray_pixels, rng).min(1e4);
            let per_pixel = exponential(detector.cosmic_ray_electrons, rng);
            let steps = (length / STEP).ceil() as usize;
            let mut flux_electrons = 0.0;
            for i in 0..steps {
                let along = (i as f64 + 0.5) * STEP - 0.5 * length;
                let (column, row) = ((x + along * cos).round(), (y + along * sin).round());
                let inside = column >= 0.0 && row >= 0.0 && column < width as f64 && row < height as f64;
                if inside {
                    charge[[row as usize, column as usize]] += per_pixel * STEP;
                    flux_electrons += per_pixel * STEP;
                }
            }
            Placed { id: index + 1, kind: "cosmic-ray", x, y, flux_electrons }
        })
        .collect()
}

/// Moves charge above full well up and down its column, half each way, into the
/// nearest pixels with room; what reaches the edge is lost.
fn bleed(charge: &mut Array2<f64>, full_well: f64) {
    let height = charge.nrows();
    for mut column in charge.columns_mut() {
        let excess: Vec<(usize, f64)> = column
            .indexed_iter()
            .filter(|(_, q)| **q > full_well)
            .map(|(row, q)| (row, *q - full_well))
            .collect();
        for (row, _) in &excess {
            column[*row] = full_well;
        }
        for (row, amount) in excess {
            let up: Box<dyn Iterator<Item = usize>> = Box::new(row + 1..height);
            let down: Box<dyn Iterator<Item = usize>> = Box::new((0..row).rev());
            for way in [up, down] {
                let mut left = 0.5 * amount;
                for next in way {
                    let taken = left.min(full_well - column[next]);
                    column[next] += taken;
                    left -= taken;
                    if left <= 0.0 {
                        break;
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bleeding_keeps_charge_away_from_edges() {
        let mut charge = Array2::from_elem((21, 3), 10.0);
        charge[[10, 1]] = 500.0;
        let before = charge.sum();
        bleed(&mut charge, 100.0);
        assert!((charge.sum() - before).abs() < 1e-9);
        assert!(charge.iter().all(|&q| q <= 100.0));
        assert!(charge[[12, 1]] == 100.0 && charge[[8, 1]] == 100.0 && charge[[13, 1]] < 100.0);
        assert_eq!(charge[[10, 0]], 10.0);
    }
}
