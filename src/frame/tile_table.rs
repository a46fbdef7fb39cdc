//! The table that holds the tiles of a compressed image: its columns, its descriptors and its heap.
//!
//! FITS Standard 4.0 (2018), sections 7.3.5 and 10.

use super::raw_header::Hdu;

/// What is wrong, the value found, and what is wanted.
pub type Fault = (String, String, String);

/// One column that holds variable-length arrays.
pub struct HeapColumn {
    pub name: String,
    /// Bytes from the start of a row.
    offset: usize,
    /// 64-bit descriptors.
    wide: bool,
    pub element_bytes: u64,
}

/// The table of a compressed image, a row for each tile.
pub struct Table<'a> {
    pub columns: Vec<HeapColumn>,
    pub rows: usize,
    row_bytes: usize,
    /// Rows and heap.
    data: &'a [u8],
    heap_start: u64,
}

impl<'a> Table<'a> {
    /// Errors: columns, rows or a heap that contradict each other.
    pub fn of(bytes: &'a [u8], hdu: &Hdu) -> Result<Self, Fault> {
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
            return Err((
                "the table".into(),
                format!("{table_bytes} bytes"),
                format!("it has {}", data.len()),
            ));
        }
        let heap_start = match hdu.header.card("THEAP") {
            None => table_bytes,
            Some(card) => hdu
                .header
                .integer("THEAP")
                .and_then(|v| u64::try_from(v).ok())
                .filter(|v| (table_bytes..=data.len() as u64).contains(v))
                .ok_or((
                    "THEAP".into(),
                    card.value.clone(),
                    "it must lie between table and end".to_string(),
                ))?,
        };
        Ok(Self { columns, rows, row_bytes, data, heap_start })
    }

    /// The array of a column in a row (0-based).
    ///
    /// Errors: a descriptor that points outside the heap.
    pub fn stream(&self, row: usize, column: &HeapColumn) -> Result<&'a [u8], Fault> {
        let at = row * self.row_bytes + column.offset;
        let (count, offset) = descriptor(&self.data[at..], column.wide);
        count
            .checked_mul(column.element_bytes)
            .and_then(|length| Some((self.heap_start.checked_add(offset)?, length)))
            .and_then(|(start, length)| Some((start, start.checked_add(length)?)))
            .filter(|(_, end)| *end <= self.data.len() as u64)
            .map(|(start, end)| &self.data[start as usize..end as usize])
            .ok_or_else(|| {
                let what = format!("the array of {} in row {}", column.name, row + 1);
                (what, format!("{count} elements at {offset}"), "it lies outside the data".to_string())
            })
    }

    pub fn has_column(hdu: &Hdu, name: &str) -> bool {
        let fields = hdu.header.integer("TFIELDS").unwrap_or(0);
        let is_it = |n| hdu.header.text(&format!("TTYPE{n}")).is_some_and(|t| t.eq_ignore_ascii_case(name));
        (1..=fields).any(is_it)
    }
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

pub fn be_i32(bytes: &[u8]) -> i32 {
    i32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]])
}
