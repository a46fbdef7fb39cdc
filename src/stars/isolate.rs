//! Isolation: how much light the other sources, faint ones included, add under a star's
//! weight.

use super::detect::Detection;
use super::wings::Wings;
use crate::moments::Weight;

/// Detections by y, each with its place in the list: a narrow band holds few of them.
struct ByRow(Vec<([f64; 2], usize)>);

impl ByRow {
    fn new(detections: &[Detection]) -> Self {
        let mut all: Vec<_> = detections.iter().enumerate().map(|(k, d)| ([d.x, d.y], k)).collect();
        all.sort_unstable_by(|a, b| a.0[1].total_cmp(&b.0[1]));
        Self(all)
    }

    /// Places of those no further than `reach` along each axis.
    fn near<'a>(&'a self, d: &'a Detection, reach: f64) -> impl Iterator<Item = usize> + 'a {
        let first = self.0.partition_point(|(at, _)| at[1] < d.y - reach);
        let band = self.0[first..].iter().take_while(move |(at, _)| at[1] <= d.y + reach);
        band.filter(move |(at, _)| (at[0] - d.x).abs() <= reach).map(|(_, k)| *k)
    }
}

/// Drops the peaks that the wings of a brighter detection explain. `detections` come by
/// falling flux; `truncated[k]` tells that detection `k` is saturated, so that its true flux
/// and wings are larger than measured.
pub fn drop_wings(detections: &[Detection], truncated: &[bool], wings: &Wings) -> Vec<usize> {
    /// Flux that saturation may hide, as a factor.
    const HIDDEN: f64 = 4.0;
    let by_row = ByRow::new(detections);
    (0..detections.len())
        .filter(|&k| {
            let faint = &detections[k];
            !by_row.near(faint, wings.reach()).filter(|&j| j < k).any(|j| {
                let mut bright = detections[j];
                if truncated[j] {
                    bright.flux *= HIDDEN;
                }
                wings.explains(&bright, faint)
            })
        })
        .collect()
}

/// Bound on the relative change of each detection's size by all others: the sum of their
/// flux ratios times [`Wings::size_effect`]. Those marked in `masked` are masked pixels and add
/// nothing.
pub fn contamination(detections: &[Detection], masked: &[bool], wings: &Wings, weight: Weight) -> Vec<f64> {
    let by_row = ByRow::new(detections);
    detections
        .iter()
        .enumerate()
        .map(|(k, star)| {
            by_row
                .near(star, wings.reach())
                .filter(|&j| j != k && !masked[j])
                .map(|j| {
                    let other = &detections[j];
                    other.flux / star.flux * wings.size_effect(weight, other.x - star.x, other.y - star.y)
                })
                .sum()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(x: f64, flux: f64) -> Detection {
        Detection { x, y: 50.0, flux, snr: flux }
    }

    #[test]
    fn a_close_neighbour_contaminates_and_a_far_one_does_not() {
        let wings = Wings::gaussian(1.2);
        let found = contamination(
            &[at(50.0, 1000.0), at(54.0, 100.0), at(90.0, 500.0)],
            &[false; 3],
            &wings,
            Weight::Adaptive,
        );
        assert!(found[0] > 0.01 && found[1] > found[0] && found[2] < 1e-6, "{found:?}");
    }

    #[test]
    fn peaks_on_the_flank_of_a_brighter_star_are_dropped() {
        let wings = Wings::gaussian(1.2);
        let list = [at(50.0, 1000.0), at(54.0, 60.0), at(80.0, 50.0)];
        assert_eq!(drop_wings(&list, &[false; 3], &wings), vec![0, 2]);
    }
}
