//! Nights, visits and moves: how the exposures of a log hang together.

use std::collections::BTreeMap;

use super::record::{LoggedExposure, LoggedVerdict};
use super::store::Contents;

/// A change of pointing that is no dither, degrees.
const MOVE_DEG: f64 = 0.1;
/// After so long a gap the telescope may have stood anywhere, days.
const GAP_DAYS: f64 = 1.0 / 24.0;

/// A flight log made ready: exposures in order of time, grouped into visits and nights.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Flight {
    pub exposures: Vec<FlightExposure>,
    /// One verdict's exposures of one night, in order of time.
    pub visits: Vec<Visit>,
    pub verdicts: BTreeMap<i64, LoggedVerdict>,
    /// East positive; nights are of UTC where there is none.
    pub longitude_deg: Option<f64>,
    pub replaced: u64,
}

#[derive(Debug, Clone, PartialEq)]
pub struct FlightExposure {
    pub logged: LoggedExposure,
    pub verdict: i64,
    /// MJD of the noon before, on the clock of the nights; none where there is no time.
    pub night: Option<i64>,
    /// Hours since the telescope last moved or changed its target.
    pub since_move_h: Option<f64>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    pub verdict: i64,
    pub night: Option<i64>,
    /// Places in `exposures`.
    pub places: Vec<usize>,
    /// Mean of its exposures, MJD.
    pub mjd: Option<f64>,
    pub target: Option<String>,
}

/// A night, or the exposures of no known time.
#[derive(Debug, Clone, PartialEq)]
pub struct Night {
    pub night: Option<i64>,
    /// Places in `visits`.
    pub visits: Vec<usize>,
    pub exposures: usize,
    pub unreadable: usize,
    /// Of exposures whose exposure time is known, seconds.
    pub integration_s: f64,
    /// Of those that their verdicts list as ones to combine.
    pub kept_s: f64,
}

impl Night {
    /// Kept share of the integration time.
    pub fn kept(&self) -> Option<f64> {
        (self.integration_s > 0.0).then(|| self.kept_s / self.integration_s)
    }
}

impl Flight {
    /// From a log's contents; nights run from noon to noon of the mean sun at `longitude_deg`.
    pub fn new(contents: Contents, longitude_deg: Option<f64>) -> Self {
        let mut exposures: Vec<FlightExposure> = contents
            .exposures
            .into_iter()
            .map(|(verdict, logged)| {
                let night = logged.mjd_mid.map(|mjd| night_of(mjd, longitude_deg));
                FlightExposure { logged, verdict, night, since_move_h: None }
            })
            .collect();
        set_moves(&mut exposures);
        let visits = visits(&exposures);
        Self { exposures, visits, verdicts: contents.verdicts, longitude_deg, replaced: contents.replaced }
    }

    /// Nights in order of time; last, where there are any, the exposures of no known time.
    pub fn nights(&self) -> Vec<Night> {
        self.grouped(|visit| visit.night)
            .into_iter()
            .map(|(night, visits)| self.night(night, visits))
            .collect()
    }

    /// Visits by target, in the order in which targets first appear.
    pub fn targets(&self) -> Vec<(String, Night)> {
        let name = |visit: &Visit| visit.target.clone().unwrap_or_else(|| "no target named".into());
        let groups = self.grouped(name);
        groups.into_iter().map(|(target, visits)| (target, self.night(None, visits))).collect()
    }

    fn grouped<K: Clone + Ord>(&self, key: impl Fn(&Visit) -> K) -> Vec<(K, Vec<usize>)> {
        let mut groups: Vec<(K, Vec<usize>)> = Vec::new();
        let mut known: BTreeMap<K, usize> = BTreeMap::new();
        for (place, visit) in self.visits.iter().enumerate() {
            let key = key(visit);
            let group = *known.entry(key.clone()).or_insert(groups.len());
            if group == groups.len() {
                groups.push((key, Vec::new()));
            }
            groups[group].1.push(place);
        }
        groups
    }

    fn night(&self, night: Option<i64>, visits: Vec<usize>) -> Night {
        let members =
            || visits.iter().flat_map(|&v| &self.visits[v].places).map(|&k| &self.exposures[k].logged);
        let seconds = |e: &LoggedExposure| e.exposure_s.filter(|s| s.is_finite() && *s > 0.0).unwrap_or(0.0);
        Night {
            exposures: members().count(),
            unreadable: members().filter(|e| e.gate == "unreadable").count(),
            integration_s: members().map(seconds).sum(),
            // Begun at zero: the sum of nothing is minus zero.
            kept_s: members().filter(|e| e.combined).map(seconds).fold(0.0, |sum, s| sum + s),
            night,
            visits,
        }
    }

    /// What nights are counted by, for people.
    pub fn clock(&self) -> String {
        match self.longitude_deg {
            Some(longitude) => format!("noon to noon of the mean sun at longitude {longitude:.2} degrees"),
            None => "noon to noon in UTC".into(),
        }
    }
}

/// The night an MJD (UTC) belongs to: the MJD of the noon it follows, by the clock of the longitude.
pub fn night_of(mjd: f64, longitude_deg: Option<f64>) -> i64 {
    (mjd + longitude_deg.unwrap_or(0.0) / 360.0 - 0.5).floor() as i64
}

/// The date of a night's evening.
pub fn date_of(night: i64) -> String {
    let epoch = jiff::civil::Date::constant(1858, 11, 17);
    let date = jiff::Span::new().try_days(night).ok().and_then(|days| epoch.checked_add(days).ok());
    date.map_or_else(|| format!("MJD {night}"), |d| d.to_string())
}

