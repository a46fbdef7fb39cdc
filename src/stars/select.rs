//! The stars of one frame, in order: sky, width, detections, wings, moments, locus.

use ndarray::Array2;
use rayon::prelude::*;

use super::clean::{Saturated, bad_lines};
use super::detect::{DETECTION_SNR, Detection, detect, source_mask, under_new_sky};
use super::isolate::{contamination, drop_wings};
use super::locus::{Candidate, Locus, NARROW_SHARE};
use super::width::{Width, are_single_pixels, is_single_pixel, typical_width};
use super::wings::Wings;
use super::{Ladder, Refusal, Star};
use crate::frame::{Pixels, Region, Tops};
use crate::moments::grid::Grid;
use crate::moments::{
    Cutout, LADDER_SIGMA_PIXELS, MomentError, StarMoments, Weight, measure_from, primary_weight,
};
use crate::settings::StarSettings;
use crate::sky::{self, Mask, Residual, Sky, SkyError};

/// Half-width of a cut-out in sigma of the stars; never under [`MIN_HALF_PIXELS`].
const CUTOUT_HALF_SIGMAS: f64 = 7.0;
const MIN_HALF_PIXELS: usize = 10;
const MAX_HALF_PIXELS: usize = 60;

/// A saturated pixel this near a source's centre, in sigma of the stars, spoils it.
const SATURATION_RADIUS_SIGMAS: f64 = 3.0;

/// Rows whose stars are measured one after the other.
const BAND_ROWS: usize = 64;

/// SNR of the stars that show the wings.
const WING_STAR_SNR: f64 = 100.0;

/// What is known of a frame before its stars.
#[derive(Debug, Clone, Copy)]
pub struct FrameView<'a> {
    pub pixels: &'a Pixels,
    /// Of `pixels`.
    pub tops: &'a Tops,
    pub region: Region,
    /// Frame units.
    pub saturation: Option<f64>,
    /// Step between pixel values.
    pub quantum: Option<f64>,
    /// Electrons per frame unit; without it the stars' own photon noise is unknown.
    pub gain: Option<f64>,
}

/// The stars of one frame and what was learned on the way.
#[derive(Debug, Clone)]
pub struct FrameStars {
    pub sky_level: f64,
    pub sky_noise: f64,
    /// `None` without a bright source.
    pub width: Option<Width>,
    /// Kept and refused, by falling flux.
    pub stars: Vec<Star>,
    pub notes: Vec<String>,
}

