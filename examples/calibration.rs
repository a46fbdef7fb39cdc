//! The error rates of the verdict, by simulation: whole stacks of star tables with known change are
//! judged, and the decisions and intervals counted against the truth.
//!
//! `cargo run --release --example calibration [ROW [STACKS [SEED]]]`
//!
//! ROW is a name of the table or the beginning of one (`all` for all); STACKS (200) the stacks of a
//! row. One line a row: how often "combine" was said, and for the interval of each change the share of stacks
//! whose truth lies below and above it. Rows whose name begins with `decide` are judged whole, with
//! the decision counted; the others stop at what "combine" rests on (each exposure's own model, which
//! it does not need, takes most of the time). At star-table level; from pixels: `examples/accuracy.rs`.

#[path = "../tests/star_tables/mod.rs"]
mod star_tables;

use std::collections::BTreeMap;

use rayon::prelude::*;
use stackworthy::repeat::RmsChange;
use stackworthy::verdict::assess::{Place, Standing, assess};
use stackworthy::verdict::model::{Decision, Gate, Measured, Verdict};
use stackworthy::verdict::stack::{Stack as Prepared, StarHalf};
use stackworthy::verdict::{judge, results};
use star_tables::{Contamination, Drawn, Over, Stack, Through, draw};

const CONFIDENCE: f64 = 0.95;

/// The intervals that are counted.
const INTERVALS: [&str; 4] = ["sky size", "sky e", "det size", "det e"];

/// What one stack tells.
struct Judged {
    decision: Decision,
    /// A positive answer about kept exposures whose true change is over a limit.
    wrongly_kept: bool,
    /// Truth below, above, and the upper bound over the limit; by interval.
    misses: [(bool, bool, f64); 4],
    /// The same of the population of field means, where it is known.
    population: Option<[(bool, bool); 2]>,
    pulls: [f64; 2],
}

fn rows() -> Vec<(String, Stack)> {
    let plain = Stack::default();
    let mut rows: Vec<(String, Stack)> = Vec::new();
    let mut row = |name: String, stack: Stack| rows.push((name, stack));
    for (word, strength) in [
        ("size-1.0", (1.0, 0.0)),
        ("e-1.0", (0.0, 1.0)),
        ("size-1.5", (1.5, 0.0)),
        ("e-1.5", (0.0, 1.5)),
        ("none", (0.0, 0.0)),
    ] {
        for limit_over_noise in [2.0, 4.0, 10.0] {
            row(format!("{word}-limit-{limit_over_noise}"), Stack { strength, limit_over_noise, ..plain });
        }
    }
    for (name, over) in [
        ("constant", Over::Constant),
        ("linear", Over::Linear),
        ("quadratic", Over::Quadratic),
        ("cubic", Over::Cubic),
        ("quintic", Over::Quintic),
    ] {
        for (of_stars, stars) in [20, 100, 1000].into_iter().enumerate() {
            for exposures in [4, 8, 30, 100] {
                let limit_over_noise = [2.0, 3.0, 4.0][of_stars];
                row(
                    format!("{name}-{stars}x{exposures}"),
                    Stack { over, stars, exposures, limit_over_noise, strength: (1.0, 1.0), ..plain },
                );
            }
        }
    }
    // One pattern that grows: nothing averages over patterns.
    for (name, over) in [("cubic", Over::Cubic), ("quintic", Over::Quintic)] {
        for (stars, exposures, limit_over_noise) in
            [(20, 8, 2.0), (20, 30, 2.0), (100, 8, 3.0), (100, 30, 3.0)]
        {
            row(
                format!("growing-{name}-{stars}x{exposures}"),
                Stack {
                    over,
                    stars,
                    exposures,
                    limit_over_noise,
                    through: Through::Drift,
                    strength: (1.0, 1.0),
                    ..plain
                },
            );
        }
    }
    for (name, strength) in [("spread-1.0", (1.0, 1.0)), ("spread-1.5", (1.5, 1.5)), ("none", (0.0, 0.0))] {
        row(format!("decide-{name}"), Stack { strength, stars: 200, limit_over_noise: 6.0, ..plain });
    }
    for (name, through) in [("one", Through::One), ("drift", Through::Drift), ("groups", Through::Groups)] {
        row(format!("{name}-1.0"), Stack { through, strength: (1.0, 1.0), ..plain });
        for strength in [1.0, 4.0] {
            let stack =
                Stack { through, strength: (strength, strength), stars: 200, limit_over_noise: 6.0, ..plain };
            row(format!("decide-{name}-{strength:.1}"), stack);
        }
    }
    // One exposure off by six limits; the others change as told.
    for (word, strength) in [("size-1.0", (1.0, 0.0)), ("e-1.0", (0.0, 1.0)), ("none", (0.0, 0.0))] {
        for (stars, limit_over_noise) in [(100, 2.0), (100, 3.0), (200, 6.0)] {
            row(
                format!("decide-off-{word}-{stars}-limit-{limit_over_noise}"),
                Stack { plainly_off: 6.0, strength, stars, limit_over_noise, ..plain },
            );
        }
    }
    for (name, contamination) in [
        ("pairs", Contamination::Pairs),
        ("neighbours", Contamination::VariableNeighbours),
        ("galaxies", Contamination::Galaxies),
    ] {
        for (word, strength) in [("size-1.0", (1.0, 0.0)), ("e-1.0", (0.0, 1.0)), ("none", (0.0, 0.0))] {
            for (stars, limit_over_noise) in [(100, 3.0), (100, 10.0), (400, 4.0)] {
                row(
                    format!("{name}-{word}-{stars}-limit-{limit_over_noise}"),
                    Stack { contamination, strength, stars, limit_over_noise, ..plain },
                );
            }
        }
    }
    for stated_gain in [0.9, 1.1] {
        for (word, strength) in [("size-1.0", (1.0, 0.0)), ("e-1.0", (0.0, 1.0)), ("none", (0.0, 0.0))] {
            for (stars, limit_over_noise) in [(20, 2.0), (100, 3.0), (400, 4.0)] {
                row(
                    format!("gain-{stated_gain}-{word}-{stars}"),
                    Stack { stated_gain, strength, stars, limit_over_noise, ..plain },
                );
            }
        }
    }
    let turning =
        Stack { rotation_deg: 2.0, dither: 150.0, static_field: 0.02, strength: (1.0, 1.0), ..plain };
    row("turning-100".into(), turning);
    row("turning-400".into(), Stack { stars: 400, limit_over_noise: 4.0, ..turning });
    for exposures in [4, 8, 30] {
        let over = Over::Constant;
        row(
            format!("decide-population-{exposures}"),
            Stack { over, exposures, drawn: true, strength: (1.0, 1.0), ..plain },
        );
    }
    rows
}

