//! Simulated stacks whose blur changes in known ways, from pixels, and what is said of them; for the tests
//! of it and for its table of rates.
#![allow(dead_code, reason = "each user takes what it needs")]

use stackworthy::frame::read_frame;
use stackworthy::measure::measure_frame;
use stackworthy::settings::Settings;
use stackworthy::synth::{Change, MotionScene, Quantity, Scene, run};
use stackworthy::table::StarTable;
use stackworthy::verdict::judge;
use stackworthy::verdict::model::Verdict;

const EXPOSURES: usize = 12;
/// Of all smears, from the detector's x towards y.
pub const DIRECTION_DEG: f64 = 30.0;

/// A quantity's course through the exposures, from 0 to 1.
#[derive(Clone, Copy)]
pub enum Course {
    None,
    Grows,
    /// With a period of 5 exposures.
    ComesAndGoes,
    /// Another order of growing values.
    Mixed,
}

impl Course {
    fn at(self, k: usize) -> f64 {
        let last = (EXPOSURES - 1) as f64;
        match self {
            Course::None => 0.0,
            Course::Grows => k as f64 / last,
            Course::ComesAndGoes => 0.5 - 0.5 * (std::f64::consts::TAU * k as f64 / 5.0).cos(),
            Course::Mixed => ((7 * k + 3) % EXPOSURES) as f64 / last,
        }
    }
}

/// A stack: how far each blur goes, and how.
pub struct Case {
    pub name: &'static str,
    /// The telescope: limited by diffraction (0.6 m, 30 mas of jitter), or wide by jitter (0.3 m, 700 mas).
    wide: bool,
    pixel_arcsec: f64,
    /// Uniform motion: its largest variance, mas².
    smear: (f64, Course),
    /// Round jitter: its largest variance an axis, mas².
    jitter: (f64, Course),
    /// nm.
    defocus: (f64, Course),
    /// Of defocus along x, at the corners.
    tilt: (f64, Course),
    astigmatism_nm: f64,
}

const NONE: (f64, Course) = (0.0, Course::None);
const FINE: Case = Case {
    name: "",
    wide: false,
    pixel_arcsec: 0.08,
    smear: NONE,
    jitter: NONE,
    defocus: NONE,
    tilt: NONE,
    astigmatism_nm: 0.0,
};
const WIDE: Case = Case { wide: true, pixel_arcsec: 0.65, ..FINE };
/// 1.8 pixels per FWHM.
const COARSE: Case = Case { pixel_arcsec: 1.0, ..WIDE };

/// Variances are of the order of the sharpest image's own, 8000 and 600 000 mas² an axis.
pub const CASES: [Case; 20] = [
    Case { name: "fine-steady", ..FINE },
    Case { name: "fine-jitter", jitter: (4000.0, Course::Mixed), ..FINE },
    Case { name: "fine-smear-grows", smear: (6000.0, Course::Grows), ..FINE },
    Case { name: "fine-smear-swings", smear: (6000.0, Course::ComesAndGoes), ..FINE },
    Case {
        name: "fine-both",
        smear: (6000.0, Course::ComesAndGoes),
        jitter: (4000.0, Course::Mixed),
        ..FINE
    },
    Case { name: "fine-defocus", defocus: (60.0, Course::Mixed), ..FINE },
    Case { name: "fine-astigmatism", defocus: (60.0, Course::Mixed), astigmatism_nm: 25.0, ..FINE },
    Case { name: "wide-steady", ..WIDE },
    Case { name: "wide-jitter", jitter: (6e5, Course::Mixed), ..WIDE },
    Case { name: "wide-smear-grows", smear: (6e5, Course::Grows), ..WIDE },
    Case { name: "wide-smear-swings", smear: (6e5, Course::ComesAndGoes), ..WIDE },
    Case { name: "wide-both", smear: (6e5, Course::ComesAndGoes), jitter: (6e5, Course::Mixed), ..WIDE },
    Case { name: "wide-both-jitter-2", smear: (3e5, Course::Grows), jitter: (1.2e6, Course::Mixed), ..WIDE },
    Case { name: "coarse-steady", ..COARSE },
    Case { name: "coarse-jitter", jitter: (6e5, Course::Mixed), ..COARSE },
    Case { name: "coarse-both", smear: (6e5, Course::ComesAndGoes), jitter: (6e5, Course::Mixed), ..COARSE },
    Case { name: "wide-defocus", defocus: (150.0, Course::Mixed), ..WIDE },
    Case { name: "wide-defocus-rings", defocus: (200.0, Course::Grows), ..WIDE },
    Case { name: "wide-defocus-side", defocus: (120.0, Course::Grows), tilt: (120.0, Course::Grows), ..WIDE },
    Case { name: "wide-defocus-smear", defocus: (150.0, Course::Grows), smear: (6e5, Course::Mixed), ..WIDE },
];

