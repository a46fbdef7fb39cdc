//! The linear part: 2 x 2 matrices, and the matrix a header gives.

use crate::frame::card::Header;

pub type Matrix = [[f64; 2]; 2];

pub fn apply(m: Matrix, v: [f64; 2]) -> [f64; 2] {
    [m[0][0] * v[0] + m[0][1] * v[1], m[1][0] * v[0] + m[1][1] * v[1]]
}

/// a b: b is applied first.
pub fn product(a: Matrix, b: Matrix) -> Matrix {
    let column = |j: usize| apply(a, [b[0][j], b[1][j]]);
    let (first, second) = (column(0), column(1));
    [[first[0], second[0]], [first[1], second[1]]]
}

pub fn determinant(m: Matrix) -> f64 {
    m[0][0] * m[1][1] - m[0][1] * m[1][0]
}

/// None where a number is not finite or the matrix is singular.
pub fn inverse(m: Matrix) -> Option<Matrix> {
    let d = determinant(m);
    let back = [[m[1][1] / d, -m[0][1] / d], [-m[1][0] / d, m[0][0] / d]];
    back.iter().flatten().all(|v| v.is_finite()).then_some(back)
}

/// The matrix from pixels to the units of CUNIT, row by axis: CD where any CD card is
/// there, otherwise CDELT with PC, otherwise CDELT with CROTA2 (Greisen & Calabretta
/// 2002, sections 2.1 and 6.1).
pub fn matrix(header: &Header) -> Result<Matrix, String> {
    let number = |card: &str| match header.card(card) {
        None => Ok(None),
        Some(c) => c.number().map(Some).ok_or(format!("{card} = {:?} is no number", c.value)),
    };
    let table = |stem: &str, missing: Matrix| -> Result<(bool, Matrix), String> {
        let (mut any, mut m) = (false, missing);
        for (i, row) in m.iter_mut().enumerate() {
            for (j, element) in row.iter_mut().enumerate() {
                if let Some(v) = number(&format!("{stem}{}_{}", i + 1, j + 1))? {
                    *element = v;
                    any = true;
                }
            }
        }
        Ok((any, m))
    };
    let (has_cd, cd) = table("CD", [[0.0; 2]; 2])?;
    if has_cd {
        return Ok(cd);
    }
    let delta = [number("CDELT1")?, number("CDELT2")?];
    let [Some(d1), Some(d2)] = delta else {
        return Err("neither CD nor CDELT gives a scale".into());
    };
    let (has_pc, pc) = table("PC", [[1.0, 0.0], [0.0, 1.0]])?;
    if has_pc {
        return Ok([[d1 * pc[0][0], d1 * pc[0][1]], [d2 * pc[1][0], d2 * pc[1][1]]]);
    }
    let rotation = match number("CROTA2")? {
        Some(rotation) => rotation,
        None => number("CROTA1")?.unwrap_or(0.0),
    };
    let (sin, cos) = rotation.to_radians().sin_cos();
    Ok([[d1 * cos, -d2 * sin], [d1 * sin, d2 * cos]])
}

/// Degrees in one of CUNIT's units.
pub fn degrees_per_unit(unit: &str) -> Result<f64, String> {
    match unit.trim().to_lowercase().as_str() {
        "" | "deg" | "degree" | "degrees" => Ok(1.0),
        "arcmin" => Ok(1.0 / 60.0),
        "arcsec" => Ok(1.0 / 3600.0),
        "mas" => Ok(1.0 / 3.6e6),
        "rad" => Ok(1f64.to_degrees()),
        other => Err(format!("the unit {other:?} is not known")),
    }
}
