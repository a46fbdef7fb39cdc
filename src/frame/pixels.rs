//! The pixels of a frame. Numbers of 16 bits stay as the file has them and become floats where they are looked at:
//! most of a frame is only passed over, and half the bytes take half the time.

use ndarray::Array2;

/// `[y, x]`, frame units, physically scaled; NaN where the file has no value or a mask rules the pixel out.
#[derive(Debug, Clone)]
pub struct Pixels {
    height: usize,
    width: usize,
    kept: Kept,
}

#[derive(Debug, Clone)]
enum Kept {
    Floats(Vec<f32>),
    /// A pixel is a word and the zero point.
    Words {
        words: Vec<i16>,
        zero: f32,
    },
}

impl Pixels {
    /// `None` where the numbers are not as many as `(height, width)` says.
    pub fn of_floats((height, width): (usize, usize), floats: Vec<f32>) -> Option<Self> {
        let is_full = Some(floats.len()) == height.checked_mul(width);
        is_full.then_some(Self { height, width, kept: Kept::Floats(floats) })
    }

    /// As [`Pixels::of_floats`]; each pixel is its word and `zero`, which single precision holds.
    pub fn of_words((height, width): (usize, usize), words: Vec<i16>, zero: f32) -> Option<Self> {
        let is_full = Some(words.len()) == height.checked_mul(width);
        is_full.then_some(Self { height, width, kept: Kept::Words { words, zero } })
    }

    /// `(height, width)`.
    pub fn dim(&self) -> (usize, usize) {
        (self.height, self.width)
    }

    pub fn len(&self) -> usize {
        self.height * self.width
    }

    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// True where every pixel has a value, as far as can be told without a look at them.
    pub fn is_whole(&self) -> bool {
        matches!(self.kept, Kept::Words { .. })
    }

    pub fn at(&self, y: usize, x: usize) -> f32 {
        self.nth(y * self.width + x)
    }

    /// In reading order.
    pub fn nth(&self, place: usize) -> f32 {
        match &self.kept {
            Kept::Floats(floats) => floats[place],
            Kept::Words { words, zero } => f32::from(words[place]) + zero,
        }
    }

    /// Of row `y` the pixels from column `first` on.
    #[inline(always)]
    pub fn fill(&self, y: usize, first: usize, out: &mut [f32]) {
        let start = y * self.width + first;
        match &self.kept {
            Kept::Floats(floats) => out.copy_from_slice(&floats[start..start + out.len()]),
            Kept::Words { words, zero } => {
                for (out, word) in out.iter_mut().zip(&words[start..]) {
                    *out = f32::from(*word) + zero;
                }
            }
        }
    }

    /// Has pixels of row `y`, from column `first` on, come from memory while something else is done; those outside are
    /// left out.
    #[inline(always)]
    pub fn call_for(&self, y: usize, first: usize, count: usize) {
        let row = y * self.width;
        let (start, end) = (row + first.min(self.width), row + (first + count).min(self.width));
        if y < self.height {
            match &self.kept {
                Kept::Floats(floats) => call_for(&floats[start..end]),
                Kept::Words { words, .. } => call_for(&words[start..end]),
            }
        }
    }

    /// All, in reading order.
    pub fn iter(&self) -> impl Iterator<Item = f32> + '_ {
        (0..self.len()).map(|place| self.nth(place))
    }

    /// All, with row and column.
    pub fn indexed_iter(&self) -> impl Iterator<Item = ((usize, usize), f32)> + '_ {
        self.iter().enumerate().map(|(place, value)| ((place / self.width, place % self.width), value))
    }

    /// Makes NaN the marked ones.
    pub fn rule_out(&mut self, marks: &Array2<bool>) {
        if let Kept::Words { .. } = self.kept {
            self.kept = Kept::Floats(self.iter().collect());
        }
        if let Kept::Floats(floats) = &mut self.kept {
            for (value, _) in floats.iter_mut().zip(marks).filter(|(_, marked)| **marked) {
                *value = f32::NAN;
            }
        }
    }

    /// As floats.
    pub fn to_array(&self) -> Array2<f32> {
        Array2::from_shape_fn(self.dim(), |(y, x)| self.at(y, x))
    }
}

