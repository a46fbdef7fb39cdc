//! The FITS library, in one place: a file in memory is opened, an image is read.
//!
//! Only bytes that passed [`super::raw_header`] and [`super::tiles`] come here. A
//! handle is given up at its first error, as later reads on it can return garbage.

#![allow(unsafe_code, reason = "calls the FITS library")]

use std::ffi::{CStr, c_char, c_int, c_void};
use std::marker::PhantomData;

use fitsio::sys;

/// What the library said: its status and its messages.
#[derive(Debug)]
pub struct LibraryError {
    pub doing: &'static str,
    pub status: i32,
    pub message: String,
}

/// A FITS file in memory, read only.
pub struct MemoryFile<'a> {
    handle: *mut sys::fitsfile,
    // The library keeps the addresses of these two until the file is closed.
    _start: Box<*mut c_void>,
    _length: Box<usize>,
    _bytes: PhantomData<&'a [u8]>,
}

impl<'a> MemoryFile<'a> {
    /// Opens a whole FITS file; its length is a multiple of 2880.
    pub fn open(bytes: &'a [u8]) -> Result<Self, LibraryError> {
        let mut start = Box::new(bytes.as_ptr().cast_mut().cast::<c_void>());
        let mut length = Box::new(bytes.len());
        let mut handle = std::ptr::null_mut();
        let mut status = 0;
        // SAFETY: start and length outlive the handle and describe `bytes`; mode 0
        // (read only), a growth of 0 and no allocator keep the library from writing.
        unsafe {
            let name = c"memory".as_ptr();
            sys::ffomem(&mut handle, name, 0, &mut *start, &mut *length, 0, None, &mut status);
        }
        let file = MemoryFile { handle, _start: start, _length: length, _bytes: PhantomData };
        check("opening the file", status)?;
        Ok(file)
    }

    /// Goes to a header-data unit; 0 is the primary.
    pub fn go_to(&mut self, hdu: usize) -> Result<(), LibraryError> {
        let mut status = 0;
        let number = c_int::try_from(hdu + 1).unwrap_or(c_int::MAX);
        // SAFETY: the handle is open.
        unsafe { sys::ffmahd(self.handle, number, std::ptr::null_mut(), &mut status) };
        check("moving to the extension", status)
    }

    /// Axis lengths of the present image, as the library understands them.
    pub fn axes(&mut self) -> Result<Vec<u64>, LibraryError> {
        const MOST: usize = super::raw_header::MAX_AXES;
        let (mut number, mut status) = (0, 0);
        let mut axes = [0i64; MOST];
        // SAFETY: `axes` holds MOST lengths, and no more are asked for.
        unsafe {
            sys::ffgidm(self.handle, &mut number, &mut status);
            sys::ffgiszll(self.handle, MOST as c_int, axes.as_mut_ptr(), &mut status);
        }
        check("reading the image's shape", status)?;
        Ok(axes[..(number.max(0) as usize).min(MOST)].iter().map(|&n| n.max(0) as u64).collect())
    }

    /// Fills `values` from pixel `first` (0-based) on, scaled; NaN where there is none.
    pub fn read_f32(&mut self, first: usize, values: &mut [f32]) -> Result<(), LibraryError> {
        let mut nan = f32::NAN;
        self.read(sys::TFLOAT, first, values.len(), (&raw mut nan).cast(), values.as_mut_ptr().cast())
    }

    /// Fills `values` from pixel `first` (0-based) on, scaled; NaN where there is none.
    pub fn read_f64(&mut self, first: usize, values: &mut [f64]) -> Result<(), LibraryError> {
        let mut nan = f64::NAN;
        self.read(sys::TDOUBLE, first, values.len(), (&raw mut nan).cast(), values.as_mut_ptr().cast())
    }

    fn read(
        &mut self,
        kind: u32,
        first: usize,
        count: usize,
        null: *mut c_void,
        values: *mut c_void,
    ) -> Result<(), LibraryError> {
        let (mut any_null, mut status) = (0, 0);
        // SAFETY: `values` holds `count` numbers of `kind`, and `null` is one of them.
        unsafe {
            let (first, count) = (first as i64 + 1, count as i64);
            sys::ffgpv(self.handle, kind as c_int, first, count, null, values, &mut any_null, &mut status);
        }
        check("reading the pixels", status)
    }
}

impl Drop for MemoryFile<'_> {
    fn drop(&mut self) {
        let mut status = 0;
        if !self.handle.is_null() {
            // SAFETY: the handle is open and used no more; the bytes stay ours.
            unsafe { sys::ffclos(self.handle, &mut status) };
        }
    }
}

/// The library's own words for a failure; its message stack is emptied.
fn check(doing: &'static str, status: c_int) -> Result<(), LibraryError> {
    if status == 0 {
        return Ok(());
    }
    let mut buffer = [0 as c_char; 128];
    let mut messages = Vec::new();
    // SAFETY: the library writes at most 81 bytes, closed by a zero.
    unsafe {
        sys::ffgerr(status, buffer.as_mut_ptr());
        messages.push(CStr::from_ptr(buffer.as_ptr()).to_string_lossy().trim().to_string());
        while messages.len() < 4 && sys::ffgmsg(buffer.as_mut_ptr()) != 0 {
            messages.push(CStr::from_ptr(buffer.as_ptr()).to_string_lossy().trim().to_string());
        }
        sys::ffcmsg();
    }
    messages.retain(|m| !m.is_empty());
    Err(LibraryError { doing, status, message: messages.join("; ") })
}
