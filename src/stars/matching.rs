//! The same stars in every exposure: through world coordinates where the frames carry them,
//! else by the pattern the stars make (shift, rotation and scale free).
//!
//! One exposure is the reference; every other is laid on a growing master list of positions
//! in the reference's pixel frame, so that a field that drifts right through the series
//! still hangs together. World coordinates only give the first guess: the stars themselves
//! decide, and a wrong pointing in a header does no harm.

use std::collections::BTreeSet;

use rayon::prelude::*;
use rstar::{RTree, primitives::GeomWithData};

use super::affine::Affine;
use super::pattern::find_similarity;

/// Match radius once the transform is known, pixels.
const MATCH_RADIUS_PIXELS: f64 = 1.5;

/// First radius, before the transform has been refined, pixels.
const ROUGH_RADIUS_PIXELS: f64 = 4.0;

/// Fewer stars are not worth another thread.
const STARS_A_THREAD: usize = 100;

/// Fewest stars on which two exposures are called registered.
pub const MIN_COMMON_STARS: usize = 4;

/// One exposure's stars, in any order.
#[derive(Debug, Clone, Default)]
pub struct ExposureStars {
    /// Detector position, pixels.
    pub positions: Vec<[f64; 2]>,
    pub fluxes: Vec<f64>,
    /// (right ascension, declination), degrees, where the frame had world coordinates.
    pub sky: Option<Vec<[f64; 2]>>,
}

/// The outcome for a stack.
#[derive(Debug, Clone)]
pub struct Matched {
    /// The exposure whose pixel frame is the common one.
    pub reference: usize,
    /// Detector to common frame; `None` where an exposure could not be registered.
    pub transforms: Vec<Option<Affine>>,
    /// For each exposure and star the number of the common star; `None` where the exposure
    /// could not be registered.
    pub identity: Vec<Vec<Option<usize>>>,
    /// Number of common stars.
    pub stars: usize,
    /// Rms of the position residuals per axis, pixels.
    pub residual_pixels: Vec<Option<f64>>,
    /// True where world coordinates gave the first guess.
    pub by_sky: bool,
}

/// Matches all exposures. The reference is the exposure with most stars.
pub fn match_exposures(exposures: &[ExposureStars]) -> Matched {
    let n = exposures.len();
    let reference = (0..n).rev().max_by_key(|&t| exposures[t].positions.len()).unwrap_or(0);
    let planes = tangent_planes(exposures, reference);
    let mut matched = Matched {
        reference,
        transforms: vec![None; n],
        identity: exposures.iter().map(|e| vec![None; e.positions.len()]).collect(),
        stars: 0,
        residual_pixels: vec![None; n],
        by_sky: planes.is_some(),
    };
    if n == 0 {
        return matched;
    }
    let mut master = Master::default();
    master.add(&mut matched, reference, &exposures[reference], Affine::identity());
    // Nearest in the series first: neighbours in time share most of their field. Those that
    // fail wait for the master list to grow.
    let mut waiting: BTreeSet<usize> = (0..n).filter(|&t| t != reference).collect();
    loop {
        let done: Vec<usize> = (0..n).filter(|&t| matched.transforms[t].is_some()).collect();
        let mut order: Vec<usize> = waiting.iter().copied().collect();
        order.sort_by_key(|&t| (done.iter().map(|d| d.abs_diff(t)).min().unwrap_or(0), t));
        let mut progressed = false;
        for t in order {
            let guess = planes.as_ref().and_then(|p| p[t]);
            let near = nearest_done(&matched, t);
            if let Some(transform) = register(&exposures[t], &master, guess, near) {
                master.add(&mut matched, t, &exposures[t], transform);
                waiting.remove(&t);
                progressed = true;
            }
        }
        if !progressed || waiting.is_empty() {
            return matched;
        }
    }
}

fn nearest_done(matched: &Matched, t: usize) -> Option<Affine> {
    (0..matched.transforms.len())
        .filter(|&d| matched.transforms[d].is_some())
        .min_by_key(|&d| d.abs_diff(t))
        .and_then(|d| matched.transforms[d])
}

