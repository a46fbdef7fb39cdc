//! What the whole path measures against what the simulator put in.
//!
//! Renders a scene (built in, or a TOML file) with one seed after another, measures and judges every stack, and
//! prints a table: field means of size and ellipticity, their pulls, how often the intervals
//! of the change hold the truth, stars kept, decisions. The same is done with the measured
//! values replaced by the truth plus Gaussian noise of the stated errors, which tells faults
//! of the measurement from those of the statistics. Slow; run by hand:
//! `cargo run --release --example accuracy [SCENE,... [SEEDS [REDRAWS [FIRST_SEED]]]]`

use std::collections::BTreeMap;

use anyhow::{Context, Result};
use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stackworthy::frame::read_frame;
use stackworthy::measure::measure_frame;
use stackworthy::moments::{Weight, primary_weight};
use stackworthy::settings::Settings;
use stackworthy::synth::{Scene, Truth, run};
use stackworthy::table::StarTable;
use stackworthy::verdict::assess::{Place, assess};
use stackworthy::verdict::judge;
use stackworthy::verdict::stack::{Stack, StarHalf};

/// Gauss-Legendre nodes at which the truth samples the field.
const NODES: [f64; 7] = [
    -0.949_107_912_342_758_5,
    -0.741_531_185_599_394_4,
    -0.405_845_151_377_397_2,
    0.0,
    0.405_845_151_377_397_2,
    0.741_531_185_599_394_4,
    0.949_107_912_342_758_5,
];

/// Three Gaussian noises of one star.
type Noise = [f64; 3];

#[derive(Default)]
struct Tally {
    /// Field means of the exposures: relative error of the size and its pull, error of e and its pull.
    size: Vec<(f64, f64)>,
    e: Vec<(f64, f64)>,
    /// Field means outside their bar.
    missed: usize,
    /// By frame and quantity.
    measured: BTreeMap<&'static str, Intervals>,
    redrawn: BTreeMap<&'static str, Intervals>,
    decisions: BTreeMap<String, usize>,
    stars: Vec<f64>,
    size_pulls: Vec<f64>,
    e_pulls: Vec<f64>,
}

#[derive(Default)]
struct Intervals {
    below: usize,
    above: usize,
    total: usize,
    rms: f64,
    low: f64,
    high: f64,
    truth: f64,
}

impl Intervals {
    fn add(&mut self, truth: f64, found: (f64, f64, f64)) {
        let (rms, low, high) = found;
        self.total += 1;
        self.below += usize::from(truth < low);
        self.above += usize::from(truth > high);
        self.rms += rms;
        self.low += low;
        self.high += high;
        self.truth += truth;
    }

    fn print(&self, name: &str) {
        let n = self.total as f64;
        let cover = 1.0 - (self.below + self.above) as f64 / n;
        let err = (0.05 * 0.95 / n).sqrt();
        println!(
            "| {name} | {} | {:.1} ± {:.1} % | {} | {} | {:.2e} | {:.2e} [{:.2e}, {:.2e}] |",
            self.total,
            100.0 * cover,
            100.0 * err,
            self.below,
            self.above,
            self.truth / n,
            self.rms / n,
            self.low / n,
            self.high / n
        );
    }
}

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |k: usize, default: usize| arguments.get(k).and_then(|a| a.parse().ok()).unwrap_or(default);
    let scenes = arguments.first().map_or("steady,undersampled,one-bad,rotation", String::as_str);
    let (seeds, redraws, first) = (number(1, 20), number(2, 20), number(3, 1));
    for name in scenes.split(',') {
        let mut tally = Tally::default();
        for seed in first..first + seeds {
            one_stack(name, seed as u64, redraws, &mut tally)
                .with_context(|| format!("{name}, seed {seed}"))?;
        }
        tally.print(name);
    }
    Ok(())
}

/// A built-in scene, or one from its TOML file.
fn scene_called(name: &str) -> Result<Scene> {
    if name.ends_with(".toml") {
        return Ok(Scene::from_toml(&std::fs::read_to_string(name)?)?);
    }
    Ok(Scene::built_in(name)?)
}

