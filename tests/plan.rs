//! The chances that a plan gives, against simulated stacks judged as real ones are: drawn with the
//! planned noise, fitted by `measure_change`, held against the limits.

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stackworthy::field::Basis;
use stackworthy::repeat::change::degree_for;
use stackworthy::repeat::plan::{ERROR_TIMES_SNR, PlannedChange, chances};
use stackworthy::repeat::star_counts::StarCounts;
use stackworthy::repeat::{Change, Reference, Row, measure_change};

const CONFIDENCE: f64 = 0.95;
const STACKS: u64 = 300;
const LEFT_OUT: f64 = 0.03;

#[derive(Clone, Copy)]
struct Scene {
    name: &'static str,
    area_arcmin2: f64,
    exposures: usize,
    true_rms: [f64; 2],
    limits: [f64; 2],
}

const SCENES: [Scene; 9] = [
    Scene {
        name: "mostly within",
        area_arcmin2: 50.0,
        exposures: 6,
        true_rms: [0.0, 0.0],
        limits: [0.0085, 0.0070],
    },
    Scene {
        name: "at the edge",
        area_arcmin2: 50.0,
        exposures: 6,
        true_rms: [0.0, 0.0],
        limits: [0.0050, 0.0041],
    },
    Scene {
        name: "true change",
        area_arcmin2: 50.0,
        exposures: 6,
        true_rms: [0.005, 0.003],
        limits: [0.0095, 0.0075],
    },
    Scene {
        name: "over",
        area_arcmin2: 50.0,
        exposures: 6,
        true_rms: [0.015, 0.005],
        limits: [0.0095, 0.0075],
    },
    Scene {
        name: "two exposures",
        area_arcmin2: 50.0,
        exposures: 2,
        true_rms: [0.0, 0.0],
        limits: [0.0090, 0.0070],
    },
    Scene {
        name: "quadratic",
        area_arcmin2: 20.0,
        exposures: 6,
        true_rms: [0.0, 0.0],
        limits: [0.0115, 0.0095],
    },
    Scene {
        name: "quadratic, two",
        area_arcmin2: 20.0,
        exposures: 2,
        true_rms: [0.0, 0.0],
        limits: [0.0150, 0.0120],
    },
    Scene {
        name: "quadratic, over",
        area_arcmin2: 20.0,
        exposures: 6,
        true_rms: [0.02, 0.007],
        limits: [0.0135, 0.0105],
    },
    Scene {
        name: "linear",
        area_arcmin2: 9.0,
        exposures: 8,
        true_rms: [0.0, 0.001],
        limits: [0.0125, 0.0100],
    },
];

fn snrs(scene: &Scene) -> Vec<f64> {
    let counts = StarCounts::new(&[(50.0, 2.0), (200.0, 0.6)], 0.8).unwrap();
    counts.snrs(scene.area_arcmin2, 1.0, 50.0, 700.0).unwrap()
}

/// One stack of one quantity: its change, as it would be measured.
fn measured(
    snrs: &[f64],
    places: &[(f64, f64)],
    exposures: usize,
    components: usize,
    true_rms: f64,
    rng: &mut StdRng,
) -> Change {
    let normal = |rng: &mut StdRng| rng.sample::<f64, _>(StandardNormal);
    let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, degree_for(snrs.len()).unwrap()).unwrap();
    let row = |exposure: usize, star: usize| {
        let (x, y) = places[star];
        Row { star, exposure, x, y, sigma: ERROR_TIMES_SNR / snrs[star] }
    };
    let rows: Vec<Row> =
        (0..exposures).flat_map(|t| (0..snrs.len()).map(move |s| (t, s))).map(|(t, s)| row(t, s)).collect();
    let values: Vec<Vec<f64>> = (0..components)
        .map(|_| {
            let change = random_change(exposures, basis.functions(), true_rms, || normal(rng));
            let own: Vec<f64> = snrs.iter().map(|_| 0.02 * normal(rng)).collect();
            let value = |r: &Row| {
                let phi = basis.evaluate(r.x, r.y);
                let f: f64 = phi.iter().zip(&change[r.exposure]).map(|(p, c)| p * c).sum();
                own[r.star] + f + r.sigma * normal(rng)
            };
            rows.iter().map(value).collect()
        })
        .collect();
    measure_change(&basis, exposures, &rows, &values, Reference::Sky).unwrap()
}

