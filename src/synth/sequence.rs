//! The exposures a scene asks for: where they point, what the telescope does.

use jiff::{SignedDuration, civil::DateTime};
use rand::rngs::ChaCha8Rng;

use super::SynthError;
use super::random::{Stream, gaussian, stream};
use super::scene::{Change, Quantity, Scene};
use crate::optics::{Blur, FieldPattern, Wavefront};

/// One exposure as the simulator sets it.
#[derive(Debug, Clone)]
pub(super) struct Exposure {
    /// From 0.
    pub index: usize,
    pub start: DateTime,
    pub geometry: Geometry,
    pub pattern: FieldPattern,
    pub blur: Blur,
    pub sky_electrons: f64,
    pub transparency: f64,
    pub altitude_deg: Option<f64>,
    pub temperature_c: Option<f64>,
    pub focus_position: Option<f64>,
}

/// How the sky plane falls on the detector: `pixel = R(rotation) sky + centre + dither`.
/// The sky plane is in pixels, with the detector's parity and the orientation of an
/// unrotated exposure; its origin is the pointing. Pixels are 0-based.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Geometry {
    pub width: usize,
    pub height: usize,
    pub dither: [f64; 2],
    pub rotation_deg: f64,
}

impl Geometry {
    fn centre(&self) -> [f64; 2] {
        [(self.width as f64 - 1.0) / 2.0, (self.height as f64 - 1.0) / 2.0]
    }

    pub fn to_pixel(self, [u, v]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.rotation_deg.to_radians().sin_cos();
        let [cx, cy] = self.centre();
        [u * cos - v * sin + cx + self.dither[0], u * sin + v * cos + cy + self.dither[1]]
    }

    pub fn to_sky(self, [x, y]: [f64; 2]) -> [f64; 2] {
        let (sin, cos) = self.rotation_deg.to_radians().sin_cos();
        let [cx, cy] = self.centre();
        let (dx, dy) = (x - cx - self.dither[0], y - cy - self.dither[1]);
        [dx * cos + dy * sin, dy * cos - dx * sin]
    }

    /// Place on the detector, -1 to 1 from edge to edge.
    pub fn unit(self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [cx, cy] = self.centre();
        [(x - cx) / (0.5 * self.width as f64), (y - cy) / (0.5 * self.height as f64)]
    }

    /// Place on the detector in half-diagonals, as [`FieldPattern`] counts.
    pub fn half_diagonals(self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [cx, cy] = self.centre();
        let half = 0.5 * (self.width as f64).hypot(self.height as f64);
        [(x - cx) / half, (y - cy) / half]
    }

    /// Corners of the frame on the sky plane.
    pub fn corners(self) -> [[f64; 2]; 4] {
        let (x1, y1) = (self.width as f64 - 0.5, self.height as f64 - 0.5);
        [[-0.5, -0.5], [x1, -0.5], [-0.5, y1], [x1, y1]].map(|corner| self.to_sky(corner))
    }
}

impl Exposure {
    /// The wavefront at a detector pixel.
    pub fn wavefront(&self, pixel: [f64; 2]) -> Wavefront {
        let [x, y] = self.geometry.half_diagonals(pixel);
        self.pattern.wavefront(x, y)
    }

    /// Middle of the exposure, MJD in UTC.
    pub fn mjd_mid(&self, exposure_s: f64) -> f64 {
        let epoch = DateTime::constant(1858, 11, 17, 0, 0, 0, 0);
        (self.start.duration_since(epoch).as_secs_f64() + 0.5 * exposure_s) / 86_400.0
    }

