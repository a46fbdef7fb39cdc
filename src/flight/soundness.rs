//! A log that was damaged or made to harm: refused before anything is read of it. The database trusts
//! its file: a page that many pages name would be read once for each path to it, and a table of the
//! log's names may be a view or compute its columns.

use std::path::Path;

use rusqlite::config::DbConfig;
use rusqlite::limits::Limit;
use rusqlite::{Connection, OptionalExtension};

use super::FlightError;

/// Longest text or blob, bytes; a row of the history, the longest there is, has a few thousand.
const MOST_BYTES_A_VALUE: i32 = 1 << 24;
/// Steps of the database's machine that checking a sound file of this size is far from.
const STEPS_A_BYTE: u64 = 4;
const STEPS_OF_ANY_FILE: u64 = 1_000_000;
/// Between two looks at how many there were.
const STEPS_A_LOOK: u32 = 1000;

/// Sets what the file may make the database do, and how long it may take until [`release`].
pub fn restrain(connection: &mut Connection, path: &Path) -> rusqlite::Result<()> {
    for (what, value) in [
        (DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true),
        (DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false),
        (DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false),
        (DbConfig::SQLITE_DBCONFIG_ENABLE_VIEW, false),
    ] {
        connection.set_db_config(what, value)?;
    }
    connection.set_limit(Limit::SQLITE_LIMIT_LENGTH, MOST_BYTES_A_VALUE)?;
    let bytes = path.metadata().map_or(0, |about| about.len());
    let mut left = (STEPS_OF_ANY_FILE + STEPS_A_BYTE * bytes) / u64::from(STEPS_A_LOOK);
    let is_too_long = move || {
        left = left.saturating_sub(1);
        left == 0
    };
    connection.progress_handler(STEPS_A_LOOK as i32, Some(is_too_long))
}

/// Ends the bound on time: what follows goes through every page once.
pub fn release(connection: &mut Connection) -> rusqlite::Result<()> {
    connection.progress_handler(0, None::<fn() -> bool>)
}

/// Refuses tables that are none or compute their columns, and pages that are damaged or named twice.
pub fn check(connection: &Connection, path: &Path) -> Result<(), FlightError> {
    let wrong = |source| FlightError::Database { path: path.into(), source };
    let computed: Option<String> = connection
        .query_row(
            "SELECT name FROM pragma_table_list AS held WHERE schema = 'main' AND (type <> 'table' OR EXISTS \
             (SELECT 1 FROM pragma_table_xinfo(held.name) WHERE hidden <> 0)) LIMIT 1",
            [],
            |row| row.get(0),
        )
        .optional()
        .map_err(wrong)?;
    if let Some(name) = computed {
        let what = format!("{name:?} is no plain table");
        return Err(FlightError::Damaged { path: path.into(), what });
    }
    connection.pragma_update(None, "ignore_check_constraints", true).map_err(wrong)?;
    let said: String = connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(wrong)?;
    connection.pragma_update(None, "ignore_check_constraints", false).map_err(wrong)?;
    match said.as_str() {
        "ok" => Ok(()),
        _ => Err(FlightError::Damaged { path: path.into(), what: said.replace('\n', " ") }),
    }
}
