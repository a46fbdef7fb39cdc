//! What goes on through time, as sentences; only what is significant.

use super::super::model::*;
use super::super::reasons::{file_name, listed, number, percent};
use crate::repeat::interval::two_sided_normal;

/// All remarks of the time analysis, in the order of the quantities.
pub fn all(time: &TimeAnalysis, confidence: f64) -> Vec<Reason> {
    let mut out = Vec::new();
    for quantity in &time.quantities {
        out.extend(drift_or_step(time, quantity, confidence));
        let swings = quantity.period.as_ref().filter(|p| p.significant);
        out.extend(swings.map(|p| period(time, quantity, p, confidence)));
    }
    let quantities = time.quantities.iter().map(|q| q.quantity.as_str());
    out.extend(quantities.filter_map(|quantity| follows(time, quantity, confidence)));
    out
}

/// Size, or a component of e, and the unit of its changes.
fn words(quantity: &str) -> (String, &'static str) {
    match quantity {
        "size" => ("size".into(), " of T"),
        component => (format!("ellipticity component {component}"), ""),
    }
}

/// One remark, not two, on a change that both describe.
fn drift_or_step(time: &TimeAnalysis, quantity: &QuantityInTime, confidence: f64) -> Option<Reason> {
    let drift = quantity.drift.as_ref().filter(|d| d.significant);
    let step = quantity.step.as_ref().filter(|s| s.significant);
    match (drift, step, quantity.described_by.as_deref()) {
        (None, Some(step), _) | (Some(_), Some(step), Some("step")) => {
            Some(step_reason(quantity, step, confidence))
        }
        (Some(drift), _, shape) => {
            let also = match (shape, &quantity.step) {
                (Some("either"), Some(step)) => format!(
                    " A step between {} and {} describes it as well.",
                    file_name(&step.last_before),
                    file_name(&step.first_after)
                ),
                _ => String::new(),
            };
            Some(drift_reason(time, quantity, drift, confidence, &also))
        }
        (None, None, _) => None,
    }
}

fn drift_reason(
    time: &TimeAnalysis,
    quantity: &QuantityInTime,
    drift: &DriftInTime,
    confidence: f64,
    also: &str,
) -> Reason {
    let (name, unit) = words(&quantity.quantity);
    let interval = match (drift.low, drift.high) {
        (Some(low), Some(high)) => {
            format!(" ({} % confidence: {} to {})", percent(confidence), signed(low), signed(high))
        }
        _ => String::new(),
    };
    let alike = match drift.autocorrelation.zip(drift.p_if_wandering) {
        Some((r, p)) => format!(
            " Beyond it neighbouring exposures are alike (correlation {r:.2}): the drift is curved, or the series \
             wanders, which does as much with probability {}.",
            small(p)
        ),
        None => String::new(),
    };
    let text = format!(
        "The {name} drifts by {}{unit} per {}{interval}, {}{unit} over the {}; {}.{alike}{also}",
        signed(drift.slope),
        time.unit,
        signed(drift.slope * time.span),
        span(time),
        chance(drift.p_value),
    );
    Reason {
        code: "drift".into(),
        text,
        quantity: Some(format!("slope of {}, per {}", symbol(&quantity.quantity), time.unit)),
        value: Some(drift.slope),
        low: drift.low,
        high: drift.high,
        ..Reason::default()
    }
}

fn step_reason(quantity: &QuantityInTime, step: &StepInTime, confidence: f64) -> Reason {
    let (name, unit) = words(&quantity.quantity);
    let also = match quantity.described_by.as_deref() {
        Some("either") => " A steady drift describes it as well.",
        Some("drift") => " A steady drift describes it better.",
        _ => "",
    };
    let text = format!(
        "The {name} steps by {}{unit} ({} % confidence, at this place: {} to {}) between {} and {}; {}, the search \
         for the place allowed for.{also}",
        signed(step.size),
        percent(confidence),
        signed(step.low),
        signed(step.high),
        file_name(&step.last_before),
        file_name(&step.first_after),
        chance(step.p_value),
    );
    Reason {
        code: "step".into(),
        text,
        quantity: Some(format!("step of {}", symbol(&quantity.quantity))),
        value: Some(step.size),
        low: Some(step.low),
        high: Some(step.high),
        ..Reason::default()
    }
}

