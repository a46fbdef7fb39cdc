//! The time analysis on the page: remarks, a row a quantity, stability against averaging.

use minijinja::{Value, context};

use crate::verdict::model::{DriftInTime, PeriodInTime, QuantityInTime, Reason, StepInTime, TimeAnalysis};

use super::html::coded;
use super::numbers::{MISSING, significant, with_error, with_interval};
use crate::verdict::reasons::file_name;

pub fn page(time: &TimeAnalysis, remarks: Vec<&Reason>) -> Value {
    let follows = &time.follows;
    context! {
        remarks => remarks.into_iter().map(coded).collect::<Vec<_>>(),
        unit => time.unit.clone(),
        exposures => time.exposures,
        span => significant(time.span, 3),
        false_alarm => significant(100.0 * time.false_alarm, 2),
        rows => time.quantities.iter().map(row).collect::<Vec<_>>(),
        stability => stability(time),
        withheld => withheld(time),
        values => follows.values,
        tests => follows.tests,
        rate => significant(100.0 * follows.false_discovery_rate, 2),
        follows => follows.found.iter().map(|f| context! {
            quantity => symbol(&f.quantity),
            value => f.value.clone(),
            same => f.same_order.join(", "),
            correlation => format!("{:.2} [{:.2}, {:.2}]", f.correlation, f.low, f.high),
            q => significant(f.q_value, 2),
            given_time => f.given_time.map_or(MISSING.into(), |r| format!("{r:.2}")),
            shared => f.shared_with_time,
        }).collect::<Vec<_>>(),
        untested => follows.withheld.clone(),
    }
}

fn symbol(quantity: &str) -> &str {
    if quantity == "size" { "ln T" } else { quantity }
}

fn row(q: &QuantityInTime) -> Value {
    let or_dash = |cell: Option<String>| cell.unwrap_or(MISSING.into());
    context! {
        quantity => symbol(&q.quantity),
        drift => or_dash(q.drift.as_ref().map(drift)),
        step => or_dash(q.step.as_ref().map(step)),
        period => or_dash(q.period.as_ref().map(period)),
    }
}

fn found(significant: bool) -> &'static str {
    if significant { "found" } else { "not found" }
}

fn drift(d: &DriftInTime) -> String {
    let slope = with_interval(Some(d.slope), d.low, d.high);
    format!("{}: {slope}, p {}", found(d.significant), significant(d.p_value, 2))
}

fn step(s: &StepInTime) -> String {
    let size = with_interval(Some(s.size), Some(s.low), Some(s.high));
    let place = file_name(&s.first_after);
    format!("{}: {size} before {place}, p {}", found(s.significant), significant(s.p_value, 2))
}

fn period(p: &PeriodInTime) -> String {
    let period = with_error(Some(p.period), Some(p.period_err));
    let amplitude = with_error(Some(p.amplitude), Some(p.amplitude_err));
    format!(
        "{}: {period}, amplitude {amplitude}, false alarm {}",
        found(p.significant),
        significant(p.false_alarm, 2)
    )
}

/// A row an averaging length, a cell a quantity.
fn stability(time: &TimeAnalysis) -> Vec<Value> {
    let series: Vec<_> = time.quantities.iter().filter_map(|q| q.stability.as_ref()).collect();
    let Some(first) = series.first() else { return vec![] };
    (0..first.len())
        .map(|k| {
            let cells = series.iter().filter_map(|points| points.get(k));
            context! {
                averaged => first[k].averaged,
                time => significant(first[k].averaging_time, 3),
                cells => cells.map(|p| context! {
                    value => with_interval(Some(p.overlapping), Some(p.low), Some(p.high)),
                    noise => significant(p.noise, 2),
                }).collect::<Vec<_>>(),
            }
        })
        .collect()
}

/// What was not asked, each reason once: it is the same for all quantities.
fn withheld(time: &TimeAnalysis) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for (name, why) in time.quantities.iter().flat_map(|q| &q.withheld) {
        let line = format!("{name}: {why}");
        if !out.contains(&line) {
            out.push(line);
        }
    }
    out
}
