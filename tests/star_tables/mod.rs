//! Stacks of star tables with known change, drawn in memory: no pixels, so that many can be
//! judged. Used by the tests and by `examples/calibration.rs`.
//!
//! The PSF of exposure t at detector position (u, v) in -1..1 is
//! `q_t(u, v) = F(u, v) + a g_t(u, v)`, q standing for ln T, e1 and e2, F the static field, `g_t` of
//! the asked shape over the field and from exposure to exposure, and `a` such that the true rms change
//! on the sky is what the scene asks. The truth is computed on many points, by the definition: the
//! field mean over the sky that all exposures see of `sum_t (q_t - qbar)^2 / (n-1)`.

#![allow(dead_code, reason = "the tests use one part, the example another")]

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use stackworthy::frame::{ExposureFacts, Region};
use stackworthy::moments::Shape;
use stackworthy::settings::Settings;
use stackworthy::stars::{Star, affine::Affine};
use stackworthy::table::StarTable;

pub const SIDE: usize = 2000;
const PIXEL_ARCSEC: f64 = 0.3;
/// Width of the PSF, pixels: wide enough for the adaptive weight.
const SIGMA_PIXELS: f64 = 1.5;
/// Variance of the sky under a star's weight, electrons².
const SKY_VARIANCE: f64 = 3000.0;
/// Range of a star's light, electrons: SNR 30 to about 440.
const FLUX: (f64, f64) = (2150.0, 2e5);
/// Slope of the number of stars brighter than a flux.
const COUNT_SLOPE: f64 = 0.8;
/// Points over the detector on which the truth is computed.
const POINTS: usize = 5000;

/// How a change varies over the field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Over {
    Constant,
    Linear,
    Quadratic,
    /// Terms of degree 3 alone.
    Cubic,
    /// Terms of degree 5 alone.
    Quintic,
    /// Constant, linear, quadratic and cubic terms of equal mean square each.
    Mixed,
}

/// How a change runs through the exposures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Through {
    /// Every exposure by itself.
    Spread,
    /// The exposure in the middle alone.
    One,
    /// Evenly with time.
    Drift,
    /// First half, second half.
    Groups,
}

/// What a tenth of the stars are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Contamination {
    None,
    /// Unresolved pairs of fixed separation, in front of the locus by up to three errors.
    Pairs,
    /// The neighbour's light under the star's weight differs from exposure to exposure.
    VariableNeighbours,
    /// Slightly resolved galaxies: as pairs, round or elongated.
    Galaxies,
}

#[derive(Debug, Clone, Copy)]
pub struct Stack {
    pub exposures: usize,
    /// Stars on the detector.
    pub stars: usize,
    pub over: Over,
    pub through: Through,
    /// True rms change on the sky over its limit: size, ellipticity.
    pub strength: (f64, f64),
    /// True: `strength` is that of the population the exposures are drawn from.
    pub drawn: bool,
    /// The limits over the noise of a change of six functions in one exposure.
    pub limit_over_noise: f64,
    pub contamination: Contamination,
    /// The gain that the header states over the true one.
    pub stated_gain: f64,
    /// Largest dither, pixels.
    pub dither: f64,
    /// Rotation of the field from first to last exposure, degrees.
    pub rotation_deg: f64,
    /// The exposure in the middle is off by this many limits besides, where it is above zero; `strength` is then
    /// that of the others.
    pub plainly_off: f64,
    /// Amplitude of the static field in ln T and in e.
    pub static_field: f64,
}

impl Default for Stack {
    fn default() -> Self {
        Self {
            exposures: 8,
            stars: 100,
            over: Over::Mixed,
            through: Through::Spread,
            strength: (0.0, 0.0),
            drawn: false,
            limit_over_noise: 3.0,
            contamination: Contamination::None,
            stated_gain: 1.0,
            dither: 20.0,
            rotation_deg: 0.0,
            plainly_off: 0.0,
            static_field: 0.003,
        }
    }
}

/// True rms changes of size and of ellipticity (per component).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rms {
    pub size: f64,
    pub ellipticity: f64,
}

/// A drawn stack with its truth.
pub struct Drawn {
    pub tables: Vec<StarTable>,
    pub settings: Settings,
    pub limits: Rms,
    pub transforms: Vec<Affine>,
    fields: Vec<Field>,
    /// Standard deviation of the population of field means, where `drawn`.
    pub population: Rms,
}

