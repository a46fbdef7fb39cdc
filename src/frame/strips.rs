//! A file that holds one plain image and nothing else, gzipped or not, read in strips: the file's bytes are never
//! held beside the pixels, and each strip is hashed and turned into numbers while the processor has it at hand.
//!
//! Scaling by FITS Standard 4.0 (2018), sections 4.4.2.5, 5.2 and 5.3; the data sum by its appendix J.

use std::io::Read;
use std::path::Path;

use super::error::FrameError;
use super::image;
use super::pixels::{Memory, Pixels};
use super::raw_header::{self, Hdu, Kind, check_image};
use super::source::{Content, MAX_UNPACKING, RECORD, lacks_padding};
use super::tops::{Band, Tops};

/// Bytes read at a time, about: a strip and its numbers stay in the processor's cache.
const STRIP: usize = 1 << 18;

/// Rows are read in multiples of this, so that a strip ends with a number of 32 bits, of which data sums are made.
const ROWS: usize = 4;

/// A header that does not end within these bytes is left to the reader of whole files.
const HEAD: u64 = 64 * RECORD as u64;

/// A file that is to be read in strips, its header checked.
pub struct Strips<'a> {
    path: &'a Path,
    content: Content,
    /// What of it was read.
    head: Vec<u8>,
    pub hdu: Hdu,
    shape: (usize, usize),
}

impl<'a> Strips<'a> {
    /// `None` for anything but one plain two-dimensional image, which is then read whole.
    ///
    /// Errors: an image that no frame can be.
    pub fn open(path: &'a Path) -> Result<Option<Self>, FrameError> {
        let Ok((mut content, length)) = Content::open(path) else { return Ok(None) };
        // How much a gzipped file holds shows when it ends.
        let most = if content.is_packed() { MAX_UNPACKING * length } else { length } as usize;
        let mut head = Vec::new();
        let Ok(_) = (&mut content).take(HEAD).read_to_end(&mut head) else { return Ok(None) };
        let Ok(hdu) = raw_header::first(path, &head, most) else { return Ok(None) };
        let (Some((width, height)), Kind::Image) = (hdu.plane(), hdu.kind) else { return Ok(None) };
        let end = (hdu.data_start + hdu.data_bytes).next_multiple_of(RECORD);
        let is_longer = !content.is_packed() && most > end;
        let odd_blank = hdu.header.card("BLANK").is_some() && hdu.header.integer("BLANK").is_none();
        let pixels = (width * height).checked_mul(Coding::of(&hdu).bytes);
        if is_longer || pixels != Some(hdu.data_bytes) || odd_blank || image::is_companion(&hdu) {
            return Ok(None);
        }
        check_image(path, &hdu)?;
        Ok(Some(Self { path, content, head, hdu, shape: (height, width) }))
    }

    /// The pixels, the highest of them, and the file's XXH3, hex. `memory` gives what it has. `None` where the
    /// file holds more than the image, or cannot be read to its end: reading it whole then says why.
    pub fn read(
        mut self,
        memory: &mut Memory,
        notes: &mut Vec<String>,
    ) -> Result<Option<(Pixels, Tops, String)>, FrameError> {
        let (height, width) = self.shape;
        let coding = Coding::of(&self.hdu);
        let mut tops = Tops::before(height, width);
        let pixels = match coding.words() {
            Some(zero) => {
                let mut words = memory.words(height * width);
                let swap = |words: &mut [i16]| pulp::Arch::new().dispatch(Swap { words });
                let take = |words: &[i16], tops: Band| tops.take_words(words, zero);
                let Some(()) = self.in_place(&mut words, &mut tops, notes, swap, take) else {
                    return Ok(None);
                };
                Pixels::of_words(self.shape, words, zero)
            }
            None => {
                let mut floats = memory.floats(height * width);
                let take = |floats: &[f32], tops: Band| tops.take(floats);
                let read = if coding.is_float() {
                    let swap = |floats: &mut [f32]| pulp::Arch::new().dispatch(SwapFloats { floats });
                    self.in_place(&mut floats, &mut tops, notes, swap, take)
                } else {
                    let decode = |bytes: &[u8], out: &mut [f32], tops: Band| {
                        pulp::Arch::new().dispatch(Decode { coding, bytes, out: &mut *out });
                        take(out, tops);
                    };
                    self.strips(&mut floats, &mut tops, notes, decode)
                };
                let Some(()) = read else { return Ok(None) };
                Pixels::of_floats(self.shape, floats)
            }
        };
        image::note_blank(&self.hdu, notes);
        let axes =
            || FrameError::card(self.path, 0, "NAXIS", self.hdu.axes_text(), "the image does not fill it");
        Ok(Some((pixels.ok_or_else(axes)?, tops, self.content.xxh3())))
    }

