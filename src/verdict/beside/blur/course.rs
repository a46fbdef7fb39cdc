//! One part of the blur through time: whether it grows, or comes and goes.

use super::super::super::reasons::{number, percent};
use super::Compared;
use crate::trend::drift::{Drift, drift};
use crate::trend::many::family_wise;
use crate::trend::period::{Base, Period, period};

const HOURS_PER_DAY: f64 = 24.0;

/// A part of each exposure's blur, with its error.
pub struct Parts<'a> {
    pub values: &'a [f64],
    pub errors: &'a [f64],
}

/// A sentence on growth, with its interval, and one on a period where there is one; nothing where the
/// exposures are too few for a slope. `what` is what grows.
pub fn course(compared: &Compared, what: &str, parts: Parts) -> String {
    let (per, times) = times(compared);
    let mut order: Vec<usize> = (0..times.len()).collect();
    order.sort_by(|&a, &b| times[a].total_cmp(&times[b]));
    let sorted = |list: &[f64]| order.iter().map(|&k| list[k]).collect::<Vec<f64>>();
    let (times, values, errors) = (sorted(&times), sorted(parts.values), sorted(parts.errors));
    let Ok(drift) = drift(&times, &values, compared.confidence) else { return String::new() };
    let chance = drift.autocorrelation.map_or(drift.p_value, |a| a.p_value.max(drift.p_value));
    let may_be_chance = 1.0 - compared.confidence;
    let base = if drift.p_value <= may_be_chance { Base::Line } else { Base::Constant };
    // A wave as long as the series is its bend.
    let span = times[times.len() - 1] - times[0];
    let wave = period(&times, &values, &errors, base).ok().filter(|w| w.period <= 0.5 * span);
    let tests: Vec<f64> = [chance].into_iter().chain(wave.as_ref().map(|w| w.false_alarm)).collect();
    let held: Vec<bool> = family_wise(&tests).iter().map(|p| *p <= may_be_chance).collect();
    let growth = growth(&drift, held[0], what, per, compared);
    match wave.filter(|_| held.get(1) == Some(&true)) {
        Some(wave) => format!("{growth}{}", comes_and_goes(&wave, per)),
        None => growth,
    }
}

fn growth(drift: &Drift, held: bool, what: &str, per: &str, compared: &Compared) -> String {
    let (scale, unit) = compared.spoken();
    let in_words = |slope: f64, interval: Option<(f64, f64)>| {
        let interval = interval.map_or(String::new(), |(low, high)| {
            let (low, high) = (number(scale * scale * low), number(scale * scale * high));
            format!(" ({} % confidence: {low} to {high})", percent(compared.confidence))
        });
        format!("{} {unit}² per {per}{interval}", number(scale * scale * slope))
    };
    match (held, drift.slope < 0.0) {
        (true, false) => format!(" The {what} grows by {}.", in_words(drift.slope, drift.interval)),
        (true, true) => {
            let fall = drift.interval.map(|(low, high)| (-high, -low));
            format!(" The {what} wanes by {}.", in_words(-drift.slope, fall))
        }
        (false, _) => {
            format!(" No steady growth of the {what} is shown: {}.", in_words(drift.slope, drift.interval))
        }
    }
}

fn comes_and_goes(wave: &Period, per: &str) -> String {
    format!(
        " It comes and goes with a period of {} ± {} {per}s.",
        number(wave.period),
        number(wave.period_err)
    )
}

/// Middles of the exposures in hours from the first where all have one, else their numbers.
fn times(compared: &Compared) -> (&'static str, Vec<f64>) {
    let known: Option<Vec<f64>> =
        compared.members.iter().map(|m| m.table.facts.mjd_mid.filter(|time| time.is_finite())).collect();
    match known.filter(|times| times.iter().any(|t| *t != times[0])) {
        Some(times) => {
            let first = times.iter().copied().fold(f64::INFINITY, f64::min);
            ("hour", times.iter().map(|t| (t - first) * HOURS_PER_DAY).collect())
        }
        None => ("exposure", (0..compared.members.len()).map(|k| k as f64).collect()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{blur, compared};
    use super::*;

    fn said(values: &[f64]) -> String {
        let blurs: Vec<_> = values.iter().map(|_| blur((0.0, 0.0, 0.0))).collect();
        compared(&blurs, |c| course(c, "smear", Parts { values, errors: &vec![0.1; values.len()] }))
    }

    #[test]
    fn growth_and_waning_are_told_with_their_intervals() {
        let rising: Vec<f64> = (0..10).map(|k| 0.5 * k as f64 + [0.0, 0.1, -0.1][k % 3]).collect();
        assert!(said(&rising).contains("grows by 0.5"), "{}", said(&rising));
        let falling: Vec<f64> = rising.iter().map(|v| -v).collect();
        assert!(said(&falling).contains("wanes by 0.5"), "{}", said(&falling));
    }

    #[test]
    fn what_comes_and_goes_does_not_grow() {
        let wave: Vec<f64> =
            (0..40).map(|k| (std::f64::consts::TAU * k as f64 / 7.3).sin() + 0.05 * (k % 4) as f64).collect();
        let said = said(&wave);
        assert!(said.contains("No steady growth") && said.contains("period of 7.3"), "{said}");
    }

    #[test]
    fn too_few_exposures_have_no_course() {
        assert_eq!(said(&[1.0, 2.0, 3.0]), "");
    }
}
