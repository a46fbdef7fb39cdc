//! Tile-compressed images, checked before the library unpacks them: it trusts the
//! tile sizes and the heads of the compressed streams, and would write past its
//! buffers if they lied.
//!
//! FITS Standard 4.0 (2018), section 10.

use std::path::Path;

use rayon::prelude::*;

use super::error::FrameError;
use super::raw_header::{Hdu, MAX_PIXELS};
use super::rice::{self, Coding};
use super::streams;
use super::strips::DataSum;
use super::tile_table::{Fault, HeapColumn, Table, be_i32};

/// Most axes the library unpacks.
const MAX_TILE_AXES: usize = 6;
/// Bits of the widest integer an HCOMPRESS stream can hold.
const MAX_BIT_PLANES: u8 = 64;
/// Pixels a compressed byte holds at most in a frame that has noise; an even sky comes to 85 (Rice, 8 bits).
const MOST_PIXELS_A_BYTE: u64 = 100;
/// Memory of no concern, so that small frames without noise are read whatever their compression.
const ALWAYS_UNPACKED: u64 = 1 << 22;

/// Refuses a compressed image whose table, tiles or streams contradict each other.
pub fn check(path: &Path, bytes: &[u8], hdu: &Hdu) -> Result<(), FrameError> {
    let (method, tile) = check_shape(path, hdu)?;
    Table::of(bytes, hdu)
        .and_then(|table| check_rows(&table, hdu, &tile, &method))
        .map_err(|fault| damaged(path, hdu, fault))?;
    check_sum(path, bytes, hdu)
}

/// The method and the tile's sides, as the header has them.
///
/// Errors: what cannot be unpacked, and more pixels than the bytes can hold.
pub fn check_shape(path: &Path, hdu: &Hdu) -> Result<(String, Vec<u64>), FrameError> {
    let bad = |what: &str, value: String, limit: String| damaged(path, hdu, (what.into(), value, limit));
    if hdu.axes.len() > MAX_TILE_AXES {
        let limit = format!("at most {MAX_TILE_AXES} can be unpacked");
        return Err(bad("ZNAXIS", hdu.axes.len().to_string(), limit));
    }
    let method = hdu.header.text("ZCMPTYPE").unwrap_or("missing").to_uppercase();
    if !["RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1", "NOCOMPRESS"]
        .contains(&method.as_str())
    {
        return Err(bad("ZCMPTYPE", method, "Rice, gzip, HCOMPRESS and PLIO can be unpacked".into()));
    }
    // The library leaves the pixels of these unset, without an error.
    if method.starts_with("GZIP") && hdu.bitpix == 64 {
        return Err(bad(
            "ZBITPIX",
            "64".into(),
            "gzipped whole numbers can be unpacked up to 32 bits".into(),
        ));
    }
    if method.starts_with("RICE") {
        Coding::of(hdu).map_err(|fault| damaged(path, hdu, fault))?;
    }

    let most = MAX_PIXELS.min((MOST_PIXELS_A_BYTE * hdu.data_bytes as u64).max(ALWAYS_UNPACKED));
    let implausible = |what: String, pixels: u64| FrameError::Implausible {
        path: path.into(),
        what,
        pixels,
        bytes: hdu.data_bytes,
        limit: most,
    };
    let claimed = pixels_of(&hdu.axes);
    if claimed > most {
        return Err(implausible(format!("extension {}", hdu.index), claimed));
    }
    let tile = tile_axes(hdu).map_err(|(card, value)| bad(&card, value, "it must be 1 or more".into()))?;
    // The library makes room for a whole tile, however little of it lies in the image.
    if pixels_of(&tile) > most {
        return Err(implausible(format!("the tile {tile:?} of extension {}", hdu.index), pixels_of(&tile)));
    }
    let tiles: u64 = hdu.axes.iter().zip(&tile).map(|(n, t)| n.div_ceil(*t)).product();
    let rows = hdu.header.integer("NAXIS2").unwrap_or(0) as u64;
    if tiles != rows {
        return Err(bad("the number of rows", rows.to_string(), format!("the image has {tiles} tiles")));
    }
    Ok((method, tile))
}

/// The error of a compressed image.
pub fn damaged(path: &Path, hdu: &Hdu, (what, value, limit): Fault) -> FrameError {
    FrameError::Tile { path: path.into(), hdu: hdu.index, what, value, limit }
}

fn pixels_of(axes: &[u64]) -> u64 {
    axes.iter().fold(1, |n, &a| n.saturating_mul(a))
}

/// The tile's sides; rows of the image by default.
fn tile_axes(hdu: &Hdu) -> Result<Vec<u64>, (String, String)> {
    (0..hdu.axes.len())
        .map(|i| {
            let card = format!("ZTILE{}", i + 1);
            match hdu.header.card(&card) {
                None => Ok(if i == 0 { hdu.axes[0] } else { 1 }),
                Some(found) => hdu
                    .header
                    .integer(&card)
                    .filter(|v| *v >= 1)
                    .map(|v| v as u64)
                    .ok_or((card, found.value.clone())),
            }
        })
        .collect()
}

/// Every descriptor points inside the heap, and every stream announces its own tile.
fn check_rows(table: &Table, hdu: &Hdu, tile: &[u64], method: &str) -> Result<(), Fault> {
    let check_row = |row: usize| -> Result<(), Fault> {
        let pixels = tile_pixels(hdu, tile, row as u64);
        table.columns.iter().try_for_each(|column| {
            check_stream(hdu, table.stream(row, column)?, pixels, column, method)
                .map_err(|(value, limit)| (format!("tile {} of {}", row + 1, column.name), value, limit))
        })
    };
    (0..table.rows).into_par_iter().find_map_first(|row| check_row(row).err()).map_or(Ok(()), Err)
}

