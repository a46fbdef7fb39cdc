//! A file that holds one plain image and nothing else, read in strips: the file's bytes are never held
//! beside the pixels, and each strip is hashed and turned into numbers while the processor has it at hand.
//!
//! Scaling by FITS Standard 4.0 (2018), sections 4.4.2.5, 5.2 and 5.3; the data sum by its appendix J.

#![allow(clippy::disallowed_methods, reason = "reads frames")]

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;

use ndarray::Array2;

use super::error::FrameError;
use super::image;
use super::raw_header::{self, Hdu, Kind, check_image};
use super::source::{MAX_FILE_BYTES, RECORD, lacks_padding};
use super::tops::Tops;

/// Bytes read at a time: a strip and its numbers stay in the processor's cache. Whole stretches of [`Tops`],
/// whatever the bytes of a pixel.
const STRIP: usize = 1 << 18;

/// A header that does not end within these bytes is left to the reader of whole files.
const HEAD: u64 = 64 * RECORD as u64;

/// A file that is to be read in strips, its header checked.
pub struct Strips<'a> {
    path: &'a Path,
    file: File,
    /// What of it was read.
    head: Vec<u8>,
    /// Of the file.
    length: usize,
    pub hdu: Hdu,
    shape: (usize, usize),
}

impl<'a> Strips<'a> {
    /// `None` for anything but one plain two-dimensional image, which is then read whole.
    ///
    /// Errors: an image that no frame can be.
    pub fn open(path: &'a Path) -> Result<Option<Self>, FrameError> {
        let Ok(about) = std::fs::metadata(path) else { return Ok(None) };
        if !about.is_file() || about.len() > MAX_FILE_BYTES {
            return Ok(None);
        }
        let failed = |e| FrameError::read(path, e);
        let mut file = File::open(path).map_err(failed)?;
        let (mut head, length) = (Vec::new(), about.len() as usize);
        (&mut file).take(HEAD).read_to_end(&mut head).map_err(failed)?;
        let Ok(hdu) = raw_header::first(path, &head, length) else { return Ok(None) };
        let (Some((width, height)), Kind::Image) = (hdu.plane(), hdu.kind) else { return Ok(None) };
        let end = (hdu.data_start + hdu.data_bytes).next_multiple_of(RECORD);
        let odd_blank = hdu.header.card("BLANK").is_some() && hdu.header.integer("BLANK").is_none();
        if length > end || hdu.axes.iter().product::<u64>() as usize != width * height || odd_blank {
            return Ok(None);
        }
        check_image(path, &hdu)?;
        Ok(Some(Self { path, file, head, length, hdu, shape: (height, width) }))
    }

    /// The pixels, scaled, `[y, x]`, NaN where there is no finite value, the highest of each stretch of them, and the
    /// file's BLAKE3, hex.
    /// `values` gives its memory.
    ///
    /// Errors: a file that has become shorter, or that cannot be read.
    pub fn read(
        mut self,
        mut values: Vec<f32>,
        notes: &mut Vec<String>,
    ) -> Result<(Array2<f32>, Tops, String), FrameError> {
        let (count, start) = (self.shape.0 * self.shape.1, self.hdu.data_start);
        if values.capacity() < count {
            values = vec![0.0; count];
        }
        values.resize(count, 0.0);
        let coding = Coding::of(&self.hdu);
        let mut hash = blake3::Hasher::new();
        hash.update(&self.head[..start.min(self.head.len())]);
        let mut sum = self.hdu.header.card("DATASUM").map(|_| DataSum::default());
        let (mut strip, mut tops) = (vec![0; STRIP], Tops::default());
        let mut left = &self.head[start.min(self.head.len())..];
        let mut done = 0;
        while start + done < self.length {
            let strip = &mut strip[..STRIP.min(self.length - start - done)];
            let from_head = left.len().min(strip.len());
            strip[..from_head].copy_from_slice(&left[..from_head]);
            left = &left[from_head..];
            self.file.read_exact(&mut strip[from_head..]).map_err(|e| match e.kind() {
                ErrorKind::UnexpectedEof => FrameError::Truncated {
                    path: self.path.into(),
                    hdu: 0,
                    needs: self.length as u64,
                    has: self.file.metadata().map_or(0, |about| about.len()),
                },
                _ => FrameError::read(self.path, e),
            })?;
            hash.update(strip);
            if let Some(sum) = &mut sum {
                sum.add(strip);
            }
            let first = (done / coding.bytes).min(count);
            let bytes = &strip[..strip.len().min(self.hdu.data_bytes.saturating_sub(done))];
            let out = &mut values[first..first + bytes.len() / coding.bytes];
            pulp::Arch::new().dispatch(Decode { coding, bytes, out: &mut *out });
            tops.extend(out);
            done += strip.len();
        }
        lacks_padding((start + self.hdu.data_bytes).next_multiple_of(RECORD), self.length, notes);
        image::note_blank(&self.hdu, notes);
        if let Some(sum) = sum {
            image::note_sum(&self.hdu, sum.folded(), notes);
        }
        let pixels = Array2::from_shape_vec(self.shape, values)
            .map_err(|e| FrameError::card(self.path, 0, "NAXIS", self.hdu.axes_text(), &e.to_string()))?;
        Ok((pixels, tops, hash.finalize().to_hex().to_string()))
    }
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
        // Whole numbers up to 2^24 are exact in single precision.
        let shifted = scale == 1.0 && zero.fract() == 0.0 && zero.abs() < 16_711_680.0;
        match bitpix {
            16 if shifted && blank.is_none() => {
                for (out, pixel) in out.iter_mut().zip(bytes.as_chunks::<2>().0) {
                    *out = f32::from(i16::from_be_bytes(*pixel)) + zero as f32;
                }
            }
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
            -32 if scale == 1.0 && zero == 0.0 => {
                for (out, pixel) in out.iter_mut().zip(bytes.as_chunks::<4>().0) {
                    *out = finite(f32::from_be_bytes(*pixel));
                }
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
        *out = if blank == Some(pixel) { f32::NAN } else { value };
    }
}

#[inline(always)]
fn finite(value: f32) -> f32 {
    if value.is_finite() { value } else { f32::NAN }
}
