//! The highest pixel of each stretch of a row, taken while the pixels are made: what looks for the few brightest then
//! passes over nearly all of a frame.

use std::ops::Range;

use super::pixels::Pixels;

/// Pixels of a stretch.
const STRETCH: usize = 256;

/// The highest value of each stretch of each row; the last of a row may be shorter. No pixel of a stretch is higher,
/// also where a mask has since taken pixels out. Negative infinity where no pixel has a value.
#[derive(Debug, Clone)]
pub struct Tops {
    /// Of a row.
    pixels: usize,
    stretches: usize,
    highest: Vec<f32>,
}

impl Tops {
    /// Of rows that are still to come, each of so many pixels.
    pub fn before(rows: usize, pixels: usize) -> Self {
        let stretches = pixels.div_ceil(STRETCH);
        Self { pixels, stretches, highest: vec![f32::NEG_INFINITY; rows * stretches] }
    }

    /// Of a whole frame.
    pub fn of(pixels: &Pixels) -> Self {
        let (rows, columns) = pixels.dim();
        let (mut tops, mut row) = (Self::before(rows, columns), vec![0.0; columns]);
        for (y, tops) in tops.bands(1).enumerate() {
            pixels.fill(y, 0, &mut row);
            tops.take(&row);
        }
        tops
    }

    /// The rows in bands of so many, each to be told its pixels.
    pub fn bands(&mut self, rows: usize) -> impl Iterator<Item = Band<'_>> {
        let pixels = self.pixels;
        let bands = self.highest.chunks_mut((rows * self.stretches).max(1));
        bands.map(move |highest| Band { pixels, highest })
    }

    /// Each stretch: its highest value, its row and its columns.
    pub fn stretches(&self) -> impl Iterator<Item = (f32, usize, Range<usize>)> {
        let columns = |k: usize| k * STRETCH..((k + 1) * STRETCH).min(self.pixels);
        let rows = self.highest.chunks(self.stretches.max(1)).enumerate();
        rows.flat_map(move |(y, row)| row.iter().enumerate().map(move |(k, top)| (*top, y, columns(k))))
    }
}

/// Some whole rows.
pub struct Band<'a> {
    /// Of a row.
    pixels: usize,
    highest: &'a mut [f32],
}

impl Band<'_> {
    /// Takes the highest values of its rows, which follow each other.
    pub fn take(self, rows: &[f32]) {
        pulp::Arch::new().dispatch(Take { band: self, rows: Rows::Floats(rows) });
    }

    /// As [`Band::take`], where each pixel is a word and `zero`.
    pub fn take_words(self, rows: &[i16], zero: f32) {
        pulp::Arch::new().dispatch(Take { band: self, rows: Rows::Words(rows, zero) });
    }
}

/// The pixels of some rows.
enum Rows<'a> {
    Floats(&'a [f32]),
    Words(&'a [i16], f32),
}

impl Rows<'_> {
    #[inline(always)]
    fn highest(&self, stretch: Range<usize>) -> f32 {
        match self {
            Self::Floats(floats) => highest_of(&floats[stretch]),
            Self::Words(words, zero) => {
                let highest = words[stretch].iter().fold(i16::MIN, |highest, word| highest.max(*word));
                f32::from(highest) + zero
            }
        }
    }
}

struct Take<'a> {
    band: Band<'a>,
    rows: Rows<'a>,
}

impl pulp::NullaryFnOnce for Take<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Band { pixels, highest } = self.band;
        let stretches = pixels.div_ceil(STRETCH).max(1);
        for (row, highest) in highest.chunks_mut(stretches).enumerate() {
            for (k, top) in highest.iter_mut().enumerate() {
                let within = k * STRETCH..pixels.min((k + 1) * STRETCH);
                *top = self.rows.highest(row * pixels + within.start..row * pixels + within.end);
            }
        }
    }
}

#[inline(always)]
fn highest_of(stretch: &[f32]) -> f32 {
    const LANES: usize = 32;
    let higher = |top: &mut f32, value: f32| *top = if value > *top { value } else { *top };
    let mut lanes = [f32::NEG_INFINITY; LANES];
    let (chunks, rest) = stretch.as_chunks::<LANES>();
    for chunk in chunks {
        for k in 0..LANES {
            higher(&mut lanes[k], chunk[k]);
        }
    }
    for (top, value) in lanes.iter_mut().zip(rest) {
        higher(top, *value);
    }
    let mut half = LANES / 2;
    while half > 0 {
        for k in 0..half {
            let other = lanes[k + half];
            higher(&mut lanes[k], other);
        }
        half /= 2;
    }
    lanes[0]
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    #[test]
    fn a_stretch_is_as_high_as_its_highest_pixel_and_gaps_are_none() {
        let mut pixels = Array2::from_elem((3, 300), -5.0_f32);
        (pixels[(1, 10)], pixels[(2, 299)], pixels[(0, 0)]) = (40.0, 7.0, f32::NAN);
        let tops = Tops::of(&pixels.clone().into());
        let found: Vec<_> = tops.stretches().collect();
        assert_eq!(found[..2], [(-5.0, 0, 0..256), (-5.0, 0, 256..300)]);
        assert_eq!(
            (found[2].clone(), found[5].clone(), found.len()),
            ((40.0, 1, 0..256), (7.0, 2, 256..300), 6)
        );
        let mut by_bands = Tops::before(3, 300);
        for (band, rows) in by_bands.bands(2).zip(pixels.as_slice().unwrap().chunks(600)) {
            band.take(rows);
        }
        assert_eq!(by_bands.highest, tops.highest);
        let words: Vec<i16> = (0..600).map(|k| (k * 37 % 601) as i16 - 300).collect();
        let pixels = Pixels::of_words((2, 300), words.clone(), 32768.0).unwrap();
        let mut of_words = Tops::before(2, 300);
        of_words.bands(2).for_each(|band| band.take_words(&words, 32768.0));
        assert_eq!(of_words.highest, Tops::of(&pixels).highest);
        assert_eq!(Tops::of(&Array2::from_elem((1, 2), f32::NAN).into()).highest, [f32::NEG_INFINITY]);
    }
}
