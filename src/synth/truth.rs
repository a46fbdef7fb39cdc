//! The truth of a simulated stack: the noiseless PSF's moments in each exposure, and
//! how much they change, in the detector's and in the sky's frame.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::SynthError;
use super::scene::Scene;
use super::sequence::{Exposure, Geometry};
use crate::moments::LADDER_SIGMA_PIXELS;

use crate::optics::{PATTERN_TERMS, Propagator, SecondMoments};

/// Nodes per axis at which the field is sampled: Gauss-Legendre, so that field means of
/// polynomials up to order 13 are exact.
const NODES: usize = 7;
/// Points per axis of the grid over the common sky.
const SKY_POINTS: usize = 61;

/// What was put into a stack. All moments are of the continuous, noiseless,
/// pixel-convolved PSF, in the detector's x and y.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    pub schema: String,
    pub scene: String,
    pub seed: u64,
    pub pixel_arcsec: f64,
    pub width: usize,
    pub height: usize,
    pub exposures: Vec<ExposureTruth>,
    /// Change between all exposures, at fixed places of the detector.
    pub detector: RmsChange,
    /// Change between all exposures at fixed places of the sky, over the sky common to
    /// all; ellipticity turned to the first exposure's orientation.
    pub sky: Option<RmsChange>,
    /// Area of the common sky over that of a frame.
    pub common_sky: f64,
}

/// One exposure's truth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExposureTruth {
    pub file: String,
    /// Start, ISO 8601, UTC.
    pub time: String,
    pub mjd_mid: f64,
    pub dither_pixels: [f64; 2],
    pub rotation_deg: f64,
    pub jitter_mas2: [f64; 3],
    /// Coefficients of the wavefront over the field, nm rms, by the names of `optics`.
    #[serde(default)]
    pub wavefront_nm: std::collections::BTreeMap<String, f64>,
    pub transparency: f64,
    pub sky_electrons: f64,
    /// Field mean of the adaptive size `T`.
    pub size_pixels2: f64,
    pub size_arcsec2: f64,
    /// Field mean of the adaptive ellipticity.
    pub e1: f64,
    pub e2: f64,
    /// Field means under fixed circular weights, not doubled.
    pub weighted: Vec<WeightedShape>,
    /// `[ln T, e1, e2]`, adaptive, at 7 x 7 Gauss-Legendre nodes of the field, x fastest.
    pub field: Vec<[f64; 3]>,
}

/// Field means under one fixed circular weight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WeightedShape {
    pub sigma_pixels: f64,
    pub size_pixels2: f64,
    pub e1: f64,
    pub e2: f64,
}

/// `sqrt(sum over exposures of the field mean of (q - mean q)^2 / (n - 1))`: `size` of
/// `ln T`, `ellipticity` per component (the mean of both components' squares).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RmsChange {
    pub size: f64,
    pub ellipticity: f64,
    pub weighted: Vec<WeightedChange>,
}

/// The same under one fixed circular weight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WeightedChange {
    pub sigma_pixels: f64,
    pub size: f64,
    pub ellipticity: f64,
}

/// `[ln T, e1, e2]` at the nodes of the field, x fastest.
type Map = [[f64; 3]];
/// Maps of one exposure: adaptive first, then each rung of the ladder.
type Maps = Vec<Vec<[f64; 3]>>;

