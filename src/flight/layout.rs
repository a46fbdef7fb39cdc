//! The log's tables, and how an older file is brought up to them, one step a layout.
//!
//! `user_version` holds the layout; `application_id` tells the file from other programs' databases.

use std::path::Path;

use rusqlite::{Connection, TransactionBehavior};

use super::{FlightError, soundness};

/// "stky" in ASCII.
const APPLICATION_ID: i64 = 0x7374_6b79;

/// Steps from each layout to the next: the first makes a new file.
const STEPS: [&str; 2] = [
    "CREATE TABLE verdict (
        id INTEGER PRIMARY KEY,
        sha256 TEXT NOT NULL UNIQUE,
        added TEXT NOT NULL,
        path TEXT NOT NULL,
        decision TEXT NOT NULL,
        confidence REAL NOT NULL,
        size_limit REAL NOT NULL,
        ellipticity_limit REAL NOT NULL,
        weight TEXT NOT NULL
    );
    CREATE TABLE exposure (
        frame TEXT PRIMARY KEY,
        verdict INTEGER NOT NULL REFERENCES verdict (id),
        file TEXT NOT NULL,
        mjd_mid REAL,
        exposure_s REAL,
        target TEXT,
        filter TEXT,
        altitude_deg REAL,
        focus REAL,
        gate TEXT NOT NULL,
        combined INTEGER NOT NULL,
        stars INTEGER
    );
    CREATE TABLE term (
        frame TEXT NOT NULL REFERENCES exposure (frame) ON DELETE CASCADE,
        name TEXT NOT NULL,
        value REAL NOT NULL,
        error REAL,
        determined INTEGER NOT NULL,
        PRIMARY KEY (frame, name)
    ) WITHOUT ROWID;
    CREATE TABLE replaced (
        id INTEGER PRIMARY KEY,
        frame TEXT NOT NULL,
        verdict INTEGER NOT NULL REFERENCES verdict (id),
        replaced TEXT NOT NULL,
        exposure_as_json TEXT NOT NULL
    );",
    // What tells a move of the telescope, what a term may follow, and whose signs are settled.
    "ALTER TABLE verdict ADD COLUMN sign_settled INTEGER;
    ALTER TABLE exposure ADD COLUMN ra_deg REAL;
    ALTER TABLE exposure ADD COLUMN dec_deg REAL;
    CREATE TABLE housekeeping (
        frame TEXT NOT NULL REFERENCES exposure (frame) ON DELETE CASCADE,
        name TEXT NOT NULL,
        value REAL NOT NULL,
        PRIMARY KEY (frame, name)
    ) WITHOUT ROWID;",
];

/// The layout this version writes.
pub const LAYOUT: i64 = STEPS.len() as i64;

/// Brings the file to the layout of this version, all or nothing; refuses a newer one and a foreign
/// database.
pub fn bring_up(connection: &mut Connection, path: &Path) -> Result<(), FlightError> {
    let wrong = |source| FlightError::Database { path: path.into(), source };
    let found = look(connection, path)?;
    soundness::check(connection, path)?;
    if found == LAYOUT {
        return Ok(());
    }
    // The lock first: two processes may find the same old file.
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(wrong)?;
    let found = look(&transaction, path)?;
    for step in &STEPS[found as usize..] {
        transaction.execute_batch(step).map_err(wrong)?;
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID).map_err(wrong)?;
    transaction.pragma_update(None, "user_version", LAYOUT).map_err(wrong)?;
    transaction.commit().map_err(wrong)
}

/// The layout of the file; 0 of an empty one.
fn look(connection: &Connection, path: &Path) -> Result<i64, FlightError> {
    let wrong = |source| FlightError::Database { path: path.into(), source };
    let pragma =
        |name: &str| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0)).map_err(wrong);
    let (id, found) = (pragma("application_id")?, pragma("user_version")?);
    let tables: i64 =
        connection.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get(0)).map_err(wrong)?;
    if id != APPLICATION_ID && (id != 0 || found != 0 || tables != 0) {
        return Err(FlightError::Foreign { path: path.into() });
    }
    if !(0..=LAYOUT).contains(&found) {
        return Err(FlightError::Newer { path: path.into(), found, known: LAYOUT });
    }
    Ok(found)
}
