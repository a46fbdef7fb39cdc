//! The answer of a plan, for the terminal and as JSON.

use std::fmt::Write;

use serde::{Deserialize, Serialize};

use super::ReportError;
use super::numbers::{or_missing, significant};
use crate::repeat::outlook::{Answer, MOST_EXPOSURES, MOST_STARS_FACTOR, Outlook, Plan};
use crate::shear::Requirement;
use crate::verdict::reasons::percent;

/// Name and version of the JSON.
pub const SCHEMA: &str = "stackworthy/plan/1";

/// What the JSON holds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Document {
    pub schema: String,
    pub requirement: Requirement,
    pub confidence: f64,
    /// Assumed true rms changes.
    pub size_change: f64,
    pub ellipticity_change: f64,
    #[serde(flatten)]
    pub answer: Answer,
}

pub fn json(plan: &Plan, requirement: &Requirement, answer: &Answer) -> Result<String, ReportError> {
    let document = Document {
        schema: SCHEMA.into(),
        requirement: requirement.clone(),
        confidence: plan.confidence,
        size_change: plan.true_rms[0],
        ellipticity_change: plan.true_rms[1],
        answer: answer.clone(),
    };
    serde_json::to_string_pretty(&document)
        .map(|text| text + "\n")
        .map_err(|e| ReportError::Make { name: "the plan", message: e.to_string() })
}

pub fn text(plan: &Plan, requirement: &Requirement, answer: &Answer) -> String {
    let mut out = String::new();
    let p = &answer.planned;
    let number = |v: f64| significant(v, 3);
    let _ = writeln!(
        out,
        "PLAN: {} exposures of {} s that share {} arcmin2",
        p.exposures,
        number(p.exposure_s),
        number(plan.area_arcmin2)
    );
    let _ = writeln!(
        out,
        "Asked ({}, {} %): size within {} of T, ellipticity within {} per component",
        requirement.name,
        percent(plan.confidence),
        number(requirement.size_limit),
        number(requirement.ellipticity_limit)
    );
    let _ = writeln!(
        out,
        "Assumed: a true rms change of size by {} of T, of ellipticity by {} per component",
        number(plan.true_rms[0]),
        number(plan.true_rms[1])
    );
    let _ = writeln!(
        out,
        "\n  usable stars an exposure  {}, worth an SNR of {:.0} each\n  \
         upper bounds to expect    size {} of T, ellipticity {} per component\n  \
         chance                    combine {}, not all together {}, undecided {}",
        p.stars,
        p.star_snr,
        or_missing(p.size_high, 3),
        or_missing(p.ellipticity_high, 3),
        share(p.combine),
        share(p.not_together),
        share(p.undecided)
    );
    let _ = writeln!(out, "\nFor a chance of {} of combine", share(answer.wanted_chance));
    let stars = match answer.stars_needed {
        Some(n) => format!("{n}, of the same mix of brightness"),
        None => format!("not even {MOST_STARS_FACTOR} times as many suffice"),
    };
    let length = number(p.exposure_s);
    let exposures = match answer.exposures_needed {
        Some(n) => format!("{n} of {length} s"),
        None => format!("not even {MOST_EXPOSURES} of {length} s suffice"),
    };
    let _ = writeln!(out, "  stars an exposure         {stars}\n  or exposures              {exposures}");
    let total = p.exposures as f64 * p.exposure_s;
    let _ = writeln!(out, "\nThe same {} s in all, split into", number(total));
    let _ = writeln!(
        out,
        "  exposures  s each  stars  SNR  bound: size  ellipticity  combine  not together  undecided"
    );
    for row in &answer.same_total {
        let _ = writeln!(out, "{}", split_row(row));
    }
    out.push_str(
        "\nNot all together: a change over the limit is shown, so a subset, groups or own PSFs are what is left.\n\
         A star's error is taken as 2/SNR in ln T and in each component of e; the stars as evenly scattered, and\n\
         seen in every exposure.\n",
    );
    out
}

fn split_row(row: &Outlook) -> String {
    format!(
        "  {:>9}  {:>6}  {:>5}  {:>3.0}  {:>11}  {:>11}  {:>7}  {:>12}  {:>9}",
        row.exposures,
        significant(row.exposure_s, 3),
        row.stars,
        row.star_snr,
        or_missing(row.size_high, 3),
        or_missing(row.ellipticity_high, 3),
        share(row.combine),
        share(row.not_together),
        share(row.undecided)
    )
}

/// A chance in per cent; never 0 or 100 where it is neither.
fn share(chance: f64) -> String {
    match chance {
        c if c < 0.005 => "< 1 %".into(),
        c if c > 0.995 => "> 99 %".into(),
        c => format!("{:.0} %", 100.0 * c),
    }
}
