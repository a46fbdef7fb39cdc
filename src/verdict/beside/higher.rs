//! Change of the third and fourth moments between the exposures: reported beside, no limit.

use std::collections::HashMap;

use super::super::assess::{Assessment, Place, rows_at};
use super::super::model::{HigherMomentsChange, Measured};
use super::super::results::unlimited;
use super::super::stack::{Rows, Stack, StarHalf};
use crate::field::Basis;
use crate::moments::HigherMoments;
use crate::repeat::{Layout, Reference, measure_change_on};
use crate::table::StarTable;

/// Change of coma (spin 1), trefoil (spin 3) and kurtosis between the exposures of `judged`, in
/// the same frame and by the same stars; `None` where they do not bear it.
pub fn of_stack(
    tables: &[StarTable],
    stack: &Stack,
    judged: &Assessment,
    half: StarHalf,
    place: Place,
    confidence: f64,
) -> Option<HigherMomentsChange> {
    let Rows { basis, mut places, .. } = rows_at(place, stack, &judged.keep, half)?;
    let mut moments = Vec::with_capacity(places.len());
    let mut of_exposure = OfExposure::default();
    places.retain(|row| {
        let found = of_exposure.moments(tables, stack, judged.keep[row.exposure], row.star);
        moments.extend(found);
        found.is_some()
    });
    let known = Known {
        layout: Layout::new(judged.keep.len(), places.iter().copied()),
        exposures: places.iter().map(|row| row.exposure as u32).collect(),
        basis,
        moments,
        reference: if place == Place::Sky { Reference::Sky } else { Reference::Detector },
        confidence,
    };
    drop(places);
    let angle = |exposure: usize| match stack.exposures[judged.keep[exposure]].transform {
        Some(transform) if place == Place::Sky => transform.rotation(),
        _ => 0.0,
    };
    let turned = |spin: f64, exposure: usize, [first, second]: [f64; 2]| {
        let (sin, cos) = (spin * angle(exposure)).sin_cos();
        [first * cos - second * sin, first * sin + second * cos]
    };
    Some(HigherMomentsChange {
        frame: if place == Place::Sky { "sky" } else { "detector" }.into(),
        coma: known.change(|t, m| (m.coma_err, turned(1.0, t, [m.coma1, m.coma2])))?,
        trefoil: known.change(|t, m| (m.trefoil_err, turned(3.0, t, [m.trefoil1, m.trefoil2])))?,
        kurtosis: known.change(|_, m| (m.kurtosis_err, [m.kurtosis]))?,
    })
}

/// The moments of the stars of one exposure, found when first asked for.
#[derive(Default)]
struct OfExposure<'a> {
    place: Option<usize>,
    stars: HashMap<usize, &'a HigherMoments>,
}

impl<'a> OfExposure<'a> {
    /// Of a star of the exposure at this place in the stack; `None` where they are not usable.
    fn moments(
        &mut self,
        tables: &'a [StarTable],
        stack: &Stack,
        place: usize,
        star: usize,
    ) -> Option<&'a HigherMoments> {
        if self.place != Some(place) {
            let exposure = &stack.exposures[place];
            let rows = &tables.get(exposure.table)?.stars;
            let known = exposure.stars.iter().filter_map(|s| {
                let moments = rows.get(s.place as usize)?.higher.as_deref()?;
                Some((s.identity()?, moments)).filter(|_| are_usable(moments))
            });
            *self = Self { place: Some(place), stars: known.collect() };
        }
        self.stars.get(&star).copied()
    }
}

fn are_usable(m: &HigherMoments) -> bool {
    let errors = [m.coma_err, m.trefoil_err, m.kurtosis_err];
    let values = [m.coma1, m.coma2, m.trefoil1, m.trefoil2, m.kurtosis];
    errors.iter().all(|e| *e > 0.0 && e.is_finite()) && values.iter().all(|v| v.is_finite())
}

/// The stars' moments, row by row, and how their change is measured.
struct Known<'a> {
    basis: Basis,
    layout: Layout,
    exposures: Vec<u32>,
    moments: Vec<&'a HigherMoments>,
    reference: Reference,
    confidence: f64,
}

