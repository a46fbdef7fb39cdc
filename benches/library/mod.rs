//! The FITS library as a yardstick, and the clock of both.

#![allow(unsafe_code, reason = "calls the FITS library as a yardstick")]

use std::ffi::CString;

use fitsio::sys;

/// All pixels of the first image as 32-bit floats, in strips of so many rows into one buffer, which the last is left in;
/// their number.
pub fn read_in_strips(frame: &str, rows: i64, strip: &mut Vec<f32>) -> usize {
    let name = CString::new(frame).expect("a plain name");
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    let mut axes = [0i64; 2];
    let mut nan = f32::NAN;
    // SAFETY: the handle is used between opening and closing; the buffer holds what is asked for.
    unsafe {
        sys::ffiopn(&mut handle, name.as_ptr(), 0, &mut status);
        sys::ffgiszll(handle, 2, axes.as_mut_ptr(), &mut status);
        let [width, height] = axes;
        let rows = rows.min(height).max(1);
        strip.resize((width * rows) as usize, 0.0);
        for y in (0..height).step_by(rows as usize) {
            let count = rows.min(height - y) * width;
            let (null, out) = ((&raw mut nan).cast(), strip.as_mut_ptr().cast());
            let mut any = 0;
            let kind = sys::TFLOAT as i32;
            sys::ffgpv(handle, kind, y * width + 1, count, null, out, &mut any, &mut status);
        }
        sys::ffclos(handle, &mut status);
    }
    assert_eq!(status, 0, "the library reads the frame");
    (axes[0] * axes[1]) as usize
}

/// Processor time of this thread, ms.
pub fn cpu_ms() -> f64 {
    // The kernel brings the count up to date when it looks for another thread to run.
    std::thread::yield_now();
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let ns = stat.split_whitespace().next().and_then(|n| n.parse::<f64>().ok());
    ns.unwrap_or(f64::NAN) / 1e6
}
