//! What to combine together, with the reasons: `keep.ecsv`.

use super::exposures::gate_word;
use super::provenance;
use crate::gate;
use crate::table::fits_table::{Column, Data, Table};
use crate::verdict::Verdict;
use crate::verdict::model::{Decision, ExposureResult, Gate};

/// Every exposure, whether it is on the keep list, and why it is not.
pub fn table(verdict: &Verdict, keep: &[String]) -> Table {
    let rows = &verdict.exposures;
    let listed = |e: &ExposureResult| keep.contains(&e.file);
    let words = |name: &str, ucd: &str, what: &str, get: &dyn Fn(&ExposureResult) -> String| {
        Column::new(name, "", ucd, what, Data::Text(rows.iter().map(get).collect()))
    };
    let group = |e: &ExposureResult| {
        let place = verdict.groups.iter().position(|g| g.contains(&e.file));
        place.and_then(|p| i32::try_from(p + 1).ok())
    };
    let mut table = provenance::table("keep", "stackworthy/keep/1", verdict);
    table.columns = vec![
        words("file", "meta.id;meta.file", "path as given", &|e| e.file.clone()),
        Column::new(
            "keep",
            "",
            "meta.code.status",
            "1 to be combined, as in keep.txt; 0 not",
            Data::U8(rows.iter().map(|e| u8::from(listed(e))).collect()),
        ),
        Column::new(
            "group",
            "",
            "meta.code.member",
            "under split the group it belongs to, from 1",
            Data::I32(rows.iter().map(group).collect()),
        ),
        words("gate", "meta.code", "keep, leave-out or unreadable", &|e| gate_word(e.gate).into()),
        words("reasons", "meta.code", "codes of the checks that speak of it, by blanks", &|e| {
            e.reasons.join(" ")
        }),
        words("why", "meta.note", "why it is not on the list, or what was remarked", &|e| {
            why(verdict, e, listed(e))
        }),
        words("xxh3", "meta.checksum", "XXH3 hash of the frame, 128 bits", &|e| {
            e.xxh3.clone().unwrap_or_default()
        }),
    ];
    table
}

/// The checks' titles; for an exposure with nothing against it what keeps it off the list.
fn why(verdict: &Verdict, exposure: &ExposureResult, listed: bool) -> String {
    let title = |code: &String| gate::find(code).map_or(code.clone(), |check| check.title.to_owned());
    let mut parts: Vec<String> = exposure.reasons.iter().map(title).collect();
    if exposure.gate == Gate::Unreadable {
        parts.extend(exposure.notes.first().cloned());
    }
    if !listed && exposure.gate == Gate::Keep {
        parts.push(match verdict.decision {
            Decision::Split => "in another group, which is combined by itself".into(),
            decision => format!("the verdict is {}: nothing is listed", decision.word()),
        });
    }
    parts.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;
    use crate::verdict::keep::keep_list;

    #[test]
    fn the_table_says_why_a_frame_is_not_listed() {
        let mut verdict = sample::verdict(12);
        let texts = |table: &Table, name: &str| match &table.column(name).unwrap().data {
            Data::Text(words) => words.clone(),
            other => panic!("{other:?}"),
        };
        let made = table(&verdict, &keep_list(&verdict));
        assert!(matches!(&made.column("keep").unwrap().data, Data::U8(v) if v.iter().sum::<u8>() == 10));
        for (exposure, why) in verdict.exposures.iter().zip(texts(&made, "why")) {
            assert_eq!(exposure.gate == Gate::Keep && exposure.reasons.is_empty(), why.is_empty(), "{why}");
        }
        verdict.decision = Decision::Undecided;
        let made = table(&verdict, &keep_list(&verdict));
        assert!(texts(&made, "why").iter().all(|why| !why.is_empty()));
    }
}
