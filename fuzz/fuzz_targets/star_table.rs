//! Any bytes as a star table, its checksum made right first: without that every change would
//! end there.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use stackworthy::table;

fuzz_target!(|bytes: &[u8]| {
    let mut file = bytes.to_vec();
    file.resize(file.len().div_ceil(2880) * 2880, 0);
    seal(&mut file);
    if let Ok(table) = table::from_bytes(&file, Path::new("fuzz.fits")) {
        for star in &table.stars {
            assert_eq!(star.cutout.as_ref().map(|c| c.dim()), star.cutout_mask.as_ref().map(|c| c.dim()));
        }
    }
});

/// Changes the last four bytes so that the ones'-complement sum of the file is all ones.
fn seal(file: &mut [u8]) {
    let Some(at) = file.len().checked_sub(4) else { return };
    file[at..].fill(0);
    let mut sum: u64 = file.chunks_exact(4).map(|w| u64::from(u32::from_be_bytes(w.try_into().unwrap()))).sum();
    while sum >> 32 != 0 {
        sum = (sum & 0xffff_ffff) + (sum >> 32);
    }
    file[at..].copy_from_slice(&(u32::MAX - sum as u32).to_be_bytes());
}
