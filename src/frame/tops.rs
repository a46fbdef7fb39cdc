//! The highest pixel of each stretch of a frame, taken while its pixels are made: what looks for the few
//! brightest then passes over nearly all of the frame.

use std::ops::Range;

use ndarray::Array2;

/// Pixels of a stretch.
const STRETCH: usize = 256;

/// The highest value of each stretch of a frame in reading order; the last may be shorter. No pixel of a stretch
/// is higher, also where a mask has since taken pixels out.
#[derive(Debug, Clone, Default)]
pub struct Tops(Vec<f32>);

impl Tops {
    /// Of a whole frame.
    pub fn of(pixels: &Array2<f32>) -> Self {
        let mut tops = Self::default();
        if let Some(pixels) = pixels.as_slice() {
            tops.extend(pixels);
        }
        tops
    }

    /// Adds the pixels that follow, whole stretches of them but for the frame's last.
    pub fn extend(&mut self, pixels: &[f32]) {
        pulp::Arch::new().dispatch(Extend { tops: &mut self.0, pixels });
    }

    /// Of each stretch.
    pub fn highest(&self) -> &[f32] {
        &self.0
    }

    /// The pixels of a stretch, in reading order, of a frame with so many.
    pub fn stretch(number: usize, pixels: usize) -> Range<usize> {
        number * STRETCH..((number + 1) * STRETCH).min(pixels)
    }
}

struct Extend<'a> {
    tops: &'a mut Vec<f32>,
    pixels: &'a [f32],
}

impl pulp::NullaryFnOnce for Extend<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.tops.extend(self.pixels.chunks(STRETCH).map(|stretch| highest(stretch)));
    }
}

/// Negative infinity where no pixel has a value.
#[inline(always)]
fn highest(stretch: &[f32]) -> f32 {
    const LANES: usize = 64;
    let mut lanes = [f32::NEG_INFINITY; LANES];
    let (chunks, rest) = stretch.as_chunks::<LANES>();
    for chunk in chunks {
        for (top, value) in lanes.iter_mut().zip(chunk) {
            *top = if *value > *top { *value } else { *top };
        }
    }
    lanes.iter().chain(rest).fold(f32::NEG_INFINITY, |top, value| if *value > top { *value } else { top })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_is_as_high_as_its_highest_pixel_and_gaps_are_none() {
        let mut pixels = Array2::from_elem((3, 300), -5.0_f32);
        (pixels[(1, 10)], pixels[(2, 299)], pixels[(0, 0)]) = (40.0, 7.0, f32::NAN);
        let tops = Tops::of(&pixels);
        assert_eq!(tops.highest(), [-5.0, 40.0, -5.0, 7.0]);
        assert_eq!((Tops::stretch(1, 900), Tops::stretch(3, 900)), (256..512, 768..900));
        let mut by_parts = Tops::default();
        let all = pixels.as_slice().unwrap();
        by_parts.extend(&all[..512]);
        by_parts.extend(&all[512..]);
        assert_eq!(by_parts.0, tops.0);
        assert_eq!(Tops::of(&Array2::from_elem((1, 2), f32::NAN)).0, [f32::NEG_INFINITY]);
    }
}