/// Coefficients, exposures by functions, that sum to zero over the exposures and whose squares
/// add up to `(exposures - 1) rms^2`.
fn random_change(
    exposures: usize,
    functions: usize,
    rms: f64,
    mut normal: impl FnMut() -> f64,
) -> Vec<Vec<f64>> {
    let mut change: Vec<Vec<f64>> =
        (0..exposures).map(|_| (0..functions).map(|_| normal()).collect()).collect();
    for k in 0..functions {
        let mean = change.iter().map(|row| row[k]).sum::<f64>() / exposures as f64;
        change.iter_mut().for_each(|row| row[k] -= mean);
    }
    let norm: f64 = change.iter().flatten().map(|c| c * c).sum();
    let scale = rms * ((exposures as f64 - 1.0) / norm).sqrt();
    change.iter_mut().flatten().for_each(|c| *c *= scale);
    change
}

/// Means over the simulated stacks, each with its standard error: shares of "combine" and "not
/// together", and the upper bounds.
fn simulated(scene: &Scene, snrs: &[f64], seeds: std::ops::Range<u64>) -> [(f64, f64); 4] {
    let joint = 1.0 - 0.5 * (1.0 - CONFIDENCE);
    let one = |seed: u64| {
        let mut rng = StdRng::seed_from_u64(seed);
        let mut coordinate = || rng.random_range(-1.0..1.0);
        let places: Vec<(f64, f64)> = snrs.iter().map(|_| (coordinate(), coordinate())).collect();
        let changes =
            [0, 1].map(|k| measured(snrs, &places, scene.exposures, k + 1, scene.true_rms[k], &mut rng));
        let high = [0, 1].map(|k| changes[k].rms(CONFIDENCE).unwrap().high);
        let within = (0..2).all(|k| high[k] < scene.limits[k]);
        let over = (0..2).any(|k| changes[k].rms(joint).unwrap().low > scene.limits[k]);
        [f64::from(within), f64::from(!within && over), high[0], high[1]]
    };
    let all: Vec<[f64; 4]> = seeds.into_par_iter().map(one).collect();
    [0, 1, 2, 3].map(|k| {
        let mean = all.iter().map(|v| v[k]).sum::<f64>() / all.len() as f64;
        let scatter = all.iter().map(|v| (v[k] - mean).powi(2)).sum::<f64>();
        (mean, scatter.sqrt() / all.len() as f64)
    })
}

/// Three standard deviations of a counted share, and 3 % for what the plan leaves out: it averages
/// over a finite number of star fields, gives every field the shape of change and noise that is
/// expected of it, and takes a floor under the errors to raise the noise of all directions alike.
fn tolerance(chance: f64) -> f64 {
    LEFT_OUT + 3.0 * (chance.max(0.01) * (1.0 - chance).max(0.01) / STACKS as f64).sqrt()
}

#[test]
fn chances_agree_with_simulated_stacks() {
    let mut wrong = Vec::new();
    for (scene, first) in SCENES.into_iter().zip((0..).step_by(STACKS as usize)) {
        let snrs = snrs(&scene);
        let size = PlannedChange::new(&snrs, scene.exposures, 1).unwrap();
        let e = PlannedChange::new(&snrs, scene.exposures, 2).unwrap();
        let expected = chances([&size, &e], scene.true_rms, scene.limits, CONFIDENCE);
        let bounds = [
            size.expected_high(scene.true_rms[0], CONFIDENCE).unwrap(),
            e.expected_high(scene.true_rms[1], CONFIDENCE).unwrap(),
        ];
        let [combine, not_together, size_high, e_high] = simulated(&scene, &snrs, first..first + STACKS);
        println!(
            "{:15} {} stars: combine {:.3} ({:.3} found), not together {:.3} ({:.3}), \
             bounds {:.5} ({:.5} +- {:.5}) {:.5} ({:.5} +- {:.5})",
            scene.name,
            snrs.len(),
            expected.combine,
            combine.0,
            expected.not_together,
            not_together.0,
            bounds[0],
            size_high.0,
            size_high.1,
            bounds[1],
            e_high.0,
            e_high.1,
        );
        for (what, expected, found) in [
            ("combine", expected.combine, combine.0),
            ("not together", expected.not_together, not_together.0),
        ] {
            if (expected - found).abs() > tolerance(expected) {
                wrong.push(format!("{}: {what} {expected:.3}, found {found:.3}", scene.name));
            }
        }
        for (expected, (found, err)) in bounds.into_iter().zip([size_high, e_high]) {
            if (found - expected).abs() > LEFT_OUT * expected + 3.0 * err {
                wrong
                    .push(format!("{}: upper bound {expected:.5}, found {found:.5} +- {err:.5}", scene.name));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
