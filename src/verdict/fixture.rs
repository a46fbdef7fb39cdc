//! A stack made up for the tests of this module: the same stars in every exposure, on one another.

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;

use super::stack::{Exposure, Measured, Stack};
use crate::frame::{ExposureFacts, Region};
use crate::moments::Weight;
use crate::stars::Star;
use crate::stars::affine::Affine;
use crate::table::StarTable;

/// Stars on 1000 x 1000 pixels, fluxes over two decades, ln T = 1 and e = (0.02, 0) with errors and noise
/// of 0.003; `change(exposure, star, rng)` may alter each measurement.
pub fn stack(exposures: usize, stars: usize, change: impl Fn(usize, &mut Measured, &mut StdRng)) -> Stack {
    let mut rng = StdRng::seed_from_u64(4);
    let places: Vec<[f64; 3]> = (0..stars)
        .map(|_| {
            let mut to = |top: f64| rng.random_range(0.0..top);
            [to(1000.0), to(1000.0), 10f64.powf(3.0 + to(2.0))]
        })
        .collect();
    let mut star = |t: usize, identity: usize| {
        let [x, y, flux] = places[identity];
        let mut noise = || 0.003 * rng.sample::<f64, _>(StandardNormal);
        let mut star = Measured {
            x,
            y,
            number: Some(identity as u32),
            log_size: 1.0 + noise(),
            log_size_err: 0.003,
            e1: 0.02 + noise(),
            e2: noise(),
            e_err: 0.003,
            flux,
            centroid_err: 0.01,
            place: identity as u32,
        };
        change(t, &mut star, &mut rng);
        star
    };
    let exposures = (0..exposures)
        .map(|table| Exposure {
            table,
            stars: (0..stars).map(|identity| star(table, identity)).collect(),
            transform: Some(Affine::identity()),
            usable: Region { x0: 0, x1: 1000, y0: 0, y1: 1000 },
        })
        .collect();
    Stack {
        exposures,
        weight: Weight::Adaptive,
        size_response: 1.0,
        e_response: 1.0,
        mean_star: None,
        reference: 0,
        common_stars: stars,
    }
}

/// A table of an exposure without stars.
pub fn empty_table() -> StarTable {
    StarTable {
        file: "a.fits".into(),
        frame_xxh3: String::new(),
        settings_sha256: String::new(),
        version: String::new(),
        width: 100,
        height: 100,
        usable: Region { x0: 0, x1: 100, y0: 0, y1: 100 },
        facts: ExposureFacts::default(),
        sky_level: 0.0,
        sky_noise: 1.0,
        sigma_pixels: None,
        narrowest_sigma_pixels: None,
        has_wcs: false,
        sky_angle_deg: None,
        notes: Vec::new(),
        stars: Vec::new(),
        forgotten: Default::default(),
    }
}

/// A detection without any measurement.
pub fn bare_star() -> Star {
    Star {
        x: 0.0,
        y: 0.0,
        sky: None,
        flux: 1.0,
        flux_err: 1.0,
        snr: 1.0,
        adaptive: None,
        ladder: Default::default(),
        higher: None,
        contamination: 0.0,
        refused: None,
        cutout: None,
        cutout_mask: None,
    }
}
