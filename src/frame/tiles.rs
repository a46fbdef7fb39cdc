//! Tile-compressed images, checked before the library unpacks them: it trusts the
//! tile sizes and the heads of the compressed streams, and would write past its
//! buffers if they lied.
//!
//! FITS Standard 4.0 (2018), section 10.

use std::path::Path;

use rayon::prelude::*;

use super::error::FrameError;
use super::raw_header::{Hdu, MAX_PIXELS};
use super::streams;
use super::strips::DataSum;

/// Most axes the library unpacks.
const MAX_TILE_AXES: usize = 6;
/// Largest Rice block; 16 and 32 are in use.
const MAX_RICE_BLOCK: i64 = 256;
/// Bits of the widest integer an HCOMPRESS stream can hold.
const MAX_BIT_PLANES: u8 = 64;
/// Pixels a compressed byte holds at most in a frame that has noise; an even sky comes to 85 (Rice, 8 bits).
const MOST_PIXELS_A_BYTE: u64 = 100;
/// Memory of no concern, so that small frames without noise are read whatever their compression.
const ALWAYS_UNPACKED: u64 = 1 << 22;

/// One column that holds variable-length arrays.
struct HeapColumn {
    name: String,
    /// Bytes from the start of a row.
    offset: usize,
    /// 64-bit descriptors.
    wide: bool,
    element_bytes: u64,
}

