//! Tables from the FITS library.

#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::{CStr, c_char, c_int, c_long};
use std::ptr;

use fitsio::sys;

use super::fits_memory::{Memory, c_string, free, text_of};
use super::fits_table::{Card, CardValue, Column, Data, FitsTableError, MISSING_I32, Table, from_ascii};

type Result<T> = std::result::Result<T, FitsTableError>;

const CARD: usize = 80;

pub(super) fn read_table(file: &mut Memory) -> Result<Table> {
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

/// Most axes of a cell.
const MAX_CELL_AXES: usize = 8;

/// Type codes of the library for the column types written here.
const TBYTE: c_int = 11;
const TSTRING: c_int = 16;
const TLONG: c_int = 41;
const TFLOAT: c_int = 42;
const TDOUBLE: c_int = 82;

fn read_column(file: &mut Memory, c: c_int, rows: i64, name: &str) -> Result<(Vec<usize>, Data)> {
    let (mut code, mut repeat, mut width, mut any) = (0, 0, 0, 0);
    file.check(|f, s| unsafe { sys::ffgtclll(f, c, &mut code, &mut repeat, &mut width, s) })?;
    let mut axes = [0 as c_long; MAX_CELL_AXES];
    let mut dimensions = 0;
    let most = MAX_CELL_AXES as c_int;
    file.check(|f, s| unsafe { sys::ffgtdm(f, c, most, &mut dimensions, axes.as_mut_ptr(), s) })?;
    if dimensions > most {
        return Err(FitsTableError::Layout { what: format!("TDIM{c} has {dimensions} axes") });
    }
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
            let mut buffers = vec![vec![0 as c_char; repeat.max(width) as usize + 1]; n as usize];
            let mut each: Vec<*mut c_char> = buffers.iter_mut().map(|b| b.as_mut_ptr()).collect();
            let mut null = [0 as c_char; 2];
            if n > 0 {
                file.check(|f, s| unsafe {
                    sys::ffgcvs(f, c, 1, 1, n, null.as_mut_ptr(), each.as_mut_ptr(), &mut any, s)
                })?;
            }
            Data::Text(buffers.iter().map(|b| from_ascii(text_of(b).trim_end())).collect())
        }
        // The library gives variable-length arrays the negative code of their elements.
        code if code == -TFLOAT => {
            Data::F32Lists(read_lists(file, c, rows, f32::NAN, |f, row, list, s| unsafe {
                sys::ffgcve(f, c, row, 1, list.len() as i64, f32::NAN, list.as_mut_ptr(), &mut 0, s)
            })?)
        }
        code if code == -TBYTE => Data::U8Lists(read_lists(file, c, rows, 0, |f, row, list, s| unsafe {
            sys::ffgcvb(f, c, row, 1, list.len() as i64, 0, list.as_mut_ptr(), &mut 0, s)
        })?),
        code => return Err(FitsTableError::ColumnType { column: name.into(), code }),
    };
    let cell = axes[..dimensions.max(0) as usize].iter().rev().map(|n| *n as usize).collect();
    let scalar = code == TSTRING || code < 0 || dimensions <= 1 && repeat == 1;
    Ok((if scalar { vec![] } else { cell }, data))
}

/// Longest list that is believed: a cut-out of 1000 by 1000 pixels.
const LONGEST_LIST: i64 = 1_000_000;

fn read_lists<T: Clone>(
    file: &mut Memory,
    c: c_int,
    rows: i64,
    missing: T,
    read: impl Fn(*mut sys::fitsfile, i64, &mut [T], *mut c_int) -> c_int,
) -> Result<Vec<Vec<T>>> {
    (1..=rows)
        .map(|row| {
            let (mut length, mut offset) = (0, 0);
            file.check(|f, s| unsafe { sys::ffgdesll(f, c, row, &mut length, &mut offset, s) })?;
            if !(0..=LONGEST_LIST).contains(&length) {
                let what = format!("a list of {length} values");
                return Err(FitsTableError::Layout { what });
            }
            let mut list = vec![missing.clone(); length as usize];
            if length > 0 {
                file.check(|f, s| read(f, row, &mut list, s))?;
            }
            Ok(list)
        })
        .collect()
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
            match short_string(rest) {
                Some(text) => CardValue::Text(text),
                None => CardValue::Text(read_long_string(file, &key)?),
            }
        } else {
            match rest.split('/').next().unwrap_or("").trim() {
                "T" => CardValue::Bool(true),
                "F" => CardValue::Bool(false),
                number => match (number.parse::<i64>(), number.parse::<f64>()) {
                    (Ok(i), _) => CardValue::Int(i),
                    (_, Ok(v)) if v.is_finite() => CardValue::Float(v),
                    _ => continue,
                },
            }
        };
        cards.push(Card { key, value, comment: String::new() });
    }
    Ok(cards)
}

/// A string that stands in its card whole. The library would look through all cards for its name.
fn short_string(rest: &str) -> Option<String> {
    let mut characters = rest.trim_start().strip_prefix('\'')?.chars().peekable();
    let mut text = String::new();
    loop {
        match characters.next()? {
            '\'' if characters.next_if_eq(&'\'').is_some() => text.push('\''),
            '\'' => break,
            character => text.push(character),
        }
    }
    let text = text.trim_end();
    (!text.ends_with('&')).then(|| from_ascii(text))
}

fn read_long_string(file: &mut Memory, key: &str) -> Result<String> {
    let key = c_string(key);
    let mut value: *mut c_char = ptr::null_mut();
    let read = file.check(|f, s| unsafe { sys::ffgkls(f, key.as_ptr(), &mut value, ptr::null_mut(), s) });
    if value.is_null() {
        return read.map(|()| String::new());
    }
    // SAFETY: the library gives a string of its own allocator, ended by zero on success; a failed one is ours too.
    let text = read.map(|()| unsafe { CStr::from_ptr(value) }.to_string_lossy().trim_end().to_string());
    unsafe { free(value.cast()) };
    text.map(|text| from_ascii(&text))
}
