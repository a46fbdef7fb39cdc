//! The log's file. A verdict is added in one transaction: a process that is killed leaves all of it
//! or nothing, and two processes wait for each other. A rollback journal rather than a write-ahead
//! log, so that between writes the log is one file that can be copied.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, Transaction, TransactionBehavior, params};

use super::FlightError;
use super::layout;
use super::record::{LoggedExposure, LoggedVerdict, Record, TermValue};
use super::soundness;

/// How long one process waits for another.
const WAIT: Duration = Duration::from_secs(30);

/// An open flight log.
#[derive(Debug)]
pub struct Log {
    connection: Connection,
    path: PathBuf,
}

/// What adding a verdict did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Added {
    /// False where this very verdict is in the log already.
    pub is_new: bool,
    pub new: usize,
    /// Measured anew: the row before is kept in the history.
    pub replaced: usize,
    pub unchanged: usize,
}

/// All that stands in a log; a number that is not finite, which only another program can have put there,
/// is missing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Contents {
    /// By their number in the log; those whose exposures have all been measured anew are left out.
    pub verdicts: BTreeMap<i64, LoggedVerdict>,
    /// With the id of their verdict, in order of time; those without a time last.
    pub exposures: Vec<(i64, LoggedExposure)>,
    /// Rows that were replaced.
    pub replaced: u64,
}

impl Log {
    /// Opens a log, or begins one.
    pub fn open_or_begin(path: &Path) -> Result<Self, FlightError> {
        Self::open_with(path, OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE)
    }

    /// Opens a log that is there. It is written to where it is of an older layout, or where a
    /// process was killed while it wrote.
    pub fn open(path: &Path) -> Result<Self, FlightError> {
        if !path.is_file() {
            return Err(FlightError::Missing { path: path.into() });
        }
        Self::open_with(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
    }

    fn open_with(path: &Path, flags: OpenFlags) -> Result<Self, FlightError> {
        let wrong = |source| FlightError::Database { path: path.into(), source };
        let mut connection =
            Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(wrong)?;
        connection.busy_timeout(WAIT).map_err(wrong)?;
        connection.pragma_update(None, "foreign_keys", true).map_err(wrong)?;
        connection.pragma_update(None, "synchronous", "FULL").map_err(wrong)?;
        soundness::restrain(&mut connection, path).map_err(wrong)?;
        layout::bring_up(&mut connection, path)?;
        soundness::release(&mut connection).map_err(wrong)?;
        Ok(Self { connection, path: path.into() })
    }

    /// Adds a verdict. The same one again changes nothing; an exposure that is in the log already and
    /// is now measured otherwise takes the place of its row, which is kept in the history.
    pub fn add(&mut self, record: &Record) -> Result<Added, FlightError> {
        let path = self.path.clone();
        let wrong = |source| FlightError::Database { path: path.clone(), source };
        let transaction =
            self.connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(wrong)?;
        let added = add(&transaction, record).map_err(wrong)?;
        transaction.commit().map_err(wrong)?;
        Ok(added)
    }

    pub fn contents(&mut self) -> Result<Contents, FlightError> {
        let path = self.path.clone();
        let wrong = |source| FlightError::Database { path: path.clone(), source };
        // One transaction, so that all tables are of the same moment.
        let transaction = self.connection.transaction().map_err(wrong)?;
        let contents = contents(&transaction).map_err(wrong)?;
        transaction.commit().map_err(wrong)?;
        Ok(contents)
    }

    /// The earlier rows of a frame, the oldest first.
    pub fn history(&self, frame: &str) -> Result<Vec<LoggedExposure>, FlightError> {
        let wrong = |source| FlightError::Database { path: self.path.clone(), source };
        let mut statement = self
            .connection
            .prepare("SELECT exposure_as_json FROM replaced WHERE frame = ?1 ORDER BY id")
            .map_err(wrong)?;
        let rows = statement.query_map([frame], |row| row.get::<_, String>(0)).map_err(wrong)?;
        let texts: Vec<String> = rows.collect::<Result<_, _>>().map_err(wrong)?;
        Ok(texts.iter().filter_map(|text| serde_json::from_str(text).ok()).collect())
    }
}

fn add(transaction: &Transaction, record: &Record) -> rusqlite::Result<Added> {
    let known: Option<i64> = transaction
        .query_row("SELECT id FROM verdict WHERE sha256 = ?1", [&record.sha256], |row| row.get(0))
        .optional()?;
    if known.is_some() {
        return Ok(Added { unchanged: record.exposures.len(), ..Added::default() });
    }
    let (asked, now) = (&record.verdict, jiff::Timestamp::now().to_string());
    transaction.execute(
        "INSERT INTO verdict (sha256, added, path, decision, confidence, size_limit, ellipticity_limit, weight, \
         sign_settled) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            record.sha256,
            now,
            asked.path,
            asked.decision,
            asked.confidence,
            asked.size_limit,
            asked.ellipticity_limit,
            asked.weight,
            asked.sign_settled
        ],
    )?;
    let verdict = transaction.last_insert_rowid();
    let mut added = Added { is_new: true, ..Added::default() };
    for exposure in &record.exposures {
        match one(transaction, &exposure.frame)? {
            Some((_, before)) if before == *exposure => {
                added.unchanged += 1;
                transaction.execute(
                    "UPDATE exposure SET verdict = ?1 WHERE frame = ?2",
                    params![verdict, exposure.frame],
                )?;
                continue;
            }
            Some((of, before)) => {
                added.replaced += 1;
                keep_history(transaction, of, &before, &now)?;
            }
            None => added.new += 1,
        }
        insert(transaction, verdict, exposure)?;
    }
    Ok(added)
}

