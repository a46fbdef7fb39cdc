//! The region that holds exposed sky.
//!
//! The setting decides; otherwise the header's TRIMSEC or DATASEC; inside of that, rows and
//! columns at an edge that are plainly not sky are found from the data (common practice).

use std::ops::Range;

use ndarray::{Array2, ArrayView1};

use super::Region;
use super::card::Header;
use super::key::{key, of_key};
use super::pixels::Pixels;

/// Share of a side, at each end, in which an edge is looked for.
const EDGE_ZONE: f64 = 0.125;
/// An edge is looked for in this many rows at most.
const WIDEST_ZONE: usize = 512;
/// Rows next to an edge that are looked at in any case; those farther inside every few first.
const NEAR: usize = 32;
const FEW: usize = 16;
/// Rows in the middle of the frame that tell how neighbouring rows usually differ, at most.
const INNER_LINES: usize = 128;
/// Rows behind a cut that stand for the sky there.
const BEHIND: usize = 9;
/// Pixels of a row that are looked at, at most.
const SAMPLE: usize = 512;
/// A step between neighbouring rows is plain at this many times their usual difference ...
const PLAIN_STEP: f64 = 10.0;
/// ... and this share of the noise of a pixel.
const PLAIN_NOISE: f64 = 0.3;
/// Rows whose noise is under this share of the sky's are not exposed.
const QUIET: f64 = 0.6;
/// Sides shorter than this are left as they are.
const SMALLEST_SIDE: usize = 48;

/// The usable region of a frame, with notes on what decided it.
pub fn region(pixels: &Pixels, header: &Header, notes: &mut Vec<String>) -> Region {
    let (height, width) = pixels.dim();
    let whole = Region { x0: 0, x1: width, y0: 0, y1: height };
    let told = section(header, whole, notes).unwrap_or(whole);
    let found = exposed(pixels, told);
    if found != told {
        notes.push(format!(
            "Rows or columns at the edge hold no exposed sky: the usable region is {}.",
            in_words(found)
        ));
    }
    found
}

/// `x 2 to 650, y 12 to 500` in FITS pixels.
pub fn in_words(r: Region) -> String {
    format!("x {} to {}, y {} to {} (FITS pixels)", r.x0 + 1, r.x1, r.y0 + 1, r.y1)
}

/// The setting `[x0, x1, y0, y1]`, FITS pixels with both ends inside; or why not.
pub fn from_setting(setting: [usize; 4], width: usize, height: usize) -> Result<Region, String> {
    let [x0, x1, y0, y1] = setting;
    if x0 < 1 || y0 < 1 || x1 <= x0 || y1 <= y0 || x1 > width || y1 > height {
        return Err(format!("it must lie inside 1 to {width}, 1 to {height}, as [x0, x1, y0, y1]"));
    }
    Ok(Region { x0: x0 - 1, x1, y0: y0 - 1, y1 })
}

/// The section a header gives for the data; one that does not fit the image is noted.
fn section(header: &Header, whole: Region, notes: &mut Vec<String>) -> Option<Region> {
    let (card, value) = ["TRIMSEC", "DATASEC"].iter().find_map(|c| Some((*c, header.text(c)?)))?;
    let numbers: Vec<usize> = value
        .trim_matches(|c: char| c == '[' || c == ']' || c.is_whitespace())
        .split([':', ','])
        .filter_map(|n| n.trim().parse().ok())
        .collect();
    let region = match numbers[..] {
        [a, b, c, d] => from_setting([a.min(b), a.max(b), c.min(d), c.max(d)], whole.x1, whole.y1).ok(),
        _ => None,
    };
    match region {
        None => notes.push(format!("{card} = {value} does not fit the image and is not used.")),
        Some(r) if r != whole => {
            notes.push(format!("The usable region is {}, as {card} says.", in_words(r)));
        }
        Some(_) => {}
    }
    region
}

