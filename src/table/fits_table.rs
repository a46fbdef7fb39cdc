//! Binary tables and their FITS bytes. The FITS library is spoken to in
//! `fits_write.rs`, `fits_read.rs` and `fits_memory.rs` only.
//!
//! A file is made and read in memory, so no path reaches the library (it would
//! interpret brackets and fall back to other names), and a file that is not whole
//! by its own checksums never does either.

#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::c_int;
use std::ptr;

use fitsio::sys;

use super::fits_layout::{look_at_layout, ones_complement_sum, take_dates_out};
use super::fits_memory::Memory;
use super::fits_read::read_table;
use super::fits_write::write_table;

/// What stands for a missing integer (the TNULLn card).
pub(super) const MISSING_I32: i32 = i32::MIN;

/// Why a table could not be made or read. Paths are added by the callers.
#[derive(Debug, thiserror::Error)]
pub enum FitsTableError {
    #[error("not a FITS file (it does not begin with SIMPLE = T)")]
    NotFits,
    #[error("not whole: its FITS checksum does not hold over {bytes} bytes")]
    Damaged { bytes: usize },
    #[error("not laid out as a file of binary tables: {what}")]
    Layout { what: String },
    #[error("no table named \"{name}\" in it")]
    NoTable { name: String },
    #[error("column \"{column}\" has {found} values where {expected} are wanted")]
    Length { column: String, found: usize, expected: usize },
    #[error("column \"{column}\" is of a type that is not read here (code {code})")]
    ColumnType { column: String, code: c_int },
    #[error("the FITS library answers: {message} (status {status})")]
    Library { status: c_int, message: String },
}

type Result<T> = std::result::Result<T, FitsTableError>;

/// Values of one column, all rows behind each other; with a cell shape, each
/// row's cell in C order.
#[derive(Debug, Clone, PartialEq)]
pub enum Data {
    /// Missing is NaN.
    F64(Vec<f64>),
    /// Missing is NaN.
    F32(Vec<f32>),
    I32(Vec<Option<i32>>),
    U8(Vec<u8>),
    Text(Vec<String>),
    /// A list of its own length in each row (a variable-length array in the heap).
    F32Lists(Vec<Vec<f32>>),
    U8Lists(Vec<Vec<u8>>),
}

impl Data {
    pub fn len(&self) -> usize {
        match self {
            Data::F64(v) => v.len(),
            Data::F32(v) => v.len(),
            Data::I32(v) => v.len(),
            Data::U8(v) => v.len(),
            Data::Text(v) => v.len(),
            Data::F32Lists(v) => v.len(),
            Data::U8Lists(v) => v.len(),
        }
    }
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    pub name: String,
    /// FITS unit string; empty for dimensionless numbers and text.
    pub unit: String,
    pub description: String,
    /// Unified content descriptor of the IVOA; empty for none.
    pub ucd: String,
    /// Shape of one cell, slowest axis first; empty for scalars.
    pub cell: Vec<usize>,
    pub data: Data,
}

impl Column {
    pub fn new(name: &str, unit: &str, ucd: &str, description: &str, data: Data) -> Self {
        Self {
            name: name.into(),
            unit: unit.into(),
            description: description.into(),
            ucd: ucd.into(),
            cell: vec![],
            data,
        }
    }

    pub fn with_cell(mut self, cell: &[usize]) -> Self {
        self.cell = cell.to_vec();
        self
    }

    pub(super) fn cell_length(&self) -> usize {
        self.cell.iter().product()
    }
}

#[derive(Debug, Clone, PartialEq)]
pub enum CardValue {
    Text(String),
    Int(i64),
    Float(f64),
    Bool(bool),
}

/// A header card. Text of any length is continued over several cards.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    pub key: String,
    pub value: CardValue,
    pub comment: String,
}

/// One binary table with its header.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    pub name: String,
    pub cards: Vec<Card>,
    pub columns: Vec<Column>,
}

impl Table {
    pub fn new(name: &str) -> Self {
        Self { name: name.into(), ..Self::default() }
    }

    pub fn text(&mut self, key: &str, value: &str, comment: &str) {
        self.card(key, CardValue::Text(value.into()), comment);
    }

