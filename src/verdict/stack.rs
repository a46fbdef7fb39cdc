//! A stack made ready for judging: one weight for all exposures, the stars matched, and the
//! measurements as rows, once on the detector and once in the common frame of the sky.

use super::common_sky::{CommonSky, common_sky};
use crate::field::Basis;
use crate::frame::Region;
use crate::moments::pooled::{PooledMoments, PooledStar, pooled_moments};
use crate::moments::{Ellipse, Weight, primary_weight};
use crate::repeat::noise_check::FINEST_DEGREE;
use crate::repeat::phase::{Repeat, phase_swing};
use crate::repeat::{Place, change::degree_for, subset::in_first_half};
use crate::stars::Star;
use crate::stars::affine::Affine;
use crate::stars::matching::{ExposureStars, match_exposures};
use crate::table::StarTable;

/// Fewest kept stars with which an exposure is judged at all.
pub const MIN_STARS: usize = 8;

/// From this `√(T/2)` of the narrowest star on, pixels, the place within a pixel leaves no mark (at 2.4
/// pixels per FWHM, 0.99, it is 3e-4 of T at most).
const COARSE_SIGMA_PIXELS: f64 = 1.3;

/// Stars pooled for the mean star, at most.
const POOLED_STARS: usize = 600;

/// Points along each side of the grid that samples a region.
const GRID: usize = 30;

/// One star of one exposure as judging needs it: `ln T` and e as adaptive moments would see
/// them, with errors.
#[derive(Debug, Clone)]
pub struct Measured {
    /// Detector position, pixels, 0-based.
    pub x: f64,
    pub y: f64,
    /// Number of the star over the stack; `None` where the exposure is not registered.
    pub number: Option<u32>,
    /// `ln(T / pixel²)` under the stack's weight, and its error.
    pub log_size: f64,
    pub log_size_err: f64,
    pub e1: f64,
    pub e2: f64,
    pub e_err: f64,
    pub flux: f64,
    /// Error of each coordinate from noise, pixels.
    pub centroid_err: f64,
    /// Its place among the stars of its table.
    pub place: u32,
}

impl Measured {
    /// Its number as a place in lists of all stars.
    pub fn identity(&self) -> Option<usize> {
        self.number.map(|number| number as usize)
    }
}

/// One exposure of the stack.
#[derive(Debug, Clone)]
pub struct Exposure {
    /// Its place in the list of tables.
    pub table: usize,
    pub stars: Vec<Measured>,
    /// Detector to common frame.
    pub transform: Option<Affine>,
    pub usable: Region,
}

/// A stack ready for judging.
#[derive(Debug, Clone)]
pub struct Stack {
    pub exposures: Vec<Exposure>,
    pub weight: Weight,
    /// How much less `ln T` and e respond under `weight` than the adaptive ones.
    pub size_response: f64,
    pub e_response: f64,
    /// The mean star, where it could be measured.
    pub mean_star: Option<PooledMoments>,
    /// The exposure whose pixel frame is the common one.
    pub reference: usize,
    /// Number of stars over the stack.
    pub common_stars: usize,
}

/// Rows of one quantity for the fits of change.
#[derive(Debug, Clone)]
pub struct Rows {
    pub basis: Basis,
    /// Exposure after exposure.
    pub places: Vec<Place>,
    /// Errors of ln T, and of e1 and e2.
    pub size_sigmas: Vec<f64>,
    pub e_sigmas: Vec<f64>,
    /// One vector: ln T.
    pub size: Vec<Vec<f64>>,
    /// Two vectors: e1, e2.
    pub ellipticity: Vec<Vec<f64>>,
    /// Share of the reference exposure's field that all of them see.
    pub overlap: f64,
}

