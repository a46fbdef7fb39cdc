//! Which files of a watched folder are written to their end, from looks at the folder
//! taken again and again. No disk and no clock here: both are handed in.
//!
//! A file is *ready* when it looked the same (length and time of change) for a while. Then
//! it is read. If that shows it not to be a whole frame, it is waited for: it may be a
//! slow copy that stalls. One that has not changed for the patience is *given up*: said
//! once, and looked at again only if it changes.

use std::collections::BTreeMap;
use std::time::Duration;

use serde::{Deserialize, Serialize};

/// What a look at the folder shows of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    pub bytes: u64,
    /// Time of the last change, ns since 1970; compared for equality only, for the clocks of
    /// network disks differ.
    pub changed_ns: u64,
}

#[derive(Debug, Clone, PartialEq)]
enum State {
    /// Not looked into at this stamp.
    New,
    /// Looked into: no whole frame, with why.
    Unfinished(String),
    /// Measured, or given up.
    Settled,
}

#[derive(Debug, Clone)]
struct Entry {
    stamp: Stamp,
    /// When this stamp was first seen, since the start of the watch.
    since: Duration,
    state: State,
}

/// The files seen so far.
#[derive(Debug)]
pub struct Arrivals {
    /// A file is ready after so long without a change.
    settle: Duration,
    /// One that is no whole frame is given up after so long without a change.
    patience: Duration,
    files: BTreeMap<String, Entry>,
}

impl Arrivals {
    pub fn new(settle: Duration, patience: Duration) -> Self {
        Self { settle, patience: patience.max(settle), files: BTreeMap::new() }
    }

    /// Takes up what an earlier watch knew: a file that still has this stamp is not looked into.
    pub fn settled_before(&mut self, path: &str, stamp: Stamp) {
        let entry = Entry { stamp, since: Duration::ZERO, state: State::Settled };
        self.files.insert(path.into(), entry);
    }

    /// Notes what the folder holds now. Files that are gone are forgotten.
    pub fn look(&mut self, seen: &[(String, Stamp)], now: Duration) {
        let mut before = std::mem::take(&mut self.files);
        for (path, stamp) in seen {
            let entry = match before.remove(path) {
                Some(entry) if entry.stamp == *stamp => entry,
                _ => Entry { stamp: *stamp, since: now, state: State::New },
            };
            self.files.insert(path.clone(), entry);
        }
    }

    /// Files to read now, in the order in which they stopped changing.
    pub fn ready(&self, now: Duration) -> Vec<(String, Stamp)> {
        let mut ready: Vec<(&String, &Entry)> = self
            .files
            .iter()
            .filter(|(_, e)| e.state == State::New && now.saturating_sub(e.since) >= self.settle)
            .collect();
        ready.sort_by_key(|(path, e)| (e.since, *path));
        ready.into_iter().map(|(path, e)| (path.clone(), e.stamp)).collect()
    }

    /// The file was read as it stood under this stamp: it is done with.
    pub fn settled(&mut self, path: &str, stamp: Stamp) {
        self.set(path, stamp, State::Settled);
    }

    /// The file was read as it stood under this stamp and is no whole frame.
    pub fn unfinished(&mut self, path: &str, stamp: Stamp, why: String) {
        self.set(path, stamp, State::Unfinished(why));
    }

    /// Files whose patience is over, with why they are no whole frames. Each is given once.
    pub fn given_up(&mut self, now: Duration) -> Vec<(String, Stamp, String)> {
        let mut given_up = Vec::new();
        for (path, entry) in &mut self.files {
            if now.saturating_sub(entry.since) < self.patience {
                continue;
            }
            if let State::Unfinished(why) = &entry.state {
                given_up.push((path.clone(), entry.stamp, why.clone()));
                entry.state = State::Settled;
            }
        }
        given_up
    }

    /// Files that are not done with.
    pub fn open(&self) -> usize {
        self.files.values().filter(|e| e.state != State::Settled).count()
    }

