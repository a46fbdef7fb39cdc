//! Flight logs that are damaged or made to harm: refused with a clear error, or read, and never for long.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};
use rusqlite::Connection;
use stackworthy::flight::alarm::alarms;
use stackworthy::flight::record::{LoggedVerdict, TermValue};
use stackworthy::flight::{Flight, FlightError, Log, LoggedExposure, Record, series};
use stackworthy::report::flight as report;
use stackworthy::settings::FlightSettings;

use super::tool::run;

/// Reading any of these small files takes a few milliseconds; a loaded machine may take a hundred times that.
const MOST_TIME: Duration = Duration::from_secs(10);
const PAGE: usize = 4096;

fn record(number: usize, exposures: usize) -> Record {
    let exposure = |k: usize| LoggedExposure {
        frame: format!("{number:032}{k:032}"),
        file: format!("visit-{number}/{k:04}.fits"),
        mjd_mid: Some(62991.9 + number as f64 + 0.001 * k as f64),
        exposure_s: Some(60.0),
        target: Some("Lantern field".into()),
        gate: "keep".into(),
        combined: true,
        stars: Some(80),
        terms: ["size_arcsec2", "e1", "e2", "defocus_nm"]
            .map(|name| (name.to_string(), TermValue { value: 0.1, error: Some(0.01), determined: true }))
            .into(),
        housekeeping: BTreeMap::from([("TELTEMP".into(), -20.0)]),
        ..LoggedExposure::default()
    };
    Record {
        sha256: format!("{number:064}"),
        verdict: LoggedVerdict {
            path: format!("{number}/verdict.json"),
            decision: "combine".into(),
            confidence: 0.95,
            size_limit: 0.0225,
            ellipticity_limit: 0.02,
            weight: "adaptive".into(),
            sign_settled: None,
        },
        exposures: (0..exposures).map(exposure).collect(),
    }
}

/// The bytes of a sound log, after `change`.
fn bytes(visits: usize, exposures: usize, change: &str) -> Vec<u8> {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("log.sqlite");
    let mut log = Log::open_or_begin(&path).unwrap();
    for number in 0..visits {
        log.add(&record(number, exposures)).unwrap();
    }
    drop(log);
    Connection::open(&path).unwrap().execute_batch(change).unwrap();
    std::fs::read(path).unwrap()
}

/// Everything that is done with a log that is only looked at.
fn read(bytes: &[u8]) -> Result<Flight, FlightError> {
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("log.sqlite");
    std::fs::write(&path, bytes).unwrap();
    let began = Instant::now();
    let read = look(&path);
    assert!(began.elapsed() < MOST_TIME, "{:?}", began.elapsed());
    read
}

fn look(path: &Path) -> Result<Flight, FlightError> {
    let mut log = Log::open(path)?;
    let flight = Flight::new(log.contents()?, Some(31.5));
    let _ = (report::by_night(&flight), report::by_target(&flight), report::by_time(&flight));
    let series = series::all(&flight);
    let points: Vec<f64> = series.iter().flat_map(|s| &s.points).map(|p| p.value).collect();
    assert!(points.iter().all(|v| v.is_finite()), "{points:?}");
    // Simulated p-values of many visits take long, and are of no other kind.
    if flight.visits.len() < 8 {
        let _ = alarms(&flight, &series, &FlightSettings::default(), 0.95, None);
    }
    Ok(flight)
}

#[test]
fn a_sound_log_is_read() {
    assert_eq!(read(&bytes(3, 4, "")).unwrap().exposures.len(), 12);
    // What a person adds to look at the log by other programs is of no concern.
    assert_eq!(read(&bytes(3, 4, "CREATE INDEX own ON exposure (target)")).unwrap().exposures.len(), 12);
}

#[test]
fn tables_that_are_none_are_refused() {
    let endless = "WITH RECURSIVE n (k) AS (SELECT 1 UNION ALL SELECT k + 1 FROM n)";
    let columns = "'1' AS verdict, 'f' AS file, 1.0 AS mjd_mid, 1.0 AS exposure_s, 't' AS target, NULL AS filter, \
                   NULL AS altitude_deg, NULL AS focus, 'keep' AS gate, 1 AS combined, 1 AS stars, NULL AS ra_deg, \
                   NULL AS dec_deg";
    for change in [
        &format!(
            "DROP TABLE exposure; CREATE VIEW exposure AS {endless} SELECT k AS frame, {columns} FROM n"
        ),
        &format!("DROP TABLE replaced; CREATE VIEW replaced AS {endless} SELECT k AS id FROM n"),
        "ALTER TABLE exposure ADD COLUMN extra TEXT GENERATED ALWAYS AS (hex(zeroblob(400000000))) VIRTUAL",
        "DROP TABLE term; CREATE VIRTUAL TABLE term USING fts5(frame, name, value, error, determined)",
    ] {
        let error = read(&bytes(3, 4, change)).unwrap_err();
        assert!(matches!(error, FlightError::Damaged { .. }), "{change}: {error}");
        assert!(error.to_string().contains("no plain table"), "{error}");
    }
}