impl Stack {
    /// From the tables at `members`, each with at least [`MIN_STARS`] kept stars.
    pub fn prepare(tables: &[StarTable], members: &[usize]) -> Self {
        let narrowest = narrowest_sigma(tables, members.iter().copied());
        let weight = primary_weight(narrowest);
        let kept: Vec<Vec<(u32, &Star)>> =
            members.iter().map(|&t| used(&tables[t], weight).collect()).collect();
        let mean_star = mean_star(&kept, narrowest);
        let response = mean_star.as_ref().and_then(|pool| pool.response(weight));
        let (size_response, e_response) = response.unwrap_or((1.0, 1.0));
        let matched = match_exposures(&kept.iter().map(|stars| exposure_stars(stars)).collect::<Vec<_>>());
        let mut exposures: Vec<Exposure> = members
            .iter()
            .enumerate()
            .map(|(k, &table)| Exposure {
                table,
                stars: without_slack(
                    kept[k]
                        .iter()
                        .zip(&matched.identity[k])
                        .filter_map(|(star, &identity)| measured(*star, identity.map(|k| k as u32), weight)),
                ),
                transform: matched.transforms[k],
                usable: tables[table].usable,
            })
            .collect();
        if narrowest < COARSE_SIGMA_PIXELS {
            take_out_phase_swing(&mut exposures);
        }
        let (reference, common_stars) = (matched.reference, matched.stars);
        Self { exposures, weight, size_response, e_response, mean_star, reference, common_stars }
    }

    /// The same stars under another weight, changes left as they show under it.
    pub fn under(&self, tables: &[StarTable], weight: Weight) -> Self {
        let remeasured = |exposure: &Exposure| {
            let stars = &tables[exposure.table].stars;
            let star = |s: &Measured| measured((s.place, stars.get(s.place as usize)?), s.number, weight);
            Exposure {
                table: exposure.table,
                stars: without_slack(exposure.stars.iter().filter_map(star)),
                transform: exposure.transform,
                usable: exposure.usable,
            }
        };
        let mut exposures: Vec<Exposure> = self.exposures.iter().map(remeasured).collect();
        // The rung may be as narrow as the stack's own weight, and then swings as much.
        if narrowest_sigma(tables, exposures.iter().map(|e| e.table)) < COARSE_SIGMA_PIXELS {
            take_out_phase_swing(&mut exposures);
        }
        let Self { mean_star, reference, common_stars, .. } = *self;
        Self { exposures, weight, size_response: 1.0, e_response: 1.0, mean_star, reference, common_stars }
    }

    /// Rows for the exposures at `keep` (places in this stack) on the sky: positions in the
    /// common frame, ellipticity turned into it, only stars in the area all of them see.
    /// `None` where they share no area.
    pub fn rows_on_sky(&self, keep: &[usize], stars: StarHalf) -> Option<Rows> {
        let transforms: Vec<Affine> =
            keep.iter().map(|&t| self.exposures[t].transform).collect::<Option<_>>()?;
        let inverses: Vec<Affine> = transforms.iter().map(Affine::inverse).collect::<Option<_>>()?;
        let seen_by_all = |p: [f64; 2]| {
            inverses.iter().zip(keep).all(|(inverse, &t)| inside(self.exposures[t].usable, inverse.apply(p)))
        };
        let regions: Vec<Region> = keep.iter().map(|&t| self.exposures[t].usable).collect();
        let sky = common_sky(&transforms, &regions)?;
        let CommonSky { points: common, share: overlap, .. } = &sky;
        let place = |k: usize, star: &Measured| {
            let p = transforms[k].apply([star.x, star.y]);
            sky.holds(p).unwrap_or_else(|| seen_by_all(p)).then_some(p)
        };
        // Finer than asked for where it can be, so that a remainder can be judged.
        let finest = Basis::over_points(common, FINEST_DEGREE).ok();
        let basis = |degree| match &finest {
            Some(basis) => Some(basis.truncated(degree)),
            None => Basis::over_points(common, degree).ok(),
        };
        self.rows(keep, stars, *overlap, place, |k| transforms[k], basis)
    }

    /// Rows for the exposures at `keep` on the detector.
    pub fn rows_on_detector(&self, keep: &[usize], stars: StarHalf) -> Option<Rows> {
        let usable = self.exposures[*keep.first()?].usable;
        let place = |_: usize, star: &Measured| Some([star.x, star.y]);
        let basis = |degree| detector_basis(usable, degree);
        self.rows(keep, stars, 1.0, place, |_| Affine::identity(), basis)
    }

