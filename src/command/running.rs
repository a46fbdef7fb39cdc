//! The running stack of a watch: the star tables of the last frames, in the order of their
//! paths as `check` has them. Pure, but for asking whether a frame is still there.
//!
//! Nothing of a judgement is kept for the next one. The optics of all held frames are fitted again, the most
//! work of it, because an exposure's fit starts from that of the stack's best: what is kept would tell of
//! another stack, and the verdict differ from that of `check`.

use std::collections::VecDeque;
use std::path::Path;

use crate::table::StarTable;

#[derive(Debug)]
pub struct Running {
    most: usize,
    /// In the order of their paths.
    tables: Vec<StarTable>,
    /// Paths in the order of arrival, the oldest first.
    arrived: VecDeque<String>,
    unreadable: VecDeque<(String, String)>,
    /// Frames that have left the stack.
    earlier: usize,
}

/// What became of a frame that came to the stack.
#[derive(Debug, PartialEq, Eq)]
pub enum Joined {
    Stack,
    /// The same content is in the stack under this path.
    SameAs(String),
}

impl Running {
    pub fn new(most: usize) -> Self {
        Self { most, tables: Vec::new(), arrived: VecDeque::new(), unreadable: VecDeque::new(), earlier: 0 }
    }

    pub fn most(&self) -> usize {
        self.most
    }

    pub fn tables(&self) -> &[StarTable] {
        &self.tables
    }

    pub fn unreadable(&self) -> Vec<(String, String)> {
        self.unreadable.iter().cloned().collect()
    }

    /// Frames that left the stack in an earlier watch.
    pub fn set_earlier(&mut self, earlier: usize) {
        self.earlier = earlier;
    }

    /// A frame under a path that is in the stack replaces what was there; so does one of the
    /// same content whose path is gone, for it was renamed. The oldest makes room.
    pub fn join(&mut self, table: StarTable) -> Joined {
        self.leave(&table.file);
        if let Some(same) = self.tables.iter().find(|t| t.frame_xxh3 == table.frame_xxh3) {
            let path = same.file.clone();
            if Path::new(&path).exists() {
                return Joined::SameAs(path);
            }
            self.leave(&path);
        }
        if self.arrived.len() >= self.most
            && let Some(oldest) = self.arrived.pop_front()
        {
            self.leave(&oldest);
            self.earlier += 1;
        }
        self.arrived.push_back(table.file.clone());
        let place = self.tables.partition_point(|t| t.file < table.file);
        self.tables.insert(place, table);
        Joined::Stack
    }

    pub fn join_unreadable(&mut self, path: String, why: String) {
        self.leave(&path);
        if self.unreadable.len() >= self.most {
            self.unreadable.pop_front();
        }
        self.unreadable.push_back((path, why));
    }

    /// What the verdict says where it is not that of all frames.
    pub fn note(&self) -> Option<String> {
        (self.earlier > 0).then(|| {
            format!(
                "This is the verdict on the last {} of {} frames; the star tables of all are kept, and \
                 `stackworthy judge` judges them together.",
                self.tables.len(),
                self.tables.len() + self.earlier
            )
        })
    }

    fn leave(&mut self, path: &str) {
        self.tables.retain(|t| t.file != path);
        self.arrived.retain(|p| p != path);
        self.unreadable.retain(|(p, _)| p != path);
    }
}