fn keep_history(
    transaction: &Transaction,
    verdict: i64,
    row: &LoggedExposure,
    now: &str,
) -> rusqlite::Result<()> {
    // Plain strings and finite numbers: it cannot fail.
    let text = serde_json::to_string(row).unwrap_or_default();
    transaction.execute(
        "INSERT INTO replaced (frame, verdict, replaced, exposure_as_json) VALUES (?1, ?2, ?3, ?4)",
        params![row.frame, verdict, now, text],
    )?;
    transaction.execute("DELETE FROM exposure WHERE frame = ?1", [&row.frame])?;
    Ok(())
}

fn insert(transaction: &Transaction, verdict: i64, e: &LoggedExposure) -> rusqlite::Result<()> {
    transaction.execute(
        "INSERT INTO exposure (frame, verdict, file, mjd_mid, exposure_s, target, filter, altitude_deg, ra_deg, \
         dec_deg, focus, gate, combined, stars) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
        params![
            e.frame,
            verdict,
            e.file,
            e.mjd_mid,
            e.exposure_s,
            e.target,
            e.filter,
            e.altitude_deg,
            e.ra_deg,
            e.dec_deg,
            e.focus,
            e.gate,
            e.combined,
            e.stars
        ],
    )?;
    let mut term = transaction.prepare_cached(
        "INSERT INTO term (frame, name, value, error, determined) VALUES (?1, ?2, ?3, ?4, ?5)",
    )?;
    for (name, t) in &e.terms {
        term.execute(params![e.frame, name, t.value, t.error, t.determined])?;
    }
    let mut housekeeping =
        transaction.prepare_cached("INSERT INTO housekeeping (frame, name, value) VALUES (?1, ?2, ?3)")?;
    for (name, value) in &e.housekeeping {
        housekeeping.execute(params![e.frame, name, value])?;
    }
    Ok(())
}

const COLUMNS: &str = "frame, verdict, file, mjd_mid, exposure_s, target, filter, altitude_deg, ra_deg, dec_deg, \
                       focus, gate, combined, stars";

