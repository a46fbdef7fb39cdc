//! What a term does through the flight: drifts, steps, and what it follows.

use super::nights::Flight;
use super::series::{Mean, Series};
use crate::trend::follows::{Correlation, spearman, spearman_given};
use crate::trend::jump::jump;
use crate::trend::many::false_discovery;
use crate::trend::scatter::beyond_errors;
use crate::trend::shape::{Shape, step_or_drift_weighted};
use crate::trend::step::step_weighted;
use crate::trend::uneven_drift::drift_weighted;

/// Most steps looked for in one term.
const MOST_STEPS: usize = 12;
/// More visits than a flight has: the pairs of them would fill the memory.
const MOST_VISITS: usize = 2000;
/// Rate of false discoveries among what the terms are said to follow.
pub const FALSE_DISCOVERY_RATE: f64 = 0.1;

/// A step, as between two visits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FlightStep {
    /// Means before it, counted in the series' visits.
    pub before: usize,
    /// Midway between the visits on either side, MJD.
    pub mjd: f64,
    /// The night of the first visit after it.
    pub night: i64,
    pub size: f64,
    pub low: f64,
    pub high: f64,
    pub p_value: f64,
}

/// A drift of the visits since the last step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FlightDrift {
    pub per_day: f64,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub p_value: f64,
    pub significant: bool,
}

#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trend {
    /// In order of time.
    pub steps: Vec<FlightStep>,
    /// Of each span between steps that bears one: its first visit, and the drift.
    pub drifts: Vec<(usize, FlightDrift)>,
    /// Why no step could be looked for.
    pub withheld: Option<String>,
}

impl Trend {
    /// The first visit after the last step.
    pub fn last_span(&self) -> usize {
        self.steps.last().map_or(0, |s| s.before)
    }

    /// The drift since the last step.
    pub fn drift(&self) -> Option<&FlightDrift> {
        self.drifts.last().filter(|(start, _)| *start == self.last_span()).map(|(_, d)| d)
    }
}

/// The trends of all terms: where nothing changes, any step or drift is called significant in about
/// `1 - confidence` of the flights (the share of each test is that over twice the number of terms;
/// within the spans between steps that are shown, tests are made anew). A visit counts by the inverse of its
/// variance, that of its error and the scatter of the visits beyond their errors.
pub fn all(series: &[Series], confidence: f64) -> Vec<Trend> {
    let share = (1.0 - confidence) / (2 * series.len().max(1)) as f64;
    series.iter().map(|s| trend(&s.visits, share, confidence)).collect()
}

fn trend(visits: &[Mean], share: f64, confidence: f64) -> Trend {
    if visits.len() > MOST_VISITS {
        let withheld = format!("{} visits: trends are followed through at most {MOST_VISITS}", visits.len());
        return Trend { withheld: Some(withheld), ..Trend::default() };
    }
    let mut steps = Vec::new();
    let withheld = find_steps(visits, 0, share, confidence, &mut steps).err();
    steps.sort_by_key(|s| s.before);
    let starts = std::iter::once(0).chain(steps.iter().map(|s| s.before));
    let ends = steps.iter().map(|s| s.before).chain([visits.len()]);
    let drifts = starts
        .zip(ends)
        .filter_map(|(start, end)| {
            let span = &visits[start..end];
            let (times, values) = columns(span);
            let d = drift_weighted(&times, &values, &deviations(span), confidence).ok()?;
            let found = FlightDrift {
                per_day: d.slope,
                low: d.interval.map(|i| i.0),
                high: d.interval.map(|i| i.1),
                p_value: d.p_value,
                significant: d.p_value <= share,
            };
            Some((start, found))
        })
        .collect();
    Trend { steps, drifts, withheld }
}

/// Days since the first, and values.
fn columns(visits: &[Mean]) -> (Vec<f64>, Vec<f64>) {
    let first = visits.first().map_or(0.0, |v| v.mjd);
    visits.iter().map(|v| (v.mjd - first, v.value)).unzip()
}

/// Standard deviations of the visits' values about what goes on slowly: their errors and, alike of all, the
/// scatter beyond them. All 1 where an error is not known or nothing scatters.
pub fn deviations(visits: &[Mean]) -> Vec<f64> {
    let (times, values) = columns(visits);
    let errors: Option<Vec<f64>> = visits.iter().map(|v| v.error).collect();
    let alike = vec![1.0; visits.len()];
    let Some(errors) = errors.filter(|_| times.windows(2).all(|w| w[1] > w[0])) else { return alike };
    let beyond = beyond_errors(&times, &values, &errors);
    let deviations: Vec<f64> = errors.iter().map(|e| (e * e + beyond).sqrt()).collect();
    if deviations.iter().all(|d| d.is_finite() && *d > 0.0) { deviations } else { alike }
}