/// Coefficients of ln T, e1, e2 in products of Legendre polynomials.
#[derive(Debug, Clone, Default)]
struct Field([Vec<((usize, usize), f64)>; 3]);

impl Field {
    fn at(&self, [x, y]: [f64; 2]) -> [f64; 3] {
        let half = 0.5 * SIDE as f64;
        let (u, v) = ((x + 0.5) / half - 1.0, (y + 0.5) / half - 1.0);
        let (p, q) = (legendre(u), legendre(v));
        [0, 1, 2].map(|k| self.0[k].iter().map(|((i, j), c)| c * p[*i] * q[*j]).sum())
    }
}

/// Legendre polynomials of unit mean square on -1..1, degrees 0 to 5.
fn legendre(u: f64) -> [f64; 6] {
    let mut p = [1.0, u, 0.0, 0.0, 0.0, 0.0];
    for k in 2..6 {
        let d = k as f64;
        p[k] = ((2.0 * d - 1.0) * u * p[k - 1] - (d - 1.0) * p[k - 2]) / d;
    }
    std::array::from_fn(|k| p[k] * (2.0 * k as f64 + 1.0).sqrt())
}

fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

impl Over {
    fn terms(self) -> Vec<(usize, usize)> {
        let of_degree = |d: usize| (0..=d).map(move |j| (d - j, j));
        match self {
            Over::Constant => of_degree(0).collect(),
            Over::Linear => of_degree(1).collect(),
            Over::Quadratic => of_degree(2).collect(),
            Over::Cubic => of_degree(3).collect(),
            Over::Quintic => of_degree(5).collect(),
            Over::Mixed => (0..=3).flat_map(of_degree).collect(),
        }
    }

    fn draw(self, rng: &mut StdRng) -> Vec<((usize, usize), f64)> {
        self.terms().into_iter().map(|(i, j)| ((i, j), normal(rng) / ((i + j + 1) as f64).sqrt())).collect()
    }
}

impl Through {
    /// Amplitudes of one drawn pattern by exposure; none where every exposure draws its own.
    fn amplitudes(self, n: usize) -> Option<Vec<f64>> {
        let amplitude = |t: usize| match self {
            Through::Spread => 0.0,
            Through::One => f64::from(u8::from(t == n / 2)),
            Through::Drift => t as f64 / (n as f64 - 1.0),
            Through::Groups => f64::from(u8::from(t >= n / 2)),
        };
        (self != Through::Spread).then(|| (0..n).map(amplitude).collect())
    }
}

/// Draws a stack.
pub fn draw(scene: &Stack, seed: u64) -> Drawn {
    let mut rng = StdRng::seed_from_u64(seed);
    let n = scene.exposures;
    let transforms: Vec<Affine> = (0..n).map(|t| pointing(scene, t, &mut rng)).collect();
    let unit = changes(scene, &mut rng);
    let steady = static_field(scene, &mut rng);
    let stars = sky_stars(scene, &mut rng);
    let noise = noise_of_a_change(scene, &stars);
    let limits = Rms { size: scene.limit_over_noise * noise, ellipticity: scene.limit_over_noise * noise };
    let wanted =
        Rms { size: scene.strength.0 * limits.size, ellipticity: scene.strength.1 * limits.ellipticity };
    let amplitude = if scene.drawn {
        [wanted.size, wanted.ellipticity]
    } else {
        let held = |t: &usize| scene.plainly_off == 0.0 || *t != n / 2;
        let (transforms, unit): (Vec<_>, Vec<_>) =
            (0..n).filter(held).map(|t| (transforms[t], unit[t].clone())).unzip();
        amplitudes(&transforms, &steady, &unit, wanted)
    };
    let mut fields: Vec<Field> = unit.iter().map(|g| sum(&steady, g, amplitude)).collect();
    if scene.plainly_off > 0.0 {
        for (component, limit) in [(0, limits.size), (1, limits.ellipticity)] {
            fields[n / 2].0[component].push(((0, 0), scene.plainly_off * limit));
        }
    }
    let tables = (0..n).map(|t| table(scene, t, &transforms[t], &fields[t], &stars, &mut rng)).collect();
    let mut settings = Settings::default();
    settings.requirement.size_limit = Some(limits.size);
    settings.requirement.ellipticity_limit = Some(limits.ellipticity);
    Drawn { tables, settings, limits, transforms, fields, population: wanted }
}

