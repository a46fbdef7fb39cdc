//! Each quantity of the flight in figures, and under every figure what it shows for this flight.

use minijinja::{Value, context};

use crate::flight::Flight;
use crate::flight::nights::date_of;
use crate::flight::series::{Axes, Series, jitter_axes};
use crate::flight::terms::{Limit, Quantity, Term};
use crate::flight::trends::{Condition, FALSE_DISCOVERY_RATE, FlightStep, Following, Trend};
use crate::report::figures::{self, Lines, Path, Point, Sign};

use super::{page::with_unit, sentence};
use crate::flight::alarm::number;

/// What the panels are made of.
pub struct Material<'a> {
    pub flight: &'a Flight,
    pub series: Vec<Series>,
    pub trends: Vec<Trend>,
    pub conditions: Vec<Condition>,
    /// By series, by condition.
    pub follows: Vec<Vec<Option<Following>>>,
    pub limits: Vec<Option<Limit>>,
    /// The noon from which days are counted, MJD.
    pub noon: f64,
    pub time_axis: String,
    pub arcsec: bool,
}

/// Title, quantity, axis, and what a limit of it is called.
const PANELS: [(&str, Quantity, &str); 8] = [
    ("Size", Quantity::Size, "size T"),
    ("Ellipticity", Quantity::Ellipticity, "ellipticity"),
    ("Jitter", Quantity::Jitter, "jitter (mas²)"),
    ("Added blur", Quantity::Blur, "added blur (mas²)"),
    ("Focus", Quantity::Defocus, "defocus (nm rms)"),
    ("Coma", Quantity::Coma, "coma (nm rms)"),
    ("Astigmatism", Quantity::Astigmatism, "astigmatism (nm rms)"),
    ("Focal-plane tilt", Quantity::FocalPlaneTilt, "tilt (nm rms)"),
];

/// A section each quantity that the flight has.
pub fn sections(m: &Material) -> Vec<Value> {
    PANELS.iter().filter_map(|(title, quantity, axis)| section(m, title, *quantity, axis)).collect()
}

fn section(m: &Material, title: &str, quantity: Quantity, axis: &str) -> Option<Value> {
    let own: Vec<usize> = (0..m.series.len()).filter(|&k| m.series[k].term.quantity == quantity).collect();
    if own.is_empty() {
        return None;
    }
    let axis = match (quantity, m.arcsec) {
        (Quantity::Size, true) => "size T (arcsec²)",
        (Quantity::Size, false) => "size T (pixel²)",
        _ => axis,
    };
    let steps: Vec<FlightStep> = own.iter().flat_map(|&k| m.trends[k].steps.clone()).collect();
    let mut lines = Lines { upright: steps.iter().map(|s| s.mjd - m.noon).collect(), level: vec![] };
    lines.upright.sort_by(f64::total_cmp);
    lines.upright.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    if let Some(limit) = own.iter().find_map(|&k| m.limits[k]).filter(|l| l.from_zero) {
        lines.level = vec![limit.value, -limit.value];
    }
    let time = |place: usize| m.flight.exposures[place].logged.mjd_mid.map(|mjd| mjd - m.noon);
    let main = figure(m, &own, axis, &m.time_axis, &time, &lines);
    let main = main.map(|(svg, binned)| {
        let mut caption = signs(&own, m);
        caption.push_str(&own.iter().map(|&k| told(m, k)).collect::<Vec<_>>().join(" "));
        if !lines.upright.is_empty() {
            caption.push_str(" Dashes: a step found.");
        }
        if lines.level.iter().any(|_| true) {
            caption.push_str(" Level lines: the limit, where it is near.");
        }
        caption.push_str(noted(binned));
        context! { svg => Value::from_safe_string(svg), caption => caption }
    });
    let others: Vec<Value> = m
        .conditions
        .iter()
        .enumerate()
        .filter_map(|(c, condition)| {
            let at = |place: usize| condition.values[place];
            let (svg, binned) = figure(m, &own, axis, &condition.words, &at, &Lines::default())?;
            let told: Vec<String> =
                own.iter().map(|&k| follows(&m.series[k], m.follows[k][c].as_ref(), condition)).collect();
            Some(context! { svg => Value::from_safe_string(svg), caption => told.join(" ") + noted(binned) })
        })
        .collect();
    Some(context! {
        title => title,
        main => main,
        way => way(m, &own, title, axis),
        angle => (quantity == Quantity::Jitter).then(|| angle(m)).flatten(),
        others => others,
    })
}

fn noted(binned: bool) -> &'static str {
    if binned { " Each point is the mean of a bin, its bar the scatter in it." } else { "" }
}