fn one_stack(name: &str, seed: u64, redraws: usize, tally: &mut Tally) -> Result<()> {
    let folder = tempfile::tempdir()?;
    let scene = Scene { seed, ..scene_called(name)? };
    let frames = run(&scene, folder.path(), false, &|_| ())?;
    let truth: Truth = serde_json::from_str(&std::fs::read_to_string(folder.path().join("truth.json"))?)?;
    let settings = Settings::default();
    let tables: Vec<StarTable> = frames
        .par_iter()
        .map(|path| {
            let frame = read_frame(path, &settings)?;
            Ok(measure_frame(&frame, &path.to_string_lossy(), &settings, "")?)
        })
        .collect::<Result<_>>()?;

    let verdict = judge(&tables, &[], &settings)?.verdict;
    *tally.decisions.entry(verdict.decision.word().into()).or_default() += 1;
    tally.stars.extend(verdict.exposures.iter().filter_map(|e| e.stars).map(f64::from));
    tally.size_pulls.extend(verdict.noise_check.size_pull);
    tally.e_pulls.extend(verdict.noise_check.ellipticity_pull);

    let narrowest = tables.iter().filter_map(|t| t.narrowest_sigma_pixels).fold(f64::INFINITY, f64::min);
    let weight = primary_weight(narrowest);
    for (found, put_in) in verdict.exposures.iter().zip(&truth.exposures) {
        let (t, e1, e2) = match weight {
            Weight::Adaptive => (put_in.size_pixels2, put_in.e1, put_in.e2),
            Weight::Fixed(sigma) => {
                let rung =
                    put_in.weighted.iter().find(|w| w.sigma_pixels == sigma).context("no such rung")?;
                (rung.size_pixels2, rung.e1, rung.e2)
            }
        };
        let scale = truth.pixel_arcsec.powi(2);
        let size = found.size_arcsec2.context("no size")? / scale / t - 1.0;
        let size_err = found.size_err.context("no error")? / scale / t;
        tally.size.push((size, size / size_err));
        let mut missed = size.abs() > 0.003f64.max(3.0 * size_err);
        for (e, true_e) in [(found.e1, e1), (found.e2, e2)] {
            let (e, err) = (e.context("no e")? - true_e, found.e_err.context("no error")?);
            tally.e.push((e, e / err));
            missed |= e.abs() > 0.001f64.max(3.0 * err);
        }
        tally.missed += usize::from(missed);
    }

    let members: Vec<usize> = (0..tables.len()).collect();
    let stack = Stack::prepare(&tables, &members);
    changes(&stack, &truth, &mut tally.measured, Some(seed));
    let size_and_e: Vec<Vec<[f64; 3]>> = stack
        .exposures
        .iter()
        .enumerate()
        .map(|(t, e)| e.stars.iter().map(|s| at(&truth, t, s.x, s.y)).collect())
        .collect();
    let drawn: Vec<Stack> = (0..redraws)
        .map(|k| {
            let mut rng = StdRng::seed_from_u64(1000 * seed + k as u64);
            let mut redrawn = stack.clone();
            for (exposure, values) in redrawn.exposures.iter_mut().zip(&size_and_e) {
                for (star, [log_size, e1, e2]) in exposure.stars.iter_mut().zip(values) {
                    let n: Noise = [0; 3].map(|_| rng.sample(StandardNormal));
                    star.log_size = log_size * stack.size_response + star.log_size_err * n[0];
                    star.e1 = e1 * stack.e_response + star.e_err * n[1];
                    star.e2 = e2 * stack.e_response + star.e_err * n[2];
                }
            }
            redrawn
        })
        .collect();
    for redrawn in &drawn {
        changes(redrawn, &truth, &mut tally.redrawn, None);
    }
    Ok(())
}