/// All that "combine" rests on, without the rest of a verdict.
fn one_change(scene: &Stack, seed: u64) -> Option<Judged> {
    let drawn = draw(scene, seed);
    let limits = results::limits(&drawn.settings).ok()?;
    let all = drawn.all();
    let stack = Prepared::prepare(&drawn.tables, &all);
    let sky = assess(&stack, &all, StarHalf::All, Place::Sky, CONFIDENCE).ok()?;
    let detector = assess(&stack, &all, StarHalf::All, Place::Detector, CONFIDENCE).ok()?;
    let combine = sky.standing(&limits, CONFIDENCE) == Standing::Within;
    let (on_sky, on_detector) = (drawn.on_sky(&all), drawn.on_detector(&all));
    let miss = |found: &RmsChange, truth: f64, limit: f64| {
        (truth < found.low, truth > found.high, found.high / limit)
    };
    let (size, e) = (drawn.limits.size, drawn.limits.ellipticity);
    Some(Judged {
        decision: if combine { Decision::Combine } else { Decision::Undecided },
        wrongly_kept: combine && over_limits(&drawn, &all),
        misses: [
            miss(&sky.size, on_sky.size, size),
            miss(&sky.ellipticity, on_sky.ellipticity, e),
            miss(&detector.size, on_detector.size, size),
            miss(&detector.ellipticity, on_detector.ellipticity, e),
        ],
        population: None,
        pulls: [sky.size_change.noise_check.pull, sky.e_change.noise_check.pull],
    })
}

fn one_stack(scene: &Stack, seed: u64) -> Option<Judged> {
    let drawn = draw(scene, seed);
    let verdict = judge(&drawn.tables, &[], &drawn.settings).ok()?.verdict;
    let (sky, detector) = (verdict.all_exposures.as_ref()?, verdict.instrument.as_ref()?);
    let (on_sky, on_detector) = (drawn.on_sky(&drawn.all()), drawn.on_detector(&drawn.all()));
    let miss = |found: &Measured, truth: f64| {
        let high = found.high.unwrap_or(f64::INFINITY);
        (truth < found.low.unwrap_or(0.0), truth > high, high / found.limit.unwrap_or(f64::NAN))
    };
    let spread = |found: &Measured, truth: f64| {
        let p = found.population.clone().unwrap_or_default();
        (truth < p.low.unwrap_or(0.0), truth > p.high.unwrap_or(f64::INFINITY))
    };
    let population = scene.drawn.then(|| {
        [spread(&sky.size, drawn.population.size), spread(&sky.ellipticity, drawn.population.ellipticity)]
    });
    let pull = |p: Option<f64>| p.unwrap_or(f64::NAN);
    Some(Judged {
        decision: verdict.decision,
        wrongly_kept: wrongly_kept(&verdict, &drawn),
        misses: [
            miss(&sky.size, on_sky.size),
            miss(&sky.ellipticity, on_sky.ellipticity),
            miss(&detector.size, on_detector.size),
            miss(&detector.ellipticity, on_detector.ellipticity),
        ],
        population,
        pulls: [pull(verdict.noise_check.size_pull), pull(verdict.noise_check.ellipticity_pull)],
    })
}