impl Truth {
    /// The truth of a stack whose frames bear the names `files`.
    pub(super) fn of(
        scene: &Scene,
        exposures: &[Exposure],
        propagator: &Propagator,
        files: &[String],
    ) -> Result<Self, SynthError> {
        let maps: Vec<Maps> = exposures
            .par_iter()
            .map(|exposure| field_maps(exposure, propagator))
            .collect::<Result<_, _>>()?;
        let geometries: Vec<Geometry> = exposures.iter().map(|e| e.geometry).collect();
        let rungs = LADDER_SIGMA_PIXELS.len();
        let rung = |k: usize| -> Vec<&Map> { maps.iter().map(|m| m[k].as_slice()).collect() };
        let places = common_sky(&geometries);
        let change = |rms: &dyn Fn(&[&Map]) -> [f64; 2]| {
            let [size, ellipticity] = rms(&rung(0));
            let weighted = (0..rungs)
                .map(|k| {
                    let [size, ellipticity] = rms(&rung(k + 1));
                    WeightedChange { sigma_pixels: LADDER_SIGMA_PIXELS[k], size, ellipticity }
                })
                .collect();
            RmsChange { size, ellipticity, weighted }
        };
        Ok(Self {
            schema: "stackworthy/truth/1".into(),
            scene: scene.name.clone(),
            seed: scene.seed,
            pixel_arcsec: scene.detector.pixel_arcsec,
            width: scene.detector.width,
            height: scene.detector.height,
            exposures: exposures
                .iter()
                .zip(files)
                .zip(&maps)
                .map(|((exposure, file), maps)| exposure_truth(scene, exposure, file, maps))
                .collect(),
            detector: change(&detector_rms),
            sky: (!places.points.is_empty()).then(|| change(&|maps| sky_rms(maps, &places))),
            common_sky: places.area_pixels2 / (scene.detector.width * scene.detector.height) as f64,
        })
    }

    /// Adaptive rms change `[ln T, e per component]` between some of the exposures (by
    /// index), at fixed places of the detector.
    pub fn detector_change(&self, kept: &[usize]) -> Option<[f64; 2]> {
        Some(detector_rms(&self.kept_maps(kept)?))
    }

    /// The same at fixed places of the sky common to these exposures; `None` where there
    /// is no common sky.
    pub fn sky_change(&self, kept: &[usize]) -> Option<[f64; 2]> {
        let maps = self.kept_maps(kept)?;
        let geometries: Vec<Geometry> = kept
            .iter()
            .map(|&i| Geometry {
                width: self.width,
                height: self.height,
                dither: self.exposures[i].dither_pixels,
                rotation_deg: self.exposures[i].rotation_deg,
            })
            .collect();
        let places = common_sky(&geometries);
        (!places.points.is_empty()).then(|| sky_rms(&maps, &places))
    }

    fn kept_maps(&self, kept: &[usize]) -> Option<Vec<&Map>> {
        kept.iter().map(|&i| self.exposures.get(i).map(|e| e.field.as_slice())).collect()
    }
}

fn exposure_truth(scene: &Scene, exposure: &Exposure, file: &str, maps: &Maps) -> ExposureTruth {
    let mean = |map: &Map| -> [f64; 3] {
        let mut sums = [0.0; 3];
        for (&[log_size, e1, e2], weight) in map.iter().zip(node_weights()) {
            for (sum, value) in sums.iter_mut().zip([log_size.exp(), e1, e2]) {
                *sum += weight * value;
            }
        }
        sums
    };
    let [size_pixels2, e1, e2] = mean(&maps[0]);
    ExposureTruth {
        file: file.into(),
        time: exposure.start.to_string(),
        mjd_mid: exposure.mjd_mid(scene.sequence.exposure_s),
        dither_pixels: exposure.geometry.dither,
        rotation_deg: exposure.geometry.rotation_deg,
        jitter_mas2: exposure.blur.jitter_mas2,
        wavefront_nm: PATTERN_TERMS.map(str::to_owned).into_iter().zip(exposure.pattern.terms()).collect(),
        transparency: exposure.transparency,
        sky_electrons: exposure.sky_electrons,
        size_pixels2,
        size_arcsec2: size_pixels2 * scene.detector.pixel_arcsec.powi(2),
        e1,
        e2,
        weighted: LADDER_SIGMA_PIXELS
            .iter()
            .zip(&maps[1..])
            .map(|(&sigma_pixels, map)| {
                let [size_pixels2, e1, e2] = mean(map);
                WeightedShape { sigma_pixels, size_pixels2, e1, e2 }
            })
            .collect(),
        field: maps[0].clone(),
    }
}