    fn rows(
        &self,
        keep: &[usize],
        half: StarHalf,
        overlap: f64,
        place: impl Fn(usize, &Measured) -> Option<[f64; 2]>,
        turn: impl Fn(usize) -> Affine,
        basis: impl Fn(usize) -> Option<Basis>,
    ) -> Option<Rows> {
        let most: usize = keep.iter().map(|&t| self.exposures[t].stars.len()).sum();
        let column = || Vec::with_capacity(most);
        let mut rows = Rows {
            basis: basis(0)?,
            places: Vec::with_capacity(most),
            size_sigmas: column(),
            e_sigmas: column(),
            size: vec![column()],
            ellipticity: vec![column(), column()],
            overlap,
        };
        let mut fewest = usize::MAX;
        for (k, &t) in keep.iter().enumerate() {
            let transform = turn(k);
            let (sin, cos) = (2.0 * transform.rotation()).sin_cos();
            let stretch = 2.0 * transform.scale().ln();
            let mut count = 0;
            for star in &self.exposures[t].stars {
                let Some(identity) = star.identity().filter(|&id| half.holds(id)) else { continue };
                let Some([x, y]) = place(k, star) else { continue };
                rows.places.push(Place { star: identity, exposure: k, x, y });
                rows.size_sigmas.push(star.log_size_err / self.size_response);
                rows.e_sigmas.push(star.e_err / self.e_response);
                rows.size[0].push(star.log_size / self.size_response + stretch);
                rows.ellipticity[0].push((star.e1 * cos - star.e2 * sin) / self.e_response);
                rows.ellipticity[1].push((star.e1 * sin + star.e2 * cos) / self.e_response);
                count += 1;
            }
            fewest = fewest.min(count);
        }
        let degree = degree_for(fewest)?;
        rows.basis = basis(degree)?;
        Some(rows)
    }
}

/// Which half of the stars takes part, so that exposures can be chosen with one half and
/// judged with the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StarHalf {
    All,
    Choosing,
    Judging,
}

impl StarHalf {
    fn holds(self, identity: usize) -> bool {
        let choosing = in_first_half(identity);
        match self {
            StarHalf::All => true,
            StarHalf::Choosing => choosing,
            StarHalf::Judging => !choosing,
        }
    }
}

/// The basis over a detector's usable region.
pub fn detector_basis(usable: Region, degree: usize) -> Option<Basis> {
    let edge = |k: usize| k as f64 - 0.5;
    Basis::over_rectangle(edge(usable.x0), edge(usable.x1), edge(usable.y0), edge(usable.y1), degree).ok()
}

fn inside(region: Region, [x, y]: [f64; 2]) -> bool {
    x > region.x0 as f64 - 0.5
        && x < region.x1 as f64 - 0.5
        && y > region.y0 as f64 - 0.5
        && y < region.y1 as f64 - 0.5
}

/// Evenly spaced points inside a region.
pub fn grid_over(region: Region) -> Vec<[f64; 2]> {
    let at = |start: usize, length: usize, k: usize| {
        start as f64 - 0.5 + (k as f64 + 0.5) / GRID as f64 * length as f64
    };
    (0..GRID)
        .flat_map(|row| (0..GRID).map(move |column| (row, column)))
        .map(|(row, column)| [at(region.x0, region.width(), column), at(region.y0, region.height(), row)])
        .collect()
}

/// The narrowest of the tables' PSFs, sigma in pixels; infinite where none is known.
fn narrowest_sigma(tables: &[StarTable], members: impl Iterator<Item = usize>) -> f64 {
    members.filter_map(|t| tables[t].narrowest_sigma_pixels).fold(f64::INFINITY, f64::min)
}

/// As long as need be and no longer: they are held while the stack is judged.
fn without_slack(stars: impl Iterator<Item = Measured>) -> Vec<Measured> {
    let mut stars: Vec<Measured> = stars.collect();
    stars.shrink_to_fit();
    stars
}

