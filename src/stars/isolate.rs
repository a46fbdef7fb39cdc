//! Isolation: how much light the other sources, faint ones included, add under a star's
//! weight.

use super::detect::Detection;
use super::wings::Wings;
use crate::moments::Weight;

/// Detections by the square cell of the field that they lie in, about one each.
struct ByCell {
    /// Corner of the first cell, pixels.
    from: [f64; 2],
    side: f64,
    columns: usize,
    lines: usize,
    /// Of each cell, line by line, the first of `all` that is not in one before; at the end their number.
    starts: Vec<usize>,
    /// Each with its place in the list.
    all: Vec<([f64; 2], usize)>,
}

impl ByCell {
    fn new(detections: &[Detection]) -> Self {
        let extent = |along: fn(&Detection) -> f64| {
            let ends =
                detections.iter().map(along).fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)));
            if detections.is_empty() { (0.0, 0.0) } else { (ends.0, ends.1 - ends.0) }
        };
        let ((x, width), (y, height)) = (extent(|d| d.x), extent(|d| d.y));
        let side = (width * height / detections.len().max(1) as f64).sqrt().max(1.0);
        let (columns, lines) = ((width / side) as usize + 1, (height / side) as usize + 1);
        let mut cells = Self { from: [x, y], side, columns, lines, starts: Vec::new(), all: Vec::new() };
        let own: Vec<usize> =
            detections.iter().map(|d| cells.line(d.y) * columns + cells.column(d.x)).collect();
        let mut order: Vec<usize> = (0..detections.len()).collect();
        order.sort_unstable_by_key(|&k| (own[k], k));
        cells.starts = vec![0; columns * lines + 1];
        own.iter().for_each(|cell| cells.starts[cell + 1] += 1);
        for cell in 0..columns * lines {
            cells.starts[cell + 1] += cells.starts[cell];
        }
        cells.all = order.into_iter().map(|k| ([detections[k].x, detections[k].y], k)).collect();
        cells
    }

    fn column(&self, x: f64) -> usize {
        (((x - self.from[0]) / self.side) as usize).min(self.columns - 1)
    }

    fn line(&self, y: f64) -> usize {
        (((y - self.from[1]) / self.side) as usize).min(self.lines - 1)
    }

    /// Places of those no further than `reach` along each axis.
    fn near<'a>(&'a self, d: &'a Detection, reach: f64) -> impl Iterator<Item = usize> + 'a {
        let (first, last) = (self.column(d.x - reach), self.column(d.x + reach));
        let of_line = move |line: usize| {
            let cell = line * self.columns;
            &self.all[self.starts[cell + first]..self.starts[cell + last + 1]]
        };
        let some = (self.line(d.y - reach)..=self.line(d.y + reach)).flat_map(of_line);
        let is_near = move |at: &[f64; 2]| (at[0] - d.x).abs() <= reach && (at[1] - d.y).abs() <= reach;
        some.filter(move |(at, _)| is_near(at)).map(|(_, k)| *k)
    }
}

/// Drops the peaks that the wings of a brighter detection explain. `detections` come by
/// falling flux; `truncated[k]` tells that detection `k` is saturated, so that its true flux
/// and wings are larger than measured.
pub fn drop_wings(detections: &[Detection], truncated: &[bool], wings: &Wings) -> Vec<usize> {
    /// Flux that saturation may hide, as a factor.
    const HIDDEN: f64 = 4.0;
    let cells = ByCell::new(detections);
    (0..detections.len())
        .filter(|&k| {
            let faint = &detections[k];
            !cells.near(faint, wings.reach()).filter(|&j| j < k).any(|j| {
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
    let cells = ByCell::new(detections);
    detections
        .iter()
        .enumerate()
        .map(|(k, star)| {
            cells
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
    fn those_near_are_found_wherever_they_lie() {
        let spread: Vec<Detection> = (0..400_u32)
            .map(|k| Detection { x: f64::from(k * 37 % 401), y: f64::from(k * k % 173), flux: 1.0, snr: 9.0 })
            .collect();
        for list in [&spread[..], &spread[..1], &[at(3.0, 1.0); 5], &[]] {
            let cells = ByCell::new(list);
            for d in list {
                for reach in [0.0, 7.0, 60.0, 1e4] {
                    let mut found: Vec<usize> = cells.near(d, reach).collect();
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
