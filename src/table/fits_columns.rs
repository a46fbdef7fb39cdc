//! What a binary table's header says of its columns, held against its own bytes before the FITS
//! library believes it: the columns fill the rows, the lists lie in the heap and fill it once.
//!
//! FITS Standard 4.0 (2018), section 7.3.

use crate::frame::card::Header;

/// Most rows times text columns: each text is an allocation of its own.
const MAX_TEXTS: u64 = 1 << 24;

/// A column of lists: each row holds the length of a list and its place in the heap.
struct Lists {
    /// Of the descriptor in a row, bytes.
    offset: usize,
    wide: bool,
    element_bytes: u64,
}

/// What is wrong with a table, in words: `header` describes the `data` behind it, padding aside.
pub(super) fn check(header: &Header, data: &[u8]) -> Result<(), String> {
    for (key, wanted) in [("BITPIX", 8), ("NAXIS", 2), ("GCOUNT", 1)] {
        let found = header.integer(key);
        if found != Some(wanted) {
            return Err(format!("{key} is {}, not {wanted}", shown(header, key)));
        }
    }
    let whole = |key: &str| {
        let value = header.integer(key).and_then(|n| usize::try_from(n).ok());
        value.ok_or_else(|| format!("{key} is {}, not a whole number", shown(header, key)))
    };
    let (row_bytes, rows, fields) = (whole("NAXIS1")?, whole("NAXIS2")?, whole("TFIELDS")?);
    let (mut offset, mut texts, mut lists) = (0usize, 0u64, Vec::new());
    for n in 1..=fields {
        let key = format!("TFORM{n}");
        let form = header.card(&key).filter(|c| c.quoted).map_or("", |c| c.value.as_str());
        let fault = || format!("{key} is {form:?}, no format of a column");
        let (bytes, element) = format_bytes(form).ok_or_else(fault)?;
        if let Some(element_bytes) = element {
            lists.push(Lists { offset, wide: bytes == 16, element_bytes });
        }
        texts += u64::from(form.ends_with('A'));
        offset = offset.checked_add(bytes).ok_or_else(fault)?;
    }
    if offset != row_bytes {
        return Err(format!("its columns add up to {offset} bytes, but NAXIS1 is {row_bytes}"));
    }
    if texts.saturating_mul(rows as u64) > MAX_TEXTS {
        return Err(format!("{rows} rows of {texts} texts, more than {MAX_TEXTS} in all"));
    }
    let table_bytes = row_bytes.checked_mul(rows).filter(|n| *n <= data.len());
    let table_bytes = table_bytes.ok_or("its rows are longer than its data")?;
    let heap_start = match header.card("THEAP") {
        None => table_bytes,
        Some(_) => whole("THEAP")?,
    };
    if !(table_bytes..=data.len()).contains(&heap_start) {
        return Err(format!("THEAP is {heap_start}, outside its data"));
    }
    check_lists(&lists, &data[..table_bytes], row_bytes, (data.len() - heap_start) as u64)
}

fn check_lists(lists: &[Lists], table: &[u8], row_bytes: usize, heap: u64) -> Result<(), String> {
    let mut filled = 0u64;
    for (row, cells) in table.chunks_exact(row_bytes.max(1)).enumerate() {
        for list in lists {
            let (length, place) = descriptor(&cells[list.offset..], list.wide);
            let bytes = length.checked_mul(list.element_bytes);
            let end = bytes.and_then(|b| b.checked_add(place)).filter(|end| *end <= heap);
            let (Some(bytes), Some(_)) = (bytes, end) else {
                return Err(format!(
                    "row {} has a list of {length} values at {place}, outside its heap of {heap} bytes",
                    row + 1
                ));
            };
            filled = filled.saturating_add(bytes);
        }
    }
    if filled > heap {
        return Err(format!("its lists add up to {filled} bytes, but its heap has {heap}"));
    }
    Ok(())
}

fn shown(header: &Header, key: &str) -> String {
    header.card(key).map_or("missing".into(), |c| c.value.clone())
}

/// Bytes of a column in a row, and of an element where it holds lists. Columns without
/// content are no use to anybody and refused.
fn format_bytes(form: &str) -> Option<(usize, Option<u64>)> {
    let letter_at = form.find(|c: char| !c.is_ascii_digit())?;
    let repeat = match &form[..letter_at] {
        "" => 1,
        digits => digits.parse::<usize>().ok().filter(|r| (1..1 << 31).contains(r))?,
    };
    let mut rest = form[letter_at..].chars();
    let letter = rest.next()?;
    if !matches!(letter, 'P' | 'Q') {
        return rest.next().is_none().then_some((repeat.checked_mul(element_bytes(letter)?)?, None));
    }
    let element = element_bytes(rest.next()?)?;
    let most = rest.as_str();
    let bracketed = most.strip_prefix('(').and_then(|m| m.strip_suffix(')'));
    let is_length = most.is_empty() || bracketed.is_some_and(|m| m.bytes().all(|b| b.is_ascii_digit()));
    (repeat == 1 && is_length).then_some((if letter == 'P' { 8 } else { 16 }, Some(element as u64)))
}

fn element_bytes(letter: char) -> Option<usize> {
    match letter {
        'L' | 'B' | 'A' => Some(1),
        'I' => Some(2),
        'J' | 'E' => Some(4),
        'K' | 'D' | 'C' => Some(8),
        'M' => Some(16),
        _ => None,
    }
}

/// Length and place of a list; a negative number comes out too large for any heap.
fn descriptor(cell: &[u8], wide: bool) -> (u64, u64) {
    let number = |bytes: Option<&[u8]>| match bytes {
        Some(&[a, b, c, d]) => u64::from(u32::from_be_bytes([a, b, c, d])),
        Some(eight) => eight.try_into().map_or(u64::MAX, u64::from_be_bytes),
        None => u64::MAX,
    };
    let width = if wide { 8 } else { 4 };
    (number(cell.get(..width)), number(cell.get(width..2 * width)))
}