/// Finds, measures and judges everything in a frame.
pub fn select(frame: &FrameView, settings: &StarSettings) -> Result<FrameStars, SkyError> {
    let first_sky = sky::measure(frame.pixels, frame.region, frame.quantum)?;
    let saturated = Saturated::find(frame.pixels, frame.tops, frame.saturation);
    let full = saturated.mask(frame.pixels.dim());
    let Some(look) = first_look(frame, &first_sky, &full) else {
        return Ok(FrameStars {
            sky_level: first_sky.median_level,
            sky_noise: first_sky.median_noise,
            width: None,
            stars: Vec::new(),
            notes: vec!["no source bright enough to measure a width from".into()],
        });
    };
    let FirstLook { width, found, covered } = look;
    let sigma = width.sigma;
    let primary = primary_weight(width.narrowest);
    let mut notes = Vec::new();
    let again = sky::measure_again(frame.pixels, &covered, frame.region, frame.quantum, &first_sky);
    let sky = again.unwrap_or_else(|_| first_sky.clone());
    let residual = Residual::new(frame.pixels, &sky, frame.region);
    let (columns, rows) = bad_lines(&residual, &covered, &sky, frame.region);
    drop(covered);
    let lines = columns.len() + rows.len();
    if lines > 0 {
        notes.push(format!("{} bad columns and {} bad rows masked", columns.len(), rows.len()));
    }
    let residual = residual.without_lines(columns, rows);
    let found = if lines > 0 {
        detect(&residual, &sky, frame.region, sigma, DETECTION_SNR)
    } else {
        under_new_sky(&found, sigma, &first_sky, &sky, DETECTION_SNR)
    };

    let truncated: Vec<bool> =
        found.iter().map(|d| touches(&full, d, SATURATION_RADIUS_SIGMAS * sigma)).collect();
    let wings = measured_wings(&residual, &found, &truncated, sigma);
    let real: Vec<usize> = drop_wings(&found, &truncated, &wings);
    let found: Vec<Detection> = real.iter().map(|&k| found[k]).collect();
    let truncated: Vec<bool> = real.iter().map(|&k| truncated[k]).collect();
    // Single hot pixels have no wings that could reach a star: masked, they are no neighbours.
    let single = are_single_pixels(&residual, &found);
    let mut masked = full;
    for (d, _) in found.iter().zip(&single).filter(|(_, single)| **single) {
        mask_brightest(&residual, &mut masked, d);
    }
    let contamination = contamination(&found, &single, &wings, primary);

    let half = cutout_half(sigma);
    let trails = saturated.trails(frame.pixels.dim(), sigma);
    let scene = Scene { residual: &residual, masked: &masked, trails: &trails, sky: &sky, frame, half };
    let early: Vec<Option<Refusal>> = (0..found.len())
        .map(|k| scene.early_refusal(&found[k], truncated[k], single[k], sigma, settings))
        .collect();
    let before = |k: usize| Star { refused: early[k], ..unmeasured(&found[k], contamination[k]) };
    let mut measured: Vec<(Star, Option<Candidate>)> = (0..found.len()).map(|k| (before(k), None)).collect();
    // Neighbours one after the other: their pixels are near in memory too.
    let mut places: Vec<usize> = (0..found.len()).filter(|&k| early[k].is_none()).collect();
    places.sort_by_key(|&k| (found[k].y as usize / BAND_ROWS, found[k].x as usize));
    let in_turn = |grid: &mut Grid, i: usize| {
        // The pixels of the next come from memory while this one is measured.
        if let Some(&next) = places.get(i + 1) {
            scene.call_for(&found[next]);
        }
        let k = places[i];
        scene.measure(grid, before(k), &found[k], sigma, primary, settings)
    };
    let of_places: Vec<(Star, Option<Candidate>)> =
        (0..places.len()).into_par_iter().map_init(Grid::default, in_turn).collect();
    for (&k, star) in places.iter().zip(of_places) {
        measured[k] = star;
    }
    refuse_off_locus(&mut measured, frame.region, &mut notes);
    let mut stars: Vec<Star> = measured.into_iter().map(|(star, _)| star).collect();
    for star in &mut stars {
        if star.refused.is_some() {
            star.cutout = None;
            star.cutout_mask = None;
        }
    }
    if frame.gain.is_none() {
        notes.push(
            "the gain is unknown: the stars' own photon noise is left out of their errors; \
             set `detector.gain`"
                .into(),
        );
    }
    Ok(FrameStars {
        sky_level: sky.median_level,
        sky_noise: sky.median_noise,
        width: Some(width),
        stars,
        notes,
    })
}

/// What a first look at a frame gives.
struct FirstLook {
    width: Width,
    /// Down to a little under the detection limit, which a better sky may move.
    found: Vec<Detection>,
    /// What sources cover.
    covered: Mask,
}

/// `None` without a bright source.
fn first_look(frame: &FrameView, sky: &Sky, full: &Mask) -> Option<FirstLook> {
    let residual = Residual::new(frame.pixels, sky, frame.region);
    let width = typical_width(&residual, full, sky, frame.region)?;
    let found = detect(&residual, sky, frame.region, width.sigma, 0.9 * DETECTION_SNR);
    let sure: Vec<Detection> = found.iter().filter(|d| d.snr >= DETECTION_SNR).copied().collect();
    let covered = source_mask(frame.pixels.dim(), &sure, sky, width.sigma);
    Some(FirstLook { width, found, covered })
}

fn cutout_half(sigma: f64) -> usize {
    ((CUTOUT_HALF_SIGMAS * sigma).ceil() as usize).clamp(MIN_HALF_PIXELS, MAX_HALF_PIXELS)
}

/// Masks the brightest pixel of the 3x3 around a detection.
fn mask_brightest(residual: &Residual, masked: &mut Mask, d: &Detection) {
    let (height, width) = residual.dim();
    let (x, y) = (d.x.round() as usize, d.y.round() as usize);
    let near = (y.saturating_sub(1)..(y + 2).min(height))
        .flat_map(|y| (x.saturating_sub(1)..(x + 2).min(width)).map(move |x| (residual.at(y, x), y, x)));
    if let Some((_, y, x)) = near.max_by(|a, b| a.0.total_cmp(&b.0)) {
        masked.mark(y, x..x + 1);
    }
}

