//! The verdict for the terminal: the answer first, then its reasons, then what to do
//! next. Plain text, understood without colour, at most about a screen.

use std::fmt::Write;

use crate::verdict::Verdict;
use crate::verdict::model::{Decision, ExposureResult, Gate, Measured, Reason};

use super::numbers::{MISSING, or_missing, significant, with_interval};
use super::{CAUTION, KEEP_TXT, REPORT_HTML};

/// Exposures named one by one at most; the rest is counted.
const WORST_SHOWN: usize = 6;
const WIDTH: usize = 96;

/// The decision as a sentence.
pub fn sentence(verdict: &Verdict) -> String {
    let kept = count(verdict, Gate::Keep);
    let all = verdict.exposures.len();
    match verdict.decision {
        Decision::Combine => format!("all {all} exposures may be combined for shear"),
        Decision::CombineSubset => {
            format!("combine {kept} of the {all} exposures; leave out {}", all - kept)
        }
        Decision::Split => {
            format!("combine in {} separate groups, not all together", verdict.groups.len())
        }
        Decision::CombineWithOwnPsfs => {
            "combine only if each exposure is measured with its own PSF model".into()
        }
        Decision::DoNotCombine => "these exposures must not be combined for shear".into(),
        Decision::Undecided => "these data cannot tell".into(),
    }
}

/// What to do now.
pub fn next_step(verdict: &Verdict) -> String {
    match verdict.decision {
        Decision::Combine | Decision::CombineSubset => {
            format!("Combine the {} frames listed in {KEEP_TXT}.", count(verdict, Gate::Keep))
        }
        Decision::Split => format!(
            "Combine each group by itself; {KEEP_TXT} lists the group with the most exposure time, \
             verdict.json all of them."
        ),
        Decision::CombineWithOwnPsfs => format!(
            "Measure shear with each exposure's own PSF (field-models.fits) for the frames listed in {KEEP_TXT}; \
             a single PSF of the stack will not do."
        ),
        Decision::DoNotCombine => {
            "Do not measure shear on a stack of these. Look at the exposures below and at what changed between \
             them; shorter spans of the sequence may hold together."
                .into()
        }
        Decision::Undecided => match &verdict.undecided {
            Some(advice) if !advice.text.is_empty() => advice.text.clone(),
            Some(advice) => {
                let needed: Vec<String> = [(advice.stars_needed, "stars"), (advice.exposures_needed, "exposures")]
                    .iter()
                    .filter_map(|(n, what)| n.map(|n| format!("about {n} {what}")))
                    .collect();
                match needed.is_empty() {
                    true => "More stars or more exposures are needed to decide.".into(),
                    false => format!("To decide, {} are needed.", needed.join(" or ")),
                }
            }
            None => "More stars or more exposures are needed to decide.".into(),
        },
    }
}

/// A reason in one line: the text, then the number with its interval against its limit.
pub fn reason_line(reason: &Reason) -> String {
    let mut line = reason.text.clone();
    if reason.value.is_some() || reason.low.is_some() || reason.high.is_some() {
        let quantity = reason.quantity.as_deref().map_or(String::new(), |q| format!("{q} "));
        let _ = write!(line, ": {quantity}{}", with_interval(reason.value, reason.low, reason.high));
    }
    if let Some(limit) = reason.limit {
        let _ = write!(line, ", limit {}", significant(limit, 3));
    }
    line
}

/// One measured quantity against its limit, as the budgets list them.
#[derive(Debug, Clone, PartialEq)]
pub struct BudgetLine {
    /// What was asked: "change on the sky", "own models" ...
    pub group: &'static str,
    pub name: &'static str,
    pub unit: &'static str,
    pub value: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub limit: Option<f64>,
}

impl BudgetLine {
    /// In words, so that no colour is needed.
    pub fn standing(&self) -> &'static str {
        match (self.low, self.high, self.limit) {
            (_, Some(high), Some(limit)) if high <= limit => "within",
            (Some(low), _, Some(limit)) if low > limit => "over",
            (_, Some(_), Some(_)) => "cannot tell",
            _ => MISSING,
        }
    }
}

/// Every measured value that has a limit, in the order of the questions.
pub fn budget(verdict: &Verdict) -> Vec<BudgetLine> {
    let line = |group, name, unit, m: &Measured| BudgetLine {
        group,
        name,
        unit,
        value: m.rms,
        low: m.low,
        high: m.high,
        limit: m.limit,
    };
    let pair = |group, size: &Measured, ellipticity: &Measured| {
        [line(group, "size", "of T", size), line(group, "ellipticity", "per component", ellipticity)]
    };
    let mut lines = Vec::new();
    if let Some(r) = &verdict.repeatability {
        lines.extend(pair("change between kept exposures", &r.size, &r.ellipticity));
    }
    if let Some(a) = &verdict.all_exposures {
        lines.extend(pair("change between all exposures", &a.size, &a.ellipticity));
    }
    if let Some(i) = &verdict.instrument {
        lines.extend(pair("change in detector coordinates", &i.size, &i.ellipticity));
    }
    if let Some(o) = &verdict.own_model {
        lines.extend(pair("error of the exposures' own models", &o.size, &o.ellipticity));
    }
    if let Some(s) = &verdict.shear {
        for (name, b) in [("m", &s.m), ("c", &s.c)] {
            lines.push(BudgetLine {
                group: "shear bias",
                name,
                unit: "",
                value: b.value,
                low: b.low,
                high: b.high,
                limit: b.limit,
            });
        }
    }
    lines
}

