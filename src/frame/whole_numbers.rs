//! Images of whole numbers in Rice or gzip tiles, unpacked without the library: the walk that a Rice stream needs
//! before anything may trust it gives its numbers too.
//!
//! FITS Standard 4.0 (2018), section 10; scaling by its sections 4.4.2.5 and 5.2.

use std::path::Path;

use rayon::prelude::*;

use super::error::FrameError;
use super::raw_header::Hdu;
use super::rice::{Blocks, Coding, Damage};
use super::strips::finite;
use super::tile_table::{Fault, Table};
use super::tops::{Band, Tops};
use super::{streams, tiles};

/// An image that is to be unpacked, its table checked.
pub struct WholeNumbers<'a> {
    path: &'a Path,
    bytes: &'a [u8],
    hdu: &'a Hdu,
    table: Table<'a>,
    /// Width and height of a tile.
    tile: (usize, usize),
    method: Method,
    scaling: Scaling,
}

/// How the numbers of a tile are coded.
#[derive(Debug, Clone, Copy)]
enum Method {
    Rice(Coding),
    /// Shuffled: the first bytes of all numbers, then the second ones, and so on.
    Gzip {
        shuffled: bool,
    },
}

impl Method {
    /// `None` for what is left to the library.
    fn of(name: &str, hdu: &Hdu) -> Result<Option<Self>, Fault> {
        Ok(match name {
            "RICE_1" | "RICE_ONE" => Some(Self::Rice(Coding::of(hdu)?)),
            "GZIP_1" => Some(Self::Gzip { shuffled: false }),
            "GZIP_2" => Some(Self::Gzip { shuffled: true }),
            _ => None,
        })
    }
}

impl<'a> WholeNumbers<'a> {
    /// `None` for what is left to the library: other compressions, quantised floats, rows that are stored
    /// in another way, and a BLANK that no pixel can hold.
    ///
    /// Errors: an image whose table or tiles contradict each other.
    pub fn open(path: &'a Path, bytes: &'a [u8], hdu: &'a Hdu) -> Result<Option<Self>, FrameError> {
        let damaged = |fault| tiles::damaged(path, hdu, fault);
        let (method, tile) = tiles::check_shape(path, hdu)?;
        let method = Method::of(&method, hdu).map_err(damaged)?;
        let (Some(method), Some((width, height)), 8 | 16 | 32) = (method, hdu.plane(), hdu.bitpix) else {
            return Ok(None);
        };
        let is_scaled_by_tile = ["ZSCALE", "ZZERO", "ZBLANK"].iter().any(|name| Table::has_column(hdu, name))
            || ["ZSCALE", "ZZERO"].iter().any(|name| hdu.header.card(name).is_some());
        let Some(scaling) = Scaling::of(hdu, method).filter(|_| !is_scaled_by_tile) else { return Ok(None) };
        let table = Table::of(bytes, hdu).map_err(damaged)?;
        let tile = (width.min(tile[0] as usize), height.min(tile[1] as usize));
        let image = Self { path, bytes, hdu, table, tile, method, scaling };
        Ok(image.is_of_one_method().then_some(image))
    }

    /// Does every row hold a stream, in the one column for them?
    fn is_of_one_method(&self) -> bool {
        let [column] = &self.table.columns[..] else { return false };
        column.element_bytes == 1
            && (0..self.table.rows)
                .all(|row| !self.table.stream(row, column).is_ok_and(|stream| stream.is_empty()))
    }

    /// Fills `pixels`, `[y, x]`, NaN where there is no value, and `tops` with the highest of them.
    ///
    /// Errors: a stream that lies outside the data or does not hold its pixels, a wrong data sum.
    pub fn unpack(&self, pixels: &mut [f32], tops: &mut Tops) -> Result<(), FrameError> {
        let width = self.hdu.axes[0] as usize;
        let tops: Vec<Band> = tops.bands(self.tile.1).collect();
        let bands = pixels.par_chunks_mut(self.tile.1 * width).zip(tops).enumerate();
        let unpack = |(band, (pixels, tops)): (usize, (&mut [f32], Band))| {
            let unpacked = self.unpack_band(band, pixels, width);
            tops.take(pixels);
            unpacked.err()
        };
        match bands.find_map_first(unpack) {
            Some(fault) => Err(tiles::damaged(self.path, self.hdu, fault)),
            None => tiles::check_sum(self.path, self.bytes, self.hdu),
        }
    }

    /// The tiles side by side that make some whole rows of the image.
    fn unpack_band(&self, band: usize, pixels: &mut [f32], width: usize) -> Result<(), Fault> {
        let [column] = &self.table.columns[..] else { return Ok(()) };
        let first = band * width.div_ceil(self.tile.0);
        for (row, left) in (first..).zip((0..width).step_by(self.tile.0)) {
            let stream = self.table.stream(row, column)?;
            let right = width.min(left + self.tile.0);
            let area = Area { pixels: &mut *pixels, width, left, right, x: left, row: 0 };
            self.unpack_tile(stream, area)
                .map_err(|(value, limit)| (format!("tile {} of {}", row + 1, column.name), value, limit))?;
        }
        Ok(())
    }

    fn unpack_tile(&self, stream: &[u8], area: Area) -> Result<(), (String, String)> {
        let (scaling, count) = (self.scaling, area.len());
        match self.method {
            Method::Rice(coding) => {
                let unpack = UnpackRice { coding, scaling, stream, area };
                pulp::Arch::new().dispatch(unpack).map_err(|damage| damage.in_words(stream, count))
            }
            Method::Gzip { shuffled } => {
                let (unpacked, bytes) =
                    streams::inflated(stream, count, &[self.hdu.bitpix as usize / 8, 1, 2, 4])?;
                let scaling = Scaling { exact: scaling.exact && bytes < 4, ..scaling };
                pulp::Arch::new().dispatch(Join { unpacked: &unpacked, bytes, shuffled, scaling, area });
                Ok(())
            }
        }
    }
}