impl Drawn {
    /// The true rms change between the exposures at `keep`, on the sky.
    pub fn on_sky(&self, keep: &[usize]) -> Rms {
        let pick = |t: &usize| (self.transforms[*t], self.fields[*t].clone());
        let (transforms, fields): (Vec<_>, Vec<_>) = keep.iter().map(pick).unzip();
        rms_on_sky(&transforms, &fields)
    }

    /// The same on the detector.
    pub fn on_detector(&self, keep: &[usize]) -> Rms {
        let fields: Vec<Field> = keep.iter().map(|&t| self.fields[t].clone()).collect();
        rms_on_sky(&vec![Affine::identity(); keep.len()], &fields)
    }

    pub fn all(&self) -> Vec<usize> {
        (0..self.tables.len()).collect()
    }
}

fn pointing(scene: &Stack, t: usize, rng: &mut StdRng) -> Affine {
    let along = if scene.exposures > 1 { t as f64 / (scene.exposures as f64 - 1.0) - 0.5 } else { 0.0 };
    let (sin, cos) = (along * scene.rotation_deg.to_radians()).sin_cos();
    let middle = 0.5 * (SIDE as f64 - 1.0);
    let dither = [0; 2].map(|_| scene.dither * rng.random_range(-1.0..1.0));
    Affine {
        matrix: [[cos, -sin], [sin, cos]],
        shift: [
            middle + dither[0] - cos * middle + sin * middle,
            middle + dither[1] - sin * middle - cos * middle,
        ],
    }
}

/// The change of each exposure, of unit amplitude.
fn changes(scene: &Stack, rng: &mut StdRng) -> Vec<Field> {
    let mut draw = || Field([0; 3].map(|_| scene.over.draw(rng)));
    match scene.through.amplitudes(scene.exposures) {
        None => (0..scene.exposures).map(|_| draw()).collect(),
        Some(amplitudes) => {
            let pattern = draw();
            let scaled =
                |a: f64| Field(pattern.0.clone().map(|c| c.into_iter().map(|(k, v)| (k, a * v)).collect()));
            amplitudes.into_iter().map(scaled).collect()
        }
    }
}

fn static_field(scene: &Stack, rng: &mut StdRng) -> Field {
    let mut field = Field([0; 3].map(|_| Over::Mixed.draw(rng)));
    for (_, c) in field.0.iter_mut().flatten() {
        *c *= scene.static_field;
    }
    field.0[0].push(((0, 0), (2.0 * SIGMA_PIXELS * SIGMA_PIXELS).ln()));
    field
}

fn sum(steady: &Field, change: &Field, [size, e]: [f64; 2]) -> Field {
    let with = |k: usize, a: f64| {
        let scaled = change.0[k].iter().map(|(p, c)| (*p, a * c));
        steady.0[k].iter().copied().chain(scaled).collect()
    };
    Field([with(0, size), with(1, e), with(2, e)])
}

/// The amplitudes for which the true changes on the sky are as wanted: the mean square is
/// quadratic in them. Zero where the static field alone gives more.
fn amplitudes(transforms: &[Affine], steady: &Field, unit: &[Field], wanted: Rms) -> [f64; 2] {
    let at = |a: f64| {
        let fields: Vec<Field> = unit.iter().map(|g| sum(steady, g, [a, a])).collect();
        let rms = rms_on_sky(transforms, &fields);
        [rms.size.powi(2), rms.ellipticity.powi(2)]
    };
    let scale = wanted.size.max(wanted.ellipticity).max(1e-12);
    let (zero, plus, minus) = (at(0.0), at(scale), at(-scale));
    let solve = |k: usize, target: f64| {
        let (c, b) = (zero[k] - target * target, 0.5 * (plus[k] - minus[k]));
        let a = 0.5 * (plus[k] + minus[k]) - zero[k];
        if target <= 0.0 || c >= 0.0 { 0.0 } else { scale * ((b * b - 4.0 * a * c).sqrt() - b) / (2.0 * a) }
    };
    [solve(0, wanted.size), solve(1, wanted.ellipticity)]
}

