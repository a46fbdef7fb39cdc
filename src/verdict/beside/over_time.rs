//! The field means through time: drift, step, period, stability; what they follow is in
//! `followed.rs`. Remarks only: nothing here bears on the decision.

use std::collections::BTreeMap;

use super::super::model::*;
use super::super::stack::Stack;
use super::time_reasons;
use crate::frame::ExposureFacts;
use crate::table::StarTable;
use crate::trend::TrendError;
use crate::trend::drift::{Drift, drift};
use crate::trend::many::family_wise;
use crate::trend::period::{Base, Period, period};
use crate::trend::shape::{Shape, step_or_drift};
use crate::trend::stability::{StabilityPoint, even_interval, stability};
use crate::trend::step::{Step, step};

/// A drift or step this likely by chance, taken by itself, is taken out before a period is sought.
const TAKEN_OUT: f64 = 0.05;

const HOURS_PER_DAY: f64 = 24.0;

/// Sets `verdict.time` and adds its reasons. Changes under a fixed weight are divided by the
/// stack's response, as those that meet the limits are.
pub fn add(verdict: &mut Verdict, tables: &[StarTable], stack: &Stack) {
    let facts: Vec<&ExposureFacts> = tables.iter().map(|t| &t.facts).collect();
    let response = (stack.size_response, stack.e_response);
    verdict.time = analyse(&verdict.exposures, &facts, response, verdict.confidence);
    if let Some(time) = &verdict.time {
        verdict.reasons.extend(time_reasons::all(time, verdict.confidence));
    }
}

/// The analysis of all exposures with a field mean, those left out included: it is the
/// telescope that is looked at. `facts` are those of the first rows, in their order. `None`
/// for fewer than two exposures.
pub fn analyse(
    rows: &[ExposureResult],
    facts: &[&ExposureFacts],
    response: (f64, f64),
    confidence: f64,
) -> Option<TimeAnalysis> {
    let series = Series::new(rows, facts, response)?;
    let mut parts: Vec<Parts> =
        series.quantities.iter().map(|q| Parts::of(&series.times, q, confidence)).collect();
    let false_alarm = 1.0 - confidence;
    mark_significant(&mut parts, false_alarm);
    let n = series.times.len();
    let interval = even_interval(&series.times);
    let quantities = series.quantities.iter().zip(&parts);
    Some(TimeAnalysis {
        unit: series.unit.into(),
        exposures: u32::try_from(n).ok()?,
        span: series.times[n - 1] - series.times[0],
        false_alarm,
        quantities: quantities.map(|(q, part)| series.result(q, part, &interval, confidence)).collect(),
        follows: series.follows(confidence),
    })
}

/// One quantity of every exposure.
pub(super) struct Quantity {
    pub name: &'static str,
    pub values: Vec<f64>,
    errors: Vec<f64>,
}

/// The exposures with a field mean, in order of time where all have one.
pub(super) struct Series<'a> {
    unit: &'static str,
    /// From the first, in `unit`.
    pub times: Vec<f64>,
    files: Vec<&'a str>,
    pub quantities: Vec<Quantity>,
    pub facts: Vec<&'a ExposureFacts>,
}

impl<'a> Series<'a> {
    fn new(rows: &'a [ExposureResult], facts: &[&'a ExposureFacts], response: (f64, f64)) -> Option<Self> {
        let mut members: Vec<(&ExposureResult, &ExposureFacts, [f64; 3], [f64; 3])> = rows
            .iter()
            .zip(facts)
            .filter_map(|(row, &facts)| {
                let size = row.size_arcsec2.or(row.size_pix2).filter(|size| *size > 0.0)?;
                let e_err = row.e_err? / response.1;
                let values = [size.ln() / response.0, row.e1? / response.1, row.e2? / response.1];
                let errors = [row.size_err? / size / response.0, e_err, e_err];
                let sane =
                    values.iter().chain(&errors).all(|v| v.is_finite()) && errors.iter().all(|e| *e > 0.0);
                sane.then_some((row, facts, values, errors))
            })
            .collect();
        if members.len() < 2 {
            return None;
        }
        let times: Option<Vec<f64>> = members.iter().map(|m| m.0.mjd_mid.filter(|t| t.is_finite())).collect();
        let timed = times.is_some_and(|t| t.iter().any(|other| *other != t[0]));
        let (unit, times) = if timed {
            let time = |row: &ExposureResult| row.mjd_mid.unwrap_or(f64::NAN);
            members.sort_by(|a, b| time(a.0).total_cmp(&time(b.0)));
            let first = time(members[0].0);
            ("hour", members.iter().map(|m| (time(m.0) - first) * HOURS_PER_DAY).collect())
        } else {
            ("exposure", (0..members.len()).map(|k| k as f64).collect())
        };
        let quantities = ["size", "e1", "e2"]
            .into_iter()
            .enumerate()
            .map(|(k, name)| Quantity {
                name,
                values: members.iter().map(|m| m.2[k]).collect(),
                errors: members.iter().map(|m| m.3[k]).collect(),
            })
            .collect();
        Some(Self {
            unit,
            times,
            files: members.iter().map(|m| m.0.file.as_str()).collect(),
            quantities,
            facts: members.iter().map(|m| m.1).collect(),
        })
    }

    fn result(
        &self,
        quantity: &Quantity,
        parts: &Parts,
        interval: &Result<f64, TrendError>,
        confidence: f64,
    ) -> QuantityInTime {
        let stability = interval
            .clone()
            .and_then(|interval| Ok((interval, stability(&quantity.values, &quantity.errors, confidence)?)));
        let mut withheld = BTreeMap::new();
        let mut why = |name: &str, error: Option<&TrendError>| {
            withheld.extend(error.map(|e| (name.to_owned(), e.to_string())));
        };
        why("drift", parts.drift.as_ref().err());
        why("step", parts.step.as_ref().err());
        why("period", parts.period.as_ref().err());
        why("stability", stability.as_ref().err());
        let [drifts, steps, swings] = parts.significant;
        let shape = parts.shape.as_ref().ok().filter(|_| drifts || steps);
        QuantityInTime {
            quantity: quantity.name.into(),
            drift: parts.drift.as_ref().ok().map(|d| drift_result(d, drifts)),
            step: parts.step.as_ref().ok().map(|s| self.step_result(s, steps)),
            period: parts.period.as_ref().ok().map(|p| period_result(p, swings)),
            stability: stability.ok().map(|(interval, points)| {
                points.iter().map(|point| stability_result(point, interval)).collect()
            }),
            described_by: shape.map(|shape| {
                match shape {
                    Shape::Drift => "drift",
                    Shape::Step => "step",
                    Shape::Either => "either",
                }
                .into()
            }),
            withheld,
        }
    }

    fn step_result(&self, found: &Step, significant: bool) -> StepInTime {
        let split = &found.split;
        StepInTime {
            last_before: self.files[split.before - 1].into(),
            first_after: self.files[split.before].into(),
            before: split.mean_before,
            after: split.mean_after,
            size: found.size,
            low: found.interval.0,
            high: found.interval.1,
            p_value: found.p_value,
            p_by_ranks: found.p_pettitt,
            significant,
        }
    }
}

