//! From star tables to the written verdict and its exit code.

use std::collections::HashSet;
use std::path::Path;

use anyhow::Result;

use super::common::{Common, ResultArgs, say};
use super::folder::Folder;
use crate::report::{self, CAUTION, ReportError, keep_list, terminal};
use crate::settings::{Loaded, to_annotated_toml};
use crate::table::{Share, StarTable, Widths};
use crate::verdict::model::ToolInfo;
use crate::verdict::{Verdict, judge, rungs_needed};

/// Judges, writes every file and prints the summary. Gives the exit code: that of the decision, or 0
/// where it is one of `accept`.
pub fn finish(
    tables: Vec<StarTable>,
    unreadable: &[(String, String)],
    loaded: &Loaded,
    folder: &Folder,
    result: &ResultArgs,
    common: &Common,
) -> Result<u8> {
    let verdict = judge_into(tables, unreadable, loaded, folder, common)?;
    let summary = terminal::summary(&verdict, &folder.root.to_string_lossy());
    match result.json.as_deref() == Some(Path::new("-")) {
        true => common.remark(&summary),
        false => say(&summary),
    }
    result.put_json(|| Ok(report::json::to_text(&verdict)?))?;
    let decision = verdict.decision;
    Ok(if result.accept.contains(&decision) { 0 } else { decision.exit_code() })
}

/// Judges one stack, repeated frames left out, and writes every file into the folder.
pub fn judge_into(
    tables: Vec<StarTable>,
    unreadable: &[(String, String)],
    loaded: &Loaded,
    folder: &Folder,
    common: &Common,
) -> Result<Verdict> {
    if tables.is_empty() {
        let list: Vec<&str> = unreadable.iter().map(|(_, why)| why.as_str()).collect();
        anyhow::bail!("none of the {} inputs could be read:\n  {}", list.len(), list.join("\n  "));
    }
    let (mut tables, notes) = without_repeats(tables);
    // While they were measured it was not known what the others are like.
    let widths: Vec<Widths> = tables.iter().map(StarTable::widths).collect();
    let share = Share { rungs: rungs_needed(&widths, &loaded.settings), ..Share::of_one_in(tables.len()) };
    tables.iter_mut().for_each(|table| table.lighten(share));
    let working = common.working("judging");
    let verdict = common.in_pool(|| judge_and_write(&tables, unreadable, notes, loaded, folder));
    working.finish_and_clear();
    verdict?
}

/// Judges and writes every file into the folder.
pub fn judge_and_write(
    tables: &[StarTable],
    unreadable: &[(String, String)],
    notes: Vec<String>,
    loaded: &Loaded,
    folder: &Folder,
) -> Result<Verdict> {
    let mut judgement = judge(tables, unreadable, &loaded.settings)?;
    let verdict = &mut judgement.verdict;
    verdict.tool = ToolInfo {
        version: env!("CARGO_PKG_VERSION").into(),
        arguments: std::env::args_os().map(|a| a.to_string_lossy().into_owned()).collect(),
    };
    verdict.notes.extend(notes);
    if !verdict.cautions.iter().any(|c| c == CAUTION) {
        verdict.cautions.insert(0, CAUTION.into());
    }
    let keep = keep_list(&judgement.verdict);
    let settings = to_annotated_toml(loaded);
    folder.replace_result(|making| {
        report::write_all(&judgement, &keep, &settings, making).map_err(|error| match error {
            // Named where it is to stand.
            ReportError::Write { path, source } => {
                let path = path.file_name().map_or_else(|| path.clone(), |name| folder.root.join(name));
                ReportError::Write { path, source }
            }
            other => other,
        })?;
        Ok(())
    })?;
    Ok(judgement.verdict)
}

/// One frame counts once, however often it was given; remarks for the report.
pub fn without_repeats(tables: Vec<StarTable>) -> (Vec<StarTable>, Vec<String>) {
    let (mut seen, mut notes, mut kept) = (HashSet::new(), Vec::new(), Vec::new());
    for table in tables {
        if seen.insert(table.frame_xxh3.clone()) {
            kept.push(table);
        } else {
            notes.push(format!("{} is the same frame as another input and counts once", table.file));
        }
    }
    let settings: HashSet<&str> = kept.iter().map(|t| t.settings_sha256.as_str()).collect();
    if settings.len() > 1 {
        notes.push(format!(
            "the star tables were measured under {} different settings; measure all frames again under one",
            settings.len()
        ));
    }
    (kept, notes)
}
