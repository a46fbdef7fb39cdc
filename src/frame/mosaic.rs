//! Colour mosaics: frames whose neighbouring pixels see different bands.

use super::Region;
use super::card::Header;
use super::pixels::Pixels;

/// Cards that name a pattern, and parts of names of such cards.
const PATTERN_CARDS: [&str; 6] = ["BAYER", "BAYR", "CFA", "COLORTYP", "COLORTYPE", "MOSAICPT"];
/// Cards that can hold a pattern, and usually hold something else.
const FILTER_CARDS: [&str; 3] = ["FILTER", "FILTER1", "IMAGETYP"];
/// Values that say there is no mosaic.
const PLAIN_WORDS: [&str; 9] = ["", "MONO", "NONE", "GRAY", "GREY", "NO", "FALSE", "F", "N/A"];

/// Blocks looked at along each side, and their side in pixels.
const BLOCKS: usize = 8;
const BLOCK: usize = 32;
/// A pattern is plain where the phases differ by this many errors in nearly every block.
const PLAIN_ERRORS: f64 = 6.0;
const PLAIN_SHARE: f64 = 0.9;

/// The card and the pattern it names, where the header calls the frame a mosaic.
pub fn named(header: &Header) -> Option<(String, String)> {
    header.cards.iter().find_map(|card| {
        let value = card.text()?.to_uppercase();
        let named_so = PATTERN_CARDS.iter().any(|p| card.key.starts_with(p)) && card.quoted;
        let is_it = match named_so {
            true => is_pattern(&value) || (value.len() <= 8 && !PLAIN_WORDS.contains(&value.as_str())),
            false => FILTER_CARDS.contains(&card.key.as_str()) && is_pattern(&value),
        };
        is_it.then(|| (card.key.clone(), value))
    })
}

/// Four letters of two green and one red and blue each, or of the complementary colours.
fn is_pattern(value: &str) -> bool {
    let mut letters: Vec<char> = value.chars().filter(char::is_ascii_alphabetic).collect();
    letters.sort_unstable();
    matches!(letters.iter().collect::<String>().as_str(), "BGGR" | "CGMY" | "BGRW")
}

/// True where the four pixels of every 2 x 2 cell lie on plainly different levels, the
/// same way all over the field. Two levels in stripes are left out: amplifiers do that.
pub fn seen(pixels: &Pixels, usable: Region) -> bool {
    if usable.width() < 2 * BLOCK || usable.height() < 2 * BLOCK {
        return false;
    }
    let mut plain = [0usize; 2];
    let mut blocks = 0;
    for j in 0..BLOCKS {
        for i in 0..BLOCKS {
            let start = |from: usize, length: usize, n: usize| from + (length - BLOCK) * n / (BLOCKS - 1);
            let x0 = start(usable.x0, usable.width(), i) & !1;
            let y0 = start(usable.y0, usable.height(), j) & !1;
            let Some(levels) = phase_levels(pixels, x0, y0) else { continue };
            blocks += 1;
            let error = levels.iter().map(|l| l.1).fold(0.0, f64::max).max(1e-12);
            // A mosaic is not the sum of a row pattern and a column pattern, or both differ.
            let [a, b, c, d] = levels.map(|l| l.0);
            let diagonal = ((a + d - b - c) / error, (a - d) / error, (b - c) / error);
            plain[0] += usize::from(diagonal.0 > PLAIN_ERRORS);
            plain[1] += usize::from(diagonal.0 < -PLAIN_ERRORS);
        }
    }
    blocks > 0 && plain.iter().any(|&n| n as f64 >= PLAIN_SHARE * blocks as f64)
}

/// Median level and its error of each pixel of the 2 x 2 cell.
fn phase_levels(pixels: &Pixels, x0: usize, y0: usize) -> Option<[(f64, f64); 4]> {
    let mut levels = [(0.0, 0.0); 4];
    for (phase, level) in levels.iter_mut().enumerate() {
        let mut values: Vec<f32> = Vec::with_capacity(BLOCK * BLOCK / 4);
        for y in (y0 + phase / 2..y0 + BLOCK).step_by(2) {
            for x in (x0 + phase % 2..x0 + BLOCK).step_by(2) {
                values.extend(Some(pixels.at(y, x)).filter(|v| !v.is_nan()));
            }
        }
        if values.len() < BLOCK {
            return None;
        }
        values.sort_unstable_by(f32::total_cmp);
        let at = |share: f64| f64::from(values[((values.len() - 1) as f64 * share) as usize]);
        // Half the central 68 % is one sigma; a median has 1.25 times the error of a mean.
        let sigma = 0.5 * (at(0.84) - at(0.16));
        *level = (at(0.5), 1.25 * sigma / (values.len() as f64).sqrt());
    }
    Some(levels)
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    fn header(card: &str) -> Header {
        Header::parse(format!("{card:<80}").as_bytes())
    }

    #[test]
    fn cards_that_name_a_mosaic() {
        for (card, want) in [
            ("BAYERPAT= 'RGGB    '", true),
            ("COLORTYP= 'bggr'", true),
            ("FILTER  = 'RGGB'", true),
            ("FILTER  = 'R'", false),
            ("FILTER  = 'Bgr'", false),
            ("BAYERPAT= 'none'", false),
            ("COLORTMP= 5386", false),
            ("BAYOFFX = 0", false),
        ] {
            assert_eq!(named(&header(card)).is_some(), want, "{card}");
        }
    }

    #[test]
    fn a_checkered_level_is_seen_and_stripes_are_not() {
        let make = |level: &dyn Fn(usize, usize) -> f32| {
            let value = |(y, x): (usize, usize)| level(x, y) + ((x * 7 + y * 13) % 11) as f32;
            Pixels::from(Array2::from_shape_fn((128, 128), value))
        };
        let all = Region { x0: 0, x1: 128, y0: 0, y1: 128 };
        let cell = [100.0, 180.0, 180.0, 120.0];
        assert!(seen(&make(&|x, y| cell[2 * (y % 2) + x % 2]), all));
        assert!(!seen(&make(&|x, _| 100.0 + 50.0 * (x % 2) as f32), all));
        assert!(!seen(&make(&|_, _| 100.0), all));
    }
}
