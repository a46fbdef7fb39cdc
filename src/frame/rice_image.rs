//! Images of whole numbers in Rice tiles, unpacked without the library: the walk that a stream needs before
//! anything may trust it gives its numbers too.
//!
//! FITS Standard 4.0 (2018), section 10; scaling by its sections 4.4.2.5 and 5.2.

use std::path::Path;

use rayon::prelude::*;

use super::error::FrameError;
use super::raw_header::Hdu;
use super::rice::{Blocks, Coding, Damage};
use super::tile_table::{Fault, Table};
use super::tiles;

/// An image that is to be unpacked, its table checked.
pub struct RiceImage<'a> {
    path: &'a Path,
    bytes: &'a [u8],
    hdu: &'a Hdu,
    table: Table<'a>,
    /// Width and height of a tile.
    tile: (usize, usize),
    coding: Coding,
    scaling: Scaling,
}

impl<'a> RiceImage<'a> {
    /// `None` for what is left to the library: other compressions, quantised floats, rows that are stored
    /// in another way, and a BLANK that no pixel can hold.
    ///
    /// Errors: an image whose table or tiles contradict each other.
    pub fn open(path: &'a Path, bytes: &'a [u8], hdu: &'a Hdu) -> Result<Option<Self>, FrameError> {
        let (method, tile) = tiles::check_shape(path, hdu)?;
        let whole_numbers = [8, 16, 32].contains(&hdu.bitpix);
        let (Some((width, height)), true) = (hdu.plane(), method.starts_with("RICE") && whole_numbers) else {
            return Ok(None);
        };
        let is_scaled_by_tile = ["ZSCALE", "ZZERO", "ZBLANK"].iter().any(|name| Table::has_column(hdu, name))
            || ["ZSCALE", "ZZERO"].iter().any(|name| hdu.header.card(name).is_some());
        if is_scaled_by_tile {
            return Ok(None);
        }
        let damaged = |fault| tiles::damaged(path, hdu, fault);
        let coding = Coding::of(hdu).map_err(damaged)?;
        let table = Table::of(bytes, hdu).map_err(damaged)?;
        let Some(scaling) = Scaling::of(hdu, coding) else { return Ok(None) };
        let image = Self {
            path,
            bytes,
            hdu,
            table,
            tile: (width.min(tile[0] as usize), height.min(tile[1] as usize)),
            coding,
            scaling,
        };
        Ok(image.is_all_rice().then_some(image))
    }

    /// Does every row hold a stream, in the one column for them?
    fn is_all_rice(&self) -> bool {
        let [column] = &self.table.columns[..] else { return false };
        column.element_bytes == 1
            && (0..self.table.rows)
                .all(|row| !self.table.stream(row, column).is_ok_and(|stream| stream.is_empty()))
    }

    /// Fills `pixels`, `[y, x]`; NaN where there is no value.
    ///
    /// Errors: a stream that lies outside the data or does not hold its pixels, a wrong data sum.
    pub fn unpack(&self, pixels: &mut [f32]) -> Result<(), FrameError> {
        let width = self.hdu.axes[0] as usize;
        let bands = pixels.par_chunks_mut(self.tile.1 * width).enumerate();
        match bands.find_map_first(|(band, pixels)| self.unpack_band(band, pixels, width).err()) {
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
            let area = Area { pixels: &mut *pixels, width, left, right: width.min(left + self.tile.0) };
            let numbers = area.len();
            let unpack = Unpack { coding: self.coding, scaling: self.scaling, stream, area };
            pulp::Arch::new().dispatch(unpack).map_err(|damage| {
                let (value, limit) = damage.in_words(stream, numbers);
                (format!("tile {} of {}", row + 1, column.name), value, limit)
            })?;
        }
        Ok(())
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
    fn of(hdu: &Hdu, coding: Coding) -> Option<Self> {
        let header = &hdu.header;
        let held = match coding.integer_bytes {
            1 => 0..=i64::from(u8::MAX),
            2 => i64::from(i16::MIN)..=i64::from(i16::MAX),
            _ => i64::from(i32::MIN)..=i64::from(i32::MAX),
        };
        let blank = match ["ZBLANK", "BLANK"].iter().find(|card| header.card(card).is_some()) {
            None => None,
            Some(card) => Some(header.integer(card).filter(|blank| held.contains(blank))? as i32),
        };
        let scale = header.number("BSCALE").unwrap_or(1.0);
        let zero = header.number("BZERO").unwrap_or(0.0);
        // Whole numbers up to 2^24 are exact in single precision.
        let exact =
            coding.integer_bytes < 4 && scale == 1.0 && zero.fract() == 0.0 && zero.abs() < 16_711_680.0;
        Some(Self { scale, zero, blank, exact })
    }

    #[inline(always)]
    fn apply(self, numbers: &[i32], pixels: &mut [f32]) {
        let Self { scale, zero, blank, exact } = self;
        let both = pixels.iter_mut().zip(numbers);
        match blank {
            None if exact => both.for_each(|(pixel, number)| *pixel = *number as f32 + zero as f32),
            None => both.for_each(|(pixel, number)| *pixel = (f64::from(*number) * scale + zero) as f32),
            Some(blank) => both.for_each(|(pixel, number)| {
                let value = (f64::from(*number) * scale + zero) as f32;
                *pixel = if *number == blank { f32::NAN } else { value };
            }),
        }
    }
}

/// The columns `left..right` of some whole rows of an image.
struct Area<'p> {
    pixels: &'p mut [f32],
    /// Of the image.
    width: usize,
    left: usize,
    right: usize,
}

impl Area<'_> {
    fn len(&self) -> u64 {
        ((self.right - self.left) * (self.pixels.len() / self.width)) as u64
    }
}

/// One tile into its pixels.
struct Unpack<'a, 'p> {
    coding: Coding,
    scaling: Scaling,
    stream: &'a [u8],
    area: Area<'p>,
}

impl pulp::NullaryFnOnce for Unpack<'_, '_> {
    type Output = Result<(), Damage>;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let Self { coding, scaling, stream, area } = self;
        let (mut x, mut row) = (area.left, 0);
        let mut blocks = Blocks::new(coding, stream, area.len())?;
        while let Some(mut block) = blocks.next()? {
            while !block.is_empty() {
                let (numbers, rest) = block.split_at(block.len().min(area.right - x));
                let to = x + numbers.len();
                scaling.apply(numbers, &mut area.pixels[row + x..row + to]);
                (x, block) = (to, rest);
                if x == area.right {
                    (x, row) = (area.left, row + area.width);
                }
            }
        }
        Ok(())
    }
}