/// Is any marked pixel within `radius` of a detection?
fn touches(mask: &Mask, d: &Detection, radius: f64) -> bool {
    let (height, width) = mask.dim();
    let rows = ((d.y - radius).max(0.0) as usize)..((d.y + radius + 1.0) as usize).min(height);
    let columns = ((d.x - radius).max(0.0) as usize)..((d.x + radius + 1.0) as usize).min(width);
    rows.into_iter().filter(|&y| !mask.is_clear(y, columns.clone())).any(|y| {
        columns.clone().any(|x| mask.contains(y, x) && (x as f64 - d.x).hypot(y as f64 - d.y) <= radius)
    })
}

/// The wings from bright, whole stars that no comparable source stands near.
fn measured_wings(residual: &Residual, found: &[Detection], truncated: &[bool], sigma: f64) -> Wings {
    let near2 = (12.0 * sigma).powi(2);
    let alone = |k: usize| {
        let d = &found[k];
        found.iter().enumerate().all(|(j, other)| {
            let is_far = (other.x - d.x).powi(2) + (other.y - d.y).powi(2) > near2;
            is_far || j == k || (other.flux < 0.1 * d.flux && !truncated[j])
        })
    };
    let good: Vec<Detection> = (0..found.len())
        .filter(|&k| !truncated[k] && found[k].snr > WING_STAR_SNR && !is_single_pixel(residual, &found[k]))
        .filter(|&k| alone(k))
        .map(|k| found[k])
        .take(80)
        .collect();
    Wings::from_stars(residual, &good, sigma).unwrap_or_else(|| Wings::gaussian(sigma))
}

/// Everything a detection is measured against.
struct Scene<'a> {
    residual: &'a Residual<'a>,
    /// Saturated and hot pixels.
    masked: &'a Mask,
    trails: &'a Mask,
    sky: &'a Sky,
    frame: &'a FrameView<'a>,
    half: usize,
}

impl Scene<'_> {
    /// What the pixels alone refuse, before anything is measured.
    fn early_refusal(
        &self,
        d: &Detection,
        truncated: bool,
        single: bool,
        sigma: f64,
        settings: &StarSettings,
    ) -> Option<Refusal> {
        if touches(self.trails, d, SATURATION_RADIUS_SIGMAS * sigma) {
            return Some(Refusal::Bleeding);
        }
        if truncated {
            return Some(Refusal::Saturated);
        }
        if self.corner(d).is_none() {
            return Some(Refusal::Edge);
        }
        if single {
            return Some(Refusal::HotPixel);
        }
        (d.snr < settings.min_snr).then_some(Refusal::Faint)
    }

    /// First row and column of the cut-out; `None` where it does not fit into the region.
    fn corner(&self, d: &Detection) -> Option<(usize, usize)> {
        let region = self.frame.region;
        let y = (d.y.round() as usize).checked_sub(self.half)?;
        let x = (d.x.round() as usize).checked_sub(self.half)?;
        let side = 2 * self.half + 1;
        (y >= region.y0 && x >= region.x0 && y + side <= region.y1 && x + side <= region.x1).then_some((y, x))
    }

    fn call_for(&self, d: &Detection) {
        if let Some((y, x)) = self.corner(d) {
            let side = 2 * self.half + 1;
            self.residual.call_for(y, x, side, side);
        }
    }

    fn cut(&self, d: &Detection) -> Option<Cutout> {
        let (y, x) = self.corner(d)?;
        let side = 2 * self.half + 1;
        let (mut pixels, mut mask) = (vec![0.0_f32; side * side], vec![false; side * side]);
        self.residual.rectangle(y, x, side, &mut pixels);
        for (value, mask) in pixels.iter_mut().zip(&mut mask) {
            *mask = value.is_nan();
            *value = if *mask { 0.0 } else { *value };
        }
        for (y, mask) in
            (y..).zip(mask.chunks_exact_mut(side)).filter(|(y, _)| !self.masked.is_clear(*y, x..x + side))
        {
            for (x, mask) in (x..).zip(mask) {
                *mask |= self.masked.contains(y, x);
            }
        }
        let noise2 = self.sky.noise_at(d.x, d.y).powi(2) as f32;
        let per_unit = self.frame.gain.map_or(0.0, |gain| 1.0 / gain as f32);
        // Unclipped, so that sky pixels keep the sky's variance on average.
        let variance = pixels.iter().map(|value| (noise2 + value * per_unit).max(0.2 * noise2)).collect();
        let square = |values| Array2::from_shape_vec((side, side), values).ok();
        let (pixels, variance) = (square(pixels)?, square(variance)?);
        let mask = Array2::from_shape_vec((side, side), mask).ok()?;
        Some(Cutout { pixels, variance, mask })
    }

    /// What the detection is as a star, from what was known of it `before`; `grid` is to work in.
    fn measure(
        &self,
        grid: &mut Grid,
        before: Star,
        d: &Detection,
        sigma: f64,
        primary: Weight,
        settings: &StarSettings,
    ) -> (Star, Option<Candidate>) {
        let mut star = before;
        let Some(cutout) = self.cut(d) else {
            return (star, None);
        };
        let (cx, cy) = (d.x.round(), d.y.round());
        // What its neighbours refuse needs no more than the primary weight.
        let is_crowded = star.contamination > settings.max_contamination;
        let least_snr = if is_crowded { f64::INFINITY } else { settings.min_snr };
        match measure_from(&cutout, grid, (d.x - cx, d.y - cy), sigma, primary, least_snr) {
            Err(error) => {
                star.refused = Some(match error {
                    MomentError::Masked => Refusal::BadPixels,
                    _ if is_narrow(&cutout, grid, (d.x - cx, d.y - cy), sigma) => Refusal::CosmicRay,
                    _ => Refusal::NoFit,
                });
                (star, None)
            }
            Ok(moments) => {
                let candidate = Candidate::new(&moments, cx + moments.x, cy + moments.y, primary);
                fill(&mut star, &moments, cx, cy);
                star.refused = if candidate.is_none() {
                    Some(Refusal::NoFit)
                } else if star.snr < settings.min_snr {
                    Some(Refusal::Faint)
                } else if is_crowded {
                    Some(Refusal::Crowded)
                } else {
                    None
                };
                // Kept with the pixel nearest the centroid in the middle.
                let centred = Detection { x: star.x, y: star.y, ..*d };
                let is_centred = (star.x.round(), star.y.round()) == (cx, cy);
                match if is_centred { Some(cutout) } else { self.cut(&centred) } {
                    Some(cutout) => {
                        star.cutout_mask = Some(Box::new(cutout.mask));
                        star.cutout = Some(Box::new(cutout.pixels));
                    }
                    None => star.refused = star.refused.or(Some(Refusal::Edge)),
                }
                (star, candidate)
            }
        }
    }
}