    /// Reads `values` as they are in the file, strip after strip, and makes numbers of them where they stand by `turn`;
    /// `None` where the file does not end with them.
    fn in_place<T: bytemuck::Pod>(
        &mut self,
        values: &mut [T],
        tops: &mut Tops,
        notes: &mut Vec<String>,
        turn: impl Fn(&mut [T]),
        take: impl Fn(&[T], Band),
    ) -> Option<()> {
        let (width, size) = (self.shape.1, size_of::<T>());
        let rows = (STRIP / 4 / (width * size)).max(1);
        let mut sum = self.hdu.header.card("DATASUM").map(|_| DataSum::default());
        let mut rest = self.head[self.hdu.data_start.min(self.head.len())..].chain(&mut self.content);
        let (mut done, all, mut padding) = (0, size_of_val(values), 0);
        let count = values.len();
        let band = |first: usize| first..(first + rows * width).min(count);
        let mut bands = (0..count).step_by(rows * width).map(band).zip(tops.bands(rows)).peekable();
        while done < all {
            // Up to where a strip of the file ends: of whole strips the hash is made faster. Records and strips have whole
            // numbers of 32 bits.
            let end = all.min(done + STRIP - (self.hdu.data_start + done) % STRIP);
            let strip = &mut bytemuck::cast_slice_mut(values)[done..end];
            rest.read_exact(strip).ok()?;
            if end == all {
                let mut last = strip.to_vec();
                padding = read_padding(&self.hdu, &mut rest, &mut last)?;
                sum.iter_mut().for_each(|sum| sum.add(&last));
            } else if let Some(sum) = &mut sum {
                sum.add(strip);
            }
            turn(&mut values[done / size..end / size]);
            done = end;
            while let Some((band, tops)) = bands.next_if(|(band, _)| band.end * size <= done) {
                take(&values[band], tops);
            }
        }
        self.note(padding, sum, notes);
        Some(())
    }

    /// Fills `values` strip after strip by `decode`; `None` where the file does not end with them.
    fn strips(
        &mut self,
        values: &mut [f32],
        tops: &mut Tops,
        notes: &mut Vec<String>,
        decode: impl Fn(&[u8], &mut [f32], Band),
    ) -> Option<()> {
        let ((height, width), coding) = (self.shape, Coding::of(&self.hdu));
        let rows = (STRIP / (width * coding.bytes) / ROWS * ROWS).max(ROWS);
        let mut sum = self.hdu.header.card("DATASUM").map(|_| DataSum::default());
        let mut rest = self.head[self.hdu.data_start.min(self.head.len())..].chain(&mut self.content);
        let (mut strip, mut padding, mut left) = (Vec::new(), 0, height);
        for (out, tops) in values.chunks_mut(rows * width).zip(tops.bands(rows)) {
            let bytes = out.len() * coding.bytes;
            strip.resize(bytes, 0);
            rest.read_exact(&mut strip).ok()?;
            left -= out.len() / width;
            if left == 0 {
                padding = read_padding(&self.hdu, &mut rest, &mut strip)?;
            }
            if let Some(sum) = &mut sum {
                sum.add(&strip);
            }
            decode(&strip[..bytes], out, tops);
        }
        self.note(padding, sum, notes);
        Some(())
    }

    /// Notes what the end of the file and the sum of the data say against it.
    fn note(&self, padding: usize, sum: Option<DataSum>, notes: &mut Vec<String>) {
        lacks_padding(bytes_behind(&self.hdu), padding, notes);
        if let Some(sum) = sum {
            image::note_sum(&self.hdu, sum.folded(), notes);
        }
    }
}

/// Bytes that fill up the last record.
fn bytes_behind(hdu: &Hdu) -> usize {
    hdu.data_bytes.next_multiple_of(RECORD) - hdu.data_bytes
}

/// Appends the bytes behind the data, and says how many they are; `None` where more follow.
fn read_padding(hdu: &Hdu, rest: &mut impl Read, bytes: &mut Vec<u8>) -> Option<usize> {
    let behind = bytes_behind(hdu);
    let found = rest.take(behind as u64 + 1).read_to_end(bytes).ok();
    found.filter(|found| *found <= behind)
}

/// Sum of the data as 32-bit numbers, ones' complement.
#[derive(Default)]
pub struct DataSum(u64);

impl DataSum {
    /// Adds bytes that begin at a multiple of four; zeros stand for those that lack at their end.
    pub fn add(&mut self, bytes: &[u8]) {
        let (words, rest) = bytes.as_chunks::<4>();
        self.0 += words.iter().map(|word| u64::from(u32::from_be_bytes(*word))).sum::<u64>();
        let mut last = [0; 4];
        last[..rest.len()].copy_from_slice(rest);
        self.0 += u64::from(u32::from_be_bytes(last));
    }

