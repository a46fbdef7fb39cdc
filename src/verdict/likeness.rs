//! Exposures that belong together: the same target through the same filter with the same
//! binning and frame size. Others are named, never silently mixed; filter and target may be
//! made no more than a remark by the settings.

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};

use crate::gate::Severity;
use crate::settings::CheckSettings;
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

/// The largest like group by exposure time; for every exposure outside the code of the first
/// fact that differs, and for members the codes of facts that differ and are only remarked on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LikeGroup {
    pub members: Vec<usize>,
    pub others: Vec<(usize, &'static str)>,
    pub remarks: Vec<(usize, &'static str)>,
}

/// Finds the largest group; of equals the one with more exposures, then the earliest.
pub fn like_group(tables: &[StarTable], checks: &CheckSettings) -> LikeGroup {
    let kinds: Vec<Kind> = tables.iter().map(Kind::of).collect();
    let all: Vec<usize> = (0..tables.len()).collect();
    let asked = |t: usize| {
        let mut kind = kinds[t].clone();
        if checks.severity("mixed-filter") == Severity::Remark {
            kind.filter = None;
        }
        if checks.severity("mixed-target") == Severity::Remark {
            kind.target = None;
        }
        kind
    };
    let Some((kind, members)) = largest(tables, &all, asked) else { return LikeGroup::default() };
    let outside = all.iter().filter(|t| !members.contains(t));
    let others = outside.map(|&t| (t, first_difference(&kind, &asked(t)))).collect();
    // Among the members the largest group by every fact is what the others differ from.
    let remarks = largest(tables, &members, |t| kinds[t].clone())
        .map(|(kind, _)| {
            let codes = |&t: &usize| differences(&kind, &kinds[t]).into_iter().map(move |code| (t, code));
            members.iter().flat_map(codes).collect()
        })
        .unwrap_or_default();
    LikeGroup { members, others, remarks }
}

/// The kind with the most exposure time among some exposures, with those of it.
fn largest(
    tables: &[StarTable],
    among: &[usize],
    kind: impl Fn(usize) -> Kind,
) -> Option<(Kind, Vec<usize>)> {
    let mut groups: BTreeMap<Kind, Vec<usize>> = BTreeMap::new();
    for &t in among {
        groups.entry(kind(t)).or_default().push(t);
    }
    let time = |members: &[usize]| -> f64 {
        members.iter().map(|&t| tables[t].facts.exposure_s.unwrap_or(0.0)).sum()
    };
    groups.into_iter().max_by(|(_, a), (_, b)| {
        time(a).total_cmp(&time(b)).then(a.len().cmp(&b.len())).then(b[0].cmp(&a[0]))
    })
}

/// Tables that repeat an earlier one: the same detections to the last bit, so the same pixels.
pub fn repeats(tables: &[StarTable]) -> Vec<usize> {
    let fingerprint = |table: &StarTable| -> [u8; 32] {
        let mut hash = Sha256::new();
        let values = table.stars.iter().flat_map(|s| [s.x, s.y, s.flux]);
        values.for_each(|value| hash.update(value.to_le_bytes()));
        hash.finalize().into()
    };
    let mut seen = std::collections::HashSet::new();
    (0..tables.len())
        .filter(|&t| !tables[t].stars.is_empty() && !seen.insert(fingerprint(&tables[t])))
        .collect()
}

fn first_difference(kind: &Kind, other: &Kind) -> &'static str {
    differences(kind, other).first().copied().unwrap_or("mixed-size")
}

/// Codes of the facts that differ, the most telling first.
fn differences(kind: &Kind, other: &Kind) -> Vec<&'static str> {
    [
        ("mixed-filter", kind.filter != other.filter),
        ("mixed-target", kind.target != other.target),
        ("mixed-binning", kind.binning != other.binning),
        ("mixed-size", kind.frame != other.frame),
    ]
    .into_iter()
    .filter_map(|(code, differs)| differs.then_some(code))
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::ExposureFacts;
    use crate::verdict::fixture::empty_table;

    fn table(filter: &str, exposure_s: f64) -> StarTable {
        let facts = ExposureFacts {
            filter: Some(filter.into()),
            exposure_s: Some(exposure_s),
            ..ExposureFacts::default()
        };
        StarTable { facts, ..empty_table() }
    }

    #[test]
    fn the_group_with_most_exposure_time_is_judged_and_the_others_are_named() {
        let tables = [table("clear", 60.0), table("red", 200.0), table("Clear ", 60.0)];
        let group = like_group(&tables, &CheckSettings::default());
        assert_eq!(group.members, [1]);
        assert_eq!(group.others, [(0, "mixed-filter"), (2, "mixed-filter")]);
        let mut small = table("red", 10.0);
        small.width = 50;
        let group = like_group(&[table("red", 20.0), small], &CheckSettings::default());
        assert_eq!(group.others, [(1, "mixed-size")]);
    }

    #[test]
    fn a_fact_that_is_only_remarked_on_parts_no_group() {
        let checks = CheckSettings::from(BTreeMap::from([("mixed-filter".into(), Severity::Remark)]));
        let mut small = table("clear", 10.0);
        small.width = 50;
        let tables = [table("clear", 60.0), table("red", 200.0), small];
        let group = like_group(&tables, &checks);
        assert_eq!(group.members, [0, 1]);
        assert_eq!(group.remarks, [(0, "mixed-filter")]);
        assert_eq!(group.others, [(2, "mixed-size")]);
    }

    #[test]
    fn tables_without_stars_are_no_repeats() {
        assert!(repeats(&[table("red", 1.0), table("red", 1.0)]).is_empty());
    }
}
