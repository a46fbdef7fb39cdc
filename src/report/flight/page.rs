//! `flight.html`: one file that needs no network and no script.

use minijinja::{Environment, Value, context};

use crate::flight::Flight;
use crate::flight::alarm;
use crate::flight::nights::Night;
use crate::flight::{series, trends};
use crate::report::numbers::MISSING;
use crate::report::{CAUTION, ReportError, figures};
use crate::settings::Settings;
use crate::verdict::reasons::percent;

use super::panels::{self, Material, sections};
use super::{decisions, night_name, sentence};

const NAME: &str = "the flight's report";

/// The whole page.
pub fn page(flight: &Flight, settings: &Settings) -> Result<String, ReportError> {
    let make = |e: minijinja::Error| ReportError::Make { name: NAME, message: e.to_string() };
    let confidence = settings.requirement.confidence;
    let all = series::all(flight);
    let conditions = trends::conditions(flight);
    let follows = trends::follows(flight, &all, &conditions, confidence);
    let found = alarm::alarms(flight, &all, &settings.flight, confidence, None);
    let first = flight.exposures.iter().find_map(|e| e.night);
    let clock = flight.longitude_deg.unwrap_or(0.0) / 360.0;
    let noon = first.map_or(0.0, |night| night as f64 + 0.5 - clock);
    let requirement = alarm::requirement(flight);
    let limits = all
        .iter()
        .map(|s| requirement.and_then(|(size, e)| s.term.limit(&settings.flight, size, e)))
        .collect();
    let material = Material {
        flight,
        trends: trends::all(&all, confidence),
        conditions,
        follows,
        limits,
        noon,
        time_axis: match first {
            Some(night) => format!("days since noon of {}", crate::flight::nights::date_of(night)),
            None => "days".into(),
        },
        arcsec: flight.exposures.iter().any(|e| e.logged.terms.contains_key("size_arcsec2")),
        series: all,
    };
    let nights = flight.nights();
    let seconds = |f: fn(&Night) -> f64| nights.iter().map(f).sum::<f64>();
    let (exposed, kept) = (seconds(|n| n.integration_s), seconds(|n| n.kept_s));
    let targets = flight.targets();
    let weights: std::collections::BTreeSet<&str> =
        flight.verdicts.values().map(|v| v.weight.as_str()).collect();
    let page = context! {
        style => Value::from_safe_string(style().into()),
        nights => counted(nights.iter().filter(|n| n.night.is_some()).count(), "night"),
        targets => counted(targets.len(), "target"),
        visits => counted(flight.visits.len(), "visit"),
        exposures => counted(flight.exposures.len(), "exposure"),
        hours => format!("{:.2}", exposed / 3600.0),
        kept => if exposed > 0.0 { format!("{:.0} %", 100.0 * kept / exposed) } else { "no known share".into() },
        alarms => found.found.iter().map(|a| context! { text => sentence(&a.text), code => a.kind.code() }).collect::<Vec<_>>(),
        tests => found.tests,
        false_alarm => percent(settings.flight.false_alarm),
        within_hours => format!("{}", settings.flight.within_hours),
        withheld => found.withheld.clone(),
        night_rows => nights.iter().map(|n| row(flight, night_name(n), n)).collect::<Vec<_>>(),
        target_rows => targets.iter().map(|(name, n)| row(flight, name.clone(), n)).collect::<Vec<_>>(),
        clock => flight.clock(),
        steps => steps(&material),
        sections => sections(&material),
        term_rows => term_rows(&material),
        has_optics => series::has_optics(&material.series),
        confidence => percent(confidence),
        shown_by_chance => percent(1.0 - confidence),
        weights => (weights.len() > 1).then(|| weights.into_iter().collect::<Vec<_>>().join("; ")),
        replaced => flight.replaced,
        no_time => flight.exposures.iter().filter(|e| e.night.is_none()).count(),
        caution => CAUTION,
        version => env!("CARGO_PKG_VERSION"),
    };
    let mut environment = Environment::new();
    environment.add_template("flight.html", include_str!("../flight.html")).map_err(make)?;
    environment.get_template("flight.html").and_then(|t| t.render(page)).map_err(make)
}

/// The style of the verdict's report, so that both look alike.
fn style() -> &'static str {
    let text = include_str!("../report.html");
    let inside = text.split_once("<style>").and_then(|(_, rest)| rest.split_once("</style>"));
    inside.map_or("", |(style, _)| style)
}

fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// A value and its unit, where it has one.
pub fn with_unit(text: &str, unit: &str) -> String {
    if unit.is_empty() { text.to_owned() } else { format!("{text} {unit}") }
}

fn row(flight: &Flight, name: String, night: &Night) -> Value {
    context! {
        name => name,
        visits => night.visits.len(),
        exposures => night.exposures,
        unreadable => night.unreadable,
        hours => format!("{:.2}", night.integration_s / 3600.0),
        kept => night.kept().map_or(MISSING.into(), |k| format!("{:.0} %", 100.0 * k)),
        bar => night.kept().map(|k| Value::from_safe_string(figures::share_bar((1e3 * k) as u64, 1000))),
        decisions => decisions(flight, night),
    }
}

/// Steps of all terms in order of time.
fn steps(m: &Material) -> Vec<Value> {
    let mut all: Vec<(f64, String)> = Vec::new();
    for (s, trend) in m.series.iter().zip(&m.trends) {
        for step in &trend.steps {
            all.push((
                step.mjd,
                sentence(&format!("{}: {}", s.term.words, panels::step_words(step, s.term))),
            ));
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    all.into_iter().map(|(_, text)| Value::from(text)).collect()
}

/// A row a term: its level in the latest night, its drift since the last step, its limit.
fn term_rows(m: &Material) -> Vec<Value> {
    (0..m.series.len())
        .map(|k| {
            let (s, trend) = (&m.series[k], &m.trends[k]);
            let latest = s.nights.last();
            let drift = trend.drift().map_or(MISSING.into(), |d| {
                let width = d.low.zip(d.high).map_or(d.per_day.abs(), |(a, b)| b - a);
                let range = d.low.zip(d.high).map_or(String::new(), |(a, b)| {
                    format!(" [{}, {}]", alarm::number(a, width), alarm::number(b, width))
                });
                let shown = if d.significant { "shown" } else { "not shown" };
                format!("{}{range}, {shown}", alarm::number(d.per_day, width))
            });
            context! {
                words => s.term.words,
                unit => s.term.unit,
                latest => latest.map_or(MISSING.into(), |n| match n.error.filter(|e| *e > 0.0) {
                    Some(e) => format!("{} ± {}", alarm::number(n.value, e), alarm::number(e, e)),
                    None => alarm::number(n.value, 0.0),
                }),
                drift => drift,
                steps => trend.steps.len(),
                limit => m.limits[k].map_or(MISSING.into(), |l| {
                    let from = if l.from_zero { "" } else { " of change" };
                    format!("{}{from}", crate::report::numbers::significant(l.value, 3))
                }),
            }
        })
        .collect()
}
