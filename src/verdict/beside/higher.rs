//! Change of the third and fourth moments between the exposures: reported beside, no limit.

use std::collections::HashMap;

use super::super::assess::Assessment;
use super::super::model::{HigherMomentsChange, Measured};
use super::super::results::unlimited;
use super::super::stack::{Stack, StarHalf};
use crate::moments::HigherMoments;
use crate::repeat::{Reference, Row, measure_change};

/// Change of coma (spin 1), trefoil (spin 3) and kurtosis between the exposures of `judged`, in
/// the same frame and by the same stars; `None` where they do not bear it.
pub fn of_stack(
    stack: &Stack,
    judged: &Assessment,
    half: StarHalf,
    on_sky: bool,
    confidence: f64,
) -> Option<HigherMomentsChange> {
    let keep = &judged.keep;
    let (rows, reference) = match on_sky {
        true => (stack.rows_on_sky(keep, half)?, Reference::Sky),
        false => (stack.rows_on_detector(keep, half)?, Reference::Detector),
    };
    let known: Vec<HashMap<usize, HigherMoments>> = keep
        .iter()
        .map(|&t| {
            stack.exposures[t]
                .stars
                .iter()
                .filter_map(|s| Some((s.identity?, *s.higher.as_deref()?)))
                .collect()
        })
        .collect();
    let found: Vec<(Row, HigherMoments)> =
        rows.size_rows.iter().filter_map(|row| Some((*row, *known[row.exposure].get(&row.star)?))).collect();
    let angle = |row: &Row| match stack.exposures[keep[row.exposure]].transform {
        Some(transform) if on_sky => transform.rotation(),
        _ => 0.0,
    };
    let rms = |parts: &[(Row, Vec<f64>)]| -> Option<Measured> {
        let sane: Vec<&(Row, Vec<f64>)> = parts
            .iter()
            .filter(|(row, v)| row.sigma > 0.0 && row.sigma.is_finite() && v.iter().all(|v| v.is_finite()))
            .collect();
        let components = sane.first()?.1.len();
        let own: Vec<Row> = sane.iter().map(|(row, _)| *row).collect();
        let values: Vec<Vec<f64>> =
            (0..components).map(|c| sane.iter().map(|(_, v)| v[c]).collect()).collect();
        let change = measure_change(&rows.basis, keep.len(), &own, &values, reference).ok()?;
        Some(unlimited(&change.rms(confidence).ok()?))
    };
    let turned = |spin: f64, pick: fn(&HigherMoments) -> [f64; 3]| -> Vec<(Row, Vec<f64>)> {
        let part = |(row, moments): &(Row, HigherMoments)| {
            let [first, second, sigma] = pick(moments);
            let (sin, cos) = (spin * angle(row)).sin_cos();
            (Row { sigma, ..*row }, vec![first * cos - second * sin, first * sin + second * cos])
        };
        found.iter().map(part).collect()
    };
    let kurtosis =
        |(row, m): &(Row, HigherMoments)| (Row { sigma: m.kurtosis_err, ..*row }, vec![m.kurtosis]);
    Some(HigherMomentsChange {
        frame: if on_sky { "sky" } else { "detector" }.into(),
        coma: rms(&turned(1.0, |m| [m.coma1, m.coma2, m.coma_err]))?,
        trefoil: rms(&turned(3.0, |m| [m.trefoil1, m.trefoil2, m.trefoil_err]))?,
        kurtosis: rms(&found.iter().map(kurtosis).collect::<Vec<_>>())?,
    })
}

#[cfg(test)]
mod tests {
    use rand::RngExt;
    use rand_distr::StandardNormal;

    use super::*;
    use crate::stars::affine::Affine;
    use crate::verdict::assess::{Place, assess};
    use crate::verdict::fixture;

    /// Six exposures that turn by 0.3 each on the sky. In the sky's frame coma and trefoil stay, so on
    /// the detector they turn; `jump` of coma is added to one exposure there.
    fn found(jump: f64) -> HigherMomentsChange {
        let mut stack = fixture::stack(6, 120, |t, star, rng| {
            let mut noise = || 0.01 * rng.sample::<f64, _>(StandardNormal);
            let angle = 0.3 * t as f64;
            let added = if t == 4 { jump } else { 0.0 };
            // The exposure's x axis lies at +angle on the sky: seen from it things turn by -angle.
            star.higher = Some(Box::new(HigherMoments {
                coma1: (0.1 + added) * angle.cos() + noise(),
                coma2: -(0.1 + added) * angle.sin() + noise(),
                coma_err: 0.01,
                trefoil1: 0.2 * (3.0 * angle).cos() + noise(),
                trefoil2: -0.2 * (3.0 * angle).sin() + noise(),
                trefoil_err: 0.01,
                kurtosis: 1.9 + noise(),
                kurtosis_err: 0.01,
            }));
        });
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
        of_stack(&stack, &judged, StarHalf::All, true, 0.95).unwrap()
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