/// Which sign is which, and what crosses are.
fn signs(own: &[usize], m: &Material) -> String {
    let word = |k: usize| last_word(m.series[k].term);
    let mut text = match own {
        [a, b] => format!("Discs {}, rings {}. ", word(*a), word(*b)),
        [a, b, c, ..] => {
            format!("Discs {}, rings {}; {} is in the table above. ", word(*a), word(*b), word(*c))
        }
        _ => String::new(),
    };
    let combined = |place: usize| m.flight.exposures[place].logged.combined;
    if own.iter().any(|&k| m.series[k].points.iter().any(|p| !combined(p.place))) {
        text.push_str("Crosses: not on the list to be combined. ");
    }
    text
}

fn last_word(term: &Term) -> &str {
    term.words.rsplit(' ').next().unwrap_or(term.words)
}

/// Values against something; nothing where no exposure has it. Of three components the first two.
fn figure(
    m: &Material,
    own: &[usize],
    axis: &str,
    against: &str,
    at: &dyn Fn(usize) -> Option<f64>,
    lines: &Lines,
) -> Option<(String, bool)> {
    let series: Vec<figures::Series> = own
        .iter()
        .take(2)
        .zip([Sign::Disc, Sign::Ring])
        .map(|(&k, sign)| {
            let is_size = m.series[k].term.quantity == Quantity::Size;
            let point = |p: &crate::flight::series::Point| {
                let value = if is_size { p.value.exp() } else { p.value };
                let error = p.error.unwrap_or(0.0) * if is_size { value } else { 1.0 };
                let kept = m.flight.exposures[p.place].logged.combined;
                Some(Point { t: at(p.place)?, value, error, kept })
            };
            figures::Series {
                sign,
                points: m.series[k].points.iter().filter_map(point).collect(),
                band: None,
            }
        })
        .collect();
    let label = format!("{axis} against {against}");
    figures::scatter(&label, [against, axis], &series, lines)
}

/// What a term did through the flight, in a sentence or two.
pub fn told(m: &Material, k: usize) -> String {
    let (s, trend) = (&m.series[k], &m.trends[k]);
    let (term, n) = (s.term, s.visits.len());
    let Some((first, last)) = s.visits.first().zip(s.visits.last()) else {
        return sentence(&format!("{}: no exposure with a time is kept", term.words));
    };
    if n == 1 {
        return sentence(&format!(
            "{} is {} in the one visit there is: nothing can be said of its trend",
            term.words,
            valued(first.value, first.error, term)
        ));
    }
    let error = first.error.unwrap_or(0.0).max(last.error.unwrap_or(0.0));
    let mut text = format!(
        "{} goes from {} to {} over {n} visits",
        term.words,
        number(first.value, error),
        with_unit(&number(last.value, error), term.unit)
    );
    match trend.steps.as_slice() {
        [] => match &trend.withheld {
            Some(why) => text.push_str(&format!("; no step can be looked for ({why})")),
            None => text.push_str("; no step is found"),
        },
        steps => {
            let each: Vec<String> = steps.iter().map(|s| step_words(s, term)).collect();
            text.push_str(&format!("; {}", each.join(", ")));
        }
    }
    let drift_words = |d: &crate::flight::trends::FlightDrift| {
        let width = d.low.zip(d.high).map_or(d.per_day.abs(), |(a, b)| b - a);
        let range = d
            .low
            .zip(d.high)
            .map_or(String::new(), |(a, b)| format!(" [{}, {}]", number(a, width), number(b, width)));
        format!("{}{range} a day", with_unit(&number(d.per_day, width), term.unit))
    };
    let spans: Vec<String> = trend
        .drifts
        .iter()
        .filter(|(_, d)| d.significant)
        .map(|(start, d)| {
            let from = date_of(s.visits[*start].night);
            format!("it drifts by {} from {from} on", drift_words(d))
        })
        .collect();
    if !spans.is_empty() {
        text.push_str(&format!("; {}", spans.join(", ")));
    } else if trend.drifts.is_empty() {
        text.push_str("; too few visits in a row for a drift");
    } else {
        text.push_str("; no drift is shown");
    }
    sentence(&text)
}

pub fn step_words(s: &FlightStep, term: &Term) -> String {
    let width = s.high - s.low;
    format!(
        "a step of {} [{}, {}], first seen in the night of {}",
        with_unit(&signed_number(s.size, width), term.unit),
        signed_number(s.low, width),
        signed_number(s.high, width),
        date_of(s.night)
    )
}

fn signed_number(value: f64, error: f64) -> String {
    let text = number(value, error);
    if value > 0.0 { format!("+{text}") } else { text }
}

fn valued(value: f64, error: Option<f64>, term: &Term) -> String {
    let text = match error.filter(|e| *e > 0.0) {
        Some(e) => format!("{} ± {}", number(value, e), number(e, e)),
        None => number(value, 0.0),
    };
    with_unit(&text, term.unit)
}