/// Time since the start of the first exposure after the last change of target, move or long gap.
fn set_moves(exposures: &mut [FlightExposure]) {
    let mut began: Option<f64> = None;
    for k in 0..exposures.len() {
        let Some(mjd) = exposures[k].logged.mjd_mid else { continue };
        let half = exposures[k].logged.exposure_s.unwrap_or(0.0) / 2.0 / 86_400.0;
        let moved = k == 0 || is_move(&exposures[k - 1].logged, &exposures[k].logged);
        if moved || began.is_none() {
            began = Some(mjd - half);
        }
        exposures[k].since_move_h = began.map(|from| 24.0 * (mjd - from));
    }
}

fn is_move(before: &LoggedExposure, after: &LoggedExposure) -> bool {
    let other_target = before.target != after.target;
    let gap = match (before.mjd_mid, after.mjd_mid) {
        (Some(a), Some(b)) => {
            let exposed =
                (before.exposure_s.unwrap_or(0.0) + after.exposure_s.unwrap_or(0.0)) / 2.0 / 86_400.0;
            b - a - exposed > GAP_DAYS
        }
        _ => true,
    };
    let place = |e: &LoggedExposure| e.ra_deg.zip(e.dec_deg);
    let far = place(before).zip(place(after)).is_some_and(|(a, b)| separation_deg(a, b) > MOVE_DEG);
    other_target || gap || far
}

fn separation_deg(a: (f64, f64), b: (f64, f64)) -> f64 {
    let unit = |(ra, dec): (f64, f64)| {
        let (sin_ra, cos_ra) = ra.to_radians().sin_cos();
        let (sin_dec, cos_dec) = dec.to_radians().sin_cos();
        [cos_dec * cos_ra, cos_dec * sin_ra, sin_dec]
    };
    let (a, b) = (unit(a), unit(b));
    let chord = a.iter().zip(b).map(|(x, y)| (x - y).powi(2)).sum::<f64>().sqrt();
    2.0 * (chord / 2.0).min(1.0).asin().to_degrees()
}

fn visits(exposures: &[FlightExposure]) -> Vec<Visit> {
    let mut visits: Vec<Visit> = Vec::new();
    let mut known: BTreeMap<(i64, Option<i64>), usize> = BTreeMap::new();
    for (place, e) in exposures.iter().enumerate() {
        let (verdict, night) = (e.verdict, e.night);
        let visit = *known.entry((verdict, night)).or_insert(visits.len());
        if visit == visits.len() {
            visits.push(Visit { verdict, night, places: Vec::new(), mjd: None, target: None });
        }
        visits[visit].places.push(place);
    }
    for visit in &mut visits {
        let members = || visit.places.iter().map(|&k| &exposures[k].logged);
        let times: Vec<f64> = members().filter_map(|e| e.mjd_mid).collect();
        visit.mjd = (!times.is_empty()).then(|| times.iter().sum::<f64>() / times.len() as f64);
        // The one that most exposures name, of equals the first.
        let mut names: Vec<(&String, usize)> = Vec::new();
        for target in members().filter_map(|e| e.target.as_ref()) {
            match names.iter_mut().find(|(name, _)| *name == target) {
                Some((_, count)) => *count += 1,
                None => names.push((target, 1)),
            }
        }
        let most = names.iter().map(|(_, count)| *count).max();
        visit.target = names.iter().find(|(_, count)| Some(*count) == most).map(|(name, _)| (*name).clone());
    }
    visits.sort_by(|a, b| a.mjd.unwrap_or(f64::INFINITY).total_cmp(&b.mjd.unwrap_or(f64::INFINITY)));
    visits
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_night_runs_from_noon_to_noon() {
        // MJD 62991 begins at midnight: its evening and the next morning are one night.
        assert_eq!(night_of(62991.49, None), 62990);
        assert_eq!(night_of(62991.9, None), 62991);
        assert_eq!(night_of(62992.3, None), 62991);
        // At 90 degrees east noon comes six hours earlier.
        assert_eq!(night_of(62991.30, Some(90.0)), 62991);
        assert_eq!(date_of(62991), "2031-05-05");
    }

    fn at(mjd: f64, target: &str, ra: f64) -> FlightExposure {
        let logged = LoggedExposure {
            mjd_mid: Some(mjd),
            exposure_s: Some(86.4),
            target: Some(target.into()),
            ra_deg: Some(ra),
            dec_deg: Some(60.0),
            ..LoggedExposure::default()
        };
        FlightExposure { logged, verdict: 1, night: None, since_move_h: None }
    }

    #[test]
    fn time_counts_from_the_last_move_target_or_gap() {
        let mut list = vec![
            at(100.000, "a", 10.0),
            at(100.002, "a", 10.1),
            // Half a degree of right ascension at declination 60 is a quarter on the sky.
            at(100.004, "a", 10.6),
            at(100.006, "b", 10.6),
            at(100.008, "b", 10.6),
            at(100.100, "b", 10.6),
        ];
        set_moves(&mut list);
        let hours: Vec<f64> = list.iter().map(|e| e.since_move_h.unwrap()).collect();
        let half = 0.5 * 86.4 / 3600.0;
        for (found, expected) in hours.iter().zip([half, half + 0.048, half, half, half + 0.048, half]) {
            assert!((found - expected).abs() < 1e-6, "{hours:?}");
        }
    }
}
