//! Any file, read as a frame: plain, gzipped or in compressed tiles, with masks.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use stackworthy::frame::read_frame;
use stackworthy::settings::Settings;

fuzz_target!(|bytes: &[u8]| {
    let folder = Path::new(if cfg!(target_os = "linux") { "/dev/shm" } else { "." });
    let holder = tempfile::Builder::new().suffix(".fits").tempfile_in(folder).unwrap();
    std::fs::write(holder.path(), bytes).unwrap();
    if let Ok(frame) = read_frame(holder.path(), &Settings::default()) {
        assert!(frame.pixels.indexed_iter().all(|((y, x), v)| v.is_finite() || frame.is_bad(y, x)));
    }
});