/// Is a source without adaptive moments narrower, along its narrowest axis, than a star of
/// `sigma` pixels can be? Asked under the first fixed weight, which always has an answer for
/// something bright.
fn is_narrow(cutout: &Cutout, grid: &mut Grid, offset: (f64, f64), sigma: f64) -> bool {
    let weight = Weight::Fixed(LADDER_SIGMA_PIXELS[0]);
    let alone = measure_from(cutout, grid, offset, sigma, weight, f64::INFINITY);
    let shape = alone.ok().and_then(|m| m.shape_under(weight));
    shape.is_some_and(|s| {
        let (star, w) = (sigma * sigma, LADDER_SIGMA_PIXELS[0].powi(2));
        0.5 * s.size * (1.0 - s.e1.hypot(s.e2)) < NARROW_SHARE * star * w / (star + w)
    })
}

fn unmeasured(d: &Detection, contamination: f64) -> Star {
    Star {
        x: d.x,
        y: d.y,
        sky: None,
        flux: d.flux,
        flux_err: d.flux / d.snr,
        snr: d.snr,
        adaptive: None,
        ladder: Ladder::default(),
        higher: None,
        contamination,
        refused: None,
        cutout: None,
        cutout_mask: None,
    }
}

fn fill(star: &mut Star, moments: &StarMoments, cx: f64, cy: f64) {
    star.x = cx + moments.x;
    star.y = cy + moments.y;
    star.flux = moments.flux;
    star.flux_err = moments.flux_err;
    star.snr = moments.snr;
    star.adaptive = moments.adaptive;
    star.ladder = moments.ladder.into();
    star.higher = moments.higher.map(Box::new);
}

/// Follows the locus through the sources nothing else speaks against, and refuses those off
/// it.
fn refuse_off_locus(measured: &mut [(Star, Option<Candidate>)], region: Region, notes: &mut Vec<String>) {
    let clean: Vec<Candidate> =
        measured.iter().filter(|(star, _)| star.refused.is_none()).filter_map(|(_, c)| *c).collect();
    let Some(locus) = Locus::follow(&clean, region) else {
        if !clean.is_empty() {
            notes.push(format!("{} sources, too few alike to tell stars from others", clean.len()));
        }
        for (star, _) in measured.iter_mut().filter(|(star, _)| star.refused.is_none()) {
            star.refused = Some(Refusal::Unlike);
        }
        return;
    };
    for (star, candidate) in measured.iter_mut() {
        if let (None, Some(candidate)) = (star.refused, candidate) {
            star.refused = locus.judge(candidate);
        }
    }
}
