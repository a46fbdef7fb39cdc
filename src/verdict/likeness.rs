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

/// Tables that repeat an earlier one: the same detections to the last bit, so the same pixels.
pub fn repeats(tables: &[StarTable]) -> Vec<usize> {
    let fingerprint = |table: &StarTable| -> Vec<[u64; 3]> {
        table.stars.iter().map(|s| [s.x, s.y, s.flux].map(f64::to_bits)).collect()
    };
    let mut seen = std::collections::HashSet::new();
    (0..tables.len())
        .filter(|&t| !tables[t].stars.is_empty() && !seen.insert(fingerprint(&tables[t])))
        .collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{ExposureFacts, Region};

    fn table(filter: &str, exposure_s: f64) -> StarTable {
        StarTable {
            file: String::new(),
            frame_sha256: String::new(),
            settings_sha256: String::new(),
            version: String::new(),
            width: 100,
            height: 100,
            usable: Region { x0: 0, x1: 100, y0: 0, y1: 100 },
            facts: ExposureFacts {
                filter: Some(filter.into()),
                exposure_s: Some(exposure_s),
                ..ExposureFacts::default()
            },
            sky_level: 0.0,
            sky_noise: 1.0,
            sigma_pixels: None,
            narrowest_sigma_pixels: None,
            has_wcs: false,
            sky_angle_deg: None,
            notes: Vec::new(),
            stars: Vec::new(),
        }
    }

    #[test]
    fn the_group_with_most_exposure_time_is_judged_and_the_others_are_named() {
        let tables = [table("clear", 60.0), table("red", 200.0), table("Clear ", 60.0)];
        let group = like_group(&tables);
        assert_eq!(group.members, [1]);
        assert_eq!(group.others, [(0, "mixed-filter"), (2, "mixed-filter")]);
        let mut small = table("red", 10.0);
        small.width = 50;
        assert_eq!(like_group(&[table("red", 20.0), small]).others, [(1, "mixed-size")]);
    }

    #[test]
    fn tables_without_stars_are_no_repeats() {
        assert!(repeats(&[table("red", 1.0), table("red", 1.0)]).is_empty());
    }
}