/// From the numbers in the file to pixels.
#[derive(Debug, Clone, Copy)]
struct Scaling {
    scale: f64,
    zero: f64,
    blank: Option<i32>,
    /// Single precision holds every step from number to pixel.
    exact: bool,
}

impl Scaling {
    /// `None` where BLANK is no number that the file can hold.
    fn of(hdu: &Hdu, method: Method) -> Option<Self> {
        let header = &hdu.header;
        let bits = match method {
            Method::Rice(coding) => 8 * coding.integer_bytes as i64,
            Method::Gzip { .. } => hdu.bitpix,
        };
        let held = if bits == 8 { 0..1 << 8 } else { -1 << (bits - 1)..1 << (bits - 1) };
        let blank = match ["ZBLANK", "BLANK"].iter().find(|card| header.card(card).is_some()) {
            None => None,
            Some(card) => Some(header.integer(card).filter(|blank| held.contains(blank))? as i32),
        };
        let scale = header.number("BSCALE").unwrap_or(1.0);
        let zero = header.number("BZERO").unwrap_or(0.0);
        // Whole numbers up to 2^24 are exact in single precision.
        let exact = bits < 32 && scale == 1.0 && zero.fract() == 0.0 && zero.abs() < 16_711_680.0;
        Some(Self { scale, zero, blank, exact })
    }

    #[inline(always)]
    fn apply(self, numbers: &[i32], pixels: &mut [f32]) {
        let Self { scale, zero, blank, exact } = self;
        let both = pixels.iter_mut().zip(numbers);
        match blank {
            None if exact => both.for_each(|(pixel, number)| *pixel = *number as f32 + zero as f32),
            None => {
                both.for_each(|(pixel, number)| *pixel = finite((f64::from(*number) * scale + zero) as f32));
            }
            Some(blank) => both.for_each(|(pixel, number)| {
                let value = (f64::from(*number) * scale + zero) as f32;
                *pixel = if *number == blank { f32::NAN } else { finite(value) };
            }),
        }
    }
}

/// The columns `left..right` of some whole rows of an image, filled row after row.
struct Area<'p> {
    pixels: &'p mut [f32],
    /// Of the image.
    width: usize,
    left: usize,
    right: usize,
    /// The next pixel, and where its row begins.
    x: usize,
    row: usize,
}

impl Area<'_> {
    fn len(&self) -> u64 {
        ((self.right - self.left) * (self.pixels.len() / self.width)) as u64
    }

    #[inline(always)]
    fn put(&mut self, mut numbers: &[i32], scaling: Scaling) {
        while !numbers.is_empty() {
            let (here, rest) = numbers.split_at(numbers.len().min(self.right - self.x));
            let start = self.row + self.x;
            scaling.apply(here, &mut self.pixels[start..start + here.len()]);
            (self.x, numbers) = (self.x + here.len(), rest);
            if self.x == self.right {
                (self.x, self.row) = (self.left, self.row + self.width);
            }
        }
    }
}

/// A Rice stream into the pixels of its tile.
struct UnpackRice<'a, 'p> {
    coding: Coding,
    scaling: Scaling,
    stream: &'a [u8],
    area: Area<'p>,
}

impl pulp::NullaryFnOnce for UnpackRice<'_, '_> {
    type Output = Result<(), Damage>;

    #[inline(always)]
    fn call(mut self) -> Self::Output {
        let mut blocks = Blocks::new(self.coding, self.stream, self.area.len())?;
        while let Some(block) = blocks.next()? {
            self.area.put(block, self.scaling);
        }
        Ok(())
    }
}

/// Numbers that are joined at a time.
const TOGETHER: usize = 256;

/// Inflated numbers of so many bytes, the highest first, into the pixels of their tile.
struct Join<'a, 'p> {
    unpacked: &'a [u8],
    bytes: usize,
    shuffled: bool,
    scaling: Scaling,
    area: Area<'p>,
}

impl pulp::NullaryFnOnce for Join<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let Self { unpacked, bytes, shuffled, scaling, .. } = self;
        let count = unpacked.len() / bytes;
        let mut space = [0; TOGETHER];
        for start in (0..count).step_by(TOGETHER) {
            let here = start..count.min(start + TOGETHER);
            let numbers = &mut space[..here.len()];
            let byte = |i: usize| &unpacked[i * count..][here.clone()];
            let all = || &unpacked[bytes * here.start..bytes * here.end];
            match (bytes, shuffled) {
                (1, _) => fill(numbers, all().iter().map(|byte| i32::from(*byte))),
                (2, false) => {
                    fill(numbers, all().as_chunks().0.iter().map(|n| i16::from_be_bytes(*n).into()))
                }
                (2, true) => {
                    let pairs = byte(0).iter().zip(byte(1));
                    fill(numbers, pairs.map(|(high, low)| i16::from_be_bytes([*high, *low]).into()));
                }
                (_, false) => fill(numbers, all().as_chunks().0.iter().map(|n| i32::from_be_bytes(*n))),
                (_, true) => {
                    let fours = byte(0).iter().zip(byte(1)).zip(byte(2).iter().zip(byte(3)));
                    fill(numbers, fours.map(|((a, b), (c, d))| i32::from_be_bytes([*a, *b, *c, *d])));
                }
            }
            self.area.put(numbers, scaling);
        }
    }
}

#[inline(always)]
fn fill(numbers: &mut [i32], values: impl Iterator<Item = i32>) {
    numbers.iter_mut().zip(values).for_each(|(number, value)| *number = value);
}