/// A row without its terms, and the id of its verdict.
fn exposure(row: &Row) -> rusqlite::Result<(i64, LoggedExposure)> {
    let finite = |name: &str| row.get::<_, Option<f64>>(name).map(|value| value.filter(|v| v.is_finite()));
    let exposure = LoggedExposure {
        frame: row.get("frame")?,
        file: row.get("file")?,
        mjd_mid: finite("mjd_mid")?,
        exposure_s: finite("exposure_s")?,
        target: row.get("target")?,
        filter: row.get("filter")?,
        altitude_deg: finite("altitude_deg")?,
        ra_deg: finite("ra_deg")?,
        dec_deg: finite("dec_deg")?,
        focus: finite("focus")?,
        gate: row.get("gate")?,
        combined: row.get("combined")?,
        stars: row.get("stars")?,
        ..LoggedExposure::default()
    };
    Ok((row.get("verdict")?, exposure))
}

fn term(row: &Row) -> rusqlite::Result<(String, String, TermValue)> {
    let value =
        TermValue { value: row.get("value")?, error: row.get("error")?, determined: row.get("determined")? };
    Ok((row.get("frame")?, row.get("name")?, value))
}

fn number(row: &Row) -> rusqlite::Result<(String, String, f64)> {
    Ok((row.get("frame")?, row.get("name")?, row.get("value")?))
}

/// One frame's row.
fn one(transaction: &Transaction, frame: &str) -> rusqlite::Result<Option<(i64, LoggedExposure)>> {
    let sql = format!("SELECT {COLUMNS} FROM exposure WHERE frame = ?1");
    let Some((verdict, mut found)) = transaction.query_row(&sql, [frame], exposure).optional()? else {
        return Ok(None);
    };
    let mut terms = transaction.prepare_cached("SELECT * FROM term WHERE frame = ?1")?;
    for row in terms.query_map([frame], term)? {
        let (_, name, value) = row?;
        found.terms.insert(name, value);
    }
    let mut numbers = transaction.prepare_cached("SELECT * FROM housekeeping WHERE frame = ?1")?;
    for row in numbers.query_map([frame], number)? {
        let (_, name, value) = row?;
        found.housekeeping.insert(name, value);
    }
    Ok(Some((verdict, found)))
}

fn contents(transaction: &Transaction) -> rusqlite::Result<Contents> {
    let mut verdicts =
        transaction.prepare("SELECT * FROM verdict WHERE id IN (SELECT verdict FROM exposure)")?;
    let verdicts = verdicts.query_map([], |row| {
        let verdict = LoggedVerdict {
            path: row.get("path")?,
            decision: row.get("decision")?,
            confidence: row.get("confidence")?,
            size_limit: row.get("size_limit")?,
            ellipticity_limit: row.get("ellipticity_limit")?,
            weight: row.get("weight")?,
            sign_settled: row.get("sign_settled")?,
        };
        Ok((row.get("id")?, verdict))
    })?;
    let verdicts = verdicts.collect::<rusqlite::Result<_>>()?;
    let sql = format!("SELECT {COLUMNS} FROM exposure ORDER BY mjd_mid IS NULL, mjd_mid, file");
    let mut rows = transaction.prepare(&sql)?;
    let mut exposures: Vec<(i64, LoggedExposure)> =
        rows.query_map([], exposure)?.collect::<rusqlite::Result<_>>()?;
    let places: BTreeMap<String, usize> =
        exposures.iter().enumerate().map(|(k, (_, e))| (e.frame.clone(), k)).collect();
    let mut terms = transaction.prepare("SELECT * FROM term")?;
    for row in terms.query_map([], term)? {
        let (frame, name, value) = row?;
        let is_finite = value.value.is_finite() && value.error.is_none_or(f64::is_finite);
        if let Some(&k) = places.get(&frame).filter(|_| is_finite) {
            exposures[k].1.terms.insert(name, value);
        }
    }
    let mut numbers = transaction.prepare("SELECT * FROM housekeeping")?;
    for row in numbers.query_map([], number)? {
        let (frame, name, value) = row?;
        if let Some(&k) = places.get(&frame).filter(|_| value.is_finite()) {
            exposures[k].1.housekeeping.insert(name, value);
        }
    }
    let replaced: i64 = transaction.query_row("SELECT count(*) FROM replaced", [], |row| row.get(0))?;
    Ok(Contents { verdicts, exposures, replaced: replaced.unsigned_abs() })
}