    pub fn folded(&self) -> u32 {
        let mut sum = self.0;
        while sum >> 32 != 0 {
            sum = (sum & 0xffff_ffff) + (sum >> 32);
        }
        sum as u32
    }
}

/// How pixels are written.
#[derive(Debug, Clone, Copy)]
struct Coding {
    bitpix: i64,
    bytes: usize,
    scale: f64,
    zero: f64,
    blank: Option<i64>,
}

impl Coding {
    fn of(hdu: &Hdu) -> Self {
        let number = |card: &str| hdu.header.number(card);
        Self {
            bitpix: hdu.bitpix,
            bytes: hdu.bitpix.unsigned_abs() as usize / 8,
            scale: number("BSCALE").unwrap_or(1.0),
            zero: number("BZERO").unwrap_or(0.0),
            blank: hdu.header.integer("BLANK").filter(|_| hdu.bitpix > 0),
        }
    }

    /// Are pixels as the file has them but for the order of their bytes?
    fn is_float(&self) -> bool {
        self.bitpix == -32 && self.scale == 1.0 && self.zero == 0.0
    }

    /// The zero point, where pixels stay as they are: numbers of 16 bits, each of which is a value.
    fn words(&self) -> Option<f32> {
        // Whole numbers up to 2^24 are exact in single precision.
        let is_exact = self.scale == 1.0 && self.zero.fract() == 0.0 && self.zero.abs() < 16_711_680.0;
        (self.bitpix == 16 && is_exact && self.blank.is_none()).then_some(self.zero as f32)
    }
}

/// Words as the file has them into those of the machine.
struct Swap<'a> {
    words: &'a mut [i16],
}

impl pulp::NullaryFnOnce for Swap<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for word in self.words {
            *word = i16::from_be(*word);
        }
    }
}

/// The same of floats.
struct SwapFloats<'a> {
    floats: &'a mut [f32],
}

impl pulp::NullaryFnOnce for SwapFloats<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for float in self.floats {
            *float = finite(f32::from_bits(u32::from_be(float.to_bits())));
        }
    }
}

/// Bytes into numbers, as many as `out` holds.
struct Decode<'a> {
    coding: Coding,
    bytes: &'a [u8],
    out: &'a mut [f32],
}

impl pulp::NullaryFnOnce for Decode<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { coding: Coding { bitpix, scale, zero, blank, .. }, bytes, out } = self;
        match bitpix {
            8 => whole(out, bytes.iter().map(|pixel| i64::from(*pixel)), scale, zero, blank),
            16 => {
                let pixels = bytes.as_chunks::<2>().0.iter().map(|pixel| i16::from_be_bytes(*pixel).into());
                whole(out, pixels, scale, zero, blank);
            }
            32 => {
                let pixels = bytes.as_chunks::<4>().0.iter().map(|pixel| i32::from_be_bytes(*pixel).into());
                whole(out, pixels, scale, zero, blank);
            }
            // Unsigned numbers come with a zero point of 2^63, which double precision would swallow them in.
            64 if scale == 1.0 && zero == 9_223_372_036_854_775_808.0 => {
                for (out, pixel) in out.iter_mut().zip(bytes.as_chunks::<8>().0) {
                    let pixel = i64::from_be_bytes(*pixel);
                    let value = (pixel as u64 ^ 1 << 63) as f32;
                    *out = if blank == Some(pixel) { f32::NAN } else { value };
                }
            }
            64 => {
                let pixels = bytes.as_chunks::<8>().0.iter().map(|pixel| i64::from_be_bytes(*pixel));
                whole(out, pixels, scale, zero, blank);
            }
            -32 => {
                for (out, pixel) in out.iter_mut().zip(bytes.as_chunks::<4>().0) {
                    *out = finite((f64::from(f32::from_be_bytes(*pixel)) * scale + zero) as f32);
                }
            }
            _ => {
                for (out, pixel) in out.iter_mut().zip(bytes.as_chunks::<8>().0) {
                    *out = finite((f64::from_be_bytes(*pixel) * scale + zero) as f32);
                }
            }
        }
    }
}

#[inline(always)]
fn whole(out: &mut [f32], pixels: impl Iterator<Item = i64>, scale: f64, zero: f64, blank: Option<i64>) {
    for (out, pixel) in out.iter_mut().zip(pixels) {
        let value = (pixel as f64 * scale + zero) as f32;
        *out = if blank == Some(pixel) { f32::NAN } else { finite(value) };
    }
}

/// NaN where a scale has led out of single precision, or the file holds no number.
#[inline(always)]
pub fn finite(value: f32) -> f32 {
    if value.is_finite() { value } else { f32::NAN }
}
