//! The verdict in words and rows, as the terminal and the page both show it.

use crate::verdict::Verdict;
use crate::verdict::model::{Decision, ExposureResult, Gate, Measured, Reason, Requirement};

use super::KEEP_TXT;
use super::numbers::MISSING;

/// The decision as a sentence.
pub fn sentence(verdict: &Verdict) -> String {
    let kept = count(verdict, Gate::Keep);
    let all = verdict.exposures.len();
    match verdict.decision {
        Decision::Combine if kept < all => {
            format!("the {kept} exposures kept may be combined for shear; {} left out", all - kept)
        }
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

/// The shear biases that the limits stand for, and whether a source has them; none where the
/// limits were set directly.
pub fn limits_from(r: &Requirement) -> Option<String> {
    let bias = |name: &str, value: Option<f64>| value.map(|v| format!("{name} within {v}"));
    let biases: Vec<String> = [bias("m", r.m), bias("c", r.c)].into_iter().flatten().collect();
    let ratio = r.size_ratio.filter(|_| !biases.is_empty())?;
    let standing = if r.source.ends_with("(not confirmed)") { "; a choice, not from a source" } else { "" };
    Some(format!("That is {} at a size ratio of {ratio}{standing}", biases.join(" and ")))
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
            "Do not measure shear on a stack of these. Look at the exposures that differ most and at what \
             changed between them; shorter spans of the sequence may hold together."
                .into()
        }
        Decision::Undecided => match &verdict.undecided {
            Some(advice) if !advice.text.is_empty() => as_sentence(&advice.text),
            Some(advice) => {
                let needed: Vec<String> =
                    [(advice.stars_needed, "stars"), (advice.exposures_needed, "exposures")]
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

/// The reasons the decision rests on, and the remarks on what goes on through time.
pub fn reasons_and_remarks(verdict: &Verdict) -> (Vec<&Reason>, Vec<&Reason>) {
    let through_time =
        |r: &&Reason| ["drift", "step", "period", "follows-housekeeping"].contains(&r.code.as_str());
    let (remarks, reasons) = verdict.reasons.iter().partition(through_time);
    (reasons, remarks)
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
    pub fn standing(&self) -> &'static str {
        standing(self.low, self.high, self.limit)
    }
}

/// An interval against its limit, in words, so that no colour is needed.
pub fn standing(low: Option<f64>, high: Option<f64>, limit: Option<f64>) -> &'static str {
    match (low, high, limit) {
        (_, Some(high), Some(limit)) if high <= limit => "within",
        (Some(low), _, Some(limit)) if low > limit => "over",
        (_, Some(_), Some(_)) => "cannot tell",
        _ => MISSING,
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
        let mut biases = vec![("shear bias", &s.m, &s.c)];
        let beside = [
            ("shear bias by the plain formula", &s.by_formula),
            ("shear bias by the error of own models", &s.own_model),
        ];
        biases.extend(beside.iter().filter_map(|(group, pair)| pair.as_ref().map(|p| (*group, &p.m, &p.c))));
        for (group, m, c) in biases {
            lines.extend([("m", m), ("c", c)].map(|(name, b)| BudgetLine {
                group,
                name,
                unit: "",
                value: b.value,
                low: b.low,
                high: b.high,
                limit: b.limit,
            }));
        }
    }
    lines
}

/// The exposures to look at first: those not kept, unreadable ones in front; where all are
/// kept and yet may not be combined as they are, those furthest from the middle of the stack.
pub fn worst(verdict: &Verdict) -> Vec<&ExposureResult> {
    let mut rows: Vec<_> = verdict.exposures.iter().filter(|e| e.gate != Gate::Keep).collect();
    rows.sort_by_key(|e| e.gate != Gate::Unreadable);
    if rows.is_empty() && verdict.decision != Decision::Combine {
        rows = furthest(verdict);
    }
    rows
}

/// All exposures: those not kept in front, then by their distance from the middle of the stack, those
/// without numbers last.
pub fn worst_first(verdict: &Verdict) -> Vec<&ExposureResult> {
    let far = furthest(verdict);
    let place: std::collections::HashMap<&str, usize> =
        far.iter().enumerate().map(|(k, e)| (e.file.as_str(), k)).collect();
    let mut rows: Vec<&ExposureResult> = verdict.exposures.iter().collect();
    rows.sort_by_key(|e| {
        (e.gate == Gate::Keep, place.get(e.file.as_str()).copied().unwrap_or(verdict.exposures.len()))
    });
    rows
}

/// All exposures that have a size, by their distance from the median in units of the limits.
fn furthest(verdict: &Verdict) -> Vec<&ExposureResult> {
    let median = |pick: fn(&ExposureResult) -> Option<f64>| {
        let mut values: Vec<f64> = verdict.exposures.iter().filter_map(pick).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let (Some(size), Some(e1), Some(e2)) = (median(|e| e.size_pix2), median(|e| e.e1), median(|e| e.e2))
    else {
        return vec![];
    };
    let limits = &verdict.requirement;
    let mut rows: Vec<(f64, &ExposureResult)> = verdict
        .exposures
        .iter()
        .filter_map(|e| {
            let of_size = (e.size_pix2? / size).ln().abs() / limits.size_limit;
            let of_ellipticity = (e.e1? - e1).hypot(e.e2? - e2) / limits.ellipticity_limit;
            Some((of_size.max(of_ellipticity), e))
        })
        .collect();
    rows.sort_by(|a, b| b.0.total_cmp(&a.0));
    rows.into_iter().map(|(_, e)| e).collect()
}

pub fn count(verdict: &Verdict, gate: Gate) -> usize {
    verdict.exposures.iter().filter(|e| e.gate == gate).count()
}

/// First letter large, full stop at the end. A setting's name stays as it is written.
pub fn as_sentence(text: &str) -> String {
    let text = text.trim_end_matches('.');
    let begins_with_a_setting = text.split_whitespace().next().is_some_and(|word| word.contains('.'));
    let mut letters = text.chars();
    match letters.next() {
        Some(first) if !begins_with_a_setting => format!("{}{}.", first.to_uppercase(), letters.as_str()),
        Some(_) => format!("{text}."),
        None => String::new(),
    }
}