type Indexed = GeomWithData<[f64; 2], usize>;

/// Positions of all common stars in the reference's pixel frame.
#[derive(Default)]
struct Master {
    positions: Vec<[f64; 2]>,
    fluxes: Vec<f64>,
    tree: RTree<Indexed>,
}

impl Master {
    /// Files an exposure's stars: those near a known one get its number, the others become
    /// new ones.
    fn add(&mut self, matched: &mut Matched, t: usize, exposure: &ExposureStars, transform: Affine) {
        let pairs = self.pairs(exposure, &transform, MATCH_RADIUS_PIXELS);
        let mut squares = 0.0;
        for &(star, known) in &pairs {
            matched.identity[t][star] = Some(known);
            let [x, y] = transform.apply(exposure.positions[star]);
            squares += (x - self.positions[known][0]).powi(2) + (y - self.positions[known][1]).powi(2);
        }
        for (star, identity) in matched.identity[t].iter_mut().enumerate() {
            if identity.is_none() {
                let position = transform.apply(exposure.positions[star]);
                *identity = Some(self.positions.len());
                self.tree.insert(Indexed::new(position, self.positions.len()));
                self.positions.push(position);
                self.fluxes.push(exposure.fluxes[star]);
            }
        }
        matched.transforms[t] = Some(transform);
        matched.stars = self.positions.len();
        if !pairs.is_empty() {
            matched.residual_pixels[t] = Some((0.5 * squares / pairs.len() as f64).sqrt());
        }
    }

    /// Mutual nearest neighbours within a radius: (star of the exposure, common star).
    fn pairs(&self, exposure: &ExposureStars, transform: &Affine, radius: f64) -> Vec<(usize, usize)> {
        let moved: Vec<[f64; 2]> = exposure.positions.iter().map(|&p| transform.apply(p)).collect();
        let own = RTree::bulk_load(moved.iter().enumerate().map(|(k, &p)| Indexed::new(p, k)).collect());
        moved
            .par_iter()
            .enumerate()
            .with_min_len(STARS_A_THREAD)
            .filter_map(|(k, position)| {
                let nearest = self.tree.nearest_neighbor(position)?;
                let [x, y] = *nearest.geom();
                let close = (x - position[0]).hypot(y - position[1]) <= radius;
                let mutual = own.nearest_neighbor(nearest.geom()).is_some_and(|back| back.data == k);
                (close && mutual).then_some((k, nearest.data))
            })
            .collect()
    }
}

/// Registers one exposure on the master list: from world coordinates, from where its
/// neighbour in the series was, or by pattern; refined by the stars themselves.
fn register(
    exposure: &ExposureStars,
    master: &Master,
    by_sky: Option<Affine>,
    like_neighbour: Option<Affine>,
) -> Option<Affine> {
    let enough = MIN_COMMON_STARS.max(exposure.positions.len().min(master.positions.len()) / 4);
    let accept = |guess: Affine| refine(exposure, master, guess).filter(|(_, common)| *common >= enough);
    for guess in [by_sky, like_neighbour].into_iter().flatten() {
        if let Some((transform, _)) = accept(guess) {
            return Some(transform);
        }
    }
    let guess = find_similarity(&exposure.positions, &exposure.fluxes, &master.positions, &master.fluxes)?;
    let (transform, common) = refine(exposure, master, guess)?;
    (common >= MIN_COMMON_STARS).then_some(transform)
}

/// Shrinks the radius while refitting; gives the transform and the number of common stars.
fn refine(exposure: &ExposureStars, master: &Master, guess: Affine) -> Option<(Affine, usize)> {
    let mut transform = guess;
    let mut common = 0;
    for radius in
        [ROUGH_RADIUS_PIXELS, 0.5 * (ROUGH_RADIUS_PIXELS + MATCH_RADIUS_PIXELS), MATCH_RADIUS_PIXELS]
    {
        let pairs = master.pairs(exposure, &transform, radius);
        let from: Vec<[f64; 2]> = pairs.iter().map(|p| exposure.positions[p.0]).collect();
        let to: Vec<[f64; 2]> = pairs.iter().map(|p| master.positions[p.1]).collect();
        transform =
            if pairs.len() >= 12 { Affine::fit(&from, &to) } else { Affine::fit_similarity(&from, &to) }?;
        common = pairs.len();
    }
    Some((transform, common))
}

