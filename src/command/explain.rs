//! `stackworthy explain`: the text beside the code that runs.

use anyhow::Result;

use super::Usage;
use super::common::say;
use crate::gate::{self, Check};

#[derive(Debug, clap::Args)]
pub struct Explain {
    /// Code of a check or reason; without one, all are listed
    pub code: Option<String>,
}

pub fn run(args: &Explain) -> Result<u8> {
    let Some(code) = &args.code else {
        say(&list(gate::ALL));
        return Ok(0);
    };
    let Some(check) = gate::find(code) else {
        anyhow::bail!(Usage(unknown(code, gate::ALL)));
    };
    say(&text(check));
    Ok(0)
}

fn list(checks: &[&Check]) -> String {
    let width = checks.iter().map(|c| c.code.len()).max().unwrap_or(0);
    checks.iter().map(|c| format!("{:<width$}  {}\n", c.code, c.title)).collect()
}

fn unknown(code: &str, checks: &[&Check]) -> String {
    let likeness = |c: &&&Check| (strsim::jaro_winkler(code, c.code) * 1e6) as u64;
    let nearest = checks.iter().max_by_key(likeness).map(|c| format!("; the nearest is {}", c.code));
    format!("no check has the code {code:?}{}; `stackworthy explain` lists all", nearest.unwrap_or_default())
}

fn text(check: &Check) -> String {
    let mut out = format!("{}: {}\n", check.code, check.title);
    let severity = severity(check);
    let parts = [
        ("What", check.what),
        ("Why", check.why),
        ("Formula", check.formula),
        ("Unit", check.unit),
        ("Source", check.source),
        ("Remedy", check.remedy),
        ("Severity", &severity),
    ];
    for (name, words) in parts {
        out.push_str(&format!("\n{name}\n"));
        for line in words.lines() {
            out.push_str(&format!("  {}\n", line.trim()));
        }
    }
    out
}

/// What follows when it speaks, and what may follow instead.
fn severity(check: &Check) -> String {
    let mut lines = vec![format!("{}: {}.", check.severity().word(), check.severity().meaning())];
    for other in check.severities.iter().skip(1) {
        let (code, word, meaning) = (check.code, other.word(), other.meaning());
        lines.push(format!("With `{code} = {word:?}` under [checks] in the settings: {meaning}."));
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAMPLE: Check = Check {
        code: "size-change",
        title: "Change of the PSF's size between exposures",
        what: "The rms change of ln T over the field.",
        why: "A size that is not known biases shear by a factor.",
        formula: "sqrt(sum_t <(q_t - qbar)^2> / (n - 1))",
        unit: "fraction of T",
        source: "common practice",
        remedy: "Leave out the exposures that differ.",
        severities: &[gate::Severity::Remark, gate::Severity::Undecided],
    };

    #[test]
    fn explanation() {
        insta::assert_snapshot!(text(&SAMPLE));
    }

    #[test]
    fn an_unknown_code_names_the_nearest() {
        assert_eq!(
            unknown("size-chnge", &[&SAMPLE]),
            "no check has the code \"size-chnge\"; the nearest is size-change; `stackworthy explain` lists all"
        );
        assert!(list(&[&SAMPLE]).starts_with("size-change  Change"));
    }
}