fn rms_on_sky(transforms: &[Affine], fields: &[Field]) -> Rms {
    let n = fields.len();
    let inverses: Vec<Affine> = transforms.iter().filter_map(Affine::inverse).collect();
    let (mut sum, mut places) = ([0.0; 2], 0);
    for k in 0..POINTS {
        // An even sequence without a lattice, whose steps the dithers would meet: multiples of the
        // inverse plastic number and of its square, from memory.
        let along = |a: f64| (0.5 + (k + 1) as f64 * a).fract() * SIDE as f64 - 0.5;
        let sky = transforms[0].apply([along(0.754_877_666_246_692_8), along(0.569_840_290_998_053_3)]);
        let on: Vec<[f64; 2]> = inverses.iter().map(|i| i.apply(sky)).collect();
        if !on.iter().all(|p| on_detector(*p)) {
            continue;
        }
        let values: Vec<[f64; 3]> = on
            .iter()
            .zip(fields)
            .zip(transforms)
            .map(|((p, field), transform)| turned(field.at(*p), transform.rotation()))
            .collect();
        places += 1;
        for component in 0..3 {
            let mean = values.iter().map(|v| v[component]).sum::<f64>() / n as f64;
            let square = values.iter().map(|v| (v[component] - mean).powi(2)).sum::<f64>() / (n as f64 - 1.0);
            sum[component.min(1)] += if component == 0 { square } else { 0.5 * square };
        }
    }
    let [size, ellipticity] = sum.map(|s| (s / f64::from(places.max(1))).sqrt());
    Rms { size, ellipticity }
}

fn turned([s, e1, e2]: [f64; 3], angle: f64) -> [f64; 3] {
    let (sin, cos) = (2.0 * angle).sin_cos();
    [s, e1 * cos - e2 * sin, e1 * sin + e2 * cos]
}

fn on_detector([x, y]: [f64; 2]) -> bool {
    let inside = |p: f64| p > -0.5 && p < SIDE as f64 - 0.5;
    inside(x) && inside(y)
}

/// A star of the sky.
struct SkyStar {
    place: [f64; 2],
    /// Electrons.
    flux: f64,
    /// Colour and the like: a small offset of its own, in ln T, e1, e2.
    own: [f64; 3],
    /// Second moments that something else adds, as a share of T: trace, difference, cross.
    added: [f64; 3],
    /// How much of the added light comes and goes.
    varies: f64,
}

/// Stars over the sky that any exposure may see.
fn sky_stars(scene: &Stack, rng: &mut StdRng) -> Vec<SkyStar> {
    let side = SIDE as f64;
    let margin = scene.dither + if scene.rotation_deg == 0.0 { 0.0 } else { 0.21 * side };
    let wide = side + 2.0 * margin;
    let count = (scene.stars as f64 * (wide / side).powi(2)).round() as usize;
    let mut stars: Vec<SkyStar> = Vec::new();
    while stars.len() < count {
        let place = [0; 2].map(|_| rng.random_range(-margin..side + margin));
        let apart = |s: &SkyStar| (s.place[0] - place[0]).hypot(s.place[1] - place[1]) > 8.0;
        if !stars.iter().all(apart) {
            continue;
        }
        let (faint, bright) = (FLUX.0.powf(-COUNT_SLOPE), FLUX.1.powf(-COUNT_SLOPE));
        let flux = rng.random_range(bright..faint).powf(-1.0 / COUNT_SLOPE);
        let own = [0.003 * normal(rng), 0.002 * normal(rng), 0.002 * normal(rng)];
        let mut star = SkyStar { place, flux, own, added: [0.0; 3], varies: 0.0 };
        if scene.contamination != Contamination::None && rng.random_range(0.0..1.0) < 0.1 {
            contaminate(&mut star, scene.contamination, rng);
        }
        stars.push(star);
    }
    stars
}

/// What a choice of stars by their size lets through: up to three errors of one exposure.
fn contaminate(star: &mut SkyStar, kind: Contamination, rng: &mut StdRng) {
    let trace = rng.random_range(0.0..3.0) * error(star.flux, 1.0);
    let along = rng.random_range(0.0..std::f64::consts::TAU);
    let elongation = match kind {
        Contamination::Pairs => 1.0,
        _ => rng.random_range(0.0..0.7),
    };
    star.added = [trace, elongation * trace * along.cos(), elongation * trace * along.sin()];
    star.varies = if kind == Contamination::VariableNeighbours { 0.5 } else { 0.0 };
}