/// The truth at a place of the detector: `[ln T, e1, e2]`, adaptive.
fn at(truth: &Truth, exposure: usize, x: f64, y: f64) -> [f64; 3] {
    let along = |p: f64, length: usize| -> [f64; 7] {
        let t = (p - 0.5 * (length as f64 - 1.0)) / (0.5 * length as f64);
        std::array::from_fn(|i| {
            (0..7).filter(|&j| j != i).map(|j| (t - NODES[j]) / (NODES[i] - NODES[j])).product()
        })
    };
    let (ax, ay) = (along(x, truth.width), along(y, truth.height));
    let mut out = [0.0; 3];
    for (j, wy) in ay.iter().enumerate() {
        for (i, wx) in ax.iter().enumerate() {
            for (o, v) in out.iter_mut().zip(truth.exposures[exposure].field[7 * j + i]) {
                *o += wx * wy * v;
            }
        }
    }
    out
}

/// Adds the intervals of all exposures' change, in both frames.
fn changes(stack: &Stack, truth: &Truth, into: &mut BTreeMap<&'static str, Intervals>, show: Option<u64>) {
    let all: Vec<usize> = (0..stack.exposures.len()).collect();
    let sky = truth.sky.as_ref().map(|c| (c.size, c.ellipticity));
    let places = [
        (Place::Sky, sky, ["sky, size", "sky, e"]),
        (
            Place::Detector,
            Some((truth.detector.size, truth.detector.ellipticity)),
            ["detector, size", "detector, e"],
        ),
    ];
    for (place, change, names) in places {
        let (Some((size, e)), Ok(found)) = (change, assess(stack, &all, StarHalf::All, place, 0.95)) else {
            continue;
        };
        let parts = [(size, found.size, &found.size_change), (e, found.ellipticity, &found.e_change)];
        for ((truth, rms, change), name) in parts.into_iter().zip(names) {
            into.entry(name).or_default().add(truth, (rms.rms, rms.low, rms.high));
            if let Some(seed) = show {
                let check = &change.noise_check;
                println!(
                    "seed {seed} {name}: truth {truth:.2e}, {:.2e} [{:.2e}, {:.2e}]{}; pull {:.3}, p {:.3}, excess {:.1e}, correlated {:.1e} ± {:.1e}",
                    rms.rms,
                    rms.low,
                    rms.high,
                    if truth < rms.low || truth > rms.high { " MISSED" } else { "" },
                    check.pull,
                    check.p_excess,
                    check.excess_variance,
                    check.correlated.variance,
                    check.correlated.err
                );
            }
        }
    }
}

impl Tally {
    fn print(&self, name: &str) {
        let rms = |v: &dyn Fn(&(f64, f64)) -> f64, list: &[(f64, f64)]| {
            (list.iter().map(|p| v(p).powi(2)).sum::<f64>() / list.len() as f64).sqrt()
        };
        let mean = |list: &[f64]| list.iter().sum::<f64>() / list.len().max(1) as f64;
        let bias = |list: &[(f64, f64)]| mean(&list.iter().map(|p| p.0).collect::<Vec<_>>());
        println!("\n## {name}");
        println!(
            "{} exposures, {:.0} stars kept each; pulls of star residuals: size {:.3}, e {:.3}; decisions {:?}",
            self.size.len(),
            mean(&self.stars),
            mean(&self.size_pulls),
            mean(&self.e_pulls),
            self.decisions
        );
        println!("| field mean | bias | rms error | rms pull |\n|---|---|---|---|");
        println!(
            "| size, of T | {:+.5} | {:.5} | {:.2} |",
            bias(&self.size),
            rms(&|p| p.0, &self.size),
            rms(&|p| p.1, &self.size)
        );
        println!(
            "| e | {:+.5} | {:.5} | {:.2} |",
            bias(&self.e),
            rms(&|p| p.0, &self.e),
            rms(&|p| p.1, &self.e)
        );
        println!("outside 0.3 % / 0.001 and 3 errors: {} of {}", self.missed, self.size.len());
        println!(
            "| interval | stacks | coverage | truth under it | over it | truth | mean rms [low, high] |\n|---|---|---|---|---|---|---|"
        );
        for (name, found) in &self.measured {
            found.print(name);
        }
        for (name, found) in &self.redrawn {
            found.print(&format!("{name}, Gaussian redraw"));
        }
        println!();
    }
}