/// `within`, less the rows and columns at its edges that hold no exposed sky.
pub fn exposed(pixels: &Pixels, within: Region) -> Region {
    let (rows, columns) = (sampled(within.y0..within.y1), sampled(within.x0..within.x1));
    let (bottom, top) = edges(within.height(), |lines| {
        let mut some = Array2::zeros((lines.len(), columns.len()));
        for (mut out, line) in some.rows_mut().into_iter().zip(lines) {
            out.iter_mut().zip(&columns).for_each(|(out, x)| *out = pixels.at(within.y0 + line, *x));
        }
        some
    });
    // Row after row, as they lie in memory.
    let (left, right) = edges(within.width(), |lines| {
        let mut some = Array2::zeros((lines.len(), rows.len()));
        for (mut out, y) in some.columns_mut().into_iter().zip(&rows) {
            out.iter_mut().zip(lines).for_each(|(out, line)| *out = pixels.at(*y, within.x0 + line));
        }
        some
    });
    Region { x0: within.x0 + left, x1: within.x1 - right, y0: within.y0 + bottom, y1: within.y1 - top }
}

/// The pixels of a line that are looked at: pairs of neighbours, spread over it.
fn sampled(line: Range<usize>) -> Vec<usize> {
    let pairs = line.len() / 2;
    let stride = pairs.div_ceil(SAMPLE / 2).max(1);
    (0..pairs).step_by(stride).flat_map(|pair| [0, 1].map(|k| line.start + 2 * pair + k)).collect()
}

/// One row or column.
#[derive(Debug, Clone, Copy)]
struct Line {
    /// Mean of the central values; NaN where most pixels have none.
    level: f64,
    /// Pixel to pixel noise.
    noise: f64,
    /// Error of the level.
    error: f64,
}

/// Of one line after the other, the pixels and what is ranked of them.
#[derive(Default)]
struct Work {
    pixels: Vec<f32>,
    levels: Vec<i32>,
    differences: Vec<i32>,
}

/// Level and noise from pairs of neighbours.
fn line(pixels: ArrayView1<f32>, work: &mut Work) -> Line {
    let Work { pixels: values, levels, differences } = work;
    values.clear();
    values.extend(pixels);
    let pairs = values.as_chunks::<2>().0;
    levels.clear();
    levels.extend(values.iter().map(|value| key(*value)));
    differences.clear();
    differences.extend(pairs.iter().map(|[a, b]| key((a - b).abs())));
    if values.iter().any(|value| !value.is_finite()) {
        let of_numbers = |keys: &mut Vec<i32>| keys.retain(|key| of_key(*key).is_finite());
        of_numbers(levels);
        of_numbers(differences);
    }
    if levels.len() < pairs.len() || differences.is_empty() {
        return Line { level: f64::NAN, noise: 0.0, error: 0.0 };
    }
    // The mean of the central 60 % follows a shift of less than one step of quantised data,
    // which a median does not.
    let fifth = levels.len() / 5;
    let ranks = fifth..levels.len() - fifth;
    let level = mean_of_ranks(levels, ranks);
    // The mean of the smaller 90 % of |a - b| is 0.9296 sigma of a pixel, for Gaussian noise.
    let kept = (differences.len() * 9).div_ceil(10);
    let noise = mean_of_ranks(differences, 0..kept) / 0.9296;
    Line { level, noise, error: 1.1 * noise / (levels.len() as f64).sqrt() }
}

/// The mean of the numbers of these ranks, of which there is one at least; reorders the keys.
fn mean_of_ranks(keys: &mut [i32], ranks: Range<usize>) -> f64 {
    keys.select_nth_unstable(ranks.start);
    let upper = &mut keys[ranks.start..];
    upper.select_nth_unstable(ranks.len() - 1);
    upper[..ranks.len()].iter().map(|key| f64::from(of_key(*key))).sum::<f64>() / ranks.len() as f64
}

