//! Star images made ready for the fit: stamps, weights, zones of the field.

use ndarray::Array2;
use rayon::prelude::*;

use super::parameters::Values;
use super::solve::{Frame, Solved};
use super::star::{Own, Target};
use super::{FitError, MIN_STARS, Noise, StarImage, ZoneResidual};
use crate::optics::Propagator;

/// Half a stamp's side in `lambda / D`: beyond the second dark ring.
const HALF_WIDTHS: f64 = 2.4;
const LEAST_HALF: usize = 4;
/// Most stars that are fitted; the brightest carry nearly all there is to learn.
const MOST_STARS: usize = 120;
/// Zones along each side of the field.
const ZONES: usize = 3;
/// A star is dropped whose chi-square per pixel is over that of the others by this factor
/// and by so many of its standard deviations.
const OUTLIER_FACTOR: f64 = 1.5;
const OUTLIER_SIGMAS: f64 = 6.0;
/// A pixel's own model error, share of the star's light in it: keeps the brightest stars
/// from deciding alone where the noise of the stars is not known.
const MODEL_ERROR_WITHOUT_GAIN: f64 = 0.01;

/// Star images made ready.
#[derive(Debug, Clone)]
pub struct Prepared {
    /// In order of falling flux.
    pub targets: Vec<Target>,
    /// Mean place of each zone's stars.
    pub zones: Vec<[f64; 2]>,
    /// Column and row of each zone, and how many there are along each side.
    cells: Vec<[usize; 2]>,
    side: usize,
    pub half: usize,
    noise: Noise,
}

/// `width` is `lambda / D` in pixels.
pub fn prepare(stars: &[StarImage], noise: Noise, width: f64) -> Result<Prepared, FitError> {
    let smallest = stars.iter().map(|s| s.pixels.nrows().min(s.pixels.ncols()) / 2).min().unwrap_or(0);
    let half = ((HALF_WIDTHS * width).ceil() as usize).max(LEAST_HALF).min(smallest);
    let mut ordered: Vec<&StarImage> = stars
        .iter()
        .filter(|s| s.flux > 0.0 && s.centre.iter().all(|c| c.abs() < 1.0) && half >= 3)
        .collect();
    ordered.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    ordered.truncate(MOST_STARS);
    let targets: Vec<Target> = ordered.iter().filter_map(|star| target(star, half, noise)).collect();
    if targets.len() < MIN_STARS {
        return Err(FitError::FewStars { stars: targets.len() });
    }
    let mut prepared = Prepared { targets, zones: Vec::new(), cells: Vec::new(), side: 0, half, noise };
    prepared.set_zones(ZONES);
    Ok(prepared)
}

/// A star's stamp with its weights from its own pixels, smoothed; `None` where too little
/// of it may be used.
fn target(star: &StarImage, half: usize, noise: Noise) -> Option<Target> {
    let middle = star.pixels.nrows() / 2;
    let side = 2 * half + 1;
    let (mut values, mut inverse_errors) = (Vec::with_capacity(side * side), Vec::new());
    for y in middle - half..=middle + half {
        for x in middle - half..=middle + half {
            let value = f64::from(*star.pixels.get([y, x])?);
            let good = !star.mask.get([y, x]).copied().unwrap_or(true) && value.is_finite();
            values.push(if good { value } else { 0.0 });
            inverse_errors.push(if good { inverse_error(smoothed(star, y, x), noise) } else { 0.0 });
        }
    }
    let own = Own { flux: star.flux, centre: star.centre, background: 0.0 };
    let (place, beyond_zone) = (star.place, Vec::new());
    let target = Target { place, zone: 0, values, inverse_errors, half, own, beyond_zone };
    (target.used() * 10 >= target.values.len() * 9).then_some(target)
}

/// Mean over a pixel and its neighbours.
fn smoothed(star: &StarImage, y: usize, x: usize) -> f64 {
    let near =
        |(dy, dx): (usize, usize)| star.pixels.get([(y + dy).checked_sub(1)?, (x + dx).checked_sub(1)?]);
    let around: Vec<f64> = (0..9)
        .filter_map(|k| near((k / 3, k % 3)))
        .map(|&v| f64::from(v))
        .filter(|v| v.is_finite())
        .collect();
    around.iter().sum::<f64>() / around.len().max(1) as f64
}

fn inverse_error(light: f64, noise: Noise) -> f64 {
    let light = light.max(0.0);
    let of_star = match noise.gain {
        Some(gain) => light / gain,
        None => (MODEL_ERROR_WITHOUT_GAIN * light).powi(2),
    };
    (noise.sky_noise * noise.sky_noise + of_star).sqrt().recip()
}

impl Prepared {
    /// Divides the field the stars cover into `count` by `count` zones, the empty left out.
    pub fn set_zones(&mut self, count: usize) {
        let range = |axis: usize| {
            let all = self.targets.iter().map(|t| t.place[axis]);
            (all.clone().fold(f64::INFINITY, f64::min), all.fold(f64::NEG_INFINITY, f64::max))
        };
        let ranges = [range(0), range(1)];
        let index = |place: [f64; 2]| {
            let along = |axis: usize| {
                let (low, high) = ranges[axis];
                let part = (place[axis] - low) / (high - low).max(f64::MIN_POSITIVE);
                ((part * count as f64) as usize).min(count - 1)
            };
            along(1) * count + along(0)
        };
        let mut sums = vec![([0.0; 2], 0.0); count * count];
        for target in &self.targets {
            let (sum, n) = &mut sums[index(target.place)];
            sum[0] += target.place[0];
            sum[1] += target.place[1];
            *n += 1.0;
        }
        let mut numbers = vec![0; count * count];
        self.zones.clear();
        self.cells.clear();
        self.side = count;
        for (k, (number, (sum, n))) in numbers.iter_mut().zip(&sums).enumerate() {
            if *n > 0.0 {
                *number = self.zones.len();
                self.zones.push([sum[0] / n, sum[1] / n]);
                self.cells.push([k % count, k / count]);
            }
        }
        for target in &mut self.targets {
            target.zone = numbers[index(target.place)];
        }
    }

