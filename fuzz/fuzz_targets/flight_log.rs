//! Any bytes as a flight log: opened, read, and shown. A short one is followed to its alarms.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use stackworthy::flight::{Flight, Log, alarm, series};
use stackworthy::report::flight as report;
use stackworthy::settings::FlightSettings;

/// Simulated p-values take too long for more.
const FOLLOWED: usize = 7;

fuzz_target!(|bytes: &[u8]| {
    let folder = Path::new(if cfg!(target_os = "linux") { "/dev/shm" } else { "." });
    let holder = tempfile::Builder::new().suffix(".sqlite").tempfile_in(folder).unwrap();
    std::fs::write(holder.path(), bytes).unwrap();
    let Ok(mut log) = Log::open(holder.path()) else { return };
    let Ok(contents) = log.contents() else { return };
    if let Some((_, first)) = contents.exposures.first() {
        let _ = log.history(&first.frame);
    }
    let flight = Flight::new(contents, Some(31.5));
    let _ = (report::by_night(&flight), report::by_target(&flight), report::by_time(&flight));
    let series = series::all(&flight);
    for point in series.iter().flat_map(|s| &s.points) {
        assert!(point.value.is_finite() && point.error.is_none_or(f64::is_finite), "{point:?}");
    }
    if flight.visits.len() <= FOLLOWED {
        let _ = alarm::alarms(&flight, &series, &FlightSettings::default(), 0.95, None);
    }
});