/// Parts the visits at the plainest step, then looks on either side of it.
fn find_steps(
    visits: &[Mean],
    offset: usize,
    share: f64,
    confidence: f64,
    found: &mut Vec<FlightStep>,
) -> Result<(), String> {
    let (times, values) = columns(visits);
    let deviations = deviations(visits);
    let of_drifting = jump(&times, &values, &deviations, confidence);
    let withheld = of_drifting.as_ref().err().map(ToString::to_string);
    let mut parted: Option<FlightStep> = None;
    let mut put = |before: usize, size: f64, interval: (f64, f64), p_value: f64| {
        let (low, high) = interval;
        if p_value <= share && (low > 0.0 || high < 0.0) {
            let (a, b) = (&visits[before - 1], &visits[before]);
            let mjd = 0.5 * (a.mjd + b.mjd);
            parted = Some(FlightStep { before, mjd, night: b.night, size, low, high, p_value });
        }
    };
    // A plain step where nothing drifts is seen more plainly by itself.
    let shape = step_or_drift_weighted(&times, &values, &deviations);
    if let (Ok(s), Ok(Shape::Step)) = (step_weighted(&values, &deviations, confidence), shape) {
        put(s.split.before, s.size, s.interval, s.p_value);
    }
    if let Ok(j) = of_drifting {
        put(j.before, j.size, j.interval, j.p_value);
    }
    if let Some(s) = parted.filter(|_| found.len() < MOST_STEPS) {
        found.push(FlightStep { before: offset + s.before, ..s });
        // Shorter spans than can be asked are left as they are.
        let _ = find_steps(&visits[..s.before], offset, share, confidence, found);
        let _ = find_steps(&visits[s.before..], offset + s.before, share, confidence, found);
    }
    withheld.map_or(Ok(()), Err)
}

/// What a term may follow.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// For people, with its unit.
    pub words: String,
    /// Of each of the flight's exposures.
    pub values: Vec<Option<f64>>,
    /// Whether it varies within a visit, so that exposures are compared within theirs.
    pub within_visits: bool,
}

/// Elevation, temperatures and time since the last move, as far as they vary.
pub fn conditions(flight: &Flight) -> Vec<Condition> {
    let of = |words: String, within_visits: bool, read: &dyn Fn(usize) -> Option<f64>| {
        let values: Vec<Option<f64>> =
            (0..flight.exposures.len()).map(|k| read(k).filter(|v| v.is_finite())).collect();
        Condition { words, values, within_visits }
    };
    let logged = |k: usize| &flight.exposures[k].logged;
    let mut out = vec![of("elevation (degrees)".into(), false, &|k| logged(k).altitude_deg)];
    let names: std::collections::BTreeSet<&String> =
        flight.exposures.iter().flat_map(|e| e.logged.housekeeping.keys()).collect();
    for name in names.into_iter().filter(|name| name.contains("TEMP")) {
        out.push(of(format!("{name} (°C)"), false, &|k| logged(k).housekeeping.get(name).copied()));
    }
    out.push(of("time since the last move (min)".into(), true, &|k| {
        flight.exposures[k].since_move_h.map(|h| 60.0 * h)
    }));
    out.retain(|c| {
        let known: Vec<f64> = c.values.iter().flatten().copied().collect();
        known.iter().any(|v| *v != known[0])
    });
    out
}

/// A rank correlation of a term with a condition, and what is left of it at fixed time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Following {
    pub correlation: Correlation,
    pub given_time: Option<(f64, f64)>,
    /// Visits, or exposures within their visits, that were compared.
    pub compared: usize,
    /// Adjusted for all tests (false discovery rate).
    pub q_value: f64,
}

/// For each term, for each condition; none where too few can be compared.
pub fn follows(
    flight: &Flight,
    series: &[Series],
    conditions: &[Condition],
    confidence: f64,
) -> Vec<Vec<Option<Following>>> {
    let mut table: Vec<Vec<Option<Following>>> = series
        .iter()
        .map(|s| conditions.iter().map(|c| following(flight, s, c, confidence)).collect())
        .collect();
    let p: Vec<f64> = table.iter().flatten().flatten().map(|f| f.correlation.p_value).collect();
    let mut q = false_discovery(&p).into_iter();
    for cell in table.iter_mut().flatten().flatten() {
        cell.q_value = q.next().unwrap_or(1.0);
    }
    table
}

fn following(flight: &Flight, series: &Series, condition: &Condition, confidence: f64) -> Option<Following> {
    let mut rows: Vec<[f64; 3]> = Vec::new();
    for visit in &flight.visits {
        let own: Vec<[f64; 3]> = series
            .points
            .iter()
            .filter(|p| p.kept && visit.places.contains(&p.place))
            .filter_map(|p| Some([p.value, condition.values[p.place]?, p.mjd?]))
            .collect();
        let n = own.len() as f64;
        if own.is_empty() {
            continue;
        }
        let means: [f64; 3] = std::array::from_fn(|k| own.iter().map(|r| r[k]).sum::<f64>() / n);
        if !condition.within_visits {
            rows.push(means);
        } else if own.len() > 1 {
            rows.extend(own.iter().map(|r| [r[0] - means[0], r[1], r[2]]));
        }
    }
    let column = |k: usize| rows.iter().map(|r| r[k]).collect::<Vec<f64>>();
    let (values, of_condition, times) = (column(0), column(1), column(2));
    let correlation = spearman(&values, &of_condition, confidence).ok()?;
    let given_time = spearman_given(&values, &of_condition, &times);
    Some(Following { correlation, given_time, compared: rows.len(), q_value: 1.0 })
}