/// How many of the lines, so many side by side, to leave out at the first and at the last end; `sample` gives
/// the sampled pixels of some, line by line.
fn edges(length: usize, sample: impl Fn(&[usize]) -> Array2<f32>) -> (usize, usize) {
    if length < SMALLEST_SIDE {
        return (0, 0);
    }
    let zone = ((length as f64 * EDGE_ZONE) as usize).min(WIDEST_ZONE);
    let mut work = Work::default();
    let mut lines = |of: Range<usize>, step: usize, place: &dyn Fn(usize) -> usize| -> Vec<Line> {
        let places: Vec<usize> = of.step_by(step).map(place).collect();
        sample(&places).rows().into_iter().map(|values| line(values, &mut work)).collect()
    };
    let half = (length / 2 - zone).min(INNER_LINES / 2);
    let mut inner = lines(length / 2 - half..length / 2 + half, 1, &|n| n);
    inner.retain(|l| l.level.is_finite());
    if inner.len() < 16 {
        return (0, 0);
    }
    let noise = median(inner.iter().map(|l| l.noise));
    let error = median(inner.iter().map(|l| l.error));
    let usual = 1.4826 * median(inner.windows(2).map(|w| (w[1].level - w[0].level).abs()));
    let plain = (PLAIN_STEP * usual.max(1.414 * error)).max(PLAIN_NOISE * noise);
    let mut from_end = |place: &dyn Fn(usize) -> usize| {
        // A wide edge shows in a few lines, of which the last lies behind it.
        let is_even = zone > NEAR && is_even(&lines(NEAR..zone + FEW, FEW, place), plain, noise);
        let zone = if is_even { NEAR } else { zone };
        edge(&lines(0..zone + BEHIND, 1, place), zone, plain, noise)
    };
    (from_end(&|n| n), from_end(&|n| length - 1 - n))
}

/// Can no edge end among these lines, a few apart? It would be a step between two of them, of half of a plain one
/// at least, or what lies outside of it would be quiet or empty.
fn is_even(lines: &[Line], plain: f64, noise: f64) -> bool {
    lines.iter().all(|line| line.level.is_finite() && line.noise > 0.5 * (1.0 + QUIET) * noise)
        && lines.windows(2).all(|pair| (pair[1].level - pair[0].level).abs() < 0.4 * plain)
}

