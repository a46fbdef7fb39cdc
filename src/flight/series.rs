//! One term through a flight: values an exposure, means a visit, means a night.

use std::collections::BTreeMap;

use super::nights::{Flight, Visit};
use super::record::LoggedExposure;
use super::terms::{Quantity, TERMS, Term};
use crate::optics::PATTERN_TERMS;
use crate::optics::fit::TensorAxes;
use crate::optics::fit::parameters::is_even;

/// A value of an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Place in the flight's exposures.
    pub place: usize,
    pub mjd: Option<f64>,
    pub value: f64,
    pub error: Option<f64>,
    pub kept: bool,
}

/// The mean of a visit's or a night's exposures that pass their own checks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mean {
    pub mjd: f64,
    pub night: i64,
    pub value: f64,
    /// The larger of what the exposures' errors and what their scatter give; none where neither is known.
    pub error: Option<f64>,
    pub exposures: usize,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    pub term: &'static Term,
    pub points: Vec<Point>,
    /// In order of time.
    pub visits: Vec<Mean>,
    pub nights: Vec<Mean>,
}

/// Every term of which the flight has values; the blur from moments only where no optics were fitted.
pub fn all(flight: &Flight) -> Vec<Series> {
    let signs = settle_signs(flight);
    let mut all: Vec<Series> =
        TERMS.iter().map(|term| series(flight, term, &signs)).filter(|s| !s.points.is_empty()).collect();
    if has_optics(&all) {
        all.retain(|s| s.term.quantity != Quantity::Blur);
    }
    all
}

/// Whether the optics were fitted in any exposure.
pub fn has_optics(all: &[Series]) -> bool {
    all.iter().any(|s| s.term.name == "defocus_nm")
}

fn series(flight: &Flight, term: &'static Term, signs: &[f64]) -> Series {
    let arcsec = flight.exposures.iter().any(|e| e.logged.terms.contains_key("size_arcsec2"));
    let mut points = Vec::new();
    let mut visits = Vec::new();
    let mut nights: BTreeMap<i64, Vec<Point>> = BTreeMap::new();
    for (visit, sign) in flight.visits.iter().zip(signs) {
        let sign = if term.even { *sign } else { 1.0 };
        let own: Vec<Point> = visit
            .places
            .iter()
            .filter_map(|&place| {
                let e = &flight.exposures[place].logged;
                let (value, error) = value(e, term, arcsec)?;
                Some(Point { place, mjd: e.mjd_mid, value: sign * value, error, kept: e.gate == "keep" })
            })
            .collect();
        if let Some(night) = visit.night {
            visits.extend(mean(&own, night));
            nights.entry(night).or_default().extend(&own);
        }
        points.extend(own);
    }
    points.sort_by_key(|p| p.place);
    visits.sort_by(|a: &Mean, b: &Mean| a.mjd.total_cmp(&b.mjd));
    let nights = nights.into_iter().filter_map(|(night, points)| mean(&points, night)).collect();
    Series { term, points, visits, nights }
}

/// A determined value with its error.
fn value(e: &LoggedExposure, term: &Term, arcsec: bool) -> Option<(f64, Option<f64>)> {
    if term.name == "ln_size" {
        let t = e.terms.get(if arcsec { "size_arcsec2" } else { "size_pix2" })?;
        return (t.value > 0.0).then(|| (t.value.ln(), t.error.map(|error| error / t.value)));
    }
    e.terms.get(term.name).filter(|t| t.determined).map(|t| (t.value, t.error))
}

