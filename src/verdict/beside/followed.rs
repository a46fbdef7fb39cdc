//! Which housekeeping values the field means follow.

use super::super::model::{Followed, Following};
use super::over_time::Series;
use crate::frame::ExposureFacts;
use crate::trend::TrendError;
use crate::trend::follows::{self, Correlation, spearman, spearman_given};
use crate::trend::many::false_discovery;
use crate::trend::rank::ranks;

/// Rate of false discoveries among what the field means are said to follow.
pub const FALSE_DISCOVERY_RATE: f64 = 0.1;

/// With time, and at fixed time, a correlation counts from here.
const WITH_TIME: f64 = 0.05;

impl Series<'_> {
    /// Each quantity against each housekeeping value that varies. Found is what is a discovery at the
    /// rate of false ones and, taken by itself, significant at the stated confidence.
    pub fn follows(&self, confidence: f64) -> Followed {
        let candidates = self.candidates();
        let mut tested: Vec<(Following, f64)> = Vec::new();
        for candidate in &candidates {
            for quantity in &self.quantities {
                let values: Vec<f64> = candidate.places.iter().map(|&k| quantity.values[k]).collect();
                let times: Vec<f64> = candidate.places.iter().map(|&k| self.times[k]).collect();
                if let Ok(found) = spearman(&values, &candidate.values, confidence) {
                    let p = found.p_value;
                    let following = candidate.following(quantity.name, &values, &times, &found, confidence);
                    tested.push((following, p));
                }
            }
        }
        let q = false_discovery(&tested.iter().map(|t| t.1).collect::<Vec<f64>>());
        let mut found: Vec<Following> = tested
            .iter()
            .zip(&q)
            .filter(|((_, p), q)| **q <= FALSE_DISCOVERY_RATE && *p <= 1.0 - confidence)
            .map(|((following, _), q)| Following { q_value: *q, ..following.clone() })
            .collect();
        found.sort_by(|a, b| a.p_value.total_cmp(&b.p_value));
        let withheld = tested.is_empty().then(|| {
            let needed = follows::MIN_EXPOSURES;
            match self.times.len() {
                given if given < needed => TrendError::TooFew { given, needed }.to_string(),
                _ => format!("no housekeeping value of at least {needed} exposures varies"),
            }
        });
        Followed {
            false_discovery_rate: FALSE_DISCOVERY_RATE,
            values: u32::try_from(candidates.len()).unwrap_or(u32::MAX),
            tests: u32::try_from(tested.len()).unwrap_or(u32::MAX),
            found,
            withheld,
        }
    }

    /// Housekeeping values of enough exposures that vary. Those of the same exposures in one
    /// order, or in the reverse one, say the same: they are one candidate.
    fn candidates(&self) -> Vec<Candidate> {
        let mut out: Vec<Candidate> = Vec::new();
        for (name, known) in self.housekeeping() {
            let (places, values): (Vec<usize>, Vec<f64>) = known.into_iter().unzip();
            let varies = values.iter().any(|v| *v != values[0]);
            if places.len() < follows::MIN_EXPOSURES || !varies {
                continue;
            }
            let order = ranks(&values);
            let top = values.len() as f64 + 1.0;
            let reverse: Vec<f64> = order.iter().map(|rank| top - rank).collect();
            match out.iter_mut().find(|c| c.places == places && (c.ranks == order || c.ranks == reverse)) {
                Some(same) => same.same_order.push(name),
                None => out.push(Candidate { name, same_order: Vec::new(), places, values, ranks: order }),
            }
        }
        out
    }

    /// By name: the places of the exposures that have the value, and the values.
    fn housekeeping(&self) -> Vec<(String, Vec<(usize, f64)>)> {
        type Read = fn(&ExposureFacts) -> Option<f64>;
        let known: [(&str, Read); 3] =
            [("altitude", |f| f.altitude_deg), ("focus", |f| f.focus), ("exposure time", |f| f.exposure_s)];
        let of = |read: &dyn Fn(&ExposureFacts) -> Option<f64>| -> Vec<(usize, f64)> {
            let value = |(k, f): (usize, &&ExposureFacts)| Some((k, read(f).filter(|v| v.is_finite())?));
            self.facts.iter().enumerate().filter_map(value).collect()
        };
        let names: std::collections::BTreeSet<&String> =
            self.facts.iter().flat_map(|f| f.housekeeping.keys()).collect();
        let facts = known.iter().map(|(name, read)| ((*name).to_owned(), of(read)));
        let cards = names.iter().map(|name| ((*name).clone(), of(&|f| f.housekeeping.get(*name).copied())));
        facts.chain(cards).collect()
    }
}

/// A housekeeping value that may be followed.
struct Candidate {
    name: String,
    same_order: Vec<String>,
    /// Exposures that have it.
    places: Vec<usize>,
    values: Vec<f64>,
    ranks: Vec<f64>,
}

impl Candidate {
    /// `values` and `times` are those of the exposures that have this value.
    fn following(
        &self,
        quantity: &str,
        values: &[f64],
        times: &[f64],
        found: &Correlation,
        confidence: f64,
    ) -> Following {
        let with_time =
            |series: &[f64]| spearman(series, times, confidence).is_ok_and(|c| c.p_value <= WITH_TIME);
        let left = spearman_given(values, &self.values, times);
        let nothing_left = left.is_none_or(|(_, p)| p > WITH_TIME);
        Following {
            quantity: quantity.into(),
            value: self.name.clone(),
            same_order: self.same_order.clone(),
            exposures: u32::try_from(values.len()).unwrap_or(u32::MAX),
            correlation: found.value,
            low: found.interval.0,
            high: found.interval.1,
            p_value: found.p_value,
            q_value: 1.0,
            given_time: left.map(|(value, _)| value),
            given_time_p_value: left.map(|(_, p)| p),
            shared_with_time: nothing_left && with_time(values) && with_time(&self.values),
        }
    }
}
