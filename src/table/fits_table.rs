//! Binary tables to and from FITS bytes: the one place that speaks to the FITS
//! library about tables.
//!
//! A file is made and read in memory, so no path reaches the library (it would
//! interpret brackets and fall back to other names), and a file that is not whole
//! by its own checksums never does either.

use std::ffi::{CStr, CString, c_char, c_int, c_long};
use std::ops::Range;
use std::ptr;

use fitsio::sys;

use super::fits_memory::{Memory, free, text_of};

const BLOCK: usize = 2880;
const CARD: usize = 80;
const OVERWRITE_NOTHING: c_int = 0;
const BINARY_TBL: c_int = 2;
/// FITS binary tables hold at most this many columns.
const MAX_COLUMNS: usize = 999;
/// What stands for a missing integer (the TNULLn card).
const MISSING_I32: i32 = i32::MIN;

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
}

impl Data {
    pub fn len(&self) -> usize {
        match self {
            Data::F64(v) => v.len(),
            Data::F32(v) => v.len(),
            Data::I32(v) => v.len(),
            Data::U8(v) => v.len(),
            Data::Text(v) => v.len(),
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

    fn cell_length(&self) -> usize {
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

/// The library dates its checksums. Without the dates the same tables always give the
/// same bytes; the checksum is made anew by the library's own encoding.
fn take_dates_out(hdu: &mut [u8]) {
    let mut checksum_at = None;
    for (i, card) in hdu.chunks_exact_mut(CARD).enumerate() {
        let is_checksum = card.starts_with(b"CHECKSUM= '");
        if is_checksum || card.starts_with(b"DATASUM = '") {
            if let Some(comment) = card.windows(3).position(|w| w == b" / ") {
                card[comment..].fill(b' ');
            }
        }
        if is_checksum {
            card[11..27].fill(b'0');
            checksum_at = Some(i * CARD + 11);
        }
        if card.starts_with(b"END     ") {
            break;
        }
    }
    let Some(at) = checksum_at else { return };
    let mut encoded = [0 as c_char; 17];
    // SAFETY: the library writes sixteen letters and a zero.
    unsafe { sys::ffesum(ones_complement_sum(hdu).into(), 1, encoded.as_mut_ptr()) };
    for (place, letter) in hdu[at..at + 16].iter_mut().zip(encoded) {
        *place = letter as u8;
    }
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

/// FITS checksum arithmetic: 32-bit ones'-complement sum of big-endian words (FITS
/// 4.0, appendix J). An HDU that carries a right CHECKSUM sums to all ones, and so
/// does a file of such HDUs.
fn ones_complement_sum(bytes: &[u8]) -> u32 {
    let mut sum: u64 = 0;
    for word in bytes.chunks_exact(4) {
        sum += u64::from(u32::from_be_bytes([word[0], word[1], word[2], word[3]]));
    }
    while sum >> 32 != 0 {
        sum = (sum & 0xffff_ffff) + (sum >> 32);
    }
    sum as u32
}

/// Walks the headers before the library sees them, for it trusts what they say:
/// the primary must be empty and every extension a binary table that fits into the
/// file. Gives the place of each HDU, the primary first.
fn look_at_layout(bytes: &[u8]) -> Result<Vec<Range<usize>>> {
    if !bytes.starts_with(b"SIMPLE  =                    T") {
        return Err(FitsTableError::NotFits);
    }
    let layout = |what: &str| FitsTableError::Layout { what: what.into() };
    let (mut at, mut hdus) = (0, Vec::new());
    while at < bytes.len() {
        let header = &bytes[at..];
        let cards = header
            .chunks_exact(CARD)
            .position(|c| c.starts_with(b"END     "))
            .ok_or_else(|| layout("a header without END"))?;
        let number = |key: &str| {
            header.chunks_exact(CARD).take(cards).find_map(|card| {
                let card = std::str::from_utf8(card).ok()?;
                let value = card.strip_prefix(&format!("{key:<8}= "))?;
                value.split('/').next()?.trim().parse::<u64>().ok()
            })
        };
        let data = if at == 0 {
            if number("NAXIS") != Some(0) {
                return Err(layout("the primary holds an image"));
            }
            0
        } else {
            if !header.starts_with(b"XTENSION= 'BINTABLE'") || number("NAXIS") != Some(2) {
                return Err(layout("an extension that is no binary table"));
            }
            if number("TFIELDS").is_none_or(|n| n > MAX_COLUMNS as u64) {
                return Err(layout("TFIELDS is missing or over 999"));
            }
            ["NAXIS1", "NAXIS2", "PCOUNT"]
                .map(number)
                .into_iter()
                .collect::<Option<Vec<u64>>>()
                .and_then(|n| n[0].checked_mul(n[1])?.checked_add(n[2]))
                .ok_or_else(|| layout("NAXIS1, NAXIS2 or PCOUNT is missing"))?
        };
        let blocks = |n: usize| n.div_ceil(BLOCK) * BLOCK;
        let end = at + blocks((cards + 1) * CARD);
        if data > (bytes.len() as u64).saturating_sub(end as u64) || end > bytes.len() {
            return Err(layout("it ends before its last table does"));
        }
        let next = end + blocks(data as usize);
        if next > bytes.len() {
            return Err(layout("it ends before its last table does"));
        }
        hdus.push(at..next);
        at = next;
    }
    Ok(hdus)
}

fn write_table(file: &mut Memory, table: &Table) -> Result<()> {
    let rows = table.rows();
    for column in &table.columns {
        let expected = rows * column.cell_length();
        if column.data.len() != expected {
            let found = column.data.len();
            return Err(FitsTableError::Length { column: column.name.clone(), found, expected });
        }
    }
    let names = c_strings(table.columns.iter().map(|c| c.name.clone()));
    let forms = c_strings(table.columns.iter().map(form));
    let units = c_strings(table.columns.iter().map(|c| c.unit.clone()));
    let name = c_string(&table.name);
    let (mut names_p, mut forms_p, mut units_p) = (pointers(&names), pointers(&forms), pointers(&units));
    file.check(|f, s| unsafe {
        sys::ffcrtb(
            f,
            BINARY_TBL,
            OVERWRITE_NOTHING.into(),
            table.columns.len() as c_int,
            names_p.as_mut_ptr(),
            forms_p.as_mut_ptr(),
            units_p.as_mut_ptr(),
            name.as_ptr(),
            s,
        )
    })?;
    for (i, column) in table.columns.iter().enumerate() {
        describe_column(file, i + 1, column)?;
    }
    for card in &table.cards {
        write_card(file, card)?;
    }
    for (i, column) in table.columns.iter().enumerate() {
        write_column(file, i + 1, rows, column)?;
    }
    file.check(|f, s| unsafe { sys::ffpcks(f, s) })
}

fn form(column: &Column) -> String {
    let n = column.cell_length();
    match &column.data {
        Data::F64(_) => format!("{n}D"),
        Data::F32(_) => format!("{n}E"),
        Data::I32(_) => format!("{n}J"),
        Data::U8(_) => format!("{n}B"),
        Data::Text(v) => format!("{}A", v.iter().map(|t| to_ascii(t).len()).max().unwrap_or(1).max(1)),
    }
}

fn describe_column(file: &mut Memory, number: usize, column: &Column) -> Result<()> {
    let mut card = |key: &str, value: &str, comment: &str| {
        let value = CardValue::Text(value.into());
        write_card(file, &Card { key: format!("{key}{number}"), value, comment: comment.into() })
    };
    card("TCOMM", &column.description, "")?;
    if !column.ucd.is_empty() {
        card("TUCD", &column.ucd, "")?;
    }
    if column.unit.is_empty() && !matches!(column.data, Data::Text(_)) {
        card("TUNIT", "", "dimensionless")?;
    }
    if matches!(column.data, Data::I32(_)) {
        let value = CardValue::Int(MISSING_I32.into());
        write_card(file, &Card { key: format!("TNULL{number}"), value, comment: "missing".into() })?;
    }
    if column.cell.len() > 1 {
        let mut axes: Vec<c_long> = column.cell.iter().rev().map(|n| *n as c_long).collect();
        file.check(|f, s| unsafe {
            sys::ffptdm(f, number as c_int, axes.len() as c_int, axes.as_mut_ptr(), s)
        })?;
    }
    Ok(())
}

fn write_card(file: &mut Memory, card: &Card) -> Result<()> {
    if let CardValue::Text(text) = &card.value {
        let (key, value, comment) =
            (c_string(&card.key), c_string(&to_ascii(text)), c_string(&to_ascii(&card.comment)));
        return file
            .check(|f, s| unsafe { sys::ffpkls(f, key.as_ptr(), value.as_ptr(), comment.as_ptr(), s) });
    }
    let value = match &card.value {
        CardValue::Int(i) => i.to_string(),
        CardValue::Float(v) => shortest_float(*v),
        CardValue::Bool(b) => if *b { "T" } else { "F" }.to_string(),
        CardValue::Text(_) => unreachable!("written above"),
    };
    let mut line = format!("{:<8}= {value:>20}", card.key);
    if !card.comment.is_empty() {
        line.push_str(&format!(" / {}", to_ascii(&card.comment)));
    }
    line.truncate(CARD);
    let line = c_string(&line);
    file.check(|f, s| unsafe { sys::ffprec(f, line.as_ptr(), s) })
}

/// The shortest decimal that reads back to the same number.
fn shortest_float(v: f64) -> String {
    if v == 0.0 || (1e-4..1e15).contains(&v.abs()) { format!("{v:?}") } else { format!("{v:E}") }
}

fn write_column(file: &mut Memory, number: usize, rows: usize, column: &Column) -> Result<()> {
    let n = column.data.len() as i64;
    if rows == 0 || n == 0 {
        return Ok(());
    }
    let c = number as c_int;
    match &column.data {
        Data::F64(v) => file.check(|f, s| unsafe { sys::ffpcld(f, c, 1, 1, n, v.as_ptr().cast_mut(), s) }),
        Data::F32(v) => file.check(|f, s| unsafe { sys::ffpcle(f, c, 1, 1, n, v.as_ptr().cast_mut(), s) }),
        Data::U8(v) => file.check(|f, s| unsafe { sys::ffpclb(f, c, 1, 1, n, v.as_ptr().cast_mut(), s) }),
        Data::I32(v) => {
            let mut plain: Vec<i32> = v.iter().map(|i| i.unwrap_or(MISSING_I32)).collect();
            file.check(|f, s| unsafe { sys::ffpclk(f, c, 1, 1, n, plain.as_mut_ptr(), s) })
        }
        Data::Text(v) => {
            let texts = c_strings(v.iter().map(|t| to_ascii(t)));
            let mut texts = pointers(&texts);
            file.check(|f, s| unsafe { sys::ffpcls(f, c, 1, 1, n, texts.as_mut_ptr(), s) })
        }
    }
}

fn read_table(file: &mut Memory) -> Result<Table> {
    let mut table = Table { cards: read_cards(file)?, ..Table::default() };
    let text = |table: &Table, key: &str| match table.value(key) {
        Some(CardValue::Text(t)) => t.clone(),
        _ => String::new(),
    };
    table.name = text(&table, "EXTNAME");
    let fields = match table.value("TFIELDS") {
        Some(CardValue::Int(n)) => *n as usize,
        _ => 0,
    };
    let mut rows = 0;
    file.check(|f, s| unsafe { sys::ffgnrwll(f, &mut rows, s) })?;
    for number in 1..=fields {
        let name = text(&table, &format!("TTYPE{number}"));
        let (cell, data) = read_column(file, number as c_int, rows, &name)?;
        table.columns.push(Column {
            name,
            unit: text(&table, &format!("TUNIT{number}")),
            description: text(&table, &format!("TCOMM{number}")),
            ucd: text(&table, &format!("TUCD{number}")),
            cell,
            data,
        });
    }
    Ok(table)
}

/// Type codes of the library for the column types written here.
const TBYTE: c_int = 11;
const TSTRING: c_int = 16;
const TLONG: c_int = 41;
const TFLOAT: c_int = 42;
const TDOUBLE: c_int = 82;

fn read_column(file: &mut Memory, c: c_int, rows: i64, name: &str) -> Result<(Vec<usize>, Data)> {
    let (mut code, mut repeat, mut width, mut any) = (0, 0, 0, 0);
    file.check(|f, s| unsafe { sys::ffgtclll(f, c, &mut code, &mut repeat, &mut width, s) })?;
    let mut axes = [0 as c_long; 8];
    let mut dimensions = 0;
    file.check(|f, s| unsafe { sys::ffgtdm(f, c, 8, &mut dimensions, axes.as_mut_ptr(), s) })?;
    let per_row = if code == TSTRING { 1 } else { repeat };
    let n = rows * per_row;
    let data = match code {
        TDOUBLE => {
            let mut v = vec![f64::NAN; n as usize];
            if n > 0 {
                file.check(|f, s| unsafe {
                    sys::ffgcvd(f, c, 1, 1, n, f64::NAN, v.as_mut_ptr(), &mut any, s)
                })?;
            }
            Data::F64(v)
        }
        TFLOAT => {
            let mut v = vec![f32::NAN; n as usize];
            if n > 0 {
                file.check(|f, s| unsafe {
                    sys::ffgcve(f, c, 1, 1, n, f32::NAN, v.as_mut_ptr(), &mut any, s)
                })?;
            }
            Data::F32(v)
        }
        TBYTE => {
            let mut v = vec![0u8; n as usize];
            if n > 0 {
                file.check(|f, s| unsafe { sys::ffgcvb(f, c, 1, 1, n, 0, v.as_mut_ptr(), &mut any, s) })?;
            }
            Data::U8(v)
        }
        TLONG => {
            let mut v = vec![MISSING_I32; n as usize];
            if n > 0 {
                file.check(|f, s| unsafe {
                    sys::ffgcvk(f, c, 1, 1, n, MISSING_I32, v.as_mut_ptr(), &mut any, s)
                })?;
            }
            Data::I32(v.into_iter().map(|i| (i != MISSING_I32).then_some(i)).collect())
        }
        TSTRING => {
            let mut buffers = vec![vec![0 as c_char; repeat as usize + 1]; n as usize];
            let mut each: Vec<*mut c_char> = buffers.iter_mut().map(|b| b.as_mut_ptr()).collect();
            let mut null = [0 as c_char; 2];
            if n > 0 {
                file.check(|f, s| unsafe {
                    sys::ffgcvs(f, c, 1, 1, n, null.as_mut_ptr(), each.as_mut_ptr(), &mut any, s)
                })?;
            }
            Data::Text(buffers.iter().map(|b| from_ascii(text_of(b).trim_end())).collect())
        }
        code => return Err(FitsTableError::ColumnType { column: name.into(), code }),
    };
    let cell = axes[..(dimensions.max(0) as usize).min(8)].iter().rev().map(|n| *n as usize).collect();
    let scalar = code == TSTRING || dimensions <= 1 && repeat == 1;
    Ok((if scalar { vec![] } else { cell }, data))
}

/// Every card with a value, long strings put together again.
fn read_cards(file: &mut Memory) -> Result<Vec<Card>> {
    let (mut count, mut more) = (0, 0);
    file.check(|f, s| unsafe { sys::ffghsp(f, &mut count, &mut more, s) })?;
    let mut cards = Vec::new();
    for number in 1..=count {
        let mut raw = [0 as c_char; CARD + 1];
        file.check(|f, s| unsafe { sys::ffgrec(f, number, raw.as_mut_ptr(), s) })?;
        let line = text_of(&raw);
        let Some((key, rest)) = line.split_once("= ").filter(|(key, _)| key.len() == 8) else { continue };
        let key = key.trim_end().to_string();
        let value = if rest.trim_start().starts_with('\'') {
            CardValue::Text(read_long_string(file, &key)?)
        } else {
            match rest.split('/').next().unwrap_or("").trim() {
                "T" => CardValue::Bool(true),
                "F" => CardValue::Bool(false),
                number => match (number.parse::<i64>(), number.parse::<f64>()) {
                    (Ok(i), _) => CardValue::Int(i),
                    (_, Ok(v)) => CardValue::Float(v),
                    _ => continue,
                },
            }
        };
        cards.push(Card { key, value, comment: String::new() });
    }
    Ok(cards)
}

fn read_long_string(file: &mut Memory, key: &str) -> Result<String> {
    let key = c_string(key);
    let mut value: *mut c_char = ptr::null_mut();
    file.check(|f, s| unsafe { sys::ffgkls(f, key.as_ptr(), &mut value, ptr::null_mut(), s) })?;
    if value.is_null() {
        return Ok(String::new());
    }
    // SAFETY: on success the library gives a string of its own allocator, ended by zero.
    let text = unsafe { CStr::from_ptr(value) }.to_string_lossy().trim_end().to_string();
    unsafe { free(value.cast()) };
    Ok(from_ascii(&text))
}

fn c_string(text: &str) -> CString {
    CString::new(text.replace('\0', "%00")).unwrap_or_default()
}

fn c_strings(texts: impl Iterator<Item = String>) -> Vec<CString> {
    texts.map(|t| c_string(&t)).collect()
}

fn pointers(strings: &[CString]) -> Vec<*mut c_char> {
    strings.iter().map(|s| s.as_ptr().cast_mut()).collect()
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