/// The kept stars of a table that have a shape under `weight`, with their places in it.
fn used(table: &StarTable, weight: Weight) -> impl Iterator<Item = (u32, &Star)> {
    let kept = (0..).zip(&table.stars).filter(|(_, s)| s.refused.is_none());
    kept.filter(move |(_, s)| s.ellipse_under(weight).is_some())
}

fn exposure_stars(stars: &[(u32, &Star)]) -> ExposureStars {
    ExposureStars {
        positions: stars.iter().map(|(_, s)| [s.x, s.y]).collect(),
        fluxes: stars.iter().map(|(_, s)| s.flux).collect(),
        sky: stars.iter().map(|(_, s)| s.sky).collect(),
    }
}

fn measured((place, star): (u32, &Star), number: Option<u32>, weight: Weight) -> Option<Measured> {
    let shape = star.ellipse_under(weight)?;
    let m = Measured {
        x: star.x,
        y: star.y,
        number,
        log_size: shape.log_size(),
        log_size_err: shape.log_size_err(),
        e1: shape.e1,
        e2: shape.e2,
        e_err: shape.e_err,
        flux: star.flux,
        centroid_err: centroid_error(&shape, star.snr, weight),
        place,
    };
    let sane = [m.log_size, m.log_size_err, m.e1, m.e2, m.e_err].iter().all(|value| value.is_finite());
    (sane && m.log_size_err > 0.0 && m.e_err > 0.0).then_some(m)
}

/// Takes the swing with sub-pixel position, as the repeats of the stars show it, out of all stars.
fn take_out_phase_swing(exposures: &mut [Exposure]) {
    type Quantity = (fn(&Measured) -> f64, fn(&Measured) -> f64, fn(&mut Measured) -> &mut f64);
    let quantities: [Quantity; 3] = [
        (|s| s.log_size, |s| s.log_size_err, |s| &mut s.log_size),
        (|s| s.e1, |s| s.e_err, |s| &mut s.e1),
        (|s| s.e2, |s| s.e_err, |s| &mut s.e2),
    ];
    for (value, err, place) in quantities {
        let stars = exposures.iter().enumerate().flat_map(|(t, e)| e.stars.iter().map(move |s| (t, s)));
        let repeat = |(exposure, s): (usize, &Measured)| {
            Some((Repeat { star: s.identity()?, exposure, x: s.x, y: s.y, sigma: err(s) }, value(s)))
        };
        let (repeats, values): (Vec<Repeat>, Vec<f64>) = stars.filter_map(repeat).unzip();
        let Some(swing) = phase_swing(&repeats, &values) else { continue };
        for star in exposures.iter_mut().flat_map(|e| &mut e.stars) {
            *place(star) -= swing.at(star.x, star.y);
        }
    }
}

/// Error of each coordinate of a Gaussian star on white noise, pixels: `sqrt(2) s / snr` under the
/// adaptive weight, `s^2 = T/2`; under a fixed one of width w, with weighted moment m = T/2,
/// `w / (sqrt(2) (1 - m/w^2) snr)` (both derived; the noise of the star's own light makes it up to 6 % less).
fn centroid_error(shape: &Ellipse, snr: f64, weight: Weight) -> f64 {
    match weight {
        Weight::Adaptive => shape.size.max(0.0).sqrt() / snr,
        Weight::Fixed(w) => w / (std::f64::consts::SQRT_2 * (1.0 - 0.5 * shape.size / (w * w)) * snr),
    }
}

/// The mean star of the brightest kept stars, evenly from all exposures.
fn mean_star(kept: &[Vec<(u32, &Star)>], sigma: f64) -> Option<PooledMoments> {
    let each = (POOLED_STARS / kept.len().max(1)).max(3);
    let pool: Vec<PooledStar> = kept
        .iter()
        .flat_map(|stars| stars.iter().take(each))
        .filter_map(|(_, star)| {
            Some(PooledStar {
                pixels: star.cutout.as_deref()?,
                mask: star.cutout_mask.as_deref()?,
                x: star.x - star.x.round(),
                y: star.y - star.y.round(),
                flux: star.flux,
            })
        })
        .collect();
    if sigma.is_finite() { pooled_moments(&pool, sigma) } else { None }
}
