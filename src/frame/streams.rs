//! Compressed streams: bits, inflating, and how far a decoder would read.
//!
//! The library's decoders do not look where their input ends. A stream is handed to them
//! only if it holds every bit that they will ask for.
//!
//! FITS Standard 4.0 (2018), section 10.4; White, Postman & Lattanzi 1992, in Digitised
//! Optical Sky Surveys, 167 (HCOMPRESS).

use std::io::Read;

use flate2::bufread::GzDecoder;

/// Bits from the first byte on, the highest of a byte first.
pub struct Bits<'a> {
    bytes: &'a [u8],
    /// Of the next bit.
    at: u64,
}

impl<'a> Bits<'a> {
    /// Bits that a window holds at least.
    pub const IN_WINDOW: u32 = 56;

    #[inline(always)]
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// Bits from here on, at the top of the word; zeros behind the end.
    #[inline(always)]
    pub fn window(&self) -> u64 {
        let first = (self.at / 8) as usize;
        let word = match self.bytes.get(first..first + 8) {
            Some(eight) => u64::from_be_bytes(eight.try_into().unwrap_or_default()),
            None => {
                let rest = self.bytes.get(first..).unwrap_or_default();
                rest.iter().enumerate().fold(0, |w, (i, b)| w | u64::from(*b) << (56 - 8 * i))
            }
        };
        word << (self.at % 8)
    }

    /// Goes on by so many bits; None where they are not there.
    #[inline(always)]
    pub fn skip(&mut self, count: u64) -> Option<()> {
        self.at += count;
        (self.at <= 8 * self.bytes.len() as u64).then_some(())
    }

    /// The next few bits as a number; at most 32.
    #[inline(always)]
    pub fn take(&mut self, count: u32) -> Option<u32> {
        let value = (self.window() >> 1 >> (63 - count)) as u32;
        self.skip(u64::from(count))?;
        Some(value)
    }

    /// The number of zeros before the next one; goes past that too.
    pub fn take_zeros(&mut self) -> Option<u64> {
        let start = self.at;
        loop {
            let zeros = self.window().leading_zeros();
            if zeros < Self::IN_WINDOW {
                self.skip(u64::from(zeros) + 1)?;
                return Some(self.at - start - 1);
            }
            self.skip(Self::IN_WINDOW.into())?;
        }
    }
}

/// What a gzip stream of so many numbers holds, and the bytes of each: one of `sizes`, the usual one first.
///
/// Errors: the value and the limit.
pub fn inflated(stream: &[u8], numbers: u64, sizes: &[usize]) -> Result<(Vec<u8>, usize), (String, String)> {
    let bytes = |size: usize| numbers as usize * size;
    let (usual, most) = (sizes[0], sizes.iter().copied().max().unwrap_or(0));
    // One byte more, so that what is too long shows.
    let mut unpacked = Vec::with_capacity(bytes(usual) + 1);
    let read = GzDecoder::new(stream).take(bytes(most) as u64 + 1).read_to_end(&mut unpacked);
    read.map_err(|e| (format!("{} bytes", stream.len()), format!("they do not inflate ({e})")))?;
    match sizes.iter().find(|size| bytes(**size) == unpacked.len()) {
        Some(size) => Ok((unpacked, *size)),
        None => {
            let more = if unpacked.len() > bytes(most) { "or more " } else { "" };
            let has = format!("{} {more}bytes, inflated", unpacked.len());
            Err((has, format!("its {numbers} pixels take {}", bytes(usual))))
        }
    }
}

/// Bytes before the bit planes: magic number, sides, scale, sum, planes of each quadrant.
const HCOMPRESS_HEAD: usize = 25;

/// True where an HCOMPRESS stream of this many rows and columns holds every bit plane and
/// every sign it announces.
pub fn hcompress_is_whole(stream: &[u8], rows: usize, columns: usize) -> bool {
    hcompress(stream, rows, columns).is_some()
}

fn hcompress(stream: &[u8], rows: usize, columns: usize) -> Option<()> {
    let planes = stream.get(22..HCOMPRESS_HEAD)?;
    let (top, left) = (rows.div_ceil(2), columns.div_ceil(2));
    let mut bits = Bits { bytes: stream, at: 8 * HCOMPRESS_HEAD as u64 };
    let mut signed = vec![false; rows * columns];
    for (y, x, height, width, planes) in [
        (0, 0, top, left, planes[0]),
        (0, left, top, columns / 2, planes[1]),
        (top, 0, rows / 2, left, planes[1]),
        (top, left, rows / 2, columns / 2, planes[2]),
    ] {
        for _ in 0..planes {
            let codes = bit_plane(&mut bits, height, width)?;
            for i in 0..height {
                for j in 0..width {
                    signed[(y + i) * columns + x + j] |= child(&codes, width, i, j);
                }
            }
        }
    }
    // A closing zero, then the signs from the next whole byte on.
    if bits.take(4)? != 0 {
        return None;
    }
    bits.at = bits.at.next_multiple_of(8);
    bits.skip(signed.iter().filter(|s| **s).count() as u64)
}

/// Bit of a pixel in the codes of its 2 x 2 cells; the first pixel has the highest bit.
fn child(codes: &[u8], width: usize, i: usize, j: usize) -> bool {
    codes[(i / 2) * width.div_ceil(2) + j / 2] >> (3 - 2 * (i % 2) - j % 2) & 1 != 0
}

/// The codes of the 2 x 2 cells of one bit plane: written out, or as a quadtree.
fn bit_plane(bits: &mut Bits, height: usize, width: usize) -> Option<Vec<u8>> {
    let cells = height.div_ceil(2) * width.div_ceil(2);
    if cells == 0 {
        return None;
    }
    match bits.take(4)? {
        0 => (0..cells).map(|_| bits.take(4).map(|c| c as u8)).collect(),
        0xf => quadtree(bits, height, width),
        _ => None,
    }
}

fn quadtree(bits: &mut Bits, height: usize, width: usize) -> Option<Vec<u8>> {
    let levels = height.max(width).next_power_of_two().trailing_zeros();
    let mut codes = vec![huffman(bits)?];
    for level in (1..levels).rev() {
        let (rows, columns) = (height.div_ceil(1 << level), width.div_ceil(1 << level));
        let mut finer = vec![0u8; rows * columns];
        for i in 0..rows {
            for j in 0..columns {
                finer[i * columns + j] = u8::from(child(&codes, columns, i, j));
            }
        }
        for code in finer.iter_mut().rev().filter(|c| **c != 0) {
            *code = huffman(bits)?;
        }
        codes = finer;
    }
    Some(codes)
}

/// One code of the fixed Huffman table.
fn huffman(bits: &mut Bits) -> Option<u8> {
    let first = bits.take(3)?;
    if first < 4 {
        return Some(1 << first);
    }
    let second = first << 1 | bits.take(1)?;
    if let Some(code) = [3, 5, 10, 12, 15].get((second - 8) as usize) {
        return Some(*code);
    }
    let third = second << 1 | bits.take(1)?;
    if let Some(code) = [6, 7, 9, 11, 13].get((third - 26) as usize) {
        return Some(*code);
    }
    Some(if bits.take(1)? == 0 { 0 } else { 14 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_are_counted_over_word_borders() {
        let bytes: Vec<u8> = (0..20).map(|i| i * 13 + 1).collect();
        let mut bits = Bits::new(&bytes);
        let mut joined = String::new();
        while let Some(three) = bits.take(3) {
            joined += &format!("{three:03b}");
        }
        let whole: String = bytes.iter().map(|b| format!("{b:08b}")).collect();
        assert_eq!(joined, whole[..159]);
    }
}