/// A stream unpacks to the pixels of its tile, and holds all that the decoder will ask for.
fn check_stream(
    hdu: &Hdu,
    stream: &[u8],
    pixels: u64,
    column: &HeapColumn,
    method: &str,
) -> Result<(), (String, String)> {
    let plain =
        column.name == "UNCOMPRESSED_DATA" || (column.name == "COMPRESSED_DATA" && method == "NOCOMPRESS");
    if plain {
        let fits = stream.len() as u64 <= pixels * hdu.bitpix.unsigned_abs() / 8;
        let has = format!("{} bytes", stream.len());
        return if fits { Ok(()) } else { Err((has, format!("the tile has {pixels} pixels"))) };
    }
    if stream.is_empty() || column.name != "COMPRESSED_DATA" {
        return Ok(());
    }
    match method {
        // The library would take whole numbers of one or two bytes for floats of eight, and read behind their end.
        "GZIP_1" | "GZIP_2" if is_unscaled(hdu) && hdu.bitpix < 0 => {
            streams::inflated(stream, pixels, &[hdu.bitpix.unsigned_abs() as usize / 8]).map(|_| ())
        }
        "GZIP_1" | "GZIP_2" | "RICE_1" | "RICE_ONE" if is_unscaled(hdu) => {
            let limit = "they are no floats, as ZQUANTIZ or the lack of ZSCALE and ZZERO says";
            Err((format!("{} bytes of whole numbers", stream.len()), limit.into()))
        }
        "HCOMPRESS_1" => check_hcompress(stream, pixels),
        "PLIO_1" => check_plio(stream),
        m if m.starts_with("RICE") => {
            let coding = Coding::of(hdu).map_err(|(_, value, limit)| (value, limit))?;
            rice::check(coding, stream, pixels).map_err(|damage| damage.in_words(stream, pixels))
        }
        _ => Ok(()),
    }
}

/// Does the library take the numbers for floats as they stand?
fn is_unscaled(hdu: &Hdu) -> bool {
    let is_float = hdu.bitpix < 0 && !["ZSCALE", "ZZERO"].iter().any(|name| Table::has_column(hdu, name));
    is_float || hdu.header.text("ZQUANTIZ").is_some_and(|method| method.eq_ignore_ascii_case("NONE"))
}

/// The stream opens with a magic number, the sides of its image and, behind scale
/// and sum, the number of bit planes of each quadrant.
fn check_hcompress(stream: &[u8], pixels: u64) -> Result<(), (String, String)> {
    if stream.len() < 25 || stream[..2] != [0xdd, 0x99] {
        return Err((format!("{} bytes", stream.len()), "an HCOMPRESS stream opens with dd 99".into()));
    }
    let (rows, columns) = (be_i32(&stream[2..]), be_i32(&stream[6..]));
    if rows < 1 || columns < 1 || rows as u64 * columns as u64 != pixels {
        return Err((format!("{columns} x {rows} pixels"), format!("the tile has {pixels}")));
    }
    if let Some(planes) = stream[22..25].iter().max().filter(|p| **p > MAX_BIT_PLANES) {
        return Err((format!("{planes} bit planes"), format!("at most {MAX_BIT_PLANES} fit a pixel")));
    }
    match streams::hcompress_is_whole(stream, rows as usize, columns as usize) {
        true => Ok(()),
        false => Err((format!("{} bytes", stream.len()), format!("its {pixels} pixels need more"))),
    }
}

/// A line list announces its own length, in 16-bit words.
fn check_plio(stream: &[u8]) -> Result<(), (String, String)> {
    let words: Vec<i64> =
        stream.chunks_exact(2).map(|w| i64::from(i16::from_be_bytes([w[0], w[1]]))).collect();
    let (length, first) = match words[..] {
        [_, _, length, ..] if length > 0 => (length, 4),
        [_, head, _, low, high, ..] => ((high << 15) + low, head + 1),
        _ => return Err((format!("{} words", words.len()), "a line list has at least 5".into())),
    };
    if length > words.len() as i64 || first < 1 {
        return Err((format!("{length} words from word {first}"), format!("it holds {}", words.len())));
    }
    Ok(())
}

/// The number of pixels in the tile of a row; tiles at the far edges are smaller.
fn tile_pixels(hdu: &Hdu, tile: &[u64], row: u64) -> u64 {
    let mut place = row;
    let mut pixels = 1;
    for (axis, side) in hdu.axes.iter().zip(tile) {
        let along = axis.div_ceil(*side).max(1);
        let start = (place % along) * side;
        pixels *= (*side).min(axis - start.min(*axis));
        place /= along;
    }
    pixels
}

/// The data sum of the standard's appendix J, where the header carries one.
pub fn check_sum(path: &Path, bytes: &[u8], hdu: &Hdu) -> Result<(), FrameError> {
    match data_sum_agrees(bytes, hdu) {
        Some((told, found)) if told != found => {
            let limit = format!("the data add up to {found}");
            Err(damaged(path, hdu, ("DATASUM".into(), told.to_string(), limit)))
        }
        _ => Ok(()),
    }
}

/// The data sum in the header and that of the data; None where the header has none.
pub fn data_sum_agrees(bytes: &[u8], hdu: &Hdu) -> Option<(u32, u32)> {
    let told = hdu.header.integer("DATASUM").and_then(|v| u32::try_from(v).ok())?;
    let padded = hdu.data_bytes.div_ceil(super::source::RECORD) * super::source::RECORD;
    let data = bytes.get(hdu.data_start..hdu.data_start + padded)?;
    let mut sum = DataSum::default();
    sum.add(data);
    Some((told, sum.folded()))
}