/// Moments at the nodes of the field.
fn field_maps(exposure: &Exposure, propagator: &Propagator) -> Result<Maps, SynthError> {
    let (nodes, _) = legendre();
    let geometry = exposure.geometry;
    let at = |unit: f64, length: usize| 0.5 * (length as f64 * (1.0 + unit) - 1.0);
    let uniform = exposure.pattern.is_uniform();
    let mut maps = vec![Vec::with_capacity(NODES * NODES); 1 + LADDER_SIGMA_PIXELS.len()];
    for y in nodes {
        for x in nodes {
            if uniform && !maps[0].is_empty() {
                for map in &mut maps {
                    map.push(map[0]);
                }
                continue;
            }
            let pixel = [at(x, geometry.width), at(y, geometry.height)];
            let psf = propagator
                .psf(&exposure.wavefront(pixel), &exposure.blur)
                .map_err(|source| SynthError::Optics { number: exposure.index + 1, source })?;
            let shapes = std::iter::once(psf.adaptive_moments())
                .chain(LADDER_SIGMA_PIXELS.iter().map(|&sigma| psf.weighted_moments(sigma)));
            for (map, shape) in maps.iter_mut().zip(shapes) {
                let shape = shape.ok_or(SynthError::NoMoments { number: exposure.index + 1 })?;
                map.push(log_size_and_ellipticity(&shape));
            }
        }
    }
    Ok(maps)
}

fn log_size_and_ellipticity(shape: &SecondMoments) -> [f64; 3] {
    [shape.size().ln(), shape.e1(), shape.e2()]
}