/// Refuses a compressed image whose table, tiles or streams contradict each other.
pub fn check(path: &Path, bytes: &[u8], hdu: &Hdu) -> Result<(), FrameError> {
    let bad = |what: &str, value: String, limit: String| FrameError::Tile {
        path: path.into(),
        hdu: hdu.index,
        what: what.into(),
        value,
        limit,
    };
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
    if method.starts_with("RICE") {
        check_rice(hdu).map_err(|(card, value, limit)| bad(&card, value, limit))?;
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
    check_rows(bytes, hdu, &tile, &method).map_err(|(what, value, limit)| bad(&what, value, limit))?;
    check_sum(bytes, hdu).map_err(|(value, limit)| bad("DATASUM", value, limit))
}

fn pixels_of(axes: &[u64]) -> u64 {
    axes.iter().fold(1, |n, &a| n.saturating_mul(a))
}

type Fault = (String, String, String);

/// Pixels of a Rice block and bytes of its integers; the library exchanges the two where
/// they stand the wrong way round.
fn rice_parameters(hdu: &Hdu) -> (i64, i64) {
    let value = |card: &str| hdu.header.integer(card);
    let old = hdu.header.text("ZNAME2") == Some("NOISEBIT");
    let (block, bytes) = (value("ZVAL1").unwrap_or(0), value("ZVAL2").filter(|_| !old).unwrap_or(4));
    if block < 16 && bytes > 8 { (bytes, block) } else { (block, bytes) }
}

fn check_rice(hdu: &Hdu) -> Result<(), Fault> {
    let (block, bytes) = rice_parameters(hdu);
    if !(1..=MAX_RICE_BLOCK).contains(&block) {
        return Err(("ZVAL1".into(), block.to_string(), format!("it must be 1 to {MAX_RICE_BLOCK}")));
    }
    if ![1, 2, 4].contains(&bytes) {
        return Err(("ZVAL2".into(), bytes.to_string(), "it must be 1, 2 or 4".into()));
    }
    Ok(())
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
fn check_rows(bytes: &[u8], hdu: &Hdu, tile: &[u64], method: &str) -> Result<(), Fault> {
    let columns = heap_columns(hdu)?;
    let row_bytes = hdu.header.integer("NAXIS1").unwrap_or(0).max(0) as usize;
    let rows = hdu.header.integer("NAXIS2").unwrap_or(0).max(0) as usize;
    let data = &bytes[hdu.data_start..hdu.data_start + hdu.data_bytes];
    let table_bytes = (row_bytes as u64).saturating_mul(rows as u64);
    for (card, wanted) in [("BITPIX", 8), ("NAXIS", 2), ("GCOUNT", 1)] {
        let value = hdu.header.integer(card).unwrap_or(1);
        if value != wanted {
            return Err((card.into(), value.to_string(), format!("it is {wanted} in a table")));
        }
    }
    if table_bytes > data.len() as u64 {
        return Err(("the table".into(), format!("{table_bytes} bytes"), format!("it has {}", data.len())));
    }
    let heap_start = match hdu.header.card("THEAP") {
        None => table_bytes,
        Some(card) => hdu
            .header
            .integer("THEAP")
            .and_then(|v| u64::try_from(v).ok())
            .filter(|v| (table_bytes..=data.len() as u64).contains(v))
            .ok_or(("THEAP".into(), card.value.clone(), "it must lie between table and end".to_string()))?,
    };
    let check_row = |row: usize| -> Result<(), Fault> {
        let pixels = tile_pixels(hdu, tile, row as u64);
        for column in &columns {
            let at = row * row_bytes + column.offset;
            let (count, offset) = descriptor(&data[at..], column.wide);
            let stream = count
                .checked_mul(column.element_bytes)
                .and_then(|length| Some((heap_start.checked_add(offset)?, length)))
                .and_then(|(start, length)| Some((start, start.checked_add(length)?)))
                .filter(|(_, end)| *end <= data.len() as u64)
                .map(|(start, end)| &data[start as usize..end as usize])
                .ok_or_else(|| {
                    let what = format!("the array of {} in row {}", column.name, row + 1);
                    (what, format!("{count} elements at {offset}"), "it lies outside the data".to_string())
                })?;
            check_stream(hdu, stream, pixels, column, method)
                .map_err(|(value, limit)| (format!("tile {} of {}", row + 1, column.name), value, limit))?;
        }
        Ok(())
    };
    (0..rows).into_par_iter().find_map_first(|row| check_row(row).err()).map_or(Ok(()), Err)
}

/// A stream unpacks to the pixels of its tile, and holds all that the decoder will ask for.
fn check_stream(
    hdu: &Hdu,
    stream: &[u8],
    pixels: u64,
    column: &HeapColumn,
    method: &str,
) -> Result<(), (String, String)> {
    let has = format!("{} bytes", stream.len());
    let plain =
        column.name == "UNCOMPRESSED_DATA" || (column.name == "COMPRESSED_DATA" && method == "NOCOMPRESS");
    if plain {
        let fits = stream.len() as u64 <= pixels * hdu.bitpix.unsigned_abs() / 8;
        return if fits { Ok(()) } else { Err((has, format!("the tile has {pixels} pixels"))) };
    }
    if stream.is_empty() || column.name != "COMPRESSED_DATA" {
        return Ok(());
    }
    match method {
        "HCOMPRESS_1" => check_hcompress(stream, pixels),
        "PLIO_1" => check_plio(stream),
        m if m.starts_with("RICE") => {
            let (block, bytes) = rice_parameters(hdu);
            match streams::rice_is_whole(stream, pixels, block as u64, bytes as u64) {
                true => Ok(()),
                false => Err((has, format!("its {pixels} pixels need more"))),
            }
        }
        _ => Ok(()),
    }
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

/// The variable-length columns, and where their descriptors stand in a row.
fn heap_columns(hdu: &Hdu) -> Result<Vec<HeapColumn>, Fault> {
    let fields = hdu.header.integer("TFIELDS").unwrap_or(0);
    if !(1..=999).contains(&fields) {
        return Err(("TFIELDS".into(), fields.to_string(), "it must be 1 to 999".into()));
    }
    let mut columns = Vec::new();
    let mut offset = 0usize;
    for n in 1..=fields {
        let card = format!("TFORM{n}");
        let form = hdu.header.text(&card).unwrap_or("").to_uppercase();
        let fault = || (card.clone(), form.clone(), "it is no column format".to_string());
        let letter_at = form.find(|c: char| !c.is_ascii_digit()).ok_or_else(fault)?;
        let repeat = match &form[..letter_at] {
            "" => 1,
            digits => digits.parse::<usize>().ok().filter(|r| *r < 1 << 31).ok_or_else(fault)?,
        };
        let letter = form[letter_at..].chars().next().ok_or_else(fault)?;
        let width = element_bytes(letter).ok_or_else(fault)?;
        if matches!(letter, 'P' | 'Q') && repeat > 0 {
            let element = form[letter_at + 1..].chars().next().and_then(element_bytes).ok_or_else(fault)?;
            columns.push(HeapColumn {
                name: hdu.header.text(&format!("TTYPE{n}")).unwrap_or("").to_uppercase(),
                offset,
                wide: letter == 'Q',
                element_bytes: element as u64,
            });
        }
        offset += if letter == 'X' { repeat.div_ceil(8) } else { repeat * width };
    }
    let row_bytes = hdu.header.integer("NAXIS1").unwrap_or(0);
    if offset as i64 != row_bytes {
        return Err(("NAXIS1".into(), row_bytes.to_string(), format!("the columns add up to {offset}")));
    }
    if !columns.iter().any(|c| c.name == "COMPRESSED_DATA") {
        return Err(("TTYPE".into(), "missing".into(), "a column COMPRESSED_DATA is wanted".into()));
    }
    Ok(columns)
}

fn element_bytes(letter: char) -> Option<usize> {
    match letter {
        'L' | 'X' | 'B' | 'A' => Some(1),
        'I' => Some(2),
        'J' | 'E' => Some(4),
        'K' | 'D' | 'C' | 'P' => Some(8),
        'M' | 'Q' => Some(16),
        _ => None,
    }
}

/// `(elements, offset)`; a negative number comes out too large to pass.
fn descriptor(row: &[u8], wide: bool) -> (u64, u64) {
    if wide {
        let number = |b: &[u8]| u64::from_be_bytes(b.try_into().unwrap_or([0xff; 8]));
        (number(&row[..8]), number(&row[8..16]))
    } else {
        (be_i32(row) as u32 as u64, be_i32(&row[4..]) as u32 as u64)
    }
}

fn be_i32(bytes: &[u8]) -> i32 {
    i32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}

/// The data sum of the standard's appendix J, where the header carries one.
fn check_sum(bytes: &[u8], hdu: &Hdu) -> Result<(), (String, String)> {
    match data_sum_agrees(bytes, hdu) {
        Some((told, found)) if told != found => {
            Err((told.to_string(), format!("the data add up to {found}")))
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
