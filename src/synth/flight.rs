//! A whole flight: nights and targets, each visit a stack of its own, the telescope's state going on
//! from one to the next.

use std::path::{Path, PathBuf};

use jiff::{SignedDuration, civil::DateTime};
use serde::{Deserialize, Serialize};

use super::random::{Stream, gaussian, stream};
use super::scene::{Change, Quantity, Scene};
use super::{SynthError, run, write};

const HOURS_PER_DAY: f64 = 24.0;
const MOST_NIGHTS: usize = 200;

/// `[flight]`: the visits of several nights. What else the scene says holds for every visit;
/// `sequence.start` is the start of the first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlightScene {
    pub nights: usize,
    /// Visited in this order in every night.
    pub target: Vec<FlightTarget>,
    #[serde(default)]
    pub change: Vec<FlightChange>,
}

/// `[[flight.target]]`
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlightTarget {
    pub name: String,
    /// From the start of the night's first visit to that of this one.
    pub after_hours: f64,
    pub pointing_deg: [f64; 2],
    pub altitude_deg: f64,
}

/// `[[flight.change]]`: what changes from visit to visit. Exactly one of `by`, `per_day` and
/// `scatter` is given; changes of the same quantity add up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlightChange {
    pub what: Quantity,
    /// The nights it concerns, counted from 1; all, if not given.
    pub nights: Option<Vec<usize>>,
    /// The exposures of each visit it concerns, counted from 1; all, if not given.
    pub exposures: Option<Vec<usize>>,
    /// The same amount in each: a bad night, or a re-alignment from a night on.
    pub by: Option<f64>,
    /// A steady drift from nothing at the flight's start.
    pub per_day: Option<f64>,
    /// Independent Gaussian scatter of this rms, one draw a visit.
    pub scatter: Option<f64>,
}

/// One visit of a flight: a plain scene, and where its frames go.
#[derive(Debug, Clone, PartialEq)]
pub struct FlightVisit {
    pub night: usize,
    pub target: String,
    /// Name of its folder.
    pub folder: String,
    pub scene: Scene,
}

/// A visit that was simulated.
#[derive(Debug, Clone, PartialEq)]
pub struct FlownVisit {
    pub night: usize,
    pub target: String,
    pub folder: PathBuf,
    pub frames: Vec<PathBuf>,
}

impl FlightScene {
    pub(super) fn validate(&self, exposures: usize) -> Result<(), SynthError> {
        let range = |key: &str, value: f64, low: f64, high: f64| match (low..=high).contains(&value) {
            true => Ok(()),
            false => Err(SynthError::OutOfRange { key: key.into(), value, low, high }),
        };
        range("flight.nights", self.nights as f64, 1.0, MOST_NIGHTS as f64)?;
        range("number of flight.target", self.target.len() as f64, 1.0, 99.0)?;
        for target in &self.target {
            range("flight.target.after_hours", target.after_hours, 0.0, HOURS_PER_DAY)?;
            range("flight.target.pointing_deg[0]", target.pointing_deg[0], 0.0, 360.0)?;
            range("flight.target.pointing_deg[1]", target.pointing_deg[1], -90.0, 90.0)?;
            range("flight.target.altitude_deg", target.altitude_deg, -90.0, 90.0)?;
            if folder_word(&target.name).is_empty() {
                return Err(SynthError::Name(target.name.clone()));
            }
        }
        for change in &self.change {
            let given = [change.by, change.per_day, change.scatter];
            if given.iter().flatten().count() != 1 {
                return Err(SynthError::OneKindOfFlightChange(change.what));
            }
            for &night in change.nights.iter().flatten() {
                range("flight.change.nights", night as f64, 1.0, self.nights as f64)?;
            }
            for &number in change.exposures.iter().flatten() {
                range("flight.change.exposures", number as f64, 1.0, exposures as f64)?;
            }
        }
        Ok(())
    }
}

