//! Interrupts: what a person's Ctrl-C, a `kill`, a closed terminal or a full quota does.
//!
//! A loop that waits (watching a folder) asks [`asked`] and returns by itself. All other work is
//! cut off after [`GRACE`]: files are only ever replaced whole, so nothing half is left, and
//! what must not be cut apart runs inside [`uncut`].

#![allow(clippy::disallowed_methods, reason = "ends the process and removes unfinished files")]

use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGXFSZ};
use signal_hook::iterator::Signals;

/// Beginning of the name of whatever is not finished yet.
pub const UNFINISHED: &str = ".unfinished-";

/// Time that a command has to return by itself.
const GRACE: Duration = Duration::from_millis(300);
/// Unfinished files are removed so often, at most.
const TRIES: usize = 30;
const BETWEEN: Duration = Duration::from_millis(10);
/// Common practice of shells: 128 and the signal's number.
const SIGNALLED: i32 = 128;

static MEANT: AtomicBool = AtomicBool::new(false);
static ASKED: AtomicBool = AtomicBool::new(false);
static UNCUT: Mutex<()> = Mutex::new(());
static FOLDERS: Mutex<Vec<PathBuf>> = Mutex::new(Vec::new());

/// True once an interrupt came: end the loop and return.
pub fn asked() -> bool {
    ASKED.load(Ordering::Relaxed)
}

/// Once an interrupt came, waits here until it ends the process: nothing new is begun, and what the interrupt takes
/// away is no error. Goes on at once otherwise, and where the command returns by itself.
pub fn stop_here() {
    while asked() && !MEANT.load(Ordering::Relaxed) {
        std::thread::park_timeout(GRACE);
    }
}

/// For a command that goes on until it is interrupted: the interrupt then is no failure, exit code 0.
pub fn is_meant() {
    MEANT.store(true, Ordering::Relaxed);
}

/// Runs `work` to its end before an interrupt ends the process. For short work.
pub fn uncut<T>(work: impl FnOnce() -> T) -> T {
    let _guard = lock(&UNCUT);
    work()
}

/// What is unfinished in this folder is removed when an interrupt ends the process.
pub fn tidies(folder: &Path) {
    lock(&FOLDERS).push(folder.into());
}

/// From now on interrupts end the process in order.
pub(super) fn listen() -> io::Result<()> {
    // A file over the limit of its size is then an error of the write, not the end of the process.
    signal_hook::flag::register(SIGXFSZ, Arc::new(AtomicBool::new(false)))?;
    let mut signals = Signals::new([SIGINT, SIGTERM, SIGHUP])?;
    std::thread::Builder::new().name("interrupts".into()).spawn(move || {
        if let Some(signal) = signals.forever().next() {
            end(signal);
        }
    })?;
    Ok(())
}

fn end(signal: i32) {
    ASKED.store(true, Ordering::Relaxed);
    std::thread::sleep(GRACE);
    let _guard = lock(&UNCUT);
    let folders = lock(&FOLDERS);
    // The work goes on meanwhile, and what it is writing may come anew.
    for _ in 0..TRIES {
        // Every one of them, whether or not another fails.
        let left = folders.iter().filter(|folder| remove_unfinished(folder).is_err()).count();
        if left == 0 {
            break;
        }
        std::thread::sleep(BETWEEN);
    }
    if MEANT.load(Ordering::Relaxed) {
        std::process::exit(0);
    }
    let _ = writeln!(
        io::stderr(),
        "\ninterrupted: every file written so far is whole; the same command goes on from there"
    );
    std::process::exit(SIGNALLED + signal);
}

/// Removes what an earlier run left unfinished directly inside a folder.
pub fn remove_unfinished(folder: &Path) -> io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            match entry.file_type()?.is_dir() {
                true => std::fs::remove_dir_all(entry.path())?,
                false => std::fs::remove_file(entry.path())?,
            }
        }
    }
    Ok(())
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