#[cfg(test)]
mod tests {
    use super::super::fixture::flight;
    use super::super::series;
    use super::*;

    #[test]
    fn a_re_alignment_is_a_step_at_its_night_and_the_drift_before_it_is_seen() {
        let f = flight(10, &["coma_x_nm", "coma_y_nm"], 2, |term, days| match term {
            "coma_x_nm" if days < 5.5 => 3.0 + 2.0 * days,
            _ => 0.0,
        });
        let all = series::all(&f);
        let trends = all_of(&all);
        let (x, y) = (&trends[0], &trends[1]);
        assert_eq!((x.steps.len(), x.steps[0].before), (1, 12), "{x:?}");
        // Between the visits at 5.15 and 6 days the line stands at 3 + 2 * 5.575.
        assert!(x.steps[0].low < -14.15 && -14.15 < x.steps[0].high, "{x:?}");
        let (start, drift) = &x.drifts[0];
        assert!(*start == 0 && drift.significant && (drift.per_day - 2.0).abs() < 0.1, "{x:?}");
        assert!(!x.drift().unwrap().significant, "{x:?}");
        assert!(y.steps.is_empty() && y.drifts.iter().all(|(_, d)| !d.significant), "{y:?}");
    }

    fn all_of(series: &[Series]) -> Vec<Trend> {
        all(series, 0.95)
    }

    /// 40 flights of three terms without change: at 5 %, at most 2 and 3.3 counting errors.
    #[test]
    fn steps_and_drifts_of_nothing_are_as_rare_as_stated() {
        let found = (0..40)
            .filter(|&seed| {
                let f = flight(8, &["ln_size", "e1", "e2"], 100 + seed, |_, _| 0.0);
                let trends = all_of(&series::all(&f));
                trends.iter().any(|t| !t.steps.is_empty() || t.drifts.iter().any(|(_, d)| d.significant))
            })
            .count();
        assert!(found <= 6, "{found} of 40");
    }

    /// Of 12 visits the two of the fifth night tell twenty times less, and nothing changes: a step is called
    /// in at most the 5 % stated, of 60 flights 3 and 3.3 counting errors. A step of 12 errors of the good
    /// visits is found beside such a night every time, where visits counted alike miss most.
    #[test]
    fn a_bad_night_of_large_errors_makes_no_step_and_hides_none() {
        let flight_of = |seed: u64, step: f64| {
            let shape = |term: &str, days: f64| if term == "coma_x_nm" && days > 2.5 { step } else { 0.0 };
            let mut f = flight(6, &["coma_x_nm", "coma_y_nm"], seed, shape);
            for e in &mut f.exposures[24..30] {
                for (name, t) in &mut e.logged.terms {
                    let mean = shape(name, 4.0);
                    t.value = mean + 20.0 * (t.value - mean);
                    t.error = t.error.map(|e| 20.0 * e);
                }
            }
            series::all(&f)
        };
        let quiet = (0..60).filter(|&seed| all_of(&flight_of(seed, 0.0)).iter().all(|t| t.steps.is_empty()));
        let called = 60 - quiet.count();
        assert!(called <= 8, "{called} of 60");
        let mut alike = 0;
        for seed in 0..12 {
            let all = flight_of(seed, 12.0 * 0.1 / 3f64.sqrt());
            let found = &all_of(&all)[0];
            assert_eq!((found.steps.len(), found.steps[0].before), (1, 6), "{seed}: {found:?}");
            let values: Vec<f64> = all[0].visits.iter().map(|v| v.value).collect();
            // The share of one test of four.
            alike += usize::from(crate::trend::step::step(&values, 0.95).unwrap().p_value <= 0.05 / 4.0);
        }
        assert!(alike < 6, "{alike} of 12");
    }

    #[test]
    fn a_term_that_goes_with_the_elevation_is_found_to() {
        let mut f = flight(8, &["coma_x_nm", "coma_y_nm"], 5, |_, _| 0.0);
        for k in 0..f.exposures.len() {
            let altitude = 30.0 + ((k / 3) * 7 % 11) as f64;
            f.exposures[k].logged.altitude_deg = Some(altitude);
            f.exposures[k].logged.terms.get_mut("coma_x_nm").unwrap().value += 0.2 * altitude;
        }
        let all = series::all(&f);
        let conditions = conditions(&f);
        assert_eq!(conditions.len(), 2, "elevation, and the time since the last move");
        let table = follows(&f, &all, &conditions, 0.95);
        let x = table[0][0].unwrap();
        assert!(x.q_value < 0.01 && x.correlation.value > 0.9 && x.compared == 16, "{x:?}");
        assert!(x.given_time.unwrap().1 < 0.01, "{x:?}");
        assert!(table[1][0].unwrap().q_value > FALSE_DISCOVERY_RATE);
        assert!(table[0][1].unwrap().q_value > FALSE_DISCOVERY_RATE);
    }
}