impl Scene {
    /// The visits of the scene's flight, in order of time; none where it has no `[flight]`.
    pub fn visits(&self) -> Result<Vec<FlightVisit>, SynthError> {
        let Some(flight) = &self.flight else { return Ok(Vec::new()) };
        let wrong = || SynthError::Start(self.sequence.start.clone());
        let start: DateTime = self.sequence.start.parse().map_err(|_| wrong())?;
        let mut rng = stream(self.seed, Stream::Sequence);
        let mut visits = Vec::new();
        for night in 1..=flight.nights {
            for (place, target) in flight.target.iter().enumerate() {
                let hours = HOURS_PER_DAY * (night - 1) as f64 + target.after_hours;
                let later = SignedDuration::try_from_secs_f64(3600.0 * hours).map_err(|_| wrong())?;
                let folder = format!("night-{night:02}-{}", folder_word(&target.name));
                let mut scene = Scene { flight: None, name: folder.clone(), ..self.clone() };
                let number = (night - 1) * flight.target.len() + place;
                scene.seed = self.seed.wrapping_mul(1009).wrapping_add(1 + number as u64);
                scene.sky_seed = Some(self.seed.wrapping_add(1 + place as u64));
                scene.sequence.start = start.checked_add(later).map_err(|_| wrong())?.to_string();
                scene.sequence.target = target.name.clone();
                scene.sequence.pointing_deg = target.pointing_deg;
                scene.sequence.altitude_deg = Some(target.altitude_deg);
                let cadence_days = (scene.sequence.exposure_s + scene.sequence.gap_s) / 86_400.0;
                for change in &flight.change {
                    // Drawn for every visit, so that naming other nights does not change the numbers.
                    let drawn = change.scatter.map_or(0.0, |rms| gaussian(rms, &mut rng));
                    if change.nights.as_ref().is_none_or(|nights| nights.contains(&night)) {
                        scene.sequence.change.extend(change.in_visit(hours, cadence_days, drawn));
                    }
                }
                visits.push(FlightVisit { night, target: target.name.clone(), folder, scene });
            }
        }
        Ok(visits)
    }
}

impl FlightChange {
    /// As changes of one visit that starts `hours` into the flight.
    fn in_visit(&self, hours: f64, cadence_days: f64, drawn: f64) -> Vec<Change> {
        let plain = Change {
            what: self.what,
            exposures: self.exposures.clone(),
            by: None,
            slope: None,
            random_walk: None,
            scatter: None,
        };
        let rate = self.per_day.unwrap_or(0.0);
        let level = self.by.unwrap_or(0.0) + rate * hours / HOURS_PER_DAY + drawn;
        let mut changes = vec![Change { by: Some(level), ..plain.clone() }];
        if rate != 0.0 {
            changes.push(Change { slope: Some(rate * cadence_days), ..plain });
        }
        changes
    }
}

/// Simulates every visit into a folder of its own below `out`, each with its frames and truth.
pub fn run_flight(
    scene: &Scene,
    out: &Path,
    overwrite: bool,
    progress: &(dyn Fn(usize) + Sync),
) -> Result<Vec<FlownVisit>, SynthError> {
    let mut flown: Vec<FlownVisit> = Vec::new();
    let (mut done, mut listed) = (0, String::from("night,target,folder\n"));
    for visit in scene.visits()? {
        let folder = out.join(&visit.folder);
        let frames = run(&visit.scene, &folder, overwrite, &|k| progress(done + k))?;
        done += frames.len();
        listed.push_str(&format!("{},{},{}\n", visit.night, visit.target.replace(',', " "), visit.folder));
        flown.push(FlownVisit { night: visit.night, target: visit.target, folder, frames });
    }
    write::text(&out.join("visits.csv"), &listed, overwrite)?;
    Ok(flown)
}

/// Lower-case letters and digits, words joined by hyphens.
fn folder_word(name: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { ' ' };
    name.chars().map(plain).collect::<String>().split_whitespace().collect::<Vec<_>>().join("-")
}
