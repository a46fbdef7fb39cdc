//! Isolation: how much light the other sources, faint ones included, add under a star's
//! weight.

use super::detect::Detection;
use super::wings::Wings;
use crate::moments::Weight;

/// Detections in bands of rows, along which they are ordered: few lie near a place of a band.
struct ByBand {
    reach: f64,
    /// Band, place in the frame and place in the list.
    all: Vec<(i64, [f64; 2], usize)>,
}

impl ByBand {
    /// To look up what is no further than `reach` along each axis.
    fn new(detections: &[Detection], reach: f64) -> Self {
        let own = |(k, d): (usize, &Detection)| (band(d.y, reach), [d.x, d.y], k);
        let mut all: Vec<_> = detections.iter().enumerate().map(own).collect();
        all.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1[0].total_cmp(&b.1[0])).then(a.2.cmp(&b.2)));
        Self { reach, all }
    }

    /// Places in the list of those near.
    fn near<'a>(&'a self, d: &'a Detection) -> impl Iterator<Item = usize> + 'a {
        let (left, right) = (d.x - self.reach, d.x + self.reach);
        let of_band = move |band: i64| {
            let first = self.all.partition_point(|(b, at, _)| (*b, at[0]) < (band, left));
            self.all[first..].iter().take_while(move |(b, at, _)| *b == band && at[0] <= right)
        };
        let some =
            (band(d.y - self.reach, self.reach)..=band(d.y + self.reach, self.reach)).flat_map(of_band);
        some.filter(move |(_, at, _)| (at[1] - d.y).abs() <= self.reach).map(|(.., k)| *k)
    }
}

/// The band, as high as the reach, that a row lies in.
fn band(y: f64, reach: f64) -> i64 {
    (y / reach.max(1.0)).floor() as i64
}

/// Drops the peaks that the wings of a brighter detection explain. `detections` come by
/// falling flux; `truncated[k]` tells that detection `k` is saturated, so that its true flux
/// and wings are larger than measured.
pub fn drop_wings(detections: &[Detection], truncated: &[bool], wings: &Wings) -> Vec<usize> {
    /// Flux that saturation may hide, as a factor.
    const HIDDEN: f64 = 4.0;
    let bands = ByBand::new(detections, wings.reach());
    (0..detections.len())
        .filter(|&k| {
            let faint = &detections[k];
            !bands.near(faint).filter(|&j| j < k).any(|j| {
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
    let bands = ByBand::new(detections, wings.reach());
    detections
        .iter()
        .enumerate()
        .map(|(k, star)| {
            bands
                .near(star)
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
    fn those_near_are_found_wherever_they_lie() {
        let spread: Vec<Detection> = (0..400_u32)
            .map(|k| Detection { x: f64::from(k * 37 % 401), y: f64::from(k * k % 173), flux: 1.0, snr: 9.0 })
            .collect();
        for list in [&spread[..], &spread[..1], &[at(3.0, 1.0); 5], &[]] {
            for reach in [0.0, 7.0, 60.0, 1e4] {
                let bands = ByBand::new(list, reach);
                for d in list {
                    let mut found: Vec<usize> = bands.near(d).collect();
                    found.sort_unstable();
                    let is_near = |o: &Detection| (o.x - d.x).abs() <= reach && (o.y - d.y).abs() <= reach;
                    assert!(found.into_iter().eq((0..list.len()).filter(|&k| is_near(&list[k]))));
                }
            }
        }
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
