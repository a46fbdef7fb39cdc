//! Exposures that belong together: the same target through the same filter with the same
//! binning and frame size. Others are named, never silently mixed.

use std::collections::BTreeMap;

use crate::table::StarTable;

/// What must agree within a stack.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
struct Kind {
    filter: Option<String>,
    binning: Option<[u32; 2]>,
    frame: (usize, usize),
    target: Option<String>,
}

impl Kind {
    fn of(table: &StarTable) -> Self {
        let word = |text: &Option<String>| text.as_ref().map(|t| t.trim().to_lowercase());
        Self {
            filter: word(&table.facts.filter),
            binning: table.facts.binning,
            frame: (table.width, table.height),
            target: word(&table.facts.target),
        }
    }
}

/// The largest like group by exposure time, and for every other exposure the code of the
/// first fact that differs.
#[derive(Debug, Clone, PartialEq)]
pub struct LikeGroup {
    pub members: Vec<usize>,
    pub others: Vec<(usize, &'static str)>,
}

/// Finds the largest group; of equals the one with more exposures, then the earliest.
pub fn like_group(tables: &[StarTable]) -> LikeGroup {
    let mut groups: BTreeMap<Kind, Vec<usize>> = BTreeMap::new();
    for (t, table) in tables.iter().enumerate() {
        groups.entry(Kind::of(table)).or_default().push(t);
    }
    let time = |members: &[usize]| -> f64 {
        members.iter().map(|&t| tables[t].facts.exposure_s.unwrap_or(0.0)).sum()
    };
    let best = groups.iter().max_by(|(_, a), (_, b)| {
        time(a).total_cmp(&time(b)).then(a.len().cmp(&b.len())).then(b[0].cmp(&a[0]))
    });
    let Some((kind, members)) = best else {
        return LikeGroup { members: Vec::new(), others: Vec::new() };
    };
    let others = tables
        .iter()
        .enumerate()
        .filter(|(t, _)| !members.contains(t))
        .map(|(t, table)| (t, first_difference(kind, &Kind::of(table))))
        .collect();
    LikeGroup { members: members.clone(), others }
}

fn first_difference(kind: &Kind, other: &Kind) -> &'static str {
    if kind.filter != other.filter {
        "mixed-filter"
    } else if kind.target != other.target {
        "mixed-target"
    } else if kind.binning != other.binning {
        "mixed-binning"
    } else {
        "mixed-size"
    }
}