    pub fn int(&mut self, key: &str, value: i64, comment: &str) {
        self.card(key, CardValue::Int(value), comment);
    }

    /// Writes nothing where the value is missing or not finite: FITS cards hold no NaN.
    pub fn float(&mut self, key: &str, value: Option<f64>, comment: &str) {
        if let Some(v) = value.filter(|v| v.is_finite()) {
            self.card(key, CardValue::Float(v), comment);
        }
    }

    pub fn flag(&mut self, key: &str, value: bool, comment: &str) {
        self.card(key, CardValue::Bool(value), comment);
    }

    fn card(&mut self, key: &str, value: CardValue, comment: &str) {
        self.cards.push(Card { key: key.into(), value, comment: comment.into() });
    }

    pub fn column(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|c| c.name == name)
    }

    pub fn value(&self, key: &str) -> Option<&CardValue> {
        self.cards.iter().find(|c| c.key == key).map(|c| &c.value)
    }

    /// Rows, taken from the first column.
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, |c| c.data.len() / c.cell_length().max(1))
    }
}

/// Text as FITS can hold it: printable ASCII. Every other byte, the per cent sign,
/// trailing blanks (which FITS drops) and a trailing ampersand (which announces a
/// continuation) become `%XX`.
pub fn to_ascii(text: &str) -> String {
    let kept = text.trim_end_matches([' ', '&']).len();
    let mut out = String::with_capacity(text.len());
    for (i, b) in text.bytes().enumerate() {
        if (0x20..0x7f).contains(&b) && b != b'%' && i < kept {
            out.push(b as char);
        } else {
            out.push_str(&format!("%{b:02X}"));
        }
    }
    out
}

/// The inverse of [`to_ascii`]; what does not decode is left as it stands.
pub fn from_ascii(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut out = Vec::with_capacity(bytes.len());
    let mut i = 0;
    while i < bytes.len() {
        let hex = bytes.get(i + 1..i + 3).and_then(|h| std::str::from_utf8(h).ok());
        match (bytes[i], hex.and_then(|h| u8::from_str_radix(h, 16).ok())) {
            (b'%', Some(b)) => {
                out.push(b);
                i += 3;
            }
            (b, _) => {
                out.push(b);
                i += 1;
            }
        }
    }
    String::from_utf8(out).unwrap_or_else(|_| text.to_string())
}

/// A FITS file of an empty primary and the tables, each with DATASUM and CHECKSUM.
pub fn to_bytes(tables: &[Table]) -> Result<Vec<u8>> {
    let mut file = Memory::create()?;
    file.check(|f, s| unsafe { sys::ffphps(f, 8, 0, ptr::null_mut(), s) })?;
    file.check(|f, s| unsafe { sys::ffpcks(f, s) })?;
    for table in tables {
        write_table(&mut file, table)?;
    }
    let mut bytes = file.into_bytes()?;
    for hdu in look_at_layout(&bytes)? {
        take_dates_out(&mut bytes[hdu]);
    }
    Ok(bytes)
}

