//! Directions on the detector as angles on the sky.

use crate::frame::wcs::ra_difference_deg;
use crate::table::StarTable;

/// East and north, each per pixel along x and along y, from the stars' sky positions.
pub fn sky_axes(table: &StarTable) -> Option<[[f64; 2]; 2]> {
    let placed = table.stars.iter().filter_map(|s| s.sky.map(|[ra, dec]| [s.x, s.y, ra, dec]));
    let rows: Vec<[f64; 4]> = placed.collect();
    let first = rows.first()?;
    let cos = first[3].to_radians().cos();
    let (mut normal, mut right) = (nalgebra::Matrix3::zeros(), [nalgebra::Vector3::zeros(); 2]);
    for [x, y, ra, dec] in &rows {
        let row = nalgebra::Vector3::new(1.0, x - first[0], y - first[1]);
        normal += row * row.transpose();
        right[0] += row * (ra_difference_deg(*ra, first[2]) * cos);
        right[1] += row * (dec - first[3]);
    }
    let inverse = normal.try_inverse()?;
    let axes = right.map(|r| inverse * r).map(|v| [v[1], v[2]]);
    axes.iter().flatten().all(|v| v.is_finite()).then_some(axes)
}

/// A direction on the detector as an angle from north through east, 0 to 180 degrees.
pub fn position_angle(sky: Option<[[f64; 2]; 2]>, angle_deg: f64) -> Option<f64> {
    let [east, north] = sky?;
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    let (e, n) = (east[0] * cos + east[1] * sin, north[0] * cos + north[1] * sin);
    Some(e.atan2(n).to_degrees().rem_euclid(180.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn position_angles_run_from_north_through_east() {
        // North up, east to the left.
        let sky = Some([[-1.0, 0.0], [0.0, 1.0]]);
        for (angle, expected) in [(90.0, 0.0), (0.0, 90.0), (135.0, 45.0), (45.0, 135.0)] {
            let found = position_angle(sky, angle).unwrap();
            let off = (found - expected + 90.0f64).rem_euclid(180.0) - 90.0;
            assert!(off.abs() < 1e-9, "{angle}: {found}");
        }
    }
}
