//! Frames of any kind, read alone, against the FITS library's read of the same file, interleaved in one run on
//! one thread.
//!
//! `cargo bench --bench reading -- FRAME ...`. Times are processor times of the thread, the least of some repeats;
//! "unpacking" is that of a whole gzipped file into memory that is there already.

#[path = "library/mod.rs"]
mod library;

use std::io::Read;
use std::path::Path;

use library::{cpu_ms, read_in_strips};
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
        library = library.min(cpu_ms_of(|| {
            read_in_strips(frame, i64::MAX, &mut values);
        }));
        if frame.ends_with(".gz") {
            unpacking = unpacking.min(cpu_ms_of(|| unpack(frame, &mut unpacked)));
        }
        let mut read = None;
        reading = reading.min(cpu_ms_of(|| {
            read = Some(read_frame_with(Path::new(frame), &settings, &mut space).expect("a readable frame"));
        }));
        let read = read.expect("a frame");
        let same = read.pixels.iter().zip(&values).all(|(a, b)| a == *b || a.is_nan() && b.is_nan());
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