/// Detector to reference-pixel transforms by world coordinates, where every exposure has
/// them.
fn tangent_planes(exposures: &[ExposureStars], reference: usize) -> Option<Vec<Option<Affine>>> {
    let centre = *exposures.get(reference)?.sky.as_ref()?.first()?;
    let to_plane: Vec<Option<Affine>> = exposures
        .iter()
        .map(|e| {
            let sky = e.sky.as_ref()?;
            let plane: Vec<[f64; 2]> = sky.iter().map(|&s| gnomonic(s, centre)).collect::<Option<_>>()?;
            Affine::fit(&e.positions, &plane)
        })
        .collect();
    let back = to_plane[reference]?.inverse()?;
    Some(to_plane.iter().map(|a| a.map(|a| back.after(&a))).collect())
}

/// Tangent-plane coordinates (degrees) of a sky position about a centre, both in degrees;
/// `None` behind the tangent point.
fn gnomonic(sky: [f64; 2], centre: [f64; 2]) -> Option<[f64; 2]> {
    let (ra, dec) = ((sky[0] - centre[0]).to_radians(), sky[1].to_radians());
    let dec0 = centre[1].to_radians();
    let cosine = dec0.sin() * dec.sin() + dec0.cos() * dec.cos() * ra.cos();
    (cosine > 0.1).then(|| {
        let xi = dec.cos() * ra.sin() / cosine;
        let eta = (dec0.cos() * dec.sin() - dec0.sin() * dec.cos() * ra.cos()) / cosine;
        [xi.to_degrees(), eta.to_degrees()]
    })
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};

    use super::*;

    fn field(seed: u64, n: usize) -> Vec<[f64; 2]> {
        let mut rng = rand::rngs::StdRng::seed_from_u64(seed);
        (0..n).map(|_| [rng.random_range(0.0..900.0), rng.random_range(0.0..900.0)]).collect()
    }

    fn seen(all: &[[f64; 2]], shift: [f64; 2], angle: f64) -> ExposureStars {
        let (s, c) = angle.sin_cos();
        let mut out = ExposureStars::default();
        for (k, p) in all.iter().enumerate() {
            let (x, y) = (p[0] - 450.0, p[1] - 450.0);
            let q = [c * x - s * y + 450.0 + shift[0], s * x + c * y + 450.0 + shift[1]];
            if (0.0..900.0).contains(&q[0]) && (0.0..900.0).contains(&q[1]) {
                out.positions.push(q);
                out.fluxes.push(1e5 / (1.0 + k as f64));
            }
        }
        out
    }

    #[test]
    fn a_drifting_turning_field_hangs_together() {
        let all = field(1, 150);
        let exposures: Vec<ExposureStars> = (0..8)
            .map(|t| seen(&all, [70.0 * f64::from(t), -30.0 * f64::from(t)], 0.05 * f64::from(t)))
            .collect();
        let matched = match_exposures(&exposures);
        assert!(matched.transforms.iter().all(Option::is_some));
        // No star may be filed twice: as many common stars as were seen at all.
        assert!(matched.stars <= 150, "{}", matched.stars);
        for (t, transform) in matched.transforms.iter().enumerate() {
            let expected = -0.05 * (t as f64 - matched.reference as f64);
            assert!((transform.unwrap().rotation() - expected).abs() < 1e-6);
        }
    }

    #[test]
    fn another_field_is_not_registered() {
        let exposures = [seen(&field(1, 80), [0.0; 2], 0.0), seen(&field(2, 80), [0.0; 2], 0.0)];
        let matched = match_exposures(&exposures);
        assert_eq!(matched.transforms.iter().flatten().count(), 1);
    }
}
