//! The flight log: what the verdicts of many stacks said of each exposure, in one SQLite file, and what
//! it shows of the flight.
//!
//! ```text
//! verdict.json -> Record -> store (SQLite) -> Flight (nights, visits, terms) -> trends -> alarms
//! ```
//!
//! - [`record`]: what a verdict says, flattened to a row an exposure
//! - [`store`]: the file; [`layout`]: its tables, and how an older file is brought up
//!   and what a damaged one is refused by (`soundness`)
//! - [`nights`]: nights, visits and the time since the last move
//! - [`terms`]: what is followed, with units and limits
//! - [`series`]: one term through the flight, the joint sign of the even terms settled between visits
//! - [`trends`]: drifts and steps, and what a term follows
//! - [`alarm`]: beyond its own history, over its limit, or soon to be

pub mod alarm;
#[cfg(test)]
mod fixture;
pub mod layout;
pub mod nights;
pub mod record;
pub mod series;
mod soundness;
pub mod store;
pub mod terms;
pub mod trends;

pub use nights::Flight;
pub use record::{LoggedExposure, Record, TermValue};
pub use store::{Added, Log};

use std::path::PathBuf;

/// Why the flight log cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FlightError {
    #[error(
        "{}: this flight log has layout {found}, and this version of stackworthy knows layouts up to {known}; \
         use a newer stackworthy, or another --log",
        path.display()
    )]
    Newer { path: PathBuf, found: i64, known: i64 },
    #[error("{}: no flight log, but another program's database; choose another --log", path.display())]
    Foreign { path: PathBuf },
    #[error("{}: there is no flight log here; `stackworthy flight add` begins one", path.display())]
    Missing { path: PathBuf },
    #[error("{}: {source}{}", path.display(), remedy(source))]
    Database { path: PathBuf, source: rusqlite::Error },
    #[error(
        "{}: this flight log is damaged: {what}; begin another --log and add the verdicts again", path.display()
    )]
    Damaged { path: PathBuf, what: String },
    #[error("it is no verdict of stackworthy: {0}")]
    NoVerdict(String),
    #[error("its schema is {found:?}, and this version reads {known:?}")]
    OtherSchema { found: String, known: &'static str },
}

/// What to do about the database's commoner refusals.
fn remedy(error: &rusqlite::Error) -> &'static str {
    use rusqlite::ErrorCode::*;
    match error.sqlite_error_code() {
        Some(NotADatabase) => "; it is no flight log: choose another --log",
        Some(DatabaseBusy | DatabaseLocked) => "; another process holds the log: try again",
        Some(CannotOpen | ReadOnly) => "; its folder must exist and be writable: choose another --log",
        Some(DiskFull) => "; free space",
        Some(DatabaseCorrupt | OperationInterrupted) => {
            "; the file is damaged: begin another --log and add the verdicts again"
        }
        _ => "",
    }
}