    fn set(&mut self, path: &str, stamp: Stamp, state: State) {
        if let Some(entry) = self.files.get_mut(path).filter(|e| e.stamp == stamp) {
            entry.state = state;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn seconds(n: u64) -> Duration {
        Duration::from_secs(n)
    }

    fn stamp(bytes: u64) -> Stamp {
        Stamp { bytes, changed_ns: 7 }
    }

    fn names(list: &[(String, Stamp)]) -> Vec<&str> {
        list.iter().map(|(name, _)| name.as_str()).collect()
    }

    fn look(arrivals: &mut Arrivals, files: &[(&str, u64)], now: u64) {
        let seen: Vec<_> = files.iter().map(|(name, bytes)| ((*name).into(), stamp(*bytes))).collect();
        arrivals.look(&seen, seconds(now));
    }

    #[test]
    fn a_file_that_grows_is_waited_for() {
        let mut a = Arrivals::new(seconds(2), seconds(60));
        for now in 0..10 {
            look(&mut a, &[("a", now)], now);
            assert!(a.ready(seconds(now)).is_empty(), "at {now}");
        }
        look(&mut a, &[("a", 9)], 10);
        assert!(a.ready(seconds(10)).is_empty());
        look(&mut a, &[("a", 9)], 11);
        assert_eq!(names(&a.ready(seconds(11))), ["a"]);
        a.settled("a", stamp(9));
        look(&mut a, &[("a", 9)], 20);
        assert!(a.ready(seconds(20)).is_empty() && a.open() == 0);
        // Written again: looked into again.
        look(&mut a, &[("a", 12)], 21);
        look(&mut a, &[("a", 12)], 23);
        assert_eq!(names(&a.ready(seconds(23))), ["a"]);
    }

    #[test]
    fn a_copy_that_stalls_is_taken_when_it_goes_on_and_given_up_once() {
        let mut a = Arrivals::new(seconds(1), seconds(60));
        look(&mut a, &[("a", 5), ("b", 5)], 0);
        look(&mut a, &[("a", 5), ("b", 5)], 1);
        for (name, stamp) in a.ready(seconds(1)) {
            a.unfinished(&name, stamp, "cut short".into());
        }
        assert!(a.ready(seconds(50)).is_empty() && a.given_up(seconds(50)).is_empty());
        look(&mut a, &[("a", 9), ("b", 5)], 50);
        look(&mut a, &[("a", 9), ("b", 5)], 61);
        assert_eq!(names(&a.ready(seconds(61))), ["a"]);
        let given_up = a.given_up(seconds(61));
        assert_eq!(given_up, [("b".into(), stamp(5), "cut short".into())]);
        assert!(a.given_up(seconds(100)).is_empty());
        assert_eq!(a.open(), 1);
    }

    #[test]
    fn what_changed_while_it_was_read_is_read_again() {
        let mut a = Arrivals::new(seconds(1), seconds(60));
        look(&mut a, &[("a", 5)], 0);
        look(&mut a, &[("a", 6)], 1);
        a.settled("a", stamp(5));
        look(&mut a, &[("a", 6)], 2);
        assert_eq!(names(&a.ready(seconds(2))), ["a"]);
    }

    #[test]
    fn what_is_gone_is_forgotten_and_what_was_known_is_not_read() {
        let mut a = Arrivals::new(seconds(1), seconds(60));
        a.settled_before("old", stamp(5));
        a.settled_before("changed", stamp(5));
        look(&mut a, &[("old", 5), ("changed", 6), ("temporary", 1)], 0);
        look(&mut a, &[("old", 5), ("changed", 6)], 1);
        assert_eq!(names(&a.ready(seconds(1))), ["changed"]);
        look(&mut a, &[], 2);
        assert_eq!(a.open(), 0);
    }

    #[test]
    fn the_order_is_that_of_completion() {
        let mut a = Arrivals::new(seconds(1), seconds(60));
        look(&mut a, &[("b", 5)], 0);
        look(&mut a, &[("a", 5), ("b", 5), ("c", 5)], 1);
        look(&mut a, &[("a", 5), ("b", 5), ("c", 5)], 2);
        assert_eq!(names(&a.ready(seconds(2))), ["b", "a", "c"]);
    }
}