/// Whether exposures truly differ by more than a limit (to rounding: rows are drawn at the limit itself).
fn over_limits(drawn: &Drawn, keep: &[usize]) -> bool {
    let rms = drawn.on_sky(keep);
    rms.size > 0.9999 * drawn.limits.size || rms.ellipticity > 0.9999 * drawn.limits.ellipticity
}

/// Whether the verdict combines exposures that it must not.
fn wrongly_kept(verdict: &Verdict, drawn: &Drawn) -> bool {
    let over = |keep: &[usize]| over_limits(drawn, keep);
    let place = |file: &String| verdict.exposures.iter().position(|e| e.file == *file);
    match verdict.decision {
        Decision::Combine | Decision::CombineSubset => {
            let kept = |t: &usize| verdict.exposures[*t].gate == Gate::Keep;
            over(&drawn.all().into_iter().filter(kept).collect::<Vec<usize>>())
        }
        Decision::Split => {
            verdict.groups.iter().any(|g| over(&g.iter().filter_map(place).collect::<Vec<_>>()))
        }
        _ => false,
    }
}

fn print_row(name: &str, judged: &[Judged], asked: u64, seconds: f64) {
    let total = judged.len().max(1) as f64;
    let percent =
        |test: &dyn Fn(&Judged) -> bool| 100.0 * judged.iter().filter(|j| test(j)).count() as f64 / total;
    let mut decisions: BTreeMap<&str, usize> = BTreeMap::new();
    for j in judged {
        *decisions.entry(j.decision.word()).or_default() += 1;
    }
    let combine = percent(&|j| j.decision == Decision::Combine);
    let intervals: Vec<String> = (0..4)
        .map(|k| {
            let (below, above) = (percent(&|j| j.misses[k].0), percent(&|j| j.misses[k].1));
            let high = judged.iter().map(|j| j.misses[k].2).sum::<f64>() / total;
            format!("{below:4.1}/{above:4.1} {high:4.2}")
        })
        .collect();
    let pull = |k: usize| judged.iter().map(|j| j.pulls[k]).sum::<f64>() / total;
    println!(
        "| {name:26} | {:4} | {combine:5.1} | {:5.1} | {} | {:.3} {:.3} | {decisions:?}{} {seconds:.0} s |",
        judged.len(),
        percent(&|j| j.wrongly_kept),
        intervals.join(" | "),
        pull(0),
        pull(1),
        if (judged.len() as u64) < asked { " (some gave nothing)" } else { "" },
    );
    if judged.iter().any(|j| j.population.is_some()) {
        for (k, what) in ["size", "e"].into_iter().enumerate() {
            let share =
                |above: bool| percent(&|j| j.population.is_some_and(|p| if above { p[k].1 } else { p[k].0 }));
            println!(
                "|   population of {what}: truth below {:.1} %, above {:.1} %",
                share(false),
                share(true)
            );
        }
    }
}

fn main() {
    let argument = |k: usize| std::env::args().nth(k);
    let wanted = argument(1).unwrap_or("all".into());
    let stacks: u64 = argument(2).and_then(|a| a.parse().ok()).unwrap_or(200);
    let seed: u64 = argument(3).and_then(|a| a.parse().ok()).unwrap_or(1);
    println!(
        "| row | stacks | combine % | wrong % | {} | pulls | decisions |",
        INTERVALS.map(|i| format!("{i}: below/above % high/limit")).join(" | ")
    );
    for (name, scene) in rows() {
        let asked = wanted == "all"
            || wanted
                .split(',')
                .any(|w| name.starts_with(w) || (w.starts_with('*') && name.contains(&w[1..])));
        if !asked {
            continue;
        }
        let judge_one = if name.starts_with("decide") { one_stack } else { one_change };
        let begun = std::time::Instant::now();
        let judged: Vec<Judged> =
            (0..stacks).into_par_iter().filter_map(|k| judge_one(&scene, 1_000_003 * seed + k)).collect();
        print_row(&name, &judged, stacks, begun.elapsed().as_secs_f64());
    }
}
