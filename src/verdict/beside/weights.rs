//! The weights of the combination, one an exposure, on frames scaled to a common flux.

use super::super::stack::Stack;
use crate::field::robust::median;
use crate::settings::CombineWeights;
use crate::table::StarTable;

/// Rounds of the two-way fit of the flux scales.
const ROUNDS: usize = 10;

/// One weight for each exposure at `places`: equal; as the exposure time; as the inverse variance
/// of the sky, `(flux scale / noise)²`. `None` where what it takes is missing.
pub fn weights_of(
    weights: CombineWeights,
    places: &[usize],
    stack: &Stack,
    tables: &[StarTable],
) -> Option<Vec<f64>> {
    let table = |place: usize| &tables[stack.exposures[place].table];
    let usable = |value: f64| Some(value).filter(|v| *v > 0.0 && v.is_finite());
    match weights {
        CombineWeights::Equal => Some(vec![1.0; places.len()]),
        CombineWeights::Exposure => {
            places.iter().map(|&place| table(place).facts.exposure_s.and_then(usable)).collect()
        }
        CombineWeights::InverseVariance => {
            let scales = flux_scales(stack, places)?;
            let noise = places.iter().map(|&place| usable(table(place).sky_noise));
            noise.zip(scales).map(|(noise, scale)| Some((scale / noise?).powi(2))).collect()
        }
    }
}

/// Flux of the same stars in each exposure against their mean, by medians in the logarithm.
fn flux_scales(stack: &Stack, keep: &[usize]) -> Option<Vec<f64>> {
    let seen: Vec<(usize, usize, f64)> = keep
        .iter()
        .enumerate()
        .flat_map(|(k, &place)| stack.exposures[place].stars.iter().map(move |star| (k, star)))
        .filter(|(_, star)| star.flux > 0.0)
        .filter_map(|(k, star)| Some((k, star.identity()?, star.flux.ln())))
        .collect();
    let mut of_star = vec![Vec::new(); stack.common_stars];
    let mut scale = vec![0.0; keep.len()];
    for _ in 0..ROUNDS {
        of_star.iter_mut().for_each(Vec::clear);
        seen.iter().for_each(|&(k, star, flux)| of_star[star].push(flux - scale[k]));
        let mean: Vec<Option<f64>> =
            of_star.iter().map(|fluxes| median(fluxes).filter(|_| fluxes.len() > 1)).collect();
        let mut left = vec![Vec::new(); keep.len()];
        seen.iter().for_each(|&(k, star, flux)| left[k].extend(mean[star].map(|mean| flux - mean)));
        scale = left.iter().map(|own| median(own)).collect::<Option<_>>()?;
    }
    Some(scale.into_iter().map(f64::exp).collect())
}