/// The number of lines, from the first on, that are plainly unlike those behind them.
fn edge(lines: &[Line], zone: usize, plain: f64, noise: f64) -> usize {
    (1..=zone)
        .rev()
        .find(|&cut| {
            let (outer, inside) = (&lines[..cut], lines[cut]);
            let step = inside.level - lines[cut - 1].level;
            // One odd line behind the cut must not stand for the sky.
            let behind = &lines[cut..cut + BEHIND];
            let sky = median(behind.iter().map(|l| l.level));
            let stepped = step.abs() > plain
                && outer.iter().all(|l| (sky - l.level) * step.signum() > 0.5 * step.abs());
            let behind = median(behind.iter().map(|l| l.noise));
            let quiet = noise > 0.0 && outer.iter().all(|l| l.noise < QUIET * behind.min(noise));
            let empty = outer.iter().all(|l| l.level.is_nan());
            (inside.level.is_finite() && (stepped || quiet || empty)) && inside.noise >= QUIET * noise
        })
        .unwrap_or(0)
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    /// A sky of `level(x, y)` with Gaussian noise of `sigma(x, y)`.
    fn frame(level: impl Fn(usize, usize) -> f64, sigma: impl Fn(usize, usize) -> f64) -> Array2<f32> {
        let mut random = rand::rngs::StdRng::seed_from_u64(11);
        let normal = Normal::new(0.0, 1.0).unwrap();
        Array2::from_shape_fn((240, 300), |(y, x)| {
            (level(x, y) + sigma(x, y) * normal.sample(&mut random)) as f32
        })
    }

    fn found(pixels: &Array2<f32>) -> Region {
        exposed(&pixels.clone().into(), Region { x0: 0, x1: 300, y0: 0, y1: 240 })
    }

    const WHOLE: Region = Region { x0: 0, x1: 300, y0: 0, y1: 240 };

    #[test]
    fn a_flat_or_vignetted_sky_is_usable_to_the_edge() {
        assert_eq!(found(&frame(|_, _| 300.0, |_, _| 5.0)), WHOLE);
        let vignetted = |x: usize, y: usize| {
            let r2 = ((x as f64 - 150.0).powi(2) + (y as f64 - 120.0).powi(2)) / 192f64.powi(2);
            1000.0 * (1.0 - 0.3 * r2)
        };
        assert_eq!(found(&frame(vignetted, |_, _| 8.0)), WHOLE);
    }

    #[test]
    fn overscan_columns_and_dark_rows_are_left_out() {
        let level = |x: usize, y: usize| if x >= 280 || y < 6 { 100.0 } else { 300.0 };
        let region = found(&frame(level, |_, _| 5.0));
        assert_eq!(region, Region { x1: 280, y0: 6, ..WHOLE });
    }

    #[test]
    fn rows_that_recover_slowly_are_left_out() {
        let level = |_: usize, y: usize| 368.0 - 65.0 * (-(y as f64) / 2.0).exp();
        let region = found(&frame(level, |_, _| 1.5));
        assert!((6..14).contains(&region.y0), "{region:?}");
        assert_eq!((region.x0, region.x1, region.y1), (0, 300, 240));
    }

    #[test]
    fn quiet_constant_and_empty_borders_are_left_out() {
        let quiet = found(&frame(|_, _| 300.0, |x, _| if x < 20 { 1.0 } else { 9.0 }));
        assert_eq!(quiet, Region { x0: 20, ..WHOLE });
        let constant =
            found(&frame(|_, y| if y >= 230 { 0.0 } else { 300.0 }, |_, y| if y >= 230 { 0.0 } else { 9.0 }));
        assert_eq!(constant, Region { y1: 230, ..WHOLE });
        let empty = found(&frame(|x, _| if x < 9 { f64::NAN } else { 300.0 }, |_, _| 9.0));
        assert_eq!(empty, Region { x0: 9, ..WHOLE });
    }

    #[test]
    fn a_wide_edge_of_a_wide_frame_is_left_out() {
        let mut random = rand::rngs::StdRng::seed_from_u64(12);
        let normal = Normal::new(0.0, 1.0).unwrap();
        // Of some sides the last line of the zone lies just behind one that is looked at, of others just before.
        for side in [264, 280, 300, 319, 1592, 1600] {
            let (all, zone) = (Region { x0: 0, x1: side, y0: 0, y1: 240 }, side / 8);
            for width in
                [0, 30, 32, 33, 64, 65, 140, zone - 6, zone - 1, zone].into_iter().filter(|w| *w <= zone)
            {
                for (level, sigma) in [(100.0, 5.0), (308.0, 5.0), (300.0, 2.0), (f64::NAN, 5.0)] {
                    let value = |(_, x): (usize, usize)| {
                        let (level, sigma) = if x < width { (level, sigma) } else { (300.0, 5.0) };
                        (level + sigma * normal.sample(&mut random)) as f32
                    };
                    let pixels = Pixels::from(Array2::from_shape_fn((240, side), value));
                    let found = exposed(&pixels, all);
                    assert_eq!(found, Region { x0: width, ..all }, "{side} {width} {level} {sigma}");
                }
            }
        }
    }

    #[test]
    fn one_bad_row_near_the_edge_cuts_nothing() {
        assert_eq!(found(&frame(|_, y| if y == 12 { 0.0 } else { 300.0 }, |_, _| 5.0)), WHOLE);
    }

    #[test]
    fn settings_and_sections() {
        assert_eq!(from_setting([1, 300, 1, 240], 300, 240), Ok(WHOLE));
        assert!(from_setting([0, 300, 1, 240], 300, 240).is_err());
        assert!(from_setting([1, 301, 1, 240], 300, 240).is_err());
        let header = |v: &str| Header::parse(format!("{:<80}", format!("DATASEC = '{v}'")).as_bytes());
        let mut notes = Vec::new();
        assert_eq!(section(&header("[21:300,1:240]"), WHOLE, &mut notes), Some(Region { x0: 20, ..WHOLE }));
        assert_eq!(section(&header("[51:2098,1:4096]"), WHOLE, &mut notes), None);
        assert_eq!(notes.len(), 2);
    }
}
