//! A set of pixels, one bit each.

use std::ops::Range;

/// Pixels of a frame marked for some reason; `[y, x]`. Rows without a mark take next to no memory.
#[derive(Debug, Clone)]
pub struct Mask {
    /// Of each row the place of its words among all, in rows; none where nothing is marked.
    places: Vec<Option<u32>>,
    words: Vec<u64>,
    per_row: usize,
    width: usize,
}

impl Mask {
    /// With nothing marked.
    pub fn new((height, width): (usize, usize)) -> Self {
        Self { places: vec![None; height], words: Vec::new(), per_row: width.div_ceil(64), width }
    }

    /// `(height, width)`.
    pub fn dim(&self) -> (usize, usize) {
        (self.places.len(), self.width)
    }

    fn row(&self, y: usize) -> Option<&[u64]> {
        let start = self.places[y]? as usize * self.per_row;
        Some(&self.words[start..start + self.per_row])
    }

    pub fn contains(&self, y: usize, x: usize) -> bool {
        self.row(y).is_some_and(|row| row[x / 64] >> (x % 64) & 1 != 0)
    }

    /// The marks of up to 64 pixels of row `y` from column `x` on, the first in the lowest bit.
    pub fn bits(&self, y: usize, x: usize) -> u64 {
        let Some(row) = self.row(y) else { return 0 };
        let (word, shift) = (x / 64, x % 64);
        let next = row.get(word + 1).copied().unwrap_or(0);
        // Two shifts: one by 64 is none.
        row[word] >> shift | next << (63 - shift) << 1
    }

    /// Marks columns of row `y`, as far as they lie inside the frame.
    pub fn mark(&mut self, y: usize, columns: Range<usize>) {
        let (mut x, end) = (columns.start, columns.end.min(self.width));
        if x >= end {
            return;
        }
        let next = self.words.len() / self.per_row;
        let start = *self.places[y].get_or_insert(next as u32) as usize * self.per_row;
        self.words.resize(self.words.len().max(start + self.per_row), 0);
        let row = &mut self.words[start..start + self.per_row];
        while x < end {
            let bits = (end - x).min(64 - x % 64);
            row[x / 64] |= (u64::MAX >> (64 - bits)) << (x % 64);
            x += bits;
        }
    }

    /// Makes NaN the marked ones of these pixels of row `y` from column `first` on.
    #[inline(always)]
    pub fn leave_out(&self, y: usize, first: usize, values: &mut [f32]) {
        if self.is_clear(y, first..first + values.len()) {
            return;
        }
        for (start, values) in (first..).step_by(64).zip(values.chunks_mut(64)) {
            let marks = self.bits(y, start);
            for (k, value) in values.iter_mut().enumerate() {
                *value = if marks >> k & 1 == 0 { *value } else { f32::NAN };
            }
        }
    }

    /// Is none of these columns of row `y` marked?
    pub fn is_clear(&self, y: usize, columns: Range<usize>) -> bool {
        let (first, last) = (columns.start / 64, columns.end.saturating_sub(1) / 64);
        columns.is_empty() || self.row(y).is_none_or(|row| row[first..=last].iter().all(|word| *word == 0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_marked_is_contained() {
        let mut mask = Mask::new((3, 130));
        mask.mark(1, 60..200);
        assert!((60..130).all(|x| mask.contains(1, x)) && !(0..60).any(|x| mask.contains(1, x)));
        assert_eq!((mask.bits(1, 0), mask.bits(1, 58)), (0xf << 60, u64::MAX << 2));
        assert_eq!(mask.bits(1, 129), 1);
        assert!(mask.is_clear(0, 0..130) && mask.is_clear(1, 0..0) && !mask.is_clear(1, 100..101));
        mask.mark(0, 3..4);
        mask.mark(2, 7..7);
        assert!(mask.contains(0, 3) && mask.bits(0, 2) == 2 && mask.bits(2, 0) == 0 && !mask.contains(2, 7));
        assert!(mask.contains(1, 129) && mask.dim() == (3, 130));
        for (y, first, count) in [(1, 0, 130), (1, 50, 70), (0, 0, 9), (2, 0, 130)] {
            let mut values = vec![1.0; count];
            mask.leave_out(y, first, &mut values);
            assert!((0..count).all(|k| values[k].is_nan() == mask.contains(y, first + k)), "{y} {first}");
        }
    }
}
