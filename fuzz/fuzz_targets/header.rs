//! The structure of any file, as it is read before the FITS library sees it.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use stackworthy::frame::raw_header;

fuzz_target!(|bytes: &[u8]| {
    if let Ok((hdus, end)) = raw_header::walk(Path::new("fuzz.fits"), bytes) {
        assert!(!hdus.is_empty() && end % 2880 == 0);
        for hdu in &hdus {
            let _ = raw_header::check_image(Path::new("fuzz.fits"), hdu);
            let _ = (hdu.label(), hdu.axes_text());
        }
    }
});