/// What the analyses of one quantity give, before it is known how many tests there are.
struct Parts {
    drift: Result<Drift, TrendError>,
    step: Result<Step, TrendError>,
    shape: Result<Shape, TrendError>,
    period: Result<Period, TrendError>,
    /// Drift, step, period.
    significant: [bool; 3],
}

impl Parts {
    fn of(times: &[f64], quantity: &Quantity, confidence: f64) -> Self {
        let (values, errors) = (&quantity.values, &quantity.errors);
        let drift = drift(times, values, confidence);
        let step = step(values, confidence);
        let shape = step_or_drift(times, values);
        let changes = drift.as_ref().is_ok_and(|d| d.p_value <= TAKEN_OUT)
            || step.as_ref().is_ok_and(|s| s.p_value <= TAKEN_OUT);
        let base = match (&shape, &step) {
            _ if !changes => Base::Constant,
            (Ok(Shape::Step), Ok(step)) => Base::StepAt(step.split.before),
            _ => Base::Line,
        };
        let period = period(times, values, errors, base);
        Self { drift, step, shape, period, significant: [false; 3] }
    }

    fn p_values(&self) -> [Option<f64>; 3] {
        [
            self.drift.as_ref().ok().map(|d| d.p_value),
            self.step.as_ref().ok().map(|s| s.p_value),
            self.period.as_ref().ok().map(|p| p.false_alarm),
        ]
    }
}

/// All drifts, steps and periods of the stack are one family of tests.
fn mark_significant(parts: &mut [Parts], false_alarm: f64) {
    let tests: Vec<(usize, usize, f64)> = parts
        .iter()
        .enumerate()
        .flat_map(|(q, part)| {
            part.p_values().into_iter().enumerate().filter_map(move |(kind, p)| Some((q, kind, p?)))
        })
        .collect();
    let adjusted = family_wise(&tests.iter().map(|t| t.2).collect::<Vec<f64>>());
    for (&(q, kind, _), adjusted) in tests.iter().zip(adjusted) {
        // Of 5 exposures all in order has just the chance that is asked: rounding must not decide.
        parts[q].significant[kind] = adjusted <= false_alarm * (1.0 + 1e-9);
    }
}

fn drift_result(found: &Drift, significant: bool) -> DriftInTime {
    DriftInTime {
        slope: found.slope,
        low: found.interval.map(|i| i.0),
        high: found.interval.map(|i| i.1),
        p_value: found.p_value,
        significant,
        autocorrelation: found.autocorrelation.map(|a| a.lag_one),
        p_if_wandering: found.autocorrelation.map(|a| a.p_value),
    }
}

fn period_result(found: &Period, significant: bool) -> PeriodInTime {
    PeriodInTime {
        period: found.period,
        period_err: found.period_err,
        amplitude: found.amplitude,
        amplitude_err: found.amplitude_err,
        false_alarm: found.false_alarm,
        significant,
        shortest: found.shortest,
        longest: found.longest,
    }
}

fn stability_result(point: &StabilityPoint, interval: f64) -> StabilityInTime {
    StabilityInTime {
        averaged: u32::try_from(point.averaged).unwrap_or(u32::MAX),
        averaging_time: point.averaged as f64 * interval,
        plain: point.plain.value,
        overlapping: point.overlapping.value,
        low: point.overlapping.interval.0,
        high: point.overlapping.interval.1,
        modified: point.modified.map(|m| m.value),
        noise: point.noise,
    }
}

#[cfg(test)]
mod tests;