/// Error of ln T and of each component of e: twice the inverse of the signal-to-noise ratio.
fn error(flux: f64, stated_gain: f64) -> f64 {
    2.0 * (flux / stated_gain + SKY_VARIANCE).sqrt() / flux
}

/// Noise of a change of six functions in one exposure, by the stars of the detector.
fn noise_of_a_change(scene: &Stack, stars: &[SkyStar]) -> f64 {
    let information: f64 = stars.iter().map(|s| error(s.flux, 1.0).powi(-2)).sum();
    (6.0 / (information * scene.stars as f64 / stars.len() as f64)).sqrt()
}

fn table(
    scene: &Stack,
    t: usize,
    transform: &Affine,
    field: &Field,
    sky: &[SkyStar],
    rng: &mut StdRng,
) -> StarTable {
    let to_detector = transform.inverse().unwrap_or(Affine::identity());
    let mut stars: Vec<Star> = sky
        .iter()
        .filter_map(|star| {
            let [x, y] = to_detector.apply(star.place);
            // Now and then a cosmic ray or a bad pixel takes a star away.
            let lost = rng.random_range(0.0..1.0) < 0.03;
            (on_detector([x, y]) && !lost).then(|| measured(scene, star, [x, y], transform, field, rng))
        })
        .collect();
    stars.sort_by(|a, b| b.flux.total_cmp(&a.flux));
    StarTable {
        file: format!("exposure-{:03}.fits", t + 1),
        frame_xxh3: format!("{t:032}"),
        settings_sha256: String::new(),
        version: String::new(),
        width: SIDE,
        height: SIDE,
        usable: Region { x0: 0, x1: SIDE, y0: 0, y1: SIDE },
        facts: ExposureFacts {
            exposure_s: Some(60.0),
            pixel_arcsec: Some(PIXEL_ARCSEC),
            ..ExposureFacts::default()
        },
        sky_level: 100.0,
        sky_noise: 10.0,
        sigma_pixels: Some(SIGMA_PIXELS),
        narrowest_sigma_pixels: Some(SIGMA_PIXELS),
        has_wcs: true,
        sky_angle_deg: None,
        notes: Vec::new(),
        stars,
        forgotten: Default::default(),
    }
}

/// One star as measured: what is added to the second moments adds to those of the PSF, so that a
/// star with more of it responds less to a change.
fn measured(
    scene: &Stack,
    star: &SkyStar,
    place: [f64; 2],
    transform: &Affine,
    field: &Field,
    rng: &mut StdRng,
) -> Star {
    let [ln_size, e1, e2] = field.at(place);
    let share = 1.0 + star.varies * normal(rng);
    // The sky's directions as the detector sees them.
    let added = turned(star.added.map(|a| a * share), -transform.rotation());
    let reference = 2.0 * SIGMA_PIXELS * SIGMA_PIXELS;
    let t = ln_size.exp() + added[0] * reference;
    let e = [
        (e1 * ln_size.exp() + added[1] * reference) / t + star.own[1],
        (e2 * ln_size.exp() + added[2] * reference) / t + star.own[2],
    ];
    let (noise, stated) = (error(star.flux, 1.0), error(star.flux, scene.stated_gain));
    // `Shape::log_size` adds half of the stated relative variance.
    let size = (t.ln() + star.own[0] + noise * normal(rng) - 0.5 * stated * stated).exp();
    let snr = 2.0 / stated;
    let centroid = SIGMA_PIXELS / snr;
    let shape = Shape {
        mxx: 0.5 * size,
        myy: 0.5 * size,
        mxy: 0.0,
        size,
        size_err: stated * size,
        e1: e[0] + noise * normal(rng),
        e2: e[1] + noise * normal(rng),
        e_err: stated,
        size_response: 1.0 / size,
        e_response: 1.0 / size,
    };
    let degrees = |p: f64| (p - 0.5 * SIDE as f64) * PIXEL_ARCSEC / 3600.0;
    Star {
        x: place[0] + centroid * normal(rng),
        y: place[1] + centroid * normal(rng),
        sky: Some([10.0 + degrees(star.place[0]), degrees(star.place[1])]),
        flux: star.flux,
        flux_err: star.flux / snr,
        snr,
        adaptive: Some(shape),
        ladder: Default::default(),
        higher: None,
        contamination: 0.0,
        refused: None,
        cutout: None,
        cutout_mask: None,
    }
}