fn mean(points: &[Point], night: i64) -> Option<Mean> {
    let kept: Vec<&Point> = points.iter().filter(|p| p.kept && p.mjd.is_some()).collect();
    let n = kept.len() as f64;
    if kept.is_empty() {
        return None;
    }
    let value = kept.iter().map(|p| p.value).sum::<f64>() / n;
    let mjd = kept.iter().filter_map(|p| p.mjd).sum::<f64>() / n;
    let known: Vec<f64> = kept.iter().filter_map(|p| p.error).collect();
    let stated = (known.len() == kept.len()).then(|| known.iter().map(|e| e * e).sum::<f64>().sqrt() / n);
    let scatter = (kept.len() > 1)
        .then(|| (kept.iter().map(|p| (p.value - value).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt());
    let error = match (stated, scatter) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    };
    Some(Mean { mjd, night, value, error, exposures: kept.len() })
}

/// A sign for each visit's even terms. One focused image does not tell their joint sign, so that two
/// verdicts may have chosen differently: each visit takes the sign that brings it nearer to the one
/// before (after, going back from the first whose sign is settled), each term weighted by its error.
pub fn settle_signs(flight: &Flight) -> Vec<f64> {
    let visits: Vec<(EvenTerms, bool)> =
        flight.visits.iter().map(|visit| (even_terms(flight, visit), is_settled(flight, visit))).collect();
    let first = visits.iter().position(|(_, settled)| *settled).unwrap_or(0);
    let mut signs = vec![1.0; visits.len()];
    let after = first..visits.len();
    for order in [after.collect::<Vec<_>>(), (0..first).rev().collect()] {
        let mut last = visits.get(first).map(|(terms, _)| (terms.clone(), 1.0));
        for k in order {
            let (terms, settled) = &visits[k];
            if terms.is_empty() {
                continue;
            }
            if let Some((before, sign)) = last.as_ref().filter(|(before, _)| !settled && !before.is_empty()) {
                let likeness: f64 = terms
                    .iter()
                    .filter_map(|(name, (value, error))| {
                        let (other, other_error) = before.get(name)?;
                        Some(sign * value * other / (error * error + other_error * other_error))
                    })
                    .sum();
                signs[k] = if likeness < 0.0 { -1.0 } else { 1.0 };
            }
            last = Some((terms.clone(), signs[k]));
        }
    }
    signs
}

fn is_settled(flight: &Flight, visit: &Visit) -> bool {
    flight.verdicts.get(&visit.verdict).and_then(|v| v.sign_settled).unwrap_or(false)
}

/// Value and error by name.
type EvenTerms = BTreeMap<&'static str, (f64, f64)>;

/// Means of a visit's determined even terms, with their errors.
fn even_terms(flight: &Flight, visit: &Visit) -> EvenTerms {
    let names = PATTERN_TERMS.iter().enumerate().filter(|(k, _)| is_even(*k)).map(|(_, name)| *name);
    names
        .filter_map(|name| {
            let known: Vec<(f64, f64)> = visit
                .places
                .iter()
                .filter_map(|&k| flight.exposures[k].logged.terms.get(name))
                .filter(|t| t.determined)
                .filter_map(|t| Some((t.value, t.error.filter(|e| *e > 0.0)?)))
                .collect();
            let n = known.len() as f64;
            let sum = |f: fn(&(f64, f64)) -> f64| known.iter().map(f).sum::<f64>();
            (!known.is_empty()).then(|| (name, (sum(|v| v.0) / n, sum(|v| v.1 * v.1).sqrt() / n)))
        })
        .collect()
}

/// Axes of one exposure's jitter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axes {
    /// Place in the flight's exposures.
    pub place: usize,
    /// Zero where noise takes the variance below it.
    pub major_rms_mas: f64,
    pub minor_rms_mas: f64,
    /// From the detector's x towards y.
    pub angle_deg: f64,
    /// Longer one way by five errors or more, so that the direction means something.
    pub is_elongated: bool,
}

const ELONGATED_SIGMAS: f64 = 5.0;

/// Of every exposure that has all three components.
pub fn jitter_axes(all: &[Series]) -> Vec<Axes> {
    let of = |name: &str| all.iter().find(|s| s.term.name == name);
    let (Some(xx), Some(yy), Some(xy)) = (of("jitter_xx_mas2"), of("jitter_yy_mas2"), of("jitter_xy_mas2"))
    else {
        return Vec::new();
    };
    let same = |s: &Series, place: usize| {
        s.points.binary_search_by_key(&place, |p| p.place).ok().map(|at| s.points[at])
    };
    xx.points
        .iter()
        .filter_map(|x| {
            let (y, c) = (same(yy, x.place)?, same(xy, x.place)?);
            let axes = TensorAxes::of([x.value, y.value, c.value]);
            let error = x.error?.hypot(y.error?);
            Some(Axes {
                place: x.place,
                major_rms_mas: axes.major_mas2.max(0.0).sqrt(),
                minor_rms_mas: axes.minor_mas2.max(0.0).sqrt(),
                angle_deg: axes.angle_deg,
                is_elongated: axes.major_mas2 - axes.minor_mas2 > ELONGATED_SIGMAS * error,
            })
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::fixture::flight;
    use super::*;

    /// Verdicts that chose the other sign are turned; coma, which has its own, is left.
    #[test]
    fn the_joint_sign_is_settled_between_visits() {
        let straight = |term: &str, days: f64| match term {
            "defocus_nm" => 20.0 + days,
            "astigmatism_0_nm" => -8.0,
            _ => 5.0,
        };
        let terms = ["defocus_nm", "astigmatism_0_nm", "coma_x_nm"];
        let mut turned = flight(4, &terms, 1, straight);
        for (k, visit) in turned.visits.clone().iter().enumerate().filter(|(k, _)| [1, 2, 5].contains(k)) {
            for &place in &visit.places {
                for name in ["defocus_nm", "astigmatism_0_nm"] {
                    turned.exposures[place].logged.terms.get_mut(name).unwrap().value *= -1.0;
                }
            }
            assert!(k < 8);
        }
        assert_eq!(all(&turned), all(&flight(4, &terms, 1, straight)));
        // A visit whose sign is settled decides, forwards and backwards.
        turned.verdicts.get_mut(&3).unwrap().sign_settled = Some(true);
        let signs = settle_signs(&turned);
        assert_eq!(signs, [-1.0, 1.0, 1.0, -1.0, -1.0, 1.0, -1.0, -1.0]);
    }

    #[test]
    fn a_visit_is_the_mean_of_its_kept_exposures() {
        let mut f = flight(1, &["e1"], 1, |_, _| 0.0);
        for (k, e) in f.exposures.iter_mut().enumerate() {
            e.logged.terms.get_mut("e1").unwrap().value = k as f64;
            e.logged.gate = if k == 2 { "leave-out".into() } else { "keep".into() };
        }
        let s = &all(&f)[0];
        assert_eq!((s.visits[0].value, s.visits[0].exposures, s.points.len()), (0.5, 2, 6));
        // The scatter of 0 and 1 is far over the stated errors.
        assert!((s.visits[0].error.unwrap() - 0.5).abs() < 1e-12);
        assert_eq!(s.nights.len(), 1);
    }
}
