//! A sound image of 40 x 40 pixels with any header cards behind the mandatory ones: dates,
//! facts, world coordinates, scales. One line of the input is one card.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use stackworthy::frame::read_frame;
use stackworthy::settings::Settings;

fuzz_target!(|bytes: &[u8]| {
    let mut file = Vec::new();
    let mut card = |text: &[u8]| {
        let length = text.len().min(80);
        file.extend_from_slice(&text[..length]);
        file.resize(file.len() + 80 - length, b' ');
    };
    for mandatory in ["SIMPLE  =                    T", "BITPIX  =                   16", "NAXIS   =                    2"] {
        card(mandatory.as_bytes());
    }
    card(b"NAXIS1  =                   40");
    card(b"NAXIS2  =                   40");
    bytes.split(|b| *b == b'\n').take(200).for_each(&mut card);
    card(b"END");
    file.resize(file.len().div_ceil(2880) * 2880, b' ');
    file.extend((0..1600u32).flat_map(|i| ((100 + i * i % 17) as i16).to_be_bytes()));
    file.resize(file.len().div_ceil(2880) * 2880, 0);

    let folder = Path::new(if cfg!(target_os = "linux") { "/dev/shm" } else { "." });
    let holder = tempfile::Builder::new().suffix(".fits").tempfile_in(folder).unwrap();
    std::fs::write(holder.path(), &file).unwrap();
    if let Ok(frame) = read_frame(holder.path(), &Settings::default()) {
        let f = &frame.facts;
        for value in [f.mjd_mid, f.exposure_s, f.gain, f.read_noise, f.saturation, f.ra_deg, f.dec_deg, f.altitude_deg, f.pixel_arcsec, f.focus] {
            assert!(value.is_none_or(f64::is_finite), "{f:?}");
        }
        if let Some(wcs) = &frame.wcs {
            let _ = wcs.pixel_to_sky(3.0, 4.0);
        }
    }
});
