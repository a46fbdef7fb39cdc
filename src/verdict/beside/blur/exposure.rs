//! Moments of the stars of one exposure, and how they differ from those of the same stars in another.

use std::collections::HashMap;

use super::super::super::stack;
use crate::moments::Weight;
use crate::stars::Star;
use crate::table::StarTable;

/// Stars of one field differ by this share of their size at least: none outweighs the others.
const VARIETY: f64 = 0.01;

/// Fewest stars common to two exposures that are compared one by one; else the means are.
const FEWEST_PAIRS: usize = 5;

/// Least response of weighted moments with which a change is still measured.
const LEAST_RESPONSE: f64 = 0.05;

/// One star's moments under the stack's weight, pixels²: `Mxx + Myy`, `Mxx - Myy`, `2 Mxy`.
pub struct MeasuredStar {
    identity: Option<usize>,
    /// On the detector, pixels.
    pub x: f64,
    pub y: f64,
    values: [f64; 3],
    /// Of the first, and of each of the others.
    errors: [f64; 2],
    /// With its error.
    pub kurtosis: Option<(f64, f64)>,
}

/// The moments of an exposure.
pub struct Exposure {
    stars: Vec<MeasuredStar>,
    /// Mean of `Mxx + Myy`, pixels².
    pub trace: f64,
    /// Change per change of jitter, of the trace and of the others.
    pub trace_response: f64,
    pub shape_response: f64,
    /// Mean kurtosis and its error.
    pub kurtosis: Option<(f64, f64)>,
}

/// What one exposure's moments have over another's, pixels².
#[derive(Debug, Clone, Copy)]
pub struct Difference {
    /// Of `Mxx + Myy`, `Mxx - Myy` and `2 Mxy`.
    pub values: [f64; 3],
    /// Of the first, and of each of the others.
    pub errors: [f64; 2],
}

impl Exposure {
    /// `None` with fewer than two stars, or where their moments hardly respond to a change.
    pub fn of(table: &StarTable, matched: &stack::Exposure, weight: Weight) -> Option<Self> {
        let identities: HashMap<[u64; 2], usize> = matched
            .stars
            .iter()
            .filter_map(|s| Some(([s.x.to_bits(), s.y.to_bits()], s.identity()?)))
            .collect();
        let (mut stars, mut responses) = (Vec::new(), [0.0; 2]);
        for star in table.stars.iter().filter(|s| s.refused.is_none()) {
            let Some(shape) = star.shape_under(weight) else { continue };
            let values = [shape.size, shape.mxx - shape.myy, 2.0 * shape.mxy];
            let errors = [shape.size_err, shape.e_err * shape.size].map(|e| e.hypot(VARIETY * shape.size));
            let finite = values.iter().chain(&errors).all(|v| v.is_finite());
            if !(finite && shape.size_err > 0.0 && shape.e_err > 0.0 && shape.size > 0.0) {
                continue;
            }
            responses[0] += shape.size_response * shape.size;
            responses[1] += shape.e_response * shape.size;
            stars.push(MeasuredStar {
                identity: identities.get(&[star.x.to_bits(), star.y.to_bits()]).copied(),
                x: star.x,
                y: star.y,
                values,
                errors,
                kurtosis: kurtosis_of(star),
            });
        }
        let n = stars.len() as f64;
        let [trace_response, shape_response] = responses.map(|r| r / n);
        let traces: Vec<(f64, f64)> = stars.iter().map(|s| (s.values[0], s.errors[0])).collect();
        let kurtosis: Vec<(f64, f64)> = stars.iter().filter_map(|s| s.kurtosis).collect();
        let responds = trace_response > LEAST_RESPONSE && shape_response > LEAST_RESPONSE;
        let trace = mean_of(&traces).filter(|_| responds)?.0;
        Some(Self { stars, trace, trace_response, shape_response, kurtosis: mean_of(&kurtosis) })
    }

    /// Star by star where enough are common to both: what differs from star to star in both alike, over the field
    /// say, is then no scatter.
    pub fn over(&self, other: &Self) -> Option<Difference> {
        let pairs = self.paired(other);
        let part = |k: usize| -> Option<(f64, f64)> {
            let error_of = |s: &MeasuredStar| s.errors[k.min(1)];
            if pairs.len() >= FEWEST_PAIRS {
                let differences: Vec<(f64, f64)> = pairs
                    .iter()
                    .map(|(a, b)| (a.values[k] - b.values[k], error_of(a).hypot(error_of(b))))
                    .collect();
                return mean_of(&differences);
            }
            let mean =
                |e: &Self| mean_of(&e.stars.iter().map(|s| (s.values[k], error_of(s))).collect::<Vec<_>>());
            let (a, b) = (mean(self)?, mean(other)?);
            Some((a.0 - b.0, a.1.hypot(b.1)))
        };
        let parts = [part(0)?, part(1)?, part(2)?];
        let shape_err = (0.5 * (parts[1].1.powi(2) + parts[2].1.powi(2))).sqrt();
        Some(Difference { values: parts.map(|p| p.0), errors: [parts[0].1, shape_err] })
    }

