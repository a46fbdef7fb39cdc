//! Registration of two star lists by the triangles they make. The ratios of a triangle's
//! sides survive shift, rotation and scale; each pair of like triangles proposes a
//! similarity, and the one that lays most stars on each other wins (common practice).

use rstar::{RTree, primitives::GeomWithData};

use super::affine::Affine;

/// Brightest stars of each list that make triangles: 35 give 6545.
const BRIGHTEST: usize = 35;

/// Stars on which a proposal is tried.
const TRIED: usize = 120;

/// How far the side ratios of like triangles may differ.
const RATIO_TOLERANCE: f64 = 0.004;

/// Distance at which a laid-on star counts, pixels of the target list.
const HIT_RADIUS: f64 = 3.0;

/// Shortest side of a useful triangle, pixels: the ratios of small ones are too uncertain.
const SHORTEST_SIDE: f64 = 15.0;

/// Scales looked at. Exposures of one stack come from one camera.
const SCALES: std::ops::RangeInclusive<f64> = 0.8..=1.25;

type Indexed = GeomWithData<[f64; 2], usize>;

/// A triangle: the corners opposite the longest, middle and shortest side, and the ratios
/// of the middle and the shortest side to the longest.
struct Triangle {
    corners: [usize; 3],
    ratios: [f64; 2],
    longest: f64,
}

fn brightest(fluxes: &[f64], count: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..fluxes.len()).collect();
    order.sort_by(|&a, &b| fluxes[b].total_cmp(&fluxes[a]).then(a.cmp(&b)));
    order.truncate(count);
    order
}

fn triangles(positions: &[[f64; 2]], chosen: &[usize]) -> Vec<Triangle> {
    let distance =
        |a: usize, b: usize| (positions[a][0] - positions[b][0]).hypot(positions[a][1] - positions[b][1]);
    let mut out = Vec::new();
    for (i, &a) in chosen.iter().enumerate() {
        for (j, &b) in chosen.iter().enumerate().skip(i + 1) {
            for &c in &chosen[j + 1..] {
                let mut sides = [(distance(b, c), a), (distance(a, c), b), (distance(a, b), c)];
                sides.sort_by(|p, q| q.0.total_cmp(&p.0));
                let [long, middle, short] = sides;
                // Nearly isosceles triangles have no sure order of corners.
                let clear = short.0 > SHORTEST_SIDE && middle.0 < 0.98 * long.0 && short.0 < 0.98 * middle.0;
                if clear {
                    out.push(Triangle {
                        corners: [long.1, middle.1, short.1],
                        ratios: [middle.0 / long.0, short.0 / long.0],
                        longest: long.0,
                    });
                }
            }
        }
    }
    out
}

/// The similarity that maps `from` onto `to`; `None` where no proposal lays enough stars on
/// each other to exclude chance.
pub fn find_similarity(
    from: &[[f64; 2]],
    from_flux: &[f64],
    to: &[[f64; 2]],
    to_flux: &[f64],
) -> Option<Affine> {
    let own = triangles(from, &brightest(from_flux, BRIGHTEST));
    let targets = triangles(to, &brightest(to_flux, BRIGHTEST));
    let by_ratio: RTree<Indexed> =
        RTree::bulk_load(targets.iter().enumerate().map(|(k, t)| Indexed::new(t.ratios, k)).collect());
    let tried = brightest(from_flux, TRIED);
    let to_tree: RTree<[f64; 2]> = RTree::bulk_load(to.to_vec());
    let hits = |transform: &Affine| {
        let laid_on = |&&k: &&usize| {
            let p = transform.apply(from[k]);
            to_tree.nearest_neighbor(&p).is_some_and(|q| (q[0] - p[0]).hypot(q[1] - p[1]) < HIT_RADIUS)
        };
        tried.iter().filter(laid_on).count()
    };
    let needed = needed_hits(tried.len(), to);
    let plenty = (tried.len() / 2).max(needed + 3);
    let mut best: Option<(usize, Affine)> = None;
    for triangle in &own {
        for like in by_ratio.locate_within_distance(triangle.ratios, RATIO_TOLERANCE.powi(2)) {
            let target = &targets[like.data];
            if !SCALES.contains(&(target.longest / triangle.longest)) {
                continue;
            }
            let Some(proposal) =
                Affine::fit_similarity(&triangle.corners.map(|k| from[k]), &target.corners.map(|k| to[k]))
            else {
                continue;
            };
            let count = hits(&proposal);
            if best.is_none_or(|(most, _)| count > most) {
                best = Some((count, proposal));
            }
            if count >= plenty {
                return Some(proposal);
            }
        }
    }
    best.filter(|(count, _)| *count >= needed).map(|(_, transform)| transform)
}

/// Hits that chance does not give: the mean number of accidental ones under the target's
/// density, plus five times its root, plus the three corners that always hit.
fn needed_hits(tried: usize, to: &[[f64; 2]]) -> usize {
    let span = |axis: usize| {
        let (low, high) =
            to.iter().fold((f64::MAX, f64::MIN), |(low, high), p| (low.min(p[axis]), high.max(p[axis])));
        (high - low).max(1.0)
    };
    let density = to.len() as f64 / (span(0) * span(1));
    let chance = tried as f64 * density * std::f64::consts::PI * HIT_RADIUS * HIT_RADIUS;
    (3.0 + chance + 5.0 * chance.sqrt()).ceil() as usize + 1
}
