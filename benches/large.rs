//! A large frame, measured against the FITS library's fastest read of the same pixels, interleaved in
//! one run, on one thread; then two frames at once.
//!
//! `cargo bench --bench large -- FRAME [SECOND]`; a frame to measure comes from
//! `stackworthy synth testdata-synth/scenes/large.toml --out FOLDER`. Times are processor times of the thread,
//! the least of some repeats; those of two frames at once are wall times.

#![allow(unsafe_code, reason = "calls the FITS library as a yardstick")]

use std::ffi::CString;
use std::path::Path;
use std::time::Instant;

use fitsio::sys;
use stackworthy::frame::{Space, read_frame_with};
use stackworthy::measure::measure_frame;
use stackworthy::settings::Settings;

const REPEATS: usize = 7;
const STRIP_ROWS: i64 = 128;

fn main() {
    let frames: Vec<String> = std::env::args().skip(1).filter(|a| !a.starts_with('-')).collect();
    let Some(first) = frames.first() else {
        println!("no frame given; see the top of benches/large.rs");
        return;
    };
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    one.install(|| against_the_library(first));
    if let [first, second, ..] = &frames[..] {
        two_at_once(first, second);
    }
}

fn against_the_library(frame: &str) {
    let settings = Settings::default();
    let mut space = Space::default();
    let mut strip = Vec::new();
    let (mut library, mut reading, mut measuring) = (f64::MAX, f64::MAX, f64::MAX);
    let (mut pixels, mut stars, mut kept) = (0, 0, 0);
    for _ in 0..REPEATS {
        let start = cpu_ms();
        pixels = read_in_strips(frame, &mut strip);
        library = library.min(cpu_ms() - start);

        let start = cpu_ms();
        let read = read_frame_with(Path::new(frame), &settings, &mut space).expect("a readable frame");
        let middle = cpu_ms();
        let table = measure_frame(&read, frame, &settings, "").expect("a measurable frame");
        let end = cpu_ms();
        space.take_back(read);
        (reading, measuring) = (reading.min(middle - start), measuring.min(end - middle));
        (stars, kept) = (table.stars.len(), table.stars.iter().filter(|s| s.refused.is_none()).count());
    }
    let total = reading + measuring;
    let speed = |ms: f64| pixels as f64 / ms / 1e3;
    println!("{pixels} pixels, {stars} sources, {kept} stars kept");
    println!("library, strips:  {library:7.1} ms  {:7.0} Mpix/s", speed(library));
    println!("reading:          {reading:7.1} ms  {:7.0} Mpix/s", speed(reading));
    println!("measuring:        {measuring:7.1} ms  {:7.0} Mpix/s", speed(measuring));
    println!("all over library: {:7.2}", total / library);
    println!(
        "peak memory: {} MiB, {:.2} frames of 32-bit floats",
        peak_mib(),
        peak_mib() as f64 * 1048576.0 / (4 * pixels) as f64
    );
}

/// Wall time of two frames one after the other on one thread over that of both at once on two.
fn two_at_once(first: &str, second: &str) {
    let settings = Settings::default();
    let measure = |frame: &str, space: &mut Space| {
        let read = read_frame_with(Path::new(frame), &settings, space).expect("a readable frame");
        measure_frame(&read, frame, &settings, "").expect("a measurable frame");
        space.take_back(read);
    };
    let alone = || rayon::ThreadPoolBuilder::new().num_threads(1).build().expect("a thread");
    let (pool_a, pool_b) = (alone(), alone());
    let (mut a, mut b) = (Space::default(), Space::default());
    let (mut serial, mut parallel) = (f64::MAX, f64::MAX);
    for _ in 0..REPEATS {
        let start = Instant::now();
        pool_a.install(|| measure(first, &mut a));
        pool_a.install(|| measure(second, &mut a));
        serial = serial.min(start.elapsed().as_secs_f64());
        let start = Instant::now();
        std::thread::scope(|scope| {
            scope.spawn(|| pool_a.install(|| measure(first, &mut a)));
            scope.spawn(|| pool_b.install(|| measure(second, &mut b)));
        });
        parallel = parallel.min(start.elapsed().as_secs_f64());
    }
    println!("two frames at once: {:.2} times as fast as one after the other", serial / parallel);
}

/// All pixels of the first image as 32-bit floats, in strips into one buffer; their number.
fn read_in_strips(frame: &str, strip: &mut Vec<f32>) -> usize {
    let name = CString::new(frame).expect("a plain name");
    let (mut handle, mut status) = (std::ptr::null_mut(), 0);
    let mut axes = [0i64; 2];
    let mut nan = f32::NAN;
    // SAFETY: the handle is used between opening and closing; the buffer holds what is asked for.
    unsafe {
        sys::ffiopn(&mut handle, name.as_ptr(), 0, &mut status);
        sys::ffgiszll(handle, 2, axes.as_mut_ptr(), &mut status);
        let [width, height] = axes;
        strip.resize((width * STRIP_ROWS) as usize, 0.0);
        for y in (0..height).step_by(STRIP_ROWS as usize) {
            let count = STRIP_ROWS.min(height - y) * width;
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
fn cpu_ms() -> f64 {
    // The kernel brings the count up to date when it looks for another thread to run.
    std::thread::yield_now();
    let stat = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap_or_default();
    let ns = stat.split_whitespace().next().and_then(|n| n.parse::<f64>().ok());
    ns.unwrap_or(f64::NAN) / 1e6
}

fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or("");
    line.split_whitespace().nth(1).and_then(|k| k.parse::<u64>().ok()).unwrap_or(0) / 1024
}
