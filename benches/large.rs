//! A large frame, measured against the FITS library's fastest read of the same pixels, interleaved in
//! one run, on one thread; then two frames at once.
//!
//! `cargo bench --bench large -- FRAME [SECOND]`; a frame to measure comes from
//! `stackworthy synth testdata-synth/scenes/large.toml --out FOLDER`. Times are processor times of the thread,
//! the least of some repeats; those of two frames at once are wall times.

#[path = "library/mod.rs"]
mod library;

use std::path::Path;
use std::time::Instant;

use library::{cpu_ms, read_in_strips};
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
        pixels = read_in_strips(frame, STRIP_ROWS, &mut strip);
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

fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or("");
    line.split_whitespace().nth(1).and_then(|k| k.parse::<u64>().ok()).unwrap_or(0) / 1024
}
