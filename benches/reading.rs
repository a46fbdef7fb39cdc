//! Frames of any kind, read alone, against the FITS library's read of the same file, interleaved in one run on
//! one thread.
//!
//! `cargo bench --bench reading -- FRAME ...`. Times are processor times of the thread, the least of some repeats;
//! "unpacking" is that of a whole gzipped file into memory that is there already.

#![allow(unsafe_code, reason = "calls the FITS library as a yardstick")]

use std::ffi::CString;
use std::io::Read;
use std::path::Path;

use fitsio::sys;
use stackworthy::frame::{Space, read_frame_with};
use stackworthy::settings::Settings;

const REPEATS: usize = 7;

fn main() {
    let frames: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    if frames.is_empty() {
        println!("no frame given; see the top of benches/reading.rs");
    }
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    one.install(|| frames.iter().for_each(|frame| against_the_library(frame)));
}

fn against_the_library(frame: &str) {
    let settings = Settings::default();
    let (mut space, mut values, mut unpacked) = (Space::default(), Vec::new(), Vec::new());
    let (mut library, mut unpacking, mut reading) = (f64::MAX, f64::MAX, f64::MAX);
    for _ in 0..REPEATS {
        library = library.min(cpu_ms_of(|| read_by_library(frame, &mut values)));
        if frame.ends_with(".gz") {
            unpacking = unpacking.min(cpu_ms_of(|| unpack(frame, &mut unpacked)));
        }
        let mut read = None;
        reading = reading.min(cpu_ms_of(|| {
            read = Some(read_frame_with(Path::new(frame), &settings, &mut space).expect("a readable frame"));
        }));
        let read = read.expect("a frame");
        let same = read.pixels.iter().zip(&values).all(|(a, b)| a == b || a.is_nan() && b.is_nan());
        assert!(same, "the library reads the same pixels");
        space.take_back(read);
    }
    println!("{frame}");
    println!("  library:   {library:7.1} ms");
    if unpacking < f64::MAX {
        println!("  unpacking: {unpacking:7.1} ms");
    }
    println!("  reading:   {reading:7.1} ms, {:.2} of the library's", reading / library);
}

/// The first image's pixels as 32-bit floats.
fn read_by_library(frame: &str, values: &mut Vec<f32>) {
    let name = CString::new(frame).expect("a plain name");
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    let mut axes = [0i64; 2];
    let mut nan = f32::NAN;
    // SAFETY: the handle is used between opening and closing; the buffer holds what is asked for.
    unsafe {
        sys::ffiopn(&mut handle, name.as_ptr(), 0, &mut status);
        sys::ffgiszll(handle, 2, axes.as_mut_ptr(), &mut status);
        let count = axes[0] * axes[1];
        values.resize(count as usize, 0.0);
        let (null, out, mut any) = ((&raw mut nan).cast(), values.as_mut_ptr().cast(), 0);
        sys::ffgpv(handle, sys::TFLOAT as i32, 1, count, null, out, &mut any, &mut status);
        sys::ffclos(handle, &mut status);
    }
    assert_eq!(status, 0, "the library reads the frame");
}

fn unpack(frame: &str, unpacked: &mut Vec<u8>) {
    let packed = std::fs::read(frame).expect("a readable file");
    unpacked.clear();
    flate2::read::MultiGzDecoder::new(&packed[..]).read_to_end(unpacked).expect("a sound file");
}

/// Processor time of this thread, ms.
fn cpu_ms_of(work: impl FnOnce()) -> f64 {
    let start = cpu_ms();
    work();
    cpu_ms() - start
}

fn cpu_ms() -> f64 {
    // The kernel brings the count up to date when it looks for another thread to run.
    std::thread::yield_now();
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let ns = stat.split_whitespace().next().and_then(|n| n.parse::<f64>().ok());
    ns.unwrap_or(f64::NAN) / 1e6
}
