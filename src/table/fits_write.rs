//! Tables to the FITS library.

#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::{CString, c_char, c_int, c_long};

use fitsio::sys;

use super::fits_memory::{Memory, c_string};
use super::fits_table::{Card, CardValue, Column, Data, FitsTableError, MISSING_I32, Table, to_ascii};

type Result<T> = std::result::Result<T, FitsTableError>;

const CARD: usize = 80;
const BINARY_TBL: c_int = 2;

pub(super) fn write_table(file: &mut Memory, table: &Table) -> Result<()> {
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
            0,
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
        Data::F32Lists(v) => format!("1PE({})", v.iter().map(Vec::len).max().unwrap_or(0)),
        Data::U8Lists(v) => format!("1PB({})", v.iter().map(Vec::len).max().unwrap_or(0)),
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
        Data::F32Lists(v) => write_lists(file, v, |f, row, list, s| unsafe {
            sys::ffpcle(f, c, row, 1, list.len() as i64, list.as_ptr().cast_mut(), s)
        }),
        Data::U8Lists(v) => write_lists(file, v, |f, row, list, s| unsafe {
            sys::ffpclb(f, c, row, 1, list.len() as i64, list.as_ptr().cast_mut(), s)
        }),
        Data::Text(v) => {
            let texts = c_strings(v.iter().map(|t| to_ascii(t)));
            let mut texts = pointers(&texts);
            file.check(|f, s| unsafe { sys::ffpcls(f, c, 1, 1, n, texts.as_mut_ptr(), s) })
        }
    }
}

/// Writes each row's list; an empty one leaves its descriptor at zero length.
fn write_lists<T>(
    file: &mut Memory,
    lists: &[Vec<T>],
    write: impl Fn(*mut sys::fitsfile, i64, &[T], *mut c_int) -> c_int,
) -> Result<()> {
    for (row, list) in lists.iter().enumerate().filter(|(_, list)| !list.is_empty()) {
        file.check(|f, s| write(f, row as i64 + 1, list, s))?;
    }
    Ok(())
}

fn c_strings(texts: impl Iterator<Item = String>) -> Vec<CString> {
    texts.map(|t| c_string(&t)).collect()
}

fn pointers(strings: &[CString]) -> Vec<*mut c_char> {
    strings.iter().map(|s| s.as_ptr().cast_mut()).collect()
}