impl Case {
    pub fn named(name: &str) -> &'static Self {
        CASES.iter().find(|case| case.name == name).unwrap()
    }

    /// One draw of it.
    pub fn scene(&self, seed: u64) -> Scene {
        let mut scene = Scene::built_in("steady").unwrap();
        scene.seed = seed;
        scene.detector.pixel_arcsec = self.pixel_arcsec;
        scene.detector.width = 420;
        scene.detector.height = 420;
        scene.stars.per_frame = 110.0;
        scene.stars.flux_electrons = [5e3, 1e6];
        scene.stars.flux_slope = -1.3;
        scene.stars.galaxies_per_frame = 5.0;
        scene.detector.cosmic_rays = 3.0;
        scene.detector.hot_pixels = 10;
        scene.sequence.exposures = EXPOSURES;
        scene.optics.astigmatism_nm = [self.astigmatism_nm, 0.0];
        scene.motion = MotionScene { jitter_mas: 30.0, ..MotionScene::default() };
        if self.wide {
            scene.optics.aperture_m = 0.3;
            scene.motion.jitter_mas = 700.0;
        }
        scene.sequence.change = (0..EXPOSURES).flat_map(|k| self.changes(k)).collect();
        scene
    }

    fn changes(&self, k: usize) -> Vec<Change> {
        let length = (12.0 * self.smear.0 * self.smear.1.at(k)).sqrt();
        let (sin, cos) = DIRECTION_DEG.to_radians().sin_cos();
        [
            (Quantity::DriftXMas, length * cos),
            (Quantity::DriftYMas, length * sin),
            (Quantity::JitterMas2, self.jitter.0 * self.jitter.1.at(k)),
            (Quantity::DefocusNm, self.defocus.0 * self.defocus.1.at(k)),
            (Quantity::DefocusTiltXNm, self.tilt.0 * self.tilt.1.at(k)),
        ]
        .into_iter()
        .map(|(what, by)| Change {
            what,
            by: Some(by),
            exposures: Some(vec![k + 1]),
            slope: None,
            random_walk: None,
            scatter: None,
        })
        .collect()
    }

    /// Largest smear over the sharpest exposure, end to end; by the motions alone.
    pub fn longest_mas(&self) -> Option<f64> {
        let smear = |k: usize| self.smear.0 * self.smear.1.at(k);
        let size = |k: usize| smear(k) + 2.0 * self.jitter.0 * self.jitter.1.at(k);
        let sharpest = (0..EXPOSURES).min_by(|&a, &b| size(a).total_cmp(&size(b)))?;
        let most = (0..EXPOSURES).map(|k| smear(k) - smear(sharpest)).fold(0.0, f64::max);
        (most > 0.0 && self.defocus.0 == 0.0).then(|| (12.0 * most).sqrt())
    }

    /// Name of the exposure furthest out of focus.
    pub fn most_defocused(&self) -> String {
        let defocus = |k: &usize| self.defocus.1.at(*k) + self.tilt.1.at(*k);
        let most = (0..EXPOSURES).max_by(|a, b| defocus(a).total_cmp(&defocus(b)));
        format!("steady-{:02}.fits", most.map_or(0, |k| k + 1))
    }

    /// From frames to sentences.
    pub fn said(&self, seed: u64) -> Said {
        let folder = tempfile::tempdir().unwrap();
        let frames = run(&self.scene(seed), folder.path(), false, &|_| ()).unwrap();
        let settings = Settings::default();
        let table = |frame: &std::path::PathBuf| -> StarTable {
            let pixels = read_frame(frame, &settings).unwrap();
            measure_frame(&pixels, &frame.to_string_lossy(), &settings, "").unwrap()
        };
        let tables: Vec<StarTable> = frames.iter().map(table).collect();
        Said::of(&judge(&tables, &[], &settings).unwrap().verdict)
    }
}

/// What a verdict says of the blur.
#[derive(Debug, Default)]
pub struct Said {
    /// Whether a smear along one axis is spoken of.
    pub smeared: bool,
    /// Mean direction and its error.
    pub direction_deg: Option<(f64, f64)>,
    /// Its end-to-end length, as uniform motion.
    pub length_mas: Option<f64>,
    pub smear_grows: bool,
    pub smear_swings: bool,
    /// Whether a blur in all directions is.
    pub round: bool,
    /// The exposure called flattest, by defocus.
    pub flattest: Option<String>,
    /// The sentences.
    pub texts: Vec<String>,
}

impl Said {
    pub fn of(verdict: &Verdict) -> Self {
        let reason = |code: &str| verdict.reasons.iter().find(|r| r.code == code);
        let (smear, round) = (reason("trailing"), reason("blur-changes"));
        let smear_text = smear.map_or("", |r| r.text.as_str());
        let between = |text: &str, from: &str, to: &str| {
            Some(text.split_once(from)?.1.split_once(to)?.0.trim().to_owned())
        };
        let direction = between(smear_text, "one axis, ", " degrees").and_then(|angle| {
            let (value, error) = angle.split_once(" ± ")?;
            Some((value.parse().ok()?, error.parse().ok()?))
        });
        Self {
            smeared: smear.is_some(),
            direction_deg: direction,
            length_mas: between(smear_text, "), or ", " end to end").and_then(|v| in_mas(&v)),
            smear_grows: smear_text.contains("along it grows"),
            smear_swings: smear_text.contains("comes and goes"),
            round: round.is_some(),
            flattest: round.and_then(|r| between(&r.text, "most of all in ", " (")),
            texts: smear.into_iter().chain(round).map(|r| r.text.clone()).collect(),
        }
    }
}

/// A length as it is printed.
fn in_mas(text: &str) -> Option<f64> {
    let (value, unit) = text.split_once(' ')?;
    let in_mas = match unit {
        "mas" => 1.0,
        "arcsec" => 1000.0,
        _ => return None,
    };
    Some(value.parse::<f64>().ok()? * in_mas)
}
