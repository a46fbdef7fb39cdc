//! Coverage of the interval of the rms change, by simulation.
//!
//! Draws stars, exposures and noise of every kind the interval must hold for, and prints how
//! often the true change falls below and above it. Slow; run by hand:
//! `cargo run --release --example interval_coverage [REPEATS [SIZE]]`

use rand::{Rng, RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stackworthy::field::Basis;
use stackworthy::repeat::{Reference, Row, measure_change};

#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    None,
    Spread,
    OneExposure,
    FieldMean,
    Steepest,
}

#[derive(Clone, Copy)]
struct Scene {
    stars: usize,
    exposures: usize,
    degree: usize,
    components: usize,
    /// The rms change in units of the noise of its estimate.
    strength: f64,
    kind: Kind,
    unequal: bool,
    reference: Reference,
}

struct Outcome {
    truth: f64,
    rms: f64,
    low: f64,
    high: f64,
    noise: f64,
}

fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

/// One simulated stack and its interval. `unit` is the noise of the estimated rms change.
fn simulate(scene: &Scene, unit: f64, seed: u64) -> Option<Outcome> {
    let mut rng = StdRng::seed_from_u64(seed);
    let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, scene.degree).ok()?;
    let (n, k) = (scene.exposures, basis.functions());
    let seen: Vec<f64> =
        (0..n).map(|_| if scene.unequal { rng.random_range(0.35..1.0) } else { 1.0 }).collect();
    let mut rows = vec![];
    let mut positions = vec![];
    for star in 0..scene.stars {
        // Fluxes as a power law: errors between 1 and 8.
        let sigma = 1.0 / rng.random_range(0.125f64..1.0);
        let (x, y) = (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0));
        positions.push((x, y));
        for (exposure, share) in seen.iter().enumerate() {
            if rng.random_range(0.0..1.0) < *share {
                rows.push(Row { star, exposure, x, y, sigma });
            }
        }
    }
    let (mut values, mut truth) = (vec![], 0.0);
    for _ in 0..scene.components {
        let change = draw_change(scene, n, k, &mut rng);
        let norm: f64 = change.iter().flatten().map(|c| c * c).sum();
        let size = if norm > 0.0 { (scene.strength * unit) * ((n as f64 - 1.0) / norm).sqrt() } else { 0.0 };
        truth += norm * size * size / ((n as f64 - 1.0) * scene.components as f64);
        let offsets: Vec<f64> = (0..scene.stars).map(|_| 3.0 * normal(&mut rng)).collect();
        let component = rows
            .iter()
            .map(|r| {
                let f: f64 =
                    basis.evaluate(r.x, r.y).iter().zip(&change[r.exposure]).map(|(p, c)| p * c).sum();
                offsets[r.star] + size * f + r.sigma * normal(&mut rng)
            })
            .collect();
        values.push(component);
    }
    let change = measure_change(&basis, n, &rows, &values, scene.reference).ok()?;
    let found = change.rms(0.95).ok()?;
    Some(Outcome {
        truth: truth.sqrt(),
        rms: found.rms,
        low: found.low,
        high: found.high,
        noise: found.noise.sqrt(),
    })
}

fn draw_change(scene: &Scene, n: usize, k: usize, rng: &mut impl Rng) -> Vec<Vec<f64>> {
    let mut change = vec![vec![0.0; k]; n];
    for (t, row) in change.iter_mut().enumerate() {
        for (j, c) in row.iter_mut().enumerate() {
            let g: f64 = rng.sample(StandardNormal);
            *c = match scene.kind {
                Kind::None => 0.0,
                Kind::Spread => g,
                Kind::OneExposure => {
                    if t == 0 {
                        g
                    } else {
                        0.0
                    }
                }
                Kind::FieldMean => {
                    if j == 0 {
                        g
                    } else {
                        0.0
                    }
                }
                Kind::Steepest => {
                    if j == k - 1 {
                        g
                    } else {
                        0.0
                    }
                }
            };
        }
    }
    for j in 0..k {
        let mean = change.iter().map(|row| row[j]).sum::<f64>() / n as f64;
        for row in &mut change {
            row[j] -= mean;
        }
    }
    change
}

fn main() {
    let only: Option<usize> = std::env::args().nth(2).and_then(|a| a.parse().ok());
    let repeats: u64 = std::env::args().nth(1).and_then(|a| a.parse().ok()).unwrap_or(1000);
    println!(
        "stars exp deg comp frame    uneq kind         strength  below%  above%  cover%  high/truth-noise"
    );
    let kinds = [
        (Kind::None, 0.0),
        (Kind::Spread, 1.0),
        (Kind::Spread, 5.0),
        (Kind::OneExposure, 1.0),
        (Kind::OneExposure, 5.0),
        (Kind::FieldMean, 1.0),
        (Kind::FieldMean, 5.0),
        (Kind::Steepest, 1.0),
        (Kind::Steepest, 5.0),
    ];
    let sizes =
        [(30, 2, 2, 1), (30, 12, 1, 1), (60, 6, 2, 2), (60, 4, 2, 1), (300, 12, 2, 2), (100, 3, 3, 1)];
    for reference in [Reference::Sky, Reference::Detector] {
        for (index, (stars, exposures, degree, components)) in sizes.into_iter().enumerate() {
            if only.is_some_and(|o| o != index) {
                continue;
            }
            for unequal in [false, true] {
                if reference == Reference::Detector && !unequal {
                    continue;
                }
                for (kind, strength) in kinds {
                    let scene =
                        Scene { stars, exposures, degree, components, strength, kind, unequal, reference };
                    let null = Scene { kind: Kind::None, strength: 0.0, ..scene };
                    let units: Vec<f64> =
                        (0..20).filter_map(|s| simulate(&null, 0.0, 900_000 + s)).map(|o| o.noise).collect();
                    let unit = units.iter().sum::<f64>() / units.len() as f64;
                    let outcomes: Vec<Outcome> = (0..repeats)
                        .into_par_iter()
                        .filter_map(|seed| simulate(&scene, unit, seed))
                        .collect();
                    let total = outcomes.len() as f64;
                    let percent = |test: &dyn Fn(&Outcome) -> bool| {
                        100.0 * outcomes.iter().filter(|o| test(o)).count() as f64 / total
                    };
                    let below = percent(&|o| o.truth < o.low);
                    let above = percent(&|o| o.truth > o.high);
                    let high = outcomes.iter().map(|o| o.high).sum::<f64>() / total / unit;
                    let rms = outcomes.iter().map(|o| o.rms).sum::<f64>() / total / unit;
                    println!(
                        "{stars:5} {exposures:3} {degree:3} {components:4} {:8} {:5} {:12} {strength:5.1} \
                         {below:8.1} {above:7.1} {:7.1}   rms {rms:.2} high {high:.2} ({total})",
                        format!("{reference:?}"),
                        unequal,
                        format!("{kind:?}"),
                        100.0 - below - above,
                    );
                }
            }
        }
    }
}
