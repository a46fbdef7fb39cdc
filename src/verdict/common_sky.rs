//! The sky that all exposures see: an exact polygon, sampled evenly. Sampled over one exposure
//! instead, dithers smaller than the step would go unseen, and a change that grows towards the edge
//! would be averaged over more of it than is there.

use crate::frame::Region;
use crate::stars::affine::Affine;

/// Points along each side of the box around the area. The mean square of a cubic term on a lattice of
/// n points falls short by about 14 / n^2.
const GRID: usize = 100;

/// The area common to all exposures, in the common frame.
#[derive(Debug, Clone, PartialEq)]
pub struct CommonSky {
    /// Evenly spaced inside the area.
    pub points: Vec<(f64, f64)>,
    /// Share of the first exposure's usable region.
    pub share: f64,
    area: Vec<[f64; 2]>,
}

/// Nearer to an edge than this, pixels, rounding may put a place on its other side.
const TOO_NEAR: f64 = 1e-6;

impl CommonSky {
    /// Whether a place lies inside the area; `None` where it is too near an edge to tell.
    pub fn holds(&self, p: [f64; 2]) -> Option<bool> {
        let mut sure = true;
        for (a, b) in sides(&self.area) {
            let length = (b[0] - a[0]).hypot(b[1] - a[1]);
            let distance = if length > TOO_NEAR { leftness(a, b, p) / length } else { f64::INFINITY };
            if distance < -TOO_NEAR {
                return Some(false);
            }
            sure &= distance > TOO_NEAR;
        }
        sure.then_some(true)
    }
}

/// The common area of `regions` under `transforms` (detector to common frame); `None` where there
/// is none.
pub fn common_sky(transforms: &[Affine], regions: &[Region]) -> Option<CommonSky> {
    let mut outlines = transforms.iter().zip(regions).map(|(transform, region)| outline(transform, *region));
    let first = outlines.next()?;
    let area = outlines.fold(first.clone(), |area, other| clipped(area, &other));
    if area.len() < 3 || signed_area(&area) <= 0.0 {
        return None;
    }
    let extent = |axis: usize| {
        area.iter()
            .map(|p| p[axis])
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (extent(0), extent(1));
    let at = |low: f64, high: f64, k: usize| low + (k as f64 + 0.5) / GRID as f64 * (high - low);
    let points: Vec<(f64, f64)> = (0..GRID * GRID)
        .map(|k| (at(x0, x1, k % GRID), at(y0, y1, k / GRID)))
        .filter(|&(x, y)| within(&area, [x, y]))
        .collect();
    Some(CommonSky { points, share: signed_area(&area) / signed_area(&first), area })
}

/// The corners of a usable region in the common frame, counter-clockwise.
fn outline(transform: &Affine, region: Region) -> Vec<[f64; 2]> {
    let edge = |k: usize| k as f64 - 0.5;
    let (x0, x1, y0, y1) = (edge(region.x0), edge(region.x1), edge(region.y0), edge(region.y1));
    let mut corners = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|p| transform.apply(p)).to_vec();
    if signed_area(&corners) < 0.0 {
        corners.reverse();
    }
    corners
}

/// What of `area` lies inside the convex `window` (Sutherland & Hodgman 1974, Commun. ACM 17, 32).
fn clipped(area: Vec<[f64; 2]>, window: &[[f64; 2]]) -> Vec<[f64; 2]> {
    let mut left = area;
    for (a, b) in sides(window) {
        let mut kept = Vec::with_capacity(left.len() + 1);
        for (p, q) in sides(&left) {
            let (from, to) = (leftness(a, b, p), leftness(a, b, q));
            if from >= 0.0 {
                kept.push(p);
            }
            if (from >= 0.0) != (to >= 0.0) {
                let t = from / (from - to);
                kept.push([p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])]);
            }
        }
        left = kept;
    }
    left
}

fn within(area: &[[f64; 2]], p: [f64; 2]) -> bool {
    sides(area).all(|(a, b)| leftness(a, b, p) >= 0.0)
}

fn sides(area: &[[f64; 2]]) -> impl Iterator<Item = ([f64; 2], [f64; 2])> {
    (0..area.len()).map(|k| (area[k], area[(k + 1) % area.len()]))
}

/// Above zero where `p` lies to the left of the way from a to b.
fn leftness(a: [f64; 2], b: [f64; 2], p: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])
}

fn signed_area(area: &[[f64; 2]]) -> f64 {
    sides(area).map(|(a, b)| 0.5 * (a[0] * b[1] - b[0] * a[1])).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    const REGION: Region = Region { x0: 0, x1: 100, y0: 0, y1: 100 };

    fn shifted(x: f64, y: f64) -> Affine {
        Affine { shift: [x, y], ..Affine::identity() }
    }

    #[test]
    fn dithers_smaller_than_the_step_are_seen() {
        let sky = common_sky(&[shifted(0.0, 0.0), shifted(1.0, -2.0)], &[REGION; 2]).unwrap();
        assert!((sky.share - 0.99 * 0.98).abs() < 1e-12, "{}", sky.share);
        let left = sky.points.iter().map(|p| p.0).fold(f64::INFINITY, f64::min);
        assert!((left - (0.5 + 0.5 * 99.0 / GRID as f64)).abs() < 1e-9, "{left}");
        assert_eq!(sky.points.len(), GRID * GRID);
    }

    /// Two squares, one turned by 45 degrees about the common centre: a regular octagon of area
    /// `2 (sqrt 2 - 1)` of the square.
    #[test]
    fn a_turned_square_leaves_an_octagon() {
        let h = std::f64::consts::FRAC_1_SQRT_2;
        let turned = Affine { matrix: [[h, -h], [h, h]], shift: [49.5, 49.5 - 2.0 * h * 49.5] };
        let mirrored = Affine { matrix: [[-1.0, 0.0], [0.0, 1.0]], shift: [99.0, 0.0] };
        let sky = common_sky(&[shifted(0.0, 0.0), turned, mirrored], &[REGION; 3]).unwrap();
        assert!((sky.share - 2.0 * (2f64.sqrt() - 1.0)).abs() < 1e-9, "{}", sky.share);
        assert!((sky.points.len() as f64 / (GRID * GRID) as f64 - sky.share).abs() < 0.02);
    }

    #[test]
    fn nothing_common_is_none() {
        assert_eq!(common_sky(&[shifted(0.0, 0.0), shifted(101.0, 0.0)], &[REGION; 2]), None);
        assert_eq!(common_sky(&[], &[]), None);
    }
}
