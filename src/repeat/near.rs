//! Which stars of an exposure are nearest to each other, by cells of the field: in a time that grows with
//! their number alone.

use super::noise_check::Residual;

/// Most neighbours of each star that make pairs.
const NEIGHBOURS: usize = 8;

/// Pairs of each star of one exposure, whose rows these are, with its nearest neighbours within `reach`, each pair
/// once, with their distance.
pub fn near_pairs(rows: &[Residual], reach: f64) -> Vec<(usize, usize, f64)> {
    let cells = Cells::of(rows);
    let mut pairs: Vec<(usize, usize, f64)> = vec![];
    for i in 0..rows.len() {
        pairs.extend(cells.nearest(rows, i, reach).into_iter().map(|(d, i, j)| (i, j, d)));
    }
    pairs.sort_by_key(|p| (p.0, p.1));
    pairs.dedup_by_key(|p| (p.0, p.1));
    pairs
}

/// Stars a cell, on average.
const STARS_IN_CELL: f64 = 2.0;

/// The rows of one exposure by the square cell of the field that they lie in.
struct Cells {
    from: [f64; 2],
    side: f64,
    columns: usize,
    rows: Vec<Vec<usize>>,
}

impl Cells {
    fn of(rows: &[Residual]) -> Self {
        let extent = |pick: fn(&Residual) -> f64| {
            let values = rows.iter().map(pick);
            values.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (extent(|r| r.x), extent(|r| r.y));
        let (width, height) = ((x1 - x0).max(0.0), (y1 - y0).max(0.0));
        let wanted = (rows.len() as f64 / STARS_IN_CELL).max(1.0);
        // Stars on a line have no area: its length alone counts then.
        let side = (width * height / wanted).sqrt().max(width.max(height) / wanted).max(f64::MIN_POSITIVE);
        let count = |length: f64| (length / side) as usize + 1;
        let (columns, lines) = (count(width), count(height));
        let mut cells = Self { from: [x0, y0], side, columns, rows: vec![vec![]; columns * lines] };
        for (i, row) in rows.iter().enumerate() {
            let [column, line] = cells.place(row);
            cells.rows[line * columns + column].push(i);
        }
        cells
    }

    fn place(&self, row: &Residual) -> [usize; 2] {
        let lines = self.rows.len() / self.columns;
        let along =
            |value: f64, from: f64, count: usize| (((value - from) / self.side) as usize).min(count - 1);
        [along(row.x, self.from[0], self.columns), along(row.y, self.from[1], lines)]
    }

    /// The nearest others of row `i` within `reach`, nearest first: distance and both rows in order.
    fn nearest(&self, rows: &[Residual], i: usize, reach: f64) -> Vec<(f64, usize, usize)> {
        let lines = self.rows.len() / self.columns;
        let [column, line] = self.place(&rows[i]);
        let mut found: Vec<(f64, usize, usize)> = Vec::with_capacity(8 * NEIGHBOURS);
        let rings = self.columns.max(lines);
        for ring in 0..=rings {
            // All nearer than the inner rings are wide have been seen.
            let seen = (ring as f64 - 1.0) * self.side;
            if seen > reach || found.iter().filter(|f| f.0 <= seen).count() >= NEIGHBOURS {
                break;
            }
            for y in line.saturating_sub(ring)..=(line + ring).min(lines - 1) {
                let whole = y.abs_diff(line) == ring;
                let step = if whole || ring == 0 { 1 } else { 2 * ring };
                let first = if whole {
                    column.saturating_sub(ring) as isize
                } else {
                    column as isize - ring as isize
                };
                for x in (first..=(column + ring) as isize).step_by(step) {
                    if x < 0 || x as usize >= self.columns {
                        continue;
                    }
                    for &j in self.rows[y * self.columns + x as usize].iter().filter(|&&j| j != i) {
                        let (dx, dy) = (rows[i].x - rows[j].x, rows[i].y - rows[j].y);
                        let distance = (dx * dx + dy * dy).sqrt();
                        if distance <= reach {
                            found.push((distance, i.min(j), i.max(j)));
                        }
                    }
                }
            }
        }
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        found.truncate(NEIGHBOURS);
        found
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng, rngs::StdRng};

    use super::*;

    /// By looking at every pair.
    fn one_by_one(rows: &[Residual], reach: f64) -> Vec<(usize, usize)> {
        let mut pairs = Vec::new();
        for i in 0..rows.len() {
            let apart = |j: usize| (rows[i].x - rows[j].x).hypot(rows[i].y - rows[j].y);
            let mut others: Vec<usize> = (0..rows.len()).filter(|&j| j != i && apart(j) <= reach).collect();
            others.sort_by(|a, b| apart(*a).total_cmp(&apart(*b)));
            pairs.extend(others.iter().take(NEIGHBOURS).map(|&j| (i.min(j), i.max(j))));
        }
        pairs.sort_unstable();
        pairs.dedup();
        pairs
    }

    #[test]
    fn cells_find_the_pairs_that_looking_at_all_of_them_does() {
        let mut rng = StdRng::seed_from_u64(2);
        // Evenly, crowded in a corner, and on a line.
        let shapes: [fn([f64; 2]) -> [f64; 2]; 3] =
            [|p| p, |[x, y]| [x.powi(4), y.powi(4)], |[x, _]| [x, 0.0]];
        for (shape, count) in shapes.into_iter().flat_map(|s| [(s, 3), (s, 60), (s, 300)]) {
            let rows: Vec<Residual> = (0..count)
                .map(|star| {
                    let [x, y] = shape([rng.random::<f64>(), rng.random::<f64>()]).map(|v| 1000.0 * v);
                    let (value, variance, leverage) = ([0.0; 2], 1.0, 0.0);
                    Residual { row: star, star, x, y, value, stated: variance, variance, leverage }
                })
                .collect();
            for reach in [20.0, 150.0, 2000.0] {
                let found: Vec<(usize, usize)> =
                    near_pairs(&rows, reach).into_iter().map(|(i, j, _)| (i, j)).collect();
                assert_eq!(found, one_by_one(&rows, reach), "{count} rows within {reach}");
            }
        }
    }
}