impl Known<'_> {
    /// Of the quantity that `pick` gives from an exposure's moments: its error, and its components.
    fn change<const N: usize>(
        &self,
        pick: impl Fn(usize, &HigherMoments) -> (f64, [f64; N]),
    ) -> Option<Measured> {
        let picked =
            || self.exposures.iter().zip(&self.moments).map(|(&t, moments)| pick(t as usize, moments));
        let sigmas: Vec<f64> = picked().map(|(sigma, _)| sigma).collect();
        let values: [Vec<f64>; N] =
            std::array::from_fn(|component| picked().map(|(_, values)| values[component]).collect());
        let change = measure_change_on(&self.basis, &self.layout, &sigmas, &values, self.reference).ok()?;
        Some(unlimited(&change.rms(self.confidence).ok()?))
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    use super::*;
    use crate::stars::Star;
    use crate::stars::affine::Affine;
    use crate::verdict::assess::assess;
    use crate::verdict::fixture::{self, bare_star, empty_table};

    /// Six exposures that turn by 0.3 each on the sky. In the sky's frame coma and trefoil stay, so on
    /// the detector they turn; `jump` of coma is added to one exposure there.
    fn found(jump: f64) -> HigherMomentsChange {
        // Not the seed of the stars' places.
        let mut rng = StdRng::seed_from_u64(5);
        let table = |t: usize| {
            let mut noise = || 0.01 * rng.sample::<f64, _>(StandardNormal);
            let angle = 0.3 * t as f64;
            let added = if t == 4 { jump } else { 0.0 };
            // The exposure's x axis lies at +angle on the sky: seen from it things turn by -angle.
            let mut moments = || HigherMoments {
                coma1: (0.1 + added) * angle.cos() + noise(),
                coma2: -(0.1 + added) * angle.sin() + noise(),
                coma_err: 0.01,
                trefoil1: 0.2 * (3.0 * angle).cos() + noise(),
                trefoil2: -0.2 * (3.0 * angle).sin() + noise(),
                trefoil_err: 0.01,
                kurtosis: 1.9 + noise(),
                kurtosis_err: 0.01,
            };
            let stars = (0..120).map(|_| Star { higher: Some(Box::new(moments())), ..bare_star() }).collect();
            StarTable { stars, ..empty_table() }
        };
        let tables: Vec<StarTable> = (0..6).map(table).collect();
        let mut stack = fixture::stack(6, 120, |_, _, _| {});
        for (t, exposure) in stack.exposures.iter_mut().enumerate() {
            let (sin, cos) = (0.3 * t as f64).sin_cos();
            let matrix = [[cos, -sin], [sin, cos]];
            let turn = Affine { matrix, shift: [0.0; 2] };
            let [x, y] = turn.apply([500.0, 500.0]);
            exposure.transform = Some(Affine { matrix, shift: [500.0 - x, 500.0 - y] });
            // The same places of the sky.
            let back = exposure.transform.unwrap().inverse().unwrap();
            for star in &mut exposure.stars {
                [star.x, star.y] = back.apply([star.x, star.y]);
            }
        }
        let keep: Vec<usize> = (0..6).collect();
        let judged = assess(&stack, &keep, StarHalf::All, Place::Sky, 0.95).unwrap();
        of_stack(&tables, &stack, &judged, StarHalf::All, Place::Sky, 0.95).unwrap()
    }

    #[test]
    fn what_stands_still_on_the_sky_does_not_change_there() {
        let found = found(0.0);
        for part in [&found.coma, &found.trefoil, &found.kurtosis] {
            assert!(part.low == Some(0.0) && part.high.unwrap() < 0.005, "{found:?}");
        }
    }

    /// One of six off by 0.05 in one component: rms per component 0.05 sqrt(1/6 / 2).
    #[test]
    fn a_jump_of_coma_is_found() {
        let found = found(0.05);
        let expected = 0.05 * (1.0f64 / 12.0).sqrt();
        assert!(found.coma.low.unwrap() < expected && expected < found.coma.high.unwrap(), "{found:?}");
        assert!(found.coma.low.unwrap() > 0.5 * expected && found.trefoil.low == Some(0.0), "{found:?}");
    }
}
