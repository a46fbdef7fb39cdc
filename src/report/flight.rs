//! The flight on the terminal: by night, by target, exposure by exposure; alarms.

use crate::flight::alarm::Alarms;
use crate::flight::nights::{Flight, Night, date_of};
use crate::settings::FlightSettings;
use crate::verdict::reasons::percent;

use super::CAUTION;
use super::numbers::{MISSING, or_missing, signed};
use super::terminal::wrapped;

mod page;
mod panels;

pub use page::page;

/// A row a night.
pub fn by_night(flight: &Flight) -> String {
    let rows = flight.nights().iter().map(|night| row(flight, night_name(night), night)).collect();
    let head = ["night", "visits", "exposures", "hours", "kept", "decisions"];
    table(&head, rows) + &format!("Nights run from {}.\n", flight.clock())
}

/// A row a target.
pub fn by_target(flight: &Flight) -> String {
    let rows = flight.targets().iter().map(|(target, group)| row(flight, target.clone(), group)).collect();
    table(&["target", "visits", "exposures", "hours", "kept", "decisions"], rows)
}

/// A row an exposure.
pub fn by_time(flight: &Flight) -> String {
    let rows = flight.exposures.iter().map(|e| {
        let e = &e.logged;
        let term = |name: &str| e.terms.get(name).map(|t| t.value);
        let optics = |name: &str| term(name).map_or(MISSING.into(), |v| format!("{v:.1}"));
        vec![
            e.mjd_mid.map_or(MISSING.into(), |mjd| format!("{mjd:.5}")),
            e.target.clone().unwrap_or(MISSING.into()),
            e.gate.clone(),
            if e.combined { "yes".into() } else { "no".into() },
            or_missing(term("size_arcsec2").or(term("size_pix2")), 4),
            signed(term("e1")),
            signed(term("e2")),
            optics("defocus_nm"),
            optics("coma_x_nm"),
            optics("coma_y_nm"),
            file_name(&e.file),
        ]
    });
    let head =
        ["MJD", "target", "gate", "combined", "size", "e1", "e2", "defocus", "coma x", "coma y", "file"];
    table(&head, rows.collect())
}

fn file_name(path: &str) -> String {
    crate::verdict::reasons::file_name(path).to_string()
}

fn night_name(night: &Night) -> String {
    night.night.map_or("no time".into(), date_of)
}

fn row(flight: &Flight, name: String, night: &Night) -> Vec<String> {
    vec![
        name,
        night.visits.len().to_string(),
        night.exposures.to_string(),
        format!("{:.2}", night.integration_s / 3600.0),
        night.kept().map_or(MISSING.into(), |k| format!("{:.0} %", 100.0 * k)),
        decisions(flight, night),
    ]
}

/// Decisions of a night's visits with their numbers, the commonest first.
fn decisions(flight: &Flight, night: &Night) -> String {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for visit in &night.visits {
        let Some(verdict) = flight.verdicts.get(&flight.visits[*visit].verdict) else { continue };
        match counts.iter_mut().find(|(word, _)| *word == verdict.decision) {
            Some((_, n)) => *n += 1,
            None => counts.push((&verdict.decision, 1)),
        }
    }
    counts.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let word = |(word, n): &(&str, usize)| if *n == 1 { (*word).to_owned() } else { format!("{n} {word}") };
    counts.iter().map(word).collect::<Vec<_>>().join(", ")
}

/// Columns as wide as they need to be.
fn table(head: &[&str], rows: Vec<Vec<String>>) -> String {
    let width = |k: usize| {
        let cells = rows.iter().map(|r| r[k].chars().count());
        cells.chain([head[k].chars().count()]).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..head.len()).map(width).collect();
    let head: Vec<String> = head.iter().map(|h| (*h).to_owned()).collect();
    std::iter::once(&head)
        .chain(&rows)
        .map(|cells| {
            let line: Vec<String> = cells.iter().zip(&widths).map(|(c, w)| format!("{c:<w$}")).collect();
            line.join("  ").trim_end().to_owned() + "\n"
        })
        .collect()
}

/// What `flight alarm` prints.
pub fn alarm_text(alarms: &Alarms, settings: &FlightSettings) -> String {
    let mut out = match alarms.found.len() {
        0 => "NO ALARM".to_string(),
        1 => "1 ALARM".to_string(),
        n => format!("{n} ALARMS"),
    };
    out.push_str(&format!(
        ": {} tests; where nothing changes, any alarm is raised in at most {} % of the runs\n",
        alarms.tests,
        percent(settings.false_alarm)
    ));
    for alarm in &alarms.found {
        out.push_str(&wrapped(&format!("{} ({})", sentence(&alarm.text), alarm.kind.code()), "- ", "  "));
    }
    if !alarms.withheld.is_empty() {
        out.push_str("Not asked\n");
        for line in &alarms.withheld {
            out.push_str(&wrapped(line, "- ", "  "));
        }
    }
    if !alarms.found.is_empty() {
        out.push_str("More on an alarm: stackworthy explain CODE\n");
    }
    out.push_str(&wrapped(CAUTION, "", ""));
    out
}

/// With a capital and a full stop.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    first + letters.as_str() + "."
}