/// Whether a term follows a condition.
fn follows(s: &Series, found: Option<&Following>, condition: &Condition) -> String {
    let unit = if condition.within_visits { "exposures, each against its visit's mean" } else { "visits" };
    let condition = condition.words.split(" (").next().unwrap_or_default();
    let Some(f) = found else {
        return sentence(&format!("{}: too few can be compared", s.term.words));
    };
    let c = &f.correlation;
    let numbers = format!(
        "rank correlation {:+.2} [{:.2}, {:.2}], {} {unit}",
        c.value, c.interval.0, c.interval.1, f.compared
    );
    let shown = f.q_value <= FALSE_DISCOVERY_RATE;
    let left = f.given_time.is_some_and(|(_, p)| p <= 0.05);
    let text = match (shown, left) {
        (true, true) => {
            format!("{} follows {condition} ({numbers}), at fixed time too: a candidate cause", s.term.words)
        }
        (true, false) => format!(
            "{} changes with {condition} ({numbers}), but no more than both change with time",
            s.term.words
        ),
        (false, _) => format!("{} is not shown to follow {condition} ({numbers})", s.term.words),
    };
    sentence(&text)
}

/// A vector's way through its plane, night by night.
fn way(m: &Material, own: &[usize], title: &str, axis: &str) -> Option<Value> {
    let &[a, b] = own else { return None };
    if matches!(m.series[a].term.quantity, Quantity::Ellipticity | Quantity::Jitter | Quantity::Blur) {
        return None;
    }
    let (x, y) = (&m.series[a], &m.series[b]);
    let mut path = Path { limit: m.limits[a].map(|l| l.value), ..Path::default() };
    for night in &x.nights {
        if let Some(other) = y.nights.iter().find(|n| n.night == night.night) {
            path.places.push([night.value, other.value]);
            path.names.push(date_of(night.night).chars().skip(5).collect());
        }
    }
    let words = [last_word(x.term), last_word(y.term)]
        .map(|w| axis.replacen(&title.to_lowercase(), &format!("{} {w}", title.to_lowercase()), 1));
    let svg = figures::path(&format!("{title}, night by night"), [&words[0], &words[1]], &path)?;
    let (far, at) = path.places.iter().zip(&path.names).map(|(p, name)| (p[0].hypot(p[1]), name)).fold(
        (0.0, String::new()),
        |best, (far, name)| if far > best.0 { (far, name.clone()) } else { best },
    );
    let circle = if path.limit.is_some() { " Circle: the limit, where it is near." } else { "" };
    let caption = format!(
        "The vector's night means, joined in order, named by month and day where there is room. It is longest, {far:.1} nm, in the night of {at}.{circle}"
    );
    Some(context! { svg => Value::from_safe_string(svg), caption => caption })
}

/// Jitter's long axis, where it has one.
fn angle(m: &Material) -> Option<Value> {
    let axes = jitter_axes(&m.series);
    let plain: Vec<&Axes> = axes.iter().filter(|a| a.is_elongated).collect();
    let n = axes.len();
    if axes.is_empty() {
        return None;
    }
    let kept = |place: usize| m.flight.exposures[place].logged.combined;
    let time = |place: usize| m.flight.exposures[place].logged.mjd_mid.map(|mjd| mjd - m.noon);
    let of = |sign: Sign, value: fn(&Axes) -> f64, list: &[&Axes]| figures::Series {
        sign,
        points: list
            .iter()
            .filter_map(|a| {
                Some(Point { t: time(a.place)?, value: value(a), error: 0.0, kept: kept(a.place) })
            })
            .collect(),
        band: None,
    };
    let all: Vec<&Axes> = axes.iter().collect();
    let long = of(Sign::Disc, |a| a.major_rms_mas, &all);
    let short = of(Sign::Ring, |a| a.minor_rms_mas, &all);
    let words = [m.time_axis.as_str(), "jitter (mas rms)"];
    let (rms, binned) = figures::scatter(
        "Jitter along its long and short axis against time",
        words,
        &[long, short],
        &Lines::default(),
    )?;
    let most = axes.iter().map(|a| a.major_rms_mas).fold(0.0, f64::max);
    let least = axes.iter().map(|a| a.major_rms_mas).fold(f64::INFINITY, f64::min);
    let caption = format!(
        "Discs along the long axis of each exposure's jitter, rings across it. The long axis is {least:.0} to {most:.0} mas rms.{}",
        noted(binned)
    );
    let angles = of(Sign::Disc, |a| a.angle_deg, &plain);
    let words = [m.time_axis.as_str(), "long axis (degrees from x)"];
    let angle =
        figures::scatter("Direction of jitter's long axis against time", words, &[angles], &Lines::default());
    let angle_caption = format!(
        "Direction of the long axis, from the detector's x towards y, of the {} of {n} exposures whose jitter is longer one way by five errors or more.",
        plain.len()
    );
    Some(context! {
        rms => Value::from_safe_string(rms),
        caption => caption,
        angle => angle.map(|(svg, _)| Value::from_safe_string(svg)),
        angle_caption => angle_caption,
    })
}
