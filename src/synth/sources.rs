//! What is on the sky: stars, companions and galaxies, at places of the sky plane.

use rand::RngExt;

use super::SynthError;
use super::random::{Stream, stream, uniform};
use super::scene::Scene;
use super::sequence::Exposure;

/// A source fixed on the sky.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Source {
    pub id: usize,
    pub kind: Kind,
    /// Sky plane, pixels.
    pub place: [f64; 2],
    /// Electrons an exposure, in a clear sky.
    pub flux: f64,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Kind {
    Star,
    Companion,
    /// An exponential disc; ellipticity (distortion) in the sky plane's axes.
    Galaxy {
        scale_pixels: f64,
        e1: f64,
        e2: f64,
    },
}

/// Sources beyond the frames' edges whose wings may reach in, pixels.
const MARGIN: f64 = 40.0;
const MOST_SOURCES: f64 = 1e7;

/// The sources of a scene, over all the sky its exposures see.
pub(super) fn sources(scene: &Scene, exposures: &[Exposure]) -> Result<Vec<Source>, SynthError> {
    let stars = &scene.stars;
    let pixel = scene.detector.pixel_arcsec;
    let mut rng = stream(scene.sky_seed.unwrap_or(scene.seed), Stream::Sky);

    let (low, high) = bounds(exposures);
    let frame_area = (scene.detector.width * scene.detector.height) as f64;
    let frames = (high[0] - low[0]) * (high[1] - low[1]) / frame_area;
    let number = |per_frame: f64| (per_frame * frames).round() as usize;
    let mut sources = Vec::new();
    let wanted = (stars.per_frame + stars.galaxies_per_frame) * frames;
    if wanted > MOST_SOURCES {
        return Err(SynthError::TooManySources { wanted, most: MOST_SOURCES });
    }

    for _ in 0..number(stars.per_frame) {
        let place = [0, 1].map(|axis| uniform(low[axis], high[axis], &mut rng));
        let flux = power_law(stars.flux_electrons, stars.flux_slope, rng.random());
        sources.push(Source { id: sources.len() + 1, kind: Kind::Star, place, flux });
        let (has_companion, share, turn): (f64, f64, f64) = (rng.random(), rng.random(), rng.random());
        let [near, far] = stars.companion_arcsec;
        let separation = uniform(near, far, &mut rng) / pixel;
        if has_companion < stars.companion_fraction {
            let (sin, cos) = (turn * std::f64::consts::TAU).sin_cos();
            sources.push(Source {
                id: sources.len() + 1,
                kind: Kind::Companion,
                place: [place[0] + separation * cos, place[1] + separation * sin],
                flux: flux * (0.05 + 0.95 * share),
            });
        }
    }
    for _ in 0..number(stars.galaxies_per_frame) {
        let place = [0, 1].map(|axis| uniform(low[axis], high[axis], &mut rng));
        let flux = power_law(stars.galaxy_flux_electrons, stars.flux_slope, rng.random());
        let [small, large] = stars.galaxy_scale_arcsec;
        let scale_pixels = uniform(small, large, &mut rng) / pixel;
        let e = stars.galaxy_ellipticity * rng.random::<f64>();
        let (sin, cos) = (std::f64::consts::TAU * rng.random::<f64>()).sin_cos();
        sources.push(Source {
            id: sources.len() + 1,
            kind: Kind::Galaxy { scale_pixels, e1: e * cos, e2: e * sin },
            place,
            flux,
        });
    }
    Ok(sources)
}

/// The rectangle of sky plane that holds every exposure's frame and a margin.
fn bounds(exposures: &[Exposure]) -> ([f64; 2], [f64; 2]) {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for corner in exposures.iter().flat_map(|e| e.geometry.corners()) {
        for axis in 0..2 {
            low[axis] = low[axis].min(corner[axis] - MARGIN);
            high[axis] = high[axis].max(corner[axis] + MARGIN);
        }
    }
    (low, high)
}

/// The flux below which the share `part` of a population lies whose number per unit
/// flux goes as `flux^slope` between the limits.
fn power_law([low, high]: [f64; 2], slope: f64, part: f64) -> f64 {
    let power = slope + 1.0;
    if power.abs() < 1e-9 {
        return low * (high / low).powf(part);
    }
    (low.powf(power) + part * (high.powf(power) - low.powf(power))).powf(1.0 / power)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn power_law_counts() {
        // Number above F: (F^-0.6 - high^-0.6) / (low^-0.6 - high^-0.6).
        let flux = power_law([1e3, 1e6], -1.6, 0.7);
        let above = (flux.powf(-0.6) - 1e6f64.powf(-0.6)) / (1e3f64.powf(-0.6) - 1e6f64.powf(-0.6));
        assert!((above - 0.3).abs() < 1e-12);
        assert!((power_law([1.0, 100.0], -1.0, 0.5) - 10.0).abs() < 1e-9);
    }
}