impl From<Array2<f32>> for Pixels {
    fn from(array: Array2<f32>) -> Self {
        let (height, width) = array.dim();
        let floats = match array.is_standard_layout() {
            true => array.into_raw_vec_and_offset().0,
            false => array.into_iter().collect(),
        };
        Self { height, width, kept: Kept::Floats(floats) }
    }
}

/// The pixels' memory, for the next frame.
#[derive(Debug, Default)]
pub struct Memory {
    floats: Vec<f32>,
    words: Vec<i16>,
}

impl Memory {
    pub fn take_back(&mut self, pixels: Pixels) {
        match pixels.kept {
            Kept::Floats(floats) => self.floats = floats,
            Kept::Words { words, .. } => self.words = words,
        }
    }

    /// So many floats, of any value.
    pub fn floats(&mut self, count: usize) -> Vec<f32> {
        self.words = Vec::new();
        as_many(std::mem::take(&mut self.floats), count)
    }

    /// So many words, of any value.
    pub fn words(&mut self, count: usize) -> Vec<i16> {
        self.floats = Vec::new();
        as_many(std::mem::take(&mut self.words), count)
    }
}

/// New memory comes as zeros from the system, for nothing; to make the old longer would cost a copy.
fn as_many<T: Clone + Default>(mut values: Vec<T>, count: usize) -> Vec<T> {
    if values.capacity() < count {
        return vec![T::default(); count];
    }
    values.resize(count, T::default());
    values
}

/// Has memory come into the processor's cache. On other processors than the usual ones this does nothing.
#[inline(always)]
#[cfg_attr(
    target_arch = "x86_64",
    allow(
        unsafe_code,
        reason = "a hint that the compiler offers in no other way; the filter of a large frame alone takes 45 ms without, 33 with"
    )
)]
fn call_for<T>(values: &[T]) {
    #[cfg(target_arch = "x86_64")]
    {
        use std::arch::x86_64::{_MM_HINT_T0, _mm_prefetch};
        /// Bytes of a line of the cache.
        const LINE: usize = 64;
        // The last too: what begins in the middle of a line may end in one more.
        for place in values.iter().step_by(LINE / size_of::<T>()).chain(values.last()) {
            // SAFETY: a hint reads nothing and cannot fail, wherever it points; here it points into the slice.
            unsafe { _mm_prefetch::<_MM_HINT_T0>(std::ptr::from_ref(place).cast()) }
        }
    }
    #[cfg(not(target_arch = "x86_64"))]
    let _ = values;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_the_floats_they_stand_for() {
        let words = Pixels::of_words((2, 3), vec![-32768, -1, 0, 1, 2, 32767], 32768.0).unwrap();
        let floats = Pixels::from(words.to_array());
        assert!(words.iter().eq([0.0, 32767.0, 32768.0, 32769.0, 32770.0, 65535.0]));
        assert!(words.indexed_iter().eq(floats.indexed_iter()) && words.is_whole() && !floats.is_whole());
        let (mut a, mut b) = ([0.0; 2], [0.0; 2]);
        words.fill(1, 1, &mut a);
        floats.fill(1, 1, &mut b);
        assert_eq!((a, words.at(1, 2)), (b, 65535.0));
        assert!(Pixels::of_words((2, 3), vec![0; 5], 0.0).is_none());
    }

    #[test]
    fn what_is_ruled_out_has_no_value() {
        let mut pixels = Pixels::of_words((1, 3), vec![4, 5, 6], 0.0).unwrap();
        pixels.rule_out(&Array2::from_shape_vec((1, 3), vec![false, true, false]).unwrap());
        let left: Vec<f32> = pixels.iter().collect();
        assert!(left[1].is_nan() && (left[0], left[2]) == (4.0, 6.0));
    }
}