    fn paired<'a>(&'a self, other: &'a Self) -> Vec<(&'a MeasuredStar, &'a MeasuredStar)> {
        let theirs: HashMap<usize, &MeasuredStar> =
            other.stars.iter().filter_map(|s| Some((s.identity?, s))).collect();
        self.stars.iter().filter_map(|s| Some((s, *theirs.get(&s.identity?)?))).collect()
    }

    /// A star, by its number over the stack.
    pub fn star(&self, identity: usize) -> Option<&MeasuredStar> {
        self.stars.iter().find(|s| s.identity == Some(identity))
    }
}

fn kurtosis_of(star: &Star) -> Option<(f64, f64)> {
    let higher = star.higher.as_deref().filter(|h| h.kurtosis_err > 0.0)?;
    Some((higher.kurtosis, higher.kurtosis_err.hypot(VARIETY)))
}

/// Weighted mean of values with errors, and its error: by the values' own scatter where that is more.
pub fn mean_of(values: &[(f64, f64)]) -> Option<(f64, f64)> {
    let weight: f64 = values.iter().map(|v| v.1.powi(-2)).sum();
    let mean = values.iter().map(|v| v.0 * v.1.powi(-2)).sum::<f64>() / weight;
    let chi2: f64 = values.iter().map(|v| ((v.0 - mean) / v.1).powi(2)).sum();
    let scatter = (chi2 / (values.len() as f64 - 1.0)).max(1.0);
    (values.len() >= 2 && mean.is_finite()).then(|| (mean, (scatter / weight).sqrt()))
}

#[cfg(test)]
pub mod fixture {
    use super::*;

    /// Without stars, of trace 5 pixels² and responses of 0.8.
    pub fn exposure(kurtosis: f64) -> Exposure {
        Exposure {
            stars: Vec::new(),
            trace: 5.0,
            trace_response: 0.8,
            shape_response: 0.8,
            kurtosis: Some((kurtosis, 0.003)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stars_that_differ_give_a_mean_with_the_error_of_their_scatter() {
        let (mean, error) = mean_of(&[(1.0, 0.01), (3.0, 0.01), (2.0, 0.01)]).unwrap();
        // Standard deviation 1 of three values: 1/√3.
        assert!((mean - 2.0).abs() < 1e-12 && (error - 3f64.sqrt().recip()).abs() < 1e-12, "{mean} {error}");
        let (_, error) = mean_of(&[(1.0, 2.0), (1.0, 2.0), (1.0, 2.0), (1.0, 2.0)]).unwrap();
        assert!((error - 1.0).abs() < 1e-12, "{error}");
        assert!(mean_of(&[(1.0, 0.1)]).is_none());
    }

    fn star(identity: usize, size: f64) -> MeasuredStar {
        MeasuredStar {
            identity: Some(identity),
            x: 0.0,
            y: 0.0,
            values: [size, 0.1 * size, 0.0],
            errors: [0.01; 2],
            kurtosis: None,
        }
    }

    #[test]
    fn the_same_stars_are_compared_one_by_one() {
        let of = |stars: Vec<MeasuredStar>| Exposure { stars, ..fixture::exposure(2.0) };
        // Sizes from 1 to 6, all larger by 0.5 in the second, which lacks the first and has another.
        let first = of((0..6).map(|k| star(k, 1.0 + k as f64)).collect());
        let second = of((1..7).map(|k| star(k, 1.5 + k as f64)).collect());
        let found = second.over(&first).unwrap();
        assert!((found.values[0] - 0.5).abs() < 1e-12 && found.errors[0] < 0.01, "{found:?}");
        // Too few in common: means with the scatter of the field.
        let strangers = of((10..16).map(|k| star(k, 1.5 + k as f64 - 10.0)).collect());
        let found = strangers.over(&first).unwrap();
        assert!((found.values[0] - 0.5).abs() < 1e-9 && found.errors[0] > 0.5, "{found:?}");
    }
}