    /// The brightest stars alone.
    pub fn brightest(&self, most: usize) -> Self {
        let mut few = self.clone();
        few.targets.truncate(most);
        few.set_zones(ZONES);
        few
    }

    /// Weights from the model instead of the data, each star's own numbers taken over, and
    /// stars dropped that are unlike the model where the others are like it.
    pub fn refine(&mut self, frame: &Frame, solved: &Solved) {
        let zones = frame.zones(&solved.values);
        let noise = self.noise;
        let mut per_pixel = Vec::with_capacity(self.targets.len());
        for (target, found) in self.targets.iter_mut().zip(&solved.compared) {
            let Some((own, _)) = found else {
                per_pixel.push(f64::INFINITY);
                continue;
            };
            let zone = &zones[target.zone];
            let [x, y] = target.place;
            let psf = zone.carried(&solved.values.pattern.wavefront(x, y).noll_nm());
            let model = target.model(&psf, zone, own);
            target.own = *own;
            let mut chi2 = 0.0;
            for ((weight, m), v) in target.inverse_errors.iter_mut().zip(&model).zip(&target.values) {
                if *weight > 0.0 {
                    *weight = inverse_error(m - own.background, noise);
                    chi2 += ((v - m) * *weight).powi(2);
                }
            }
            per_pixel.push(chi2 / target.used() as f64);
        }
        let mut ordered = per_pixel.clone();
        ordered.sort_by(f64::total_cmp);
        let typical = ordered[ordered.len() / 2].max(1.0);
        let scatter = |t: &Target| (2.0 / t.used() as f64).sqrt();
        let good: Vec<bool> = self
            .targets
            .iter()
            .zip(&per_pixel)
            .map(|(t, chi2)| *chi2 < typical * OUTLIER_FACTOR.max(1.0 + OUTLIER_SIGMAS * scatter(t)))
            .collect();
        if good.iter().filter(|g| **g).count() >= MIN_STARS {
            let mut keep = good.into_iter();
            self.targets.retain(|_| keep.next().unwrap_or(true));
        }
    }

    /// Gives every star what its exact image by `exact`, a finer grid, at `values` has beyond that of its zone: a zone's
    /// image is carried to the star by a straight line, and on a coarser grid.
    pub fn hold_beyond_zones(&mut self, frame: &Frame, exact: &Propagator, values: &Values) {
        let (zones, half) = (frame.zones(values), self.half);
        let blur = frame.blur_of(values);
        self.targets.par_iter_mut().for_each(|target| {
            let wavefront = values.pattern.wavefront(target.place[0], target.place[1]);
            let [x, y] = target.own.centre.map(|c| half as f64 + c);
            let exact = exact.psf_unchecked(&wavefront, &blur).image(2 * half + 1, x, y);
            let zone = &zones[target.zone];
            target.hold_beyond_zone(&exact, &zone.carried(&wavefront.noll_nm()), zone);
        });
    }

    pub fn zone_residuals(&self, frame: &Frame, solved: &Solved) -> Vec<ZoneResidual> {
        let side = 2 * self.half + 1;
        let models = frame.zones(&solved.values);
        (0..self.zones.len())
            .map(|zone| {
                let mut out = ZoneResidual {
                    place: self.zones[zone],
                    cell: self.cells[zone],
                    side: self.side,
                    stars: 0,
                    chi2: 0.0,
                    degrees_of_freedom: 0,
                    model: Array2::zeros((side, side)),
                    residual: Array2::zeros((side, side)),
                    error: 0.0,
                };
                let mut weights: Array2<f64> = Array2::zeros((side, side));
                for (target, found) in self.targets.iter().zip(&solved.compared) {
                    let Some((own, found)) = found.as_ref().filter(|_| target.zone == zone) else { continue };
                    out.stars += 1;
                    out.chi2 += found.residuals.iter().map(|r| r * r).sum::<f64>();
                    out.degrees_of_freedom += target.used().saturating_sub(4);
                    let [x, y] = target.place;
                    let psf = models[zone].carried(&solved.values.pattern.wavefront(x, y).noll_nm());
                    let model = target.model(&psf, &models[zone], own);
                    let pixels = target.values.iter().zip(&model).zip(&target.inverse_errors);
                    let sums = out.residual.iter_mut().zip(out.model.iter_mut()).zip(weights.iter_mut());
                    for (((left, light), weight), ((v, m), w)) in sums.zip(pixels) {
                        *left += (v - m) * w * w * own.flux;
                        *light += (m - own.background) * w * w * own.flux;
                        *weight += w * w * own.flux * own.flux;
                    }
                }
                for image in [&mut out.residual, &mut out.model] {
                    image.zip_mut_with(&weights, |sum, w| *sum = if *w > 0.0 { *sum / w } else { 0.0 });
                }
                let least = weights.iter().copied().filter(|w| *w > 0.0).fold(f64::INFINITY, f64::min);
                out.error = least.sqrt().recip();
                out
            })
            .collect()
    }
}
