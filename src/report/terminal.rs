//! The verdict for the terminal: the answer first and the few exposures that stand out, then
//! the reasons and numbers, then what to do next. Plain text, understood without colour.

use std::fmt::Write;

use crate::verdict::Verdict;
use crate::verdict::model::{BiasEstimate, ExposureResult, Gate, Measured};
use crate::verdict::reasons::{file_name, percent};

use super::exposures::gate_word;
use super::numbers::{significant, with_interval};
use super::words::{limits_from, next_step, reasons_and_remarks, sentence, standing, worst};
use super::{CAUTION, REPORT_HTML, beside};

/// Exposures named one by one at most; the rest is counted.
const WORST_SHOWN: usize = 5;
const WIDTH: usize = 96;

/// The whole summary.
pub fn summary(verdict: &Verdict, folder: &str) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "VERDICT: {} ({})", verdict.decision.word(), sentence(verdict));
    if !verdict.also_allowed.is_empty() {
        let words: Vec<_> = verdict.also_allowed.iter().map(|d| d.word()).collect();
        let _ = writeln!(out, "Also allowed: {}", words.join(", "));
    }
    let r = &verdict.requirement;
    let asked = format!(
        "Asked ({}, {} %): size within {} of T, ellipticity within {} per component",
        r.name,
        percent(verdict.confidence),
        significant(r.size_limit, 3),
        significant(r.ellipticity_limit, 3),
    );
    out.push_str(&wrapped(&asked, "", ""));
    if let Some(text) = limits_from(r) {
        out.push_str(&wrapped(&text, "", ""));
    }

    out.push_str(&exposures_to_look_at(verdict));

    out.push_str("\nWhy\n");
    let (reasons, remarks) = reasons_and_remarks(verdict);
    if reasons.is_empty() {
        out.push_str("  no reason was recorded\n");
    }
    for reason in reasons {
        out.push_str(&wrapped(&reason.text, "- ", "  "));
    }
    if !remarks.is_empty() {
        out.push_str("\nThrough time (the decision does not rest on this)\n");
    }
    for remark in remarks {
        out.push_str(&wrapped(&remark.text, "- ", "  "));
    }

    let rows = measured_rows(verdict);
    if rows.len() > 1 {
        out.push('\n');
        out.push_str(&aligned(&rows));
    }
    for line in beside::lines(verdict) {
        out.push_str(&wrapped(&line, "  ", "    "));
    }

    if let Some(optics) = verdict.optics.as_ref().filter(|o| o.method == "forward-fit") {
        out.push_str("\nOptics\n");
        optics.summary.iter().for_each(|line| out.push_str(&wrapped(line, "- ", "  ")));
    }

    out.push_str("\nNext\n");
    out.push_str(&wrapped(&next_step(verdict), "  ", "  "));
    let _ = writeln!(out, "  Report: {folder}/{REPORT_HTML}{}", notes_in_report(verdict));
    let mut codes: Vec<&str> = verdict.reasons.iter().map(|r| r.code.as_str()).collect();
    codes.dedup();
    if !codes.is_empty() {
        let text = format!("More on a reason: stackworthy explain CODE ({})", codes.join(", "));
        out.push_str(&wrapped(&text, "  ", "    "));
    }
    out.push('\n');
    out.push_str(&wrapped(CAUTION, "", ""));
    out
}

