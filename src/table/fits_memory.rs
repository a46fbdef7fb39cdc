//! A FITS file in memory, and the library's answers as errors.

#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::{CString, c_char, c_int, c_void};
use std::ptr;

use fitsio::sys;

use super::fits_table::FitsTableError;

type Result<T> = std::result::Result<T, FitsTableError>;

unsafe extern "C" {
    fn malloc(size: usize) -> *mut c_void;
    fn realloc(p: *mut c_void, size: usize) -> *mut c_void;
    pub(super) fn free(p: *mut c_void);
}

/// A FITS file in memory. The library holds the address of `buffer` and `size`,
/// so both live in boxes that do not move.
pub(super) struct Memory {
    file: *mut sys::fitsfile,
    buffer: Box<*mut c_void>,
    size: Box<usize>,
}

impl Memory {
    /// Growth of the buffer, bytes.
    const STEP: usize = 1 << 20;

    pub fn create() -> Result<Self> {
        // No buffer to begin with: the library takes what a buffer holds for the file.
        let mut memory = Self { file: ptr::null_mut(), buffer: Box::new(ptr::null_mut()), size: Box::new(0) };
        let mut status = 0;
        // SAFETY: buffer and size are valid, boxed, and outlive the handle (see drop).
        unsafe {
            sys::ffimem(
                &mut memory.file,
                &mut *memory.buffer,
                &mut *memory.size,
                Self::STEP,
                Some(realloc),
                &mut status,
            );
        }
        answer(status).map(|()| memory)
    }

    pub fn open(bytes: &[u8]) -> Result<Self> {
        let mut memory = Self::with_buffer(bytes.len())?;
        let mut status = 0;
        // SAFETY: the buffer holds `bytes.len()` bytes; the rest as in `create`.
        unsafe {
            ptr::copy_nonoverlapping(bytes.as_ptr(), memory.buffer.cast::<u8>(), bytes.len());
            sys::ffomem(
                &mut memory.file,
                c"table".as_ptr(),
                0,
                &mut *memory.buffer,
                &mut *memory.size,
                0,
                None,
                &mut status,
            );
        }
        answer(status).map(|()| memory)
    }

    fn with_buffer(size: usize) -> Result<Self> {
        // SAFETY: plain allocation; a null answer is an error.
        let buffer = unsafe { malloc(size.max(1)) };
        if buffer.is_null() {
            return Err(FitsTableError::Library { status: 113, message: "out of memory".into() });
        }
        Ok(Self { file: ptr::null_mut(), buffer: Box::new(buffer), size: Box::new(size) })
    }

    /// One call of the library, its status turned into an error.
    pub fn check(&mut self, call: impl FnOnce(*mut sys::fitsfile, *mut c_int) -> c_int) -> Result<()> {
        let mut status = 0;
        call(self.file, &mut status);
        answer(status)
    }

    /// The finished file, up to the end of its last HDU.
    pub fn into_bytes(mut self) -> Result<Vec<u8>> {
        self.check(|f, s| unsafe { sys::ffflus(f, s) })?;
        let (mut head, mut data, mut end) = (0, 0, 0);
        self.check(|f, s| unsafe { sys::ffghadll(f, &mut head, &mut data, &mut end, s) })?;
        let end = (end.max(0) as usize).min(*self.size);
        // SAFETY: the buffer holds `size` bytes, and `end` is within.
        Ok(unsafe { std::slice::from_raw_parts(self.buffer.cast::<u8>(), end) }.to_vec())
    }
}

impl Drop for Memory {
    fn drop(&mut self) {
        let mut status = 0;
        // SAFETY: the handle is closed once, and the buffer freed after it.
        unsafe {
            if !self.file.is_null() {
                sys::ffclos(self.file, &mut status);
            }
            free(*self.buffer);
        }
    }
}

fn answer(status: c_int) -> Result<()> {
    if status == 0 {
        return Ok(());
    }
    let mut short = [0 as c_char; 32];
    // SAFETY: both buffers are as long as the library asks (31 and 81 with the zero).
    unsafe { sys::ffgerr(status, short.as_mut_ptr()) };
    let mut message = text_of(&short);
    let mut line = [0 as c_char; 82];
    while unsafe { sys::ffgmsg(line.as_mut_ptr()) } != 0 {
        message = format!("{message}; {}", text_of(&line).trim());
    }
    Err(FitsTableError::Library { status, message })
}

pub(super) fn text_of(raw: &[c_char]) -> String {
    let bytes: Vec<u8> = raw.iter().take_while(|c| **c != 0).map(|c| *c as u8).collect();
    String::from_utf8_lossy(&bytes).into_owned()
}

pub(super) fn c_string(text: &str) -> CString {
    CString::new(text.replace('\0', "%00")).unwrap_or_default()
}