fn period(time: &TimeAnalysis, quantity: &QuantityInTime, period: &PeriodInTime, confidence: f64) -> Reason {
    let (name, unit) = words(&quantity.quantity);
    let half = two_sided_normal(confidence) * period.amplitude_err;
    let text = format!(
        "The {name} swings with a period of {} ± {} {}s and an amplitude of {} ± {}{unit}; false-alarm \
         probability {}, periods from {} to {} {}s searched.",
        number(period.period),
        number(period.period_err),
        time.unit,
        number(period.amplitude),
        number(period.amplitude_err),
        small(period.false_alarm),
        number(period.shortest),
        number(period.longest),
        time.unit,
    );
    Reason {
        code: "period".into(),
        text,
        quantity: Some(format!("amplitude of {}", symbol(&quantity.quantity))),
        value: Some(period.amplitude),
        low: Some(period.amplitude - half),
        high: Some(period.amplitude + half),
        ..Reason::default()
    }
}

/// One remark a quantity: the strongest correlation, one that is more than time's before those
/// that are not, and the names of the others.
fn follows(time: &TimeAnalysis, quantity: &str, confidence: f64) -> Option<Reason> {
    let mut all: Vec<&Following> = time.follows.found.iter().filter(|f| f.quantity == quantity).collect();
    all.sort_by_key(|f| f.shared_with_time);
    let (found, weaker) = all.split_first()?;
    let (name, _) = words(quantity);
    let others = match found.same_order.as_slice() {
        [] => String::new(),
        list => format!(" (as do {}, in the same order or the reverse)", listed(list)),
    };
    let weaker: Vec<String> = weaker.iter().map(|f| f.value.clone()).collect();
    let weaker = match weaker.as_slice() {
        [] => String::new(),
        list => format!(" So found are also {}.", listed(list)),
    };
    let order = if time.unit == "hour" { "time" } else { "the order of the exposures" };
    let left = match (found.shared_with_time, found.given_time) {
        (true, _) => format!(
            " Both change with {order}, and the correlation is shared with it: anything that changes with \
             {order} would do as well."
        ),
        (false, Some(left)) => format!(" At fixed {order} {left:.2} is left."),
        (false, None) => String::new(),
    };
    let text = format!(
        "The {name} follows {}{others}: rank correlation {:.2} ({} % confidence: {:.2} to {:.2}), found among {} \
         tests at a false discovery rate of {:.0} %. A candidate cause, not a proof of one.{left}{weaker}",
        found.value,
        found.correlation,
        percent(confidence),
        found.low,
        found.high,
        time.follows.tests,
        100.0 * time.follows.false_discovery_rate,
    );
    Some(Reason {
        code: "follows-housekeeping".into(),
        text,
        quantity: Some(format!("rank correlation of {} with {}", symbol(&found.quantity), found.value)),
        value: Some(found.correlation),
        low: Some(found.low),
        high: Some(found.high),
        ..Reason::default()
    })
}

fn symbol(quantity: &str) -> &str {
    if quantity == "size" { "ln T" } else { quantity }
}

fn span(time: &TimeAnalysis) -> String {
    match time.unit.as_str() {
        "hour" => format!("{} hours from first to last", number(time.span)),
        _ => format!("{} exposures, in the order given", time.exposures),
    }
}

fn chance(p: f64) -> String {
    format!("by chance with probability {}", small(p))
}

fn small(p: f64) -> String {
    if p >= 0.001 { number(p) } else { format!("{p:.0e}") }
}

fn signed(value: f64) -> String {
    if value > 0.0 { format!("+{}", number(value)) } else { number(value) }
}