/// Variance over exposures of three values each, summed over the sample and divided by
/// n - 1; size and ellipticity per component.
fn variance(values: &[[f64; 3]]) -> [f64; 2] {
    let n = values.len() as f64;
    let mut squares = [0.0; 3];
    for (k, square) in squares.iter_mut().enumerate() {
        let mean = values.iter().map(|v| v[k]).sum::<f64>() / n;
        *square = values.iter().map(|v| (v[k] - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    }
    [squares[0], 0.5 * (squares[1] + squares[2])]
}

fn detector_rms(maps: &[&Map]) -> [f64; 2] {
    let mut mean = [0.0; 2];
    for (node, weight) in node_weights().into_iter().enumerate() {
        let values: Vec<[f64; 3]> = maps.iter().map(|map| map[node]).collect();
        let [size, ellipticity] = variance(&values);
        mean[0] += weight * size;
        mean[1] += weight * ellipticity;
    }
    mean.map(f64::sqrt)
}

/// Places of the sky that every exposure sees.
struct CommonSky {
    area_pixels2: f64,
    points: Vec<Vec<Seen>>,
}

/// How one exposure sees one place of the sky: weights of the field's nodes there, and
/// cosine and sine of twice its rotation from the first exposure.
struct Seen {
    node_weights: Vec<f64>,
    turn: [f64; 2],
}

fn common_sky(geometries: &[Geometry]) -> CommonSky {
    let Some(first) = geometries.first() else {
        return CommonSky { area_pixels2: 0.0, points: Vec::new() };
    };
    // The first exposure's frame holds the common sky.
    let cell = |i: usize, length: usize| length as f64 * (i as f64 + 0.5) / SKY_POINTS as f64 - 0.5;
    let points: Vec<Vec<Seen>> = (0..SKY_POINTS * SKY_POINTS)
        .filter_map(|i| {
            let pixel = [cell(i % SKY_POINTS, first.width), cell(i / SKY_POINTS, first.height)];
            let place = first.to_sky(pixel);
            geometries
                .iter()
                .map(|geometry| {
                    let [x, y] = geometry.unit(geometry.to_pixel(place));
                    (x.abs() <= 1.0 && y.abs() <= 1.0).then(|| {
                        let turn = 2.0 * (geometry.rotation_deg - first.rotation_deg);
                        let (sin, cos) = turn.to_radians().sin_cos();
                        Seen { node_weights: interpolation(x, y), turn: [cos, sin] }
                    })
                })
                .collect()
        })
        .collect();
    let cell_area = (first.width * first.height) as f64 / (SKY_POINTS * SKY_POINTS) as f64;
    CommonSky { area_pixels2: points.len() as f64 * cell_area, points }
}

fn sky_rms(maps: &[&Map], sky: &CommonSky) -> [f64; 2] {
    let mut sums = [0.0; 2];
    for point in &sky.points {
        let values: Vec<[f64; 3]> = point
            .iter()
            .zip(maps)
            .map(|(seen, map)| {
                let mut q = [0.0; 3];
                for (weight, value) in seen.node_weights.iter().zip(*map) {
                    for (sum, v) in q.iter_mut().zip(value) {
                        *sum += weight * v;
                    }
                }
                let [cos, sin] = seen.turn;
                [q[0], q[1] * cos + q[2] * sin, q[2] * cos - q[1] * sin]
            })
            .collect();
        let [size, ellipticity] = variance(&values);
        sums[0] += size;
        sums[1] += ellipticity;
    }
    sums.map(|sum| (sum / sky.points.len() as f64).sqrt())
}

/// Gauss-Legendre nodes on -1 to 1 and their weights, which sum to one.
fn legendre() -> ([f64; NODES], [f64; NODES]) {
    let n = NODES as f64;
    let (mut nodes, mut weights) = ([0.0; NODES], [0.0; NODES]);
    for (i, (node, weight)) in nodes.iter_mut().zip(&mut weights).enumerate() {
        let mut x = -(std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..20 {
            let (mut before, mut value) = (1.0, x);
            for k in 2..=NODES {
                let k = k as f64;
                (before, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * before) / k);
            }
            slope = n * (x * value - before) / (x * x - 1.0);
            x -= value / slope;
        }
        *node = x;
        *weight = 1.0 / ((1.0 - x * x) * slope * slope);
    }
    (nodes, weights)
}

fn node_weights() -> Vec<f64> {
    let (_, weights) = legendre();
    weights.iter().flat_map(|wy| weights.iter().map(move |wx| wx * wy)).collect()
}

/// Weights that interpolate the nodes' values to `(x, y)`: the polynomial through them.
fn interpolation(x: f64, y: f64) -> Vec<f64> {
    let (nodes, _) = legendre();
    let along = |t: f64| -> [f64; NODES] {
        std::array::from_fn(|i| {
            (0..NODES).filter(|&j| j != i).map(|j| (t - nodes[j]) / (nodes[i] - nodes[j])).product()
        })
    };
    let (ax, ay) = (along(x), along(y));
    ay.iter().flat_map(|wy| ax.iter().map(move |wx| wx * wy)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn field_means_of_high_polynomials_are_exact() {
        let (nodes, weights) = legendre();
        assert!((weights.iter().sum::<f64>() - 1.0).abs() < 1e-14);
        for power in [2, 6, 12] {
            let mean: f64 = nodes.iter().zip(weights).map(|(x, w)| w * x.powi(power)).sum();
            assert!((mean - 1.0 / f64::from(power + 1)).abs() < 1e-14, "{power}");
        }
    }

    #[test]
    fn interpolation_reproduces_a_polynomial() {
        let (nodes, _) = legendre();
        let f = |x: f64, y: f64| 1.0 + x - 2.0 * x * y + x.powi(3) * y.powi(2) - y.powi(6);
        let values = nodes.iter().flat_map(|&y| nodes.map(|x| f(x, y)));
        let found: f64 = interpolation(0.9, -0.33).iter().zip(values).map(|(w, v)| w * v).sum();
        assert!((found - f(0.9, -0.33)).abs() < 1e-13);
    }
}
