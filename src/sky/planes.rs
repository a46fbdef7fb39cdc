//! The level of the sky smoothed over neighbouring tiles, by planes.

use ndarray::Array2;

use super::tiles::Tile;

/// Fewest tiles that a plane is laid through.
const FEWEST_TILES: f64 = 6.0;

/// Replaces each tile's level by the plane through the 3x3 tiles around it where those fit
/// a plane within their noise; otherwise keeps the tile's own value.
pub fn smooth_by_planes(tiles: &Array2<Option<Tile>>) -> Array2<Option<f64>> {
    let (rows, columns) = tiles.dim();
    // With a border of tiles that know nothing, and weigh nothing.
    let (mut levels, mut weights) =
        (vec![0.0; (rows + 2) * (columns + 2)], vec![0.0; (rows + 2) * (columns + 2)]);
    for ((row, column), tile) in tiles.indexed_iter() {
        if let Some(tile) = tile {
            let at = (row + 1) * (columns + 2) + column + 1;
            (levels[at], weights[at]) = (tile.level, tile.level_err.max(1e-12).powi(-2));
        }
    }
    let mut smoothed = vec![0.0; rows * columns];
    pulp::Arch::new().dispatch(Planes {
        columns,
        levels: &levels,
        weights: &weights,
        smoothed: &mut smoothed,
    });
    Array2::from_shape_fn((rows, columns), |at| tiles[at].map(|_| smoothed[at.0 * columns + at.1]))
}

/// Smooths the tiles of grids that have a border of one around them, a row at once.
struct Planes<'a> {
    columns: usize,
    levels: &'a [f64],
    weights: &'a [f64],
    smoothed: &'a mut [f64],
}

impl<'a> pulp::NullaryFnOnce for Planes<'a> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { columns, levels, weights, smoothed } = self;
        let stride = columns + 2;
        for (row, out) in smoothed.chunks_exact_mut(columns.max(1)).enumerate() {
            let of = |grid: &'a [f64], k: usize| &grid[(row + k) * stride..(row + k + 1) * stride];
            let [levels, weights] = [levels, weights].map(|grid| [of(grid, 0), of(grid, 1), of(grid, 2)]);
            smooth_row(levels, weights, out);
        }
    }
}