    fn shift(&mut self, what: Quantity, by: f64) {
        let add = |value: &mut Option<f64>| *value = value.map(|v| v + by);
        match what {
            Quantity::JitterMas2 => {
                self.blur.jitter_mas2[0] += by;
                self.blur.jitter_mas2[1] += by;
            }
            Quantity::JitterXxMas2 => self.blur.jitter_mas2[0] += by,
            Quantity::JitterYyMas2 => self.blur.jitter_mas2[1] += by,
            Quantity::JitterXyMas2 => self.blur.jitter_mas2[2] += by,
            Quantity::DriftXMas => self.blur.drift_mas[0] += by,
            Quantity::DriftYMas => self.blur.drift_mas[1] += by,
            Quantity::DefocusNm => self.pattern.defocus_nm += by,
            Quantity::DefocusTiltXNm => self.pattern.defocus_tilt_nm[0] += by,
            Quantity::DefocusTiltYNm => self.pattern.defocus_tilt_nm[1] += by,
            Quantity::Astigmatism0Nm => self.pattern.astigmatism_nm[0] += by,
            Quantity::Astigmatism45Nm => self.pattern.astigmatism_nm[1] += by,
            Quantity::ComaXNm => self.pattern.coma_nm[0] += by,
            Quantity::ComaYNm => self.pattern.coma_nm[1] += by,
            Quantity::TrefoilXNm => self.pattern.trefoil_nm[0] += by,
            Quantity::TrefoilYNm => self.pattern.trefoil_nm[1] += by,
            Quantity::SphericalNm => self.pattern.spherical_nm += by,
            Quantity::SkyElectrons => self.sky_electrons = (self.sky_electrons + by).max(0.0),
            Quantity::Transparency => self.transparency = (self.transparency + by).max(0.0),
            Quantity::AltitudeDeg => add(&mut self.altitude_deg),
            Quantity::TemperatureC => add(&mut self.temperature_c),
            Quantity::FocusPosition => add(&mut self.focus_position),
        }
    }
}

/// All exposures of a scene.
pub(super) fn exposures(scene: &Scene) -> Result<Vec<Exposure>, SynthError> {
    let sequence = &scene.sequence;
    let start: DateTime = sequence.start.parse().map_err(|_| SynthError::Start(sequence.start.clone()))?;
    let cadence = sequence.exposure_s + sequence.gap_s;
    let [xx, yy, xy] = scene.motion.jitter_mas2;
    let isotropic = scene.motion.jitter_mas * scene.motion.jitter_mas;

    let mut rng = stream(scene.seed, Stream::Sequence);
    let mut exposures = Vec::with_capacity(sequence.exposures);
    for index in 0..sequence.exposures {
        let later = SignedDuration::try_from_secs_f64(cadence * index as f64)
            .ok()
            .and_then(|later| start.checked_add(later).ok())
            .ok_or_else(|| SynthError::Start(sequence.start.clone()))?;
        let random = [0, 1].map(|_| gaussian(sequence.dither_rms_pixels, &mut rng));
        let dither = match (sequence.dither_pixels.as_slice(), index) {
            ([], 0) => [0.0; 2],
            ([], _) => random,
            (list, 0) => list[0],
            (list, _) => {
                let [x, y] = list[index % list.len()];
                [x + random[0], y + random[1]]
            }
        };
        exposures.push(Exposure {
            index,
            start: later,
            geometry: Geometry {
                width: scene.detector.width,
                height: scene.detector.height,
                dither,
                rotation_deg: sequence
                    .rotation_deg
                    .get(index)
                    .copied()
                    .unwrap_or(sequence.rotation_step_deg * index as f64),
            },
            pattern: scene.optics.pattern(),
            blur: Blur {
                jitter_mas2: [xx + isotropic, yy + isotropic, xy],
                drift_mas: scene.motion.drift_mas,
                diffusion_pixels: scene.detector.diffusion_pixels,
                pixel_arcsec: scene.detector.pixel_arcsec,
            },
            sky_electrons: scene.stars.sky_electrons,
            transparency: 1.0,
            altitude_deg: sequence.altitude_deg,
            temperature_c: sequence.temperature_c,
            focus_position: sequence.focus_position,
        });
    }
    for change in &sequence.change {
        apply(change, &mut exposures, &mut rng);
    }
    Ok(exposures)
}

fn apply(change: &Change, exposures: &mut [Exposure], rng: &mut ChaCha8Rng) {
    let mut walked = 0.0;
    for exposure in exposures {
        let index = exposure.index;
        if let (Some(step), true) = (change.random_walk, index > 0) {
            walked += gaussian(step, rng);
        }
        // Drawn for every exposure, so that naming others does not change the numbers.
        let scattered = change.scatter.map_or(0.0, |rms| gaussian(rms, rng));
        let amount =
            change.by.unwrap_or(0.0) + change.slope.unwrap_or(0.0) * index as f64 + walked + scattered;
        if change.exposures.as_ref().is_none_or(|list| list.contains(&(index + 1))) {
            exposure.shift(change.what, amount);
        }
    }
}
