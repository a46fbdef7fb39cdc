//! Images that are flatter than jitter or a smear would leave them.
//!
//! Defocus of many waves spreads the light around the shadow of the aperture's middle, a ring: its kurtosis
//! falls below what the stars of the sharpest exposure have after as much blur. Defocus of a fraction of a
//! wave, in images no wider than diffraction makes them, raises it at first and is not seen here. Seeing
//! that grows keeps the shape, and so the kurtosis. Focus may be lost in a part of the field alone, so the
//! quarters of the frame are looked at besides the whole.

use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, Normal};

use super::Compared;
use super::exposure::mean_of;
use super::reblurred::{Added, BlurredStar};
use crate::moments::primary_weight;

/// Chance that any part of any exposure of a stack is called flatter than jitter leaves it, were none.
const FLATTER_CHANCE: f64 = 1e-3;

/// Fewest stars of a part of the frame.
const FEWEST_STARS: usize = 4;

/// Exposures of which each star is blurred, those of least kurtosis: it takes long.
const MOST_LOOKED_AT: usize = 40;

/// The whole frame and its quarters, by [`crate::frame::Region::zone`].
const PARTS: [(&str, Option<usize>); 5] = [
    ("", None),
    (" of the lower left quarter", Some(0)),
    (" of the lower right quarter", Some(1)),
    (" of the upper left quarter", Some(2)),
    (" of the upper right quarter", Some(3)),
];

/// An exposure whose stars are flatter than jitter leaves them.
pub struct Flat {
    /// Its place among those compared.
    pub place: usize,
    /// Of these stars.
    pub stars: usize,
    pub part: &'static str,
    /// How far their kurtosis lies below, with its error.
    pub fall: f64,
    pub error: f64,
}

/// Of the exposures at `shown` with a part whose kurtosis lies further below the least that jitter, a smear or
/// poorer seeing would leave than any of so many would by chance, the furthest.
pub fn flattest(compared: &Compared, shown: &[usize]) -> Option<Flat> {
    // A fourth moment summed over pixels as wide as the star is that of the pixels.
    if !compared.members[compared.sharpest].is_well_sampled() {
        return None;
    }
    let kurtosis = |k: usize| compared.blurs[k].kurtosis.unwrap_or(f64::INFINITY);
    let mut flat_first = shown.to_vec();
    flat_first.sort_by(|&a, &b| kurtosis(a).total_cmp(&kurtosis(b)));
    flat_first.truncate(MOST_LOOKED_AT);
    let looked_at: Vec<Flat> = flat_first.par_iter().flat_map_iter(|&k| parts(compared, k)).collect();
    // Those that were not looked at were chosen among too.
    let chosen_among = (shown.len() * PARTS.len()).max(1) as f64;
    let critical = Normal::standard().inverse_cdf(1.0 - FLATTER_CHANCE / chosen_among);
    looked_at.into_iter().filter(|f| f.fall > critical * f.error).max_by(|a, b| a.fall.total_cmp(&b.fall))
}

/// Each part of an exposure with enough stars that are among the sharpest's originals.
fn parts(compared: &Compared, place: usize) -> Vec<Flat> {
    let member = &compared.members[place];
    let (Some(sigma_pixels), Some(narrowest)) =
        (member.table.sigma_pixels, member.table.narrowest_sigma_pixels)
    else {
        return Vec::new();
    };
    let blur = &compared.blurs[place];
    let tensor = [blur.xx, blur.yy, blur.xy].map(|v| v / compared.pixel2);
    let weight = primary_weight(narrowest);
    let originals = &compared.reference.originals;
    let blurred = [Added::Nothing, Added::Jitter, Added::Motion]
        .map(|added| originals.blurred(added, tensor, sigma_pixels, weight));
    // Stars that give moments however they were blurred.
    let falls: Vec<(usize, [(f64, f64); 3])> = (0..blurred[0].len())
        .filter_map(|star| {
            let of = |added: usize| below(blurred[added][star].as_ref()?, compared, place);
            let [still, jitter, motion] = [of(0)?, of(1)?, of(2)?];
            Some((still.0, [still.1, jitter.1, motion.1]))
        })
        .collect();
    let part = |&(part, zone): &(&'static str, Option<usize>)| -> Option<Flat> {
        let of_part: Vec<&[(f64, f64); 3]> =
            falls.iter().filter(|f| zone.is_none_or(|zone| zone == f.0)).map(|f| &f.1).collect();
        let mean = |added: usize| mean_of(&of_part.iter().map(|falls| falls[added]).collect::<Vec<_>>());
        let (fall, error) = [mean(0)?, mean(1)?, mean(2)?].into_iter().min_by(|a, b| a.0.total_cmp(&b.0))?;
        let stars = of_part.len();
        (stars >= FEWEST_STARS).then_some(Flat { place, stars, part, fall, error })
    };
    PARTS.iter().filter_map(part).collect()
}

/// The quarter in which a star lies, and how far its kurtosis lies below that of the blurred original, with the error.
fn below(blurred: &BlurredStar, compared: &Compared, place: usize) -> Option<(usize, (f64, f64))> {
    let member = &compared.members[place];
    let (left, left_err) = (blurred.moments.higher?.kurtosis, 2.0 / blurred.snr);
    let star = member.exposure.star(blurred.identity?)?;
    let (found, found_err) = star.kurtosis?;
    Some((member.table.usable.zone(star.x, star.y, 2), (left - found, left_err.hypot(found_err))))
}