/// Around each tile by the normal equations of a plane about its level, weighted; `levels` and `weights` are those of three
/// rows, from one column before the first on.
#[inline(always)]
fn smooth_row(levels: [&[f64]; 3], weights: [&[f64]; 3], out: &mut [f64]) {
    let columns = out.len();
    let [levels, weights] = [levels, weights].map(|rows| rows.map(|row| &row[..columns + 2]));
    for column in 0..columns {
        let own = levels[1][column + 1];
        // Weighted sums of 1, x, y and their products, and of the level with them.
        let (mut one, mut x, mut y, mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        let (mut l, mut lx, mut ly, mut count) = (0.0, 0.0, 0.0, 0.0);
        for row in 0..3 {
            for step in 0..3 {
                let (dx, dy) = (step as f64 - 1.0, row as f64 - 1.0);
                let (w, level) = (weights[row][column + step], levels[row][column + step] - own);
                count += if w > 0.0 { 1.0 } else { 0.0 };
                one += w;
                x += w * dx;
                y += w * dy;
                xx += w * dx * dx;
                xy += w * dx * dy;
                yy += w * dy * dy;
                l += w * level;
                lx += w * dx * level;
                ly += w * dy * level;
            }
        }
        // By Cramer's rule.
        let (c11, c12, c13) = (xx * yy - xy * xy, y * xy - x * yy, x * xy - xx * y);
        let (c22, c23, c33) = (one * yy - y * y, x * y - one * xy, one * xx - x * x);
        let determinant = one * c11 + x * c12 + y * c13;
        let level_there = (c11 * l + c12 * lx + c13 * ly) / determinant;
        let slope_x = (c12 * l + c22 * lx + c23 * ly) / determinant;
        let slope_y = (c13 * l + c23 * lx + c33 * ly) / determinant;
        let mut chi2 = 0.0;
        for row in 0..3 {
            for step in 0..3 {
                let (dx, dy) = (step as f64 - 1.0, row as f64 - 1.0);
                let (w, level) = (weights[row][column + step], levels[row][column + step] - own);
                let off = level - (level_there + slope_x * dx + slope_y * dy);
                chi2 += w * off * off;
            }
        }
        // Twice the degrees of freedom lets faint undetected sources through, not structure; a sum that is no number,
        // of tiles that span no plane, lets nothing through.
        let is_plane = (count >= FEWEST_TILES) & (chi2 < 2.0 * (count - 3.0) + 4.0);
        out[column] = own + if is_plane { level_there } else { 0.0 };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tile(level: f64) -> Option<Tile> {
        Some(Tile { level, level_err: 0.1, noise: 5.0 })
    }

    #[test]
    fn tiles_on_a_plane_stay_and_one_off_it_is_left_alone() {
        let plane = |row: usize, column: usize| 100.0 + 3.0 * column as f64 - 2.0 * row as f64;
        let mut tiles = Array2::from_shape_fn((6, 19), |(row, column)| tile(plane(row, column)));
        (tiles[(3, 9)], tiles[(2, 2)]) = (tile(plane(3, 9) + 40.0), None);
        let smoothed = smooth_by_planes(&tiles);
        for ((row, column), level) in smoothed.indexed_iter() {
            let expected = tiles[(row, column)].map(|tile| tile.level);
            assert_eq!(level.is_some(), expected.is_some());
            assert!(
                level.zip(expected).is_none_or(|(a, b)| (a - b).abs() < 1e-9),
                "{row} {column} {level:?}"
            );
        }
    }

    /// Nine equal weights: the plane's level at the middle is their mean.
    #[test]
    fn noise_of_tiles_averages_out() {
        let levels = [0.03, -0.05, 0.11, -0.07, 0.02, 0.06, -0.01, 0.04, -0.08];
        let tiles = Array2::from_shape_fn((3, 3), |(row, column)| tile(50.0 + levels[3 * row + column]));
        let smoothed = smooth_by_planes(&tiles);
        let mean = 50.0 + levels.iter().sum::<f64>() / 9.0;
        assert!((smoothed[(1, 1)].unwrap() - mean).abs() < 1e-9);
        // Six tiles beside an edge: the mean of its own row.
        assert!((smoothed[(0, 1)].unwrap() - (50.0 + (0.03 - 0.05 + 0.11) / 3.0)).abs() < 1e-9);
        // A corner has four tiles, too few for a plane.
        assert_eq!(smoothed[(0, 0)], Some(50.0 + levels[0]));
    }
    /// Unequal weights and a missing tile, against the normal equations solved as a matrix.
    #[test]
    fn the_plane_is_the_weighted_one() {
        let mut tiles = Array2::from_shape_fn((3, 3), |(row, column)| {
            let level = 20.0 + 0.02 * ((5 * row + 3 * column) % 7) as f64;
            Some(Tile { level, level_err: 0.05 + 0.02 * ((2 * row + column) % 5) as f64, noise: 1.0 })
        });
        tiles[(2, 0)] = None;
        let (mut normal, mut right) = (nalgebra::Matrix3::zeros(), nalgebra::Vector3::zeros());
        for ((row, column), tile) in tiles.indexed_iter() {
            if let Some(tile) = tile {
                let place = nalgebra::Vector3::new(1.0, column as f64 - 1.0, row as f64 - 1.0);
                normal += place * place.transpose() / tile.level_err.powi(2);
                right += place * tile.level / tile.level_err.powi(2);
            }
        }
        let plane = normal.lu().solve(&right).unwrap();
        let middle = smooth_by_planes(&tiles)[(1, 1)].unwrap();
        assert!((middle - plane[0]).abs() < 1e-9 && (middle - 20.0).abs() > 1e-3, "{middle} {plane}");
        assert!((middle - tiles[(1, 1)].unwrap().level).abs() > 1e-3, "{middle}");
    }
}