/// What was measured against the limits: a row a question, a column a quantity.
fn measured_rows(verdict: &Verdict) -> Vec<[String; 3]> {
    let mut rows =
        vec![["Measured: rms [low, high]", "size, of T", "ellipticity, per component"].map(String::from)];
    let mut row = |name: &str, size: &Measured, ellipticity: &Measured| {
        rows.push([format!("  {name}"), cell(size), cell(ellipticity)]);
    };
    if let Some(r) = &verdict.repeatability {
        row("change between the kept", &r.size, &r.ellipticity);
        if let Some(a) =
            verdict.all_exposures.as_ref().filter(|a| a.size != r.size || a.ellipticity != r.ellipticity)
        {
            row("change between all", &a.size, &a.ellipticity);
        }
    }
    if let Some(i) = &verdict.instrument {
        row("change on the detector", &i.size, &i.ellipticity);
    }
    if let Some(o) = &verdict.own_model {
        row("error of own models", &o.size, &o.ellipticity);
    }
    if rows.len() > 1 {
        let limits = &verdict.requirement;
        let shown = |limit| significant(limit, 3);
        rows.push(["  limit".into(), shown(limits.size_limit), shown(limits.ellipticity_limit)]);
    }
    if let Some(s) = &verdict.shear {
        let bias = |name: &str, b: &BiasEstimate| {
            let limit = b.limit.map_or(String::new(), |l| format!(" {}", significant(l, 3)));
            format!(
                "{name} {} {}{limit}",
                with_interval(b.value, b.low, b.high),
                standing(b.low, b.high, b.limit)
            )
        };
        let covers = if s.per_cause.is_empty() { "estimate" } else { "any cause" };
        rows.push([format!("  shear bias, {covers}"), bias("m", &s.m), bias("c", &s.c)]);
        if let Some(f) = s.by_formula.as_ref().filter(|f| f.m != s.m) {
            rows.push(["  by the plain formula".into(), bias("m", &f.m), bias("c", &f.c)]);
        }
    }
    rows
}

fn cell(m: &Measured) -> String {
    format!("{} {}", with_interval(m.rms, m.low, m.high), standing(m.low, m.high, m.limit))
}

fn exposures_to_look_at(verdict: &Verdict) -> String {
    let worst = worst(verdict);
    if worst.is_empty() {
        return String::new();
    }
    let kept = worst.iter().all(|e| e.gate == Gate::Keep);
    let mut out = format!("\n{}\n", if kept { "Furthest from the middle" } else { "Not kept" });
    let rows: Vec<[String; 3]> = worst
        .iter()
        .take(WORST_SHOWN)
        .map(|e| [format!("  {}", file_name(&e.file)), standing_of(e), numbers_of(e)])
        .collect();
    out.push_str(&aligned(&rows));
    if worst.len() > WORST_SHOWN && !kept {
        let _ = writeln!(out, "  and {} more, see exposures.ecsv", worst.len() - WORST_SHOWN);
    }
    out
}

fn standing_of(exposure: &ExposureResult) -> String {
    match exposure.reasons.is_empty() {
        true => gate_word(exposure.gate).into(),
        false => exposure.reasons.join(", "),
    }
}

/// The exposure's shape, or why there is none.
fn numbers_of(exposure: &ExposureResult) -> String {
    let size = match (exposure.size_arcsec2, exposure.size_pix2) {
        (Some(t), _) => format!("T {} arcsec2", significant(t, 3)),
        (None, Some(t)) => format!("T {} pix2", significant(t, 3)),
        (None, None) if exposure.gate == Gate::Unreadable => {
            return exposure.notes.first().map_or(String::new(), |note| shortened(note));
        }
        (None, None) => return String::new(),
    };
    match (exposure.e1, exposure.e2) {
        (Some(e1), Some(e2)) => format!("{size}, e1 {e1:+.4}, e2 {e2:+.4}"),
        _ => size,
    }
}

fn notes_in_report(verdict: &Verdict) -> String {
    match verdict.notes.len() {
        0 => String::new(),
        1 => " (with one note)".into(),
        n => format!(" (with {n} notes)"),
    }
}

fn shortened(text: &str) -> String {
    const MOST: usize = 60;
    match text.char_indices().nth(MOST) {
        Some((end, _)) => format!("{} ...", text[..end].trim_end()),
        None => text.into(),
    }
}

/// Rows in columns as wide as their widest cell.
fn aligned(rows: &[[String; 3]]) -> String {
    let width = |column: usize| rows.iter().map(|r| r[column].chars().count()).max().unwrap_or(0);
    let (first, second) = (width(0), width(1));
    rows.iter()
        .map(|[a, b, c]| format!("{}\n", format!("{a:<first$}  {b:<second$}  {c}").trim_end()))
        .collect()
}

/// Breaks at blanks to the width of the summary; the first line begins with `first`, those
/// after it with `later`.
pub(super) fn wrapped(text: &str, first: &str, later: &str) -> String {
    let mut out = String::new();
    let mut line = first.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line = later.to_owned();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    out.push_str(&line);
    out.push('\n');
    out
}