/// Every binary table of a FITS file, after the checksums were found to hold.
pub fn from_bytes(bytes: &[u8]) -> Result<Vec<Table>> {
    let tables = look_at_layout(bytes)?.len() - 1;
    if ones_complement_sum(bytes) != u32::MAX {
        return Err(FitsTableError::Damaged { bytes: bytes.len() });
    }
    let mut file = Memory::open(bytes)?;
    (0..tables)
        .map(|i| {
            let mut kind = 0;
            file.check(|f, s| unsafe { sys::ffmahd(f, i as c_int + 2, &mut kind, s) })?;
            read_table(&mut file)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Table {
        let mut table = Table::new("sample");
        let path = "a/long/path/".repeat(20) + "wîth 100 % of 'quotes' and a blank ";
        table.text("FRAME", &path, "path");
        table.text("EMPTY", "", "");
        table.float("ANGLE", Some(0.1 + 0.2), "deg");
        table.float("TINY", Some(-1.2345678901234567e-300), "");
        table.float("NOTHING", Some(f64::NAN), "");
        table.int("COUNT", -7, "");
        table.flag("YES", true, "");
        table.columns = vec![
            Column::new("x", "pix", "pos.cartesian.x", "place", Data::F64(vec![1.5, f64::NAN])),
            Column::new("n", "", "", "number", Data::I32(vec![Some(-3), None])),
            Column::new("word", "", "", "a word", Data::Text(vec!["".into(), "é%".into()])),
            Column::new("image", "adu", "", "pixels", Data::F32((0..12).map(|i| i as f32).collect()))
                .with_cell(&[2, 3]),
            Column::new("mask", "", "", "mask", Data::U8((0..12).collect())).with_cell(&[2, 3]),
            Column::new("list", "adu", "", "floats", Data::F32Lists(vec![vec![1.5, -2.5, 7.0], vec![]])),
            Column::new("bytes", "", "", "bytes", Data::U8Lists(vec![vec![], vec![3, 1]])),
        ];
        table
    }

    #[test]
    fn a_table_comes_back_as_it_went() {
        let table = sample();
        let back = from_bytes(&to_bytes(std::slice::from_ref(&table)).unwrap()).unwrap();
        assert_eq!(back.len(), 1);
        assert_eq!(back[0].name, "sample");
        for card in &table.cards {
            assert_eq!(back[0].value(&card.key), Some(&card.value), "{}", card.key);
        }
        assert!(back[0].value("NOTHING").is_none());
        for (a, b) in table.columns.iter().zip(&back[0].columns) {
            let same_numbers = match (&a.data, &b.data) {
                (Data::F64(p), Data::F64(q)) => {
                    p.iter().zip(q).all(|(x, y)| x.to_bits() == y.to_bits() || x.is_nan() && y.is_nan())
                }
                (p, q) => p == q,
            };
            assert!(same_numbers, "{a:?} {b:?}");
            assert_eq!((&a.name, &a.unit, &a.description), (&b.name, &b.unit, &b.description));
            assert_eq!((&a.ucd, &a.cell), (&b.ucd, &b.cell));
        }
    }

    #[test]
    fn no_rows_and_several_tables() {
        let mut empty = sample();
        for column in &mut empty.columns {
            column.data = match column.data {
                Data::F64(_) => Data::F64(vec![]),
                Data::F32(_) => Data::F32(vec![]),
                Data::I32(_) => Data::I32(vec![]),
                Data::U8(_) => Data::U8(vec![]),
                Data::Text(_) => Data::Text(vec![]),
                Data::F32Lists(_) => Data::F32Lists(vec![]),
                Data::U8Lists(_) => Data::U8Lists(vec![]),
            };
        }
        let back = from_bytes(&to_bytes(&[empty, sample()]).unwrap()).unwrap();
        assert_eq!((back[0].rows(), back[1].rows()), (0, 2));
    }

    /// FITS 4.0, appendix J, with the checksum convention: a file whose HDUs carry
    /// right checksums sums to all ones, and no single changed byte goes unseen.
    #[test]
    fn every_changed_byte_is_noticed() {
        let bytes = to_bytes(&[sample()]).unwrap();
        assert_eq!(ones_complement_sum(&bytes), u32::MAX);
        for at in (0..bytes.len()).step_by(97) {
            let mut bad = bytes.clone();
            bad[at] ^= 0x10;
            assert!(from_bytes(&bad).is_err(), "byte {at}");
        }
    }

    #[test]
    fn truncated_files_never_panic() {
        let bytes = to_bytes(&[sample()]).unwrap();
        for end in (0..bytes.len()).step_by(641) {
            let short = from_bytes(&bytes[..end]);
            assert!(short.is_err() || short.unwrap().is_empty(), "{end}");
        }
    }

    #[test]
    fn the_same_table_gives_the_same_bytes() {
        let bytes = to_bytes(&[sample()]).unwrap();
        let text = String::from_utf8_lossy(&bytes);
        assert!(text.contains("CHECKSUM= '") && text.contains("DATASUM = '") && !text.contains("updated"));
        assert_eq!(bytes, to_bytes(&[sample()]).unwrap());
    }

    #[test]
    fn unequal_columns_are_refused() {
        let mut table = sample();
        table.columns[1].data = Data::I32(vec![None]);
        assert!(matches!(to_bytes(&[table]), Err(FitsTableError::Length { found: 1, expected: 2, .. })));
    }
}