/// What another program's trigger would do is not done.
#[test]
fn triggers_of_a_log_do_not_run() {
    let trigger = "CREATE TRIGGER t AFTER INSERT ON verdict BEGIN DELETE FROM exposure; END";
    let holder = tempfile::tempdir().unwrap();
    let path = holder.path().join("log.sqlite");
    std::fs::write(&path, bytes(1, 1, trigger)).unwrap();
    let mut log = Log::open(&path).unwrap();
    log.add(&record(7, 2)).unwrap();
    assert_eq!(log.contents().unwrap().exposures.len(), 3);
}

#[test]
fn tables_and_columns_that_are_missing_or_hold_something_else() {
    for change in [
        "DROP TABLE term",
        "DROP TABLE verdict",
        "ALTER TABLE exposure RENAME COLUMN gate TO other",
        "UPDATE exposure SET gate = x'00ff'",
        "UPDATE exposure SET mjd_mid = 'soon'",
        "UPDATE exposure SET stars = -1",
        "UPDATE verdict SET size_limit = 'small'",
        "UPDATE verdict SET id = id + 1e6",
        "PRAGMA user_version = 1",
    ] {
        match read(&bytes(2, 2, &format!("PRAGMA foreign_keys = OFF; {change}"))) {
            Err(error) => assert!(error.to_string().contains("log.sqlite: "), "{change}: {error}"),
            Ok(flight) => assert!(change.contains("1e6") && flight.verdicts.is_empty(), "{change} was read"),
        }
    }
    // Numbers that are none are missing; absurd ones are numbers.
    let flight = read(&bytes(
        2,
        2,
        "UPDATE term SET value = 9e999; UPDATE exposure SET mjd_mid = -9e999; \
         UPDATE housekeeping SET value = 9e999",
    ));
    assert!(series::all(&flight.unwrap()).is_empty());
    for value in ["9e307", "-9e307", "0"] {
        let change = format!(
            "UPDATE term SET value = {value}, error = {value}; UPDATE exposure SET mjd_mid = {value}, \
                              exposure_s = {value}, ra_deg = {value}, dec_deg = {value}"
        );
        assert_eq!(read(&bytes(6, 3, &change)).unwrap().exposures.len(), 18);
    }
}

/// Interior pages that name one child over and over: by 20 levels of them a few pages would be read for ever.
#[test]
fn pages_that_are_named_twice_are_refused() {
    let good = bytes(2, 600, "");
    let mut found = 0;
    for page in (0..good.len()).step_by(PAGE) {
        let head = if page == 0 { 100 } else { page };
        // Interior pages of tables and of indices.
        if ![2, 5].contains(&good[head]) {
            continue;
        }
        let number = |at: usize| usize::from(good[at]) << 8 | usize::from(good[at + 1]);
        let cells = number(head + 3);
        if !(3..=1000).contains(&cells) || number(head + 12) == 0 {
            continue;
        }
        found += 1;
        let mut bad = good.clone();
        let last: [u8; 4] = bad[head + 8..head + 12].try_into().unwrap();
        for cell in 0..cells {
            let at = page + number(head + 12 + 2 * cell);
            bad[at..at + 4].copy_from_slice(&last);
        }
        let error = read(&bad).unwrap_err();
        assert!(matches!(error, FlightError::Damaged { .. } | FlightError::Database { .. }), "{error}");
    }
    assert!(found >= 3, "{found} interior pages");
}

#[test]
fn thousands_of_damaged_logs_are_read_or_refused() {
    let good = bytes(3, 20, "");
    let mut random = StdRng::seed_from_u64(2039);
    let mut readable = 0;
    for count in 0..1500 {
        let mut file = good.clone();
        for _ in 0..random.random_range(1..6) {
            let within = if count % 3 == 0 { 200 } else { file.len() };
            let at = random.random_range(0..within);
            file[at] = random.random();
        }
        if count % 5 == 0 {
            file.truncate(random.random_range(0..file.len()));
        }
        readable += usize::from(read(&file).is_ok());
    }
    assert!((100..1400).contains(&readable), "{readable} of 1500");
}

#[test]
fn a_damaged_log_is_named_with_what_to_do() {
    let holder = tempfile::tempdir().unwrap();
    let mut file = bytes(2, 200, "");
    let from = file.len() / 2;
    file[from..].fill(0xff);
    std::fs::write(holder.path().join("flight.sqlite"), &file).unwrap();
    for what in ["show", "report", "alarm"] {
        let done = run(holder.path(), &["flight", what]);
        assert_eq!(done.code, 1, "{what}");
        assert!(
            done.stderr.contains("flight.sqlite") && done.stderr.contains("another --log"),
            "{}",
            done.stderr
        );
    }
}