/// The exposures to look at first: unreadable, then left out, in order of the frames.
pub fn worst(verdict: &Verdict) -> Vec<&ExposureResult> {
    let mut rows: Vec<_> = verdict.exposures.iter().filter(|e| e.gate != Gate::Keep).collect();
    rows.sort_by_key(|e| e.gate != Gate::Unreadable);
    rows
}

pub fn count(verdict: &Verdict, gate: Gate) -> usize {
    verdict.exposures.iter().filter(|e| e.gate == gate).count()
}

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
        "Asked: {}: size within {} of T, ellipticity within {} per component, at {} % confidence{}.",
        r.name,
        significant(r.size_limit, 3),
        significant(r.ellipticity_limit, 3),
        percent(verdict.confidence),
        if r.source.is_empty() { String::new() } else { format!(" ({})", r.source) }
    );
    out.push_str(&wrapped(&asked, 0));

    section(&mut out, "Why");
    if verdict.reasons.is_empty() {
        out.push_str("  no reason was recorded\n");
    }
    for reason in &verdict.reasons {
        out.push_str(&wrapped(&format!("{}: {}", reason.code, reason_line(reason)), 2));
    }

    let lines = budget(verdict);
    if !lines.is_empty() {
        section(&mut out, "Measured");
        let _ = writeln!(out, "  {:<48} {:<34} {:>9}  standing", "", "rms [low, high]", "limit");
        for line in &lines {
            let name = format!("{}: {}", line.group, line.name);
            let value = with_interval(line.value, line.low, line.high);
            let limit = or_missing(line.limit, 3);
            let _ = writeln!(out, "  {name:<48} {value:<34} {limit:>9}  {}", line.standing());
        }
    }

    let worst = worst(verdict);
    if !worst.is_empty() {
        section(&mut out, "Exposures not kept");
        for exposure in worst.iter().take(WORST_SHOWN) {
            let why = if exposure.reasons.is_empty() { MISSING.into() } else { exposure.reasons.join(", ") };
            let word = super::exposures::gate_word(exposure.gate);
            let numbers = numbers_of(exposure);
            out.push_str(&wrapped(&format!("{}: {word}: {why}{numbers}", exposure.file), 2));
            if exposure.gate == Gate::Unreadable {
                exposure.notes.iter().for_each(|note| out.push_str(&wrapped(note, 4)));
            }
        }
        if worst.len() > WORST_SHOWN {
            let _ = writeln!(out, "  and {} more, see exposures.ecsv", worst.len() - WORST_SHOWN);
        }
    }

    section(&mut out, "Next");
    out.push_str(&wrapped(&next_step(verdict), 2));
    let _ = writeln!(out, "  Report: {folder}/{REPORT_HTML}");
    if let Some(reason) = verdict.reasons.first() {
        let _ = writeln!(out, "  What a reason means: stackworthy explain {}", reason.code);
    }
    for note in &verdict.notes {
        out.push_str(&wrapped(&format!("Note: {note}"), 0));
    }
    out.push('\n');
    out.push_str(&wrapped(&format!("Caution: {CAUTION}"), 0));
    for caution in verdict.cautions.iter().filter(|c| *c != CAUTION) {
        out.push_str(&wrapped(&format!("Caution: {caution}"), 0));
    }
    out
}

/// 0.95 as `95`, 0.9973 as `99.73`.
pub fn percent(share: f64) -> String {
    let text = format!("{:.4}", share * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

fn numbers_of(exposure: &ExposureResult) -> String {
    let size = match (exposure.size_arcsec2, exposure.size_pix2) {
        (Some(t), _) => format!("size {} arcsec2", significant(t, 3)),
        (None, Some(t)) => format!("size {} pix2", significant(t, 3)),
        (None, None) => return String::new(),
    };
    match (exposure.e1, exposure.e2) {
        (Some(e1), Some(e2)) => format!(" ({size}, e1 {e1:+.4}, e2 {e2:+.4})"),
        _ => format!(" ({size})"),
    }
}

fn section(out: &mut String, title: &str) {
    let _ = writeln!(out, "\n{title}");
}

/// Breaks at blanks to the width of the summary, each line indented, those after the
/// first by two more.
fn wrapped(text: &str, indent: usize) -> String {
    let mut out = String::new();
    let mut line = " ".repeat(indent);
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.chars().count() + 1 + word.chars().count() > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line = " ".repeat(indent + 2);
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
