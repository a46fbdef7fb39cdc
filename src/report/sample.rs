//! An invented judgement with everything in it, for the tests of the writers.

use ndarray::Array2;

use crate::stars::Refusal;
use crate::verdict::model::*;
use crate::verdict::optics_model::*;
use crate::verdict::products::*;

const W: f64 = 4096.0;
const H: f64 = 3072.0;

/// A fixed sequence of numbers in -1 .. 1.
fn noise(seed: usize) -> f64 {
    let x = (seed as f64 * 12.9898 + 4.1414).sin() * 43758.5453;
    2.0 * (x - x.floor()) - 1.0
}

fn measured(rms: f64, low: f64, high: f64, limit: f64) -> Measured {
    Measured { rms: Some(rms), low: Some(low), high: Some(high), limit: Some(limit), population: None }
}

fn bias(value: f64, low: f64, high: f64, limit: f64) -> BiasEstimate {
    BiasEstimate { value: Some(value), low: Some(low), high: Some(high), limit: Some(limit) }
}

pub fn judgement(n: usize) -> Judgement {
    let verdict = verdict(n);
    let kept = verdict.exposures.iter().filter(|e| e.gate == Gate::Keep);
    Judgement {
        field_models: kept.enumerate().map(|(i, e)| field_model(&e.file, i)).collect(),
        pictures: pictures(&verdict),
        verdict,
    }
}

pub fn verdict(n: usize) -> Verdict {
    let population = Some(Population { tau: Some(0.0043), low: Some(0.0026), high: Some(0.0097) });
    Verdict {
        schema: SCHEMA.into(),
        tool: ToolInfo {
            version: "0.1.0".into(),
            arguments: ["stackworthy", "check", "night/*.fits", "--out", "result"].map(String::from).to_vec(),
        },
        decision: Decision::CombineSubset,
        also_allowed: vec![Decision::CombineWithOwnPsfs],
        confidence: 0.95,
        requirement: Requirement {
            name: "cluster-mass".into(),
            source: "a 3 % mass asks m within 0.015; computed for an NFW profile".into(),
            confirmed: true,
            m: Some(0.015),
            c: Some(0.001),
            size_ratio: Some(1.5),
            size_limit: 0.0105,
            ellipticity_limit: 0.0028,
        },
        reasons: vec![
            Reason {
                code: "size-change".into(),
                text: "The size changes by an rms of 0.0041 of T between the 17 exposures kept (95 % confidence: 0.0032 to \
                       0.0052): within the limit of 0.0105."
                    .into(),
                quantity: Some("rms of ln T".into()),
                value: Some(0.0041),
                low: Some(0.0032),
                high: Some(0.0052),
                limit: Some(0.0105),
                margin: Some(0.505),
                limit_source: Some("m = 0.007 at a size ratio of 1.5, as the settings ask".into()),
            },
            Reason {
                code: "jitter-outlier".into(),
                text: "2 exposures are left out for their jitter.".into(),
                ..Reason::default()
            },
            Reason {
                code: "drift".into(),
                text: "The size drifts by +0.0123 of T per hour.".into(),
                quantity: Some("slope of ln T, per hour".into()),
                value: Some(0.0123),
                low: Some(0.0083),
                high: Some(0.0163),
                ..Reason::default()
            },
        ],
        repeatability: Some(Repeatability {
            frame: "sky".into(),
            size: Measured { population, ..measured(0.0041, 0.0032, 0.0052, 0.0105) },
            ellipticity: measured(0.0017, 0.0012, 0.0024, 0.0028),
            smallest_overlap: Some(3),
            weights: Some("exposure".into()),
            overlap: [1u32, 2, 3, 5, 8, 13, 17]
                .map(|k| {
                    let share = (1.0 / f64::from(k) - 1.0 / 17.0).sqrt();
                    OverlapRow {
                        k,
                        size_error: Some(0.0041 * share),
                        size_high: Some(0.0052 * share),
                        ellipticity_error: Some(0.0017 * share),
                        ellipticity_high: Some(0.0051 * share),
                        passes: k >= 3,
                    }
                })
                .to_vec(),
        }),
        all_exposures: Some(SizeAndEllipticity {
            size: measured(0.0182, 0.0169, 0.0197, 0.0105),
            ellipticity: measured(0.0026, 0.0021, 0.0033, 0.0028),
        }),
        instrument: Some(SizeAndEllipticity {
            size: measured(0.0179, 0.0165, 0.0194, 0.0105),
            ellipticity: measured(0.0025, 0.0020, 0.0031, 0.0028),
        }),
        own_model: Some(SizeAndEllipticity {
            size: measured(0.0022, 0.0018, 0.0027, 0.0105),
            ellipticity: measured(0.0011, 0.0009, 0.0014, 0.0028),
        }),
        residual_correlation: Some(residual_correlation()),
        registration: Some(registration()),
        higher_moments: Some(HigherMomentsChange {
            frame: "sky".into(),
            coma: Measured { limit: None, ..measured(0.004, 0.001, 0.007, 0.0) },
            trefoil: Measured { limit: None, ..measured(0.006, 0.003, 0.009, 0.0) },
            kurtosis: Measured { limit: None, ..measured(0.0, 0.0, 0.004, 0.0) },
        }),
        brightness: Some(Brightness {
            stars: 210,
            size: BrightnessTrend {
                slope: 0.0041,
                err: 0.0006,
                p: 1e-9,
                rank_correlation: 0.4,
                rank_p: 1e-7,
                significant: true,
            },
            e1: BrightnessTrend { slope: 1e-4, err: 3e-4, p: 0.7, ..Default::default() },
            e2: BrightnessTrend { slope: -2e-4, err: 3e-4, p: 0.5, ..Default::default() },
            formula: "residual = a + b F/F_max + c F_ref/F".into(),
        }),
        shear: Some(ShearBudget {
            m: bias(0.0044, 0.0009, 0.0061, 0.015),
            c: BiasEstimate { high: None, ..bias(0.00081, 0.00043, 0.0, 0.001) },
            formula: "m = (T_psf/T_gal) dT/T, first order in the core".into(),
            cause: Some("jitter".into()),
            worst_cause_m: Some("coma".into()),
            worst_cause_c: Some("jitter".into()),
            per_cause: vec![
                CauseBias {
                    cause: "jitter".into(),
                    m: bias(0.0044, 0.0033, 0.0057, 0.015),
                    c: Some(bias(0.00081, 0.00043, 0.0014, 0.001)),
                },
                CauseBias { cause: "defocus".into(), m: bias(0.0045, 0.0034, 0.0060, 0.015), c: None },
            ],
            by_formula: Some(BiasPair {
                m: bias(0.0031, 0.0024, 0.0040, 0.015),
                c: bias(0.00061, 0.00043, 0.0009, 0.001),
            }),
            own_model: Some(BiasPair {
                m: bias(0.0029, 0.0005, 0.0041, 0.015),
                c: bias(0.0007, 0.0003, 0.0012, 0.001),
            }),
            weight_sigma_pix: Some(2.0),
            under_weight: None,
            meaning: Some("For a galaxy modelled with a PSF off by the rms change.".into()),
        }),
        combined: Some(CombinedPsf {
            weights: "equal".into(),
            exposures: 17,
            axes_of: "night/target_003.fits".into(),
            size_pix2: Some(5.01),
            size_arcsec2: Some(0.0452),
            size_err: Some(0.00002),
            e1: Some(0.0121),
            e2: Some(-0.0039),
            e_err: Some(0.0002),
        }),
        groups: vec![],
        size_definition: SizeDefinition {
            weight: "adaptive".into(),
            weight_sigma_arcsec: None,
            weight_sigma_pix: None,
        },
        exposures: (0..n).map(exposure).collect(),
        noise_check: NoiseCheck { size_pull: Some(1.02), ellipticity_pull: Some(0.98) },
        optics: Some(optics(n)),
        undecided: None,
        time: Some(time()),
        cautions: vec![super::CAUTION.into()],
        notes: vec!["gain of the settings (1.10) used where the headers say 1.00".into()],
    }
}

fn time() -> TimeAnalysis {
    let withheld = [("period".to_string(), "9 exposures are too few: at least 12 are needed".to_string())];
    let quantity = |name: &str, slope: f64, significant: bool| QuantityInTime {
        quantity: name.into(),
        drift: Some(DriftInTime {
            slope,
            low: Some(slope - 0.004),
            high: Some(slope + 0.004),
            p_value: if significant { 0.0002 } else { 0.31 },
            significant,
            autocorrelation: Some(0.55),
            p_if_wandering: Some(0.003),
        }),
        step: Some(StepInTime {
            last_before: "night/target_003.fits".into(),
            first_after: "night/target_004.fits".into(),
            before: -0.001,
            after: 0.002,
            size: 0.003,
            low: -0.001,
            high: 0.007,
            p_value: 0.23,
            p_by_ranks: 0.4,
            significant: false,
        }),
        period: None,
        stability: Some(vec![StabilityInTime {
            averaged: 1,
            averaging_time: 0.017,
            plain: 0.004,
            overlapping: 0.004,
            low: 0.003,
            high: 0.006,
            modified: Some(0.004),
            noise: 0.001,
        }]),
        described_by: significant.then(|| "drift".into()),
        withheld: withheld.clone().into(),
    };
    TimeAnalysis {
        unit: "hour".into(),
        exposures: 9,
        span: 0.14,
        false_alarm: 0.05,
        quantities: vec![
            quantity("size", 0.0123, true),
            quantity("e1", 0.0004, false),
            quantity("e2", -0.0002, false),
        ],
        follows: Followed {
            false_discovery_rate: 0.1,
            values: 4,
            tests: 12,
            found: vec![Following {
                quantity: "size".into(),
                value: "TELTEMP".into(),
                same_order: vec!["MIRTEMP".into()],
                exposures: 9,
                correlation: -0.95,
                low: -0.99,
                high: -0.77,
                p_value: 0.0003,
                q_value: 0.0036,
                given_time: None,
                given_time_p_value: None,
                shared_with_time: true,
            }],
            withheld: None,
        },
    }
}

/// Falls off with separation and changes sign; the closest bin has no error.
fn residual_correlation() -> ResidualCorrelation {
    let estimate = |value: f64, err: f64| Estimate { value: Some(value), err: Some(err) };
    let bin = |k: usize| {
        let separation = 0.1 * 1.8f64.powi(k as i32);
        let value = 1.2e-5 * (-separation / 2.0).exp() * (1.0 - 0.3 * separation);
        let err = 6e-6 / 1.7f64.powi(k as i32);
        CorrelationBin {
            from: separation / 1.3,
            to: separation * 1.38,
            separation,
            pairs: 12 << k,
            rho1: if k == 0 { Estimate { value: Some(value), err: None } } else { estimate(value, err) },
            rho2: estimate(-0.4 * value, err),
            rho3: estimate(1e-9, 2e-9),
            rho4: estimate(2e-8, 3e-8),
            rho5: estimate(-1e-8, 3e-8),
            additive: if k == 0 { Estimate { value: Some(value), err: None } } else { estimate(value, err) },
            delta_xi: Some(estimate(value / 7.6, err / 7.6)),
        }
    };
    ResidualCorrelation {
        unit: "arcmin".into(),
        exposures: 17,
        stars: 180,
        errors_from: "the larger of the jackknives over exposures and over patches of the sky".into(),
        bins: (0..8).map(bin).collect(),
        additive_limit: 0.0028f64.powi(2),
        delta_xi_limit: Some(1e-6),
        standing: "cannot tell".into(),
        formula: "delta xi+ = (rho1 + rho3 + 2 rho4) / (1.84 T_gal/T_psf)^2".into(),
    }
}

fn registration() -> Registration {
    let tensor = SmearTensor { xx: 4e-4, yy: 3e-4, xy: -1e-4, err: 5e-5 };
    let zone = |z: u32| ZoneRegistration { x: f64::from(700 + 1300 * z), y: 500.0, stars: 20, tensor };
    let exposure = |i: usize| ExposureRegistration {
        file: format!("night/target_{i:03}.fits"),
        stars: 170,
        tensor,
        zones: (0..3).map(zone).collect(),
    };
    Registration {
        method: "stars".into(),
        noise_factor: 0.96,
        mean: tensor,
        size_smear: Estimate { value: Some(1.4e-4), err: Some(1.4e-5) },
        kernel_smear: Some(0.033),
        world_coordinates_smear: Some(Estimate { value: Some(2.1e-3), err: Some(4e-4) }),
        spoken_limit: 0.0026,
        exposures: (0..3).map(exposure).collect(),
        formula: "dT/T = (xx + yy)/T".into(),
    }
}

fn optics(n: usize) -> Optics {
    let jitter = Jitter {
        xx_mas2: 310.0,
        yy_mas2: 290.0,
        xy_mas2: -12.0,
        xx_err: 8.0,
        yy_err: 8.0,
        xy_err: 5.0,
        major_rms_mas: Some(17.7),
        minor_rms_mas: Some(16.9),
        angle_deg: -25.1,
        position_angle_deg: Some(115.0),
        angle_from_elevation_deg: None,
    };
    let fit = OpticsFit {
        stars: 150,
        chi2_per_degree: 1.01,
        jitter,
        jitter_change_mas2: Some([4.0, -3.0, 1.0]),
        trailing: None,
        terms: vec![
            Term { name: "defocus_nm".into(), value: 12.1, error: 0.8, determined: true },
            Term { name: "coma_x_nm".into(), value: 5.0, error: 0.2, determined: true },
            Term { name: "coma_y_nm".into(), value: 3.0, error: 90.0, determined: false },
        ],
        wavefront_rms_nm: 18.0,
        strehl_wavefront: Some(0.96),
        strehl: Some(0.93),
        size_mas2: Some(45000.0),
        size_shares: vec![
            Share { cause: "diffraction".into(), share: 0.81 },
            Share { cause: "pixel".into(), share: 0.07 },
        ],
        zones: vec![ZoneFit { x: 0.1, y: -0.2, stars: 20, chi2_per_degree: 1.0, worst_residual: 2e-5 }],
    };
    let blur = BlurChange {
        unit: "mas2".into(),
        xx: 30.0,
        yy: 10.0,
        xy: 2.0,
        trace_err: 5.0,
        difference_err: 5.0,
        major_rms: Some(5.5),
        minor_rms: Some(3.1),
        angle_deg: 5.7,
        position_angle_deg: None,
        kurtosis: Some(1.92),
        kurtosis_err: Some(0.01),
    };
    let row = |i: usize| ExposureOptics {
        file: exposure(i).file,
        blur: Some(blur.clone()),
        fit: (i != 3).then(|| fit.clone()),
        note: (i == 3).then(|| "9 usable star images, but a fit needs at least 12".into()),
    };
    Optics {
        method: "forward-fit".into(),
        notes: vec!["telescope.bandwidth_nm is not given: one wavelength stands for the band".into()],
        telescope: None,
        exposures: (0..n).filter(|&i| exposure(i).gate != Gate::Unreadable).map(row).collect(),
        changes: vec![TermChange {
            group: "jitter".into(),
            chi2: 51.0,
            degrees_of_freedom: 45,
            chance: 0.25,
            shown: false,
            size_rms: None,
            ellipticity_rms: None,
        }],
        drifts: vec![TermDrift { term: "coma_x_nm".into(), per_exposure: 1.1, error: 0.1 }],
        common_jitter: Some(jitter),
        advice: vec![NullingAdvice {
            term: "focus".into(),
            amplitude_nm: 12.0,
            size_gain: 0.011,
            ellipticity_before: 0.012,
            ellipticity_after: 0.011,
        }],
        even_sign_settled: Some(false),
        cannot_tell: vec!["the joint sign of the even terms".into()],
        summary: vec!["Jitter in common: 17.7 mas rms by 16.9 mas rms".into()],
    }
}

fn exposure(i: usize) -> ExposureResult {
    let gate = match i {
        5 => Gate::Unreadable,
        9 | 14 => Gate::LeaveOut,
        _ => Gate::Keep,
    };
    let readable = gate != Gate::Unreadable;
    let jolt = if gate == Gate::LeaveOut { 1.06 } else { 1.0 };
    ExposureResult {
        file: format!("night/target_{i:03}.fits"),
        time: readable.then(|| format!("2031-05-04T22:{:02}:30", i % 60)),
        exposure_s: readable.then_some(60.0),
        stars: readable.then_some(180 + (i % 7) as u32),
        gate,
        reasons: match gate {
            Gate::Keep => vec![],
            Gate::LeaveOut => vec!["jitter-outlier".into()],
            Gate::Unreadable => vec!["unreadable".into()],
        },
        size_arcsec2: readable.then(|| 0.0450 * jolt * (1.0 + 0.004 * noise(i))),
        size_pix2: readable.then(|| 5.0 * jolt * (1.0 + 0.004 * noise(i))),
        size_err: readable.then_some(0.00008),
        e1: readable.then(|| 0.012 + 0.0017 * noise(i + 100)),
        e2: readable.then(|| -0.004 + 0.0017 * noise(i + 200)),
        e_err: readable.then_some(0.0006),
        jitter_mas2: readable.then_some(JitterTensor { xx: 310.0, yy: 290.0, xy: -12.0 }),
        fwhm_pix: readable.then_some(3.72),
        sky_level: readable.then_some(101.3),
        sky_noise: readable.then_some(4.1),
        filter: readable.then(|| "b".into()),
        mjd_mid: readable.then_some(62991.9375 + i as f64 / 1440.0),
        altitude_deg: readable.then_some(48.0),
        target: readable.then(|| "field 7".into()),
        ra_deg: readable.then_some(150.1),
        dec_deg: readable.then_some(20.2),
        focus: readable.then_some(4120.0),
        housekeeping: if readable { [("TELTEMP".to_string(), -18.5)].into() } else { Default::default() },
        refused: if readable {
            [("edge", 21), ("faint", 302), ("crowded", 12), ("saturated", 4), ("cosmic-ray", 17)]
                .map(|(w, k)| (w.to_string(), k))
                .into()
        } else {
            Default::default()
        },
        xxh3: readable.then(|| "5e".repeat(16)),
        notes: if readable { vec![] } else { vec!["cut short: 1 of 25 MB".into()] },
    }
}

/// Astigmatism-like pattern over the field, with a constant part.
fn pattern(x: f64, y: f64, seed: usize) -> FieldSample {
    let (u, v) = (2.0 * x / W - 1.0, 2.0 * y / H - 1.0);
    FieldSample {
        x,
        y,
        ln_size: 1.6 + 0.02 * (u * u + v * v) + 0.004 * noise(seed),
        e1: 0.012 + 0.03 * (u * u - v * v) + 0.002 * noise(seed + 1),
        e2: -0.004 + 0.06 * u * v + 0.002 * noise(seed + 2),
    }
}

fn pictures(verdict: &Verdict) -> Pictures {
    let grid = |seed: usize| -> Vec<FieldSample> {
        (0..63)
            .map(|k| pattern(W * (0.5 + (k % 9) as f64) / 9.0, H * (0.5 + (k / 9) as f64) / 7.0, seed))
            .collect()
    };
    let stars = |i: usize| -> Vec<StarPoint> {
        (0..180)
            .map(|k| {
                let s = 1000 * i + 7 * k;
                let p = pattern(W * 0.5 * (1.0 + noise(s + 3)), H * 0.5 * (1.0 + noise(s + 4)), 50 * i);
                let residual = [0.01 * noise(s), 0.005 * noise(s + 1), 0.005 * noise(s + 2)];
                StarPoint {
                    x: p.x,
                    y: p.y,
                    ln_size: p.ln_size + residual[0],
                    e1: p.e1 + residual[1],
                    e2: p.e2 + residual[2],
                    kept: k % 40 != 0,
                    residual: Some(residual),
                }
            })
            .collect()
    };
    let readable = verdict.exposures.iter().enumerate().filter(|(_, e)| e.gate != Gate::Unreadable);
    Pictures {
        width: W,
        height: H,
        pixel_arcsec: Some(0.095),
        mean: grid(0),
        exposures: readable
            .map(|(i, e)| ExposurePicture {
                file: e.file.clone(),
                kept: e.gate == Gate::Keep,
                stars: stars(i),
                model: grid(50 * i),
                zones: zone_images(i),
            })
            .collect(),
        pulls: Pulls {
            size: (0..2 * Pulls::HALF)
                .map(|k| (4000.0 * (-0.5 * Pulls::middle(k).powi(2)).exp()) as u32)
                .collect(),
            ellipticity: (0..2 * Pulls::HALF)
                .map(|k| (8000.0 * (-0.4 * Pulls::middle(k).powi(2)).exp()) as u32)
                .collect(),
        },
        detections: (0..400)
            .map(|k| Detection {
                snr: 30.0 * (1.0 + 30.0 * noise(k).abs()),
                off_locus: 0.05 * noise(k + 1) + if k % 5 == 0 { 0.4 } else { 0.0 },
                refused: (k % 5 == 0).then_some(Refusal::Extended),
            })
            .collect(),
        optics: vec![optics_picture()],
    }
}

fn round_star(sigma: f64) -> Array2<f32> {
    let image = Array2::from_shape_fn((15, 15), |(y, x)| {
        let (dx, dy) = (x as f64 - 7.0, y as f64 - 7.0);
        (-0.5 * (dx * dx + dy * dy) / (sigma * sigma)).exp() as f32
    });
    let sum = image.sum();
    image / sum
}

fn zone_images(seed: usize) -> Vec<ZoneImage> {
    let at = |k: usize, length: f64| length * (k as f64 + 0.5) / 3.0;
    (0..9)
        .map(|k| ZoneImage {
            x: at(k % 3, W),
            y: at(k / 3, H),
            stars: 20,
            image: round_star(1.5 + 0.02 * noise(seed + k)),
        })
        .collect()
}

fn optics_picture() -> OpticsPicture {
    let model = round_star(1.5);
    let zone = |k: usize| OpticsZone {
        cell: [k % 5, k / 5],
        stars: 5,
        chi2_per_degree: 1.04,
        data: model.mapv(|v| v + 2e-4 * noise(k) as f32),
        model: model.clone(),
        error: 2e-4,
    };
    OpticsPicture {
        file: "night/target_003.fits".into(),
        chi2_per_degree: 1.04,
        side: 5,
        zones: (0..25).map(zone).collect(),
    }
}

fn field_model(file: &str, i: usize) -> FieldModel {
    let powers = if i == 1 {
        vec![(0, 0), (1, 0), (0, 1)]
    } else {
        vec![(0, 0), (0, 1), (1, 0), (2, 0), (1, 1), (0, 2)]
    };
    let n = powers.len();
    FieldModel {
        file: file.into(),
        pixel_arcsec: Some(0.095),
        x_middle: 2047.5,
        x_half: 2048.0,
        y_middle: 1535.5,
        y_half: 1536.0,
        degree: if i == 1 { 1 } else { 2 },
        ln_size: (0..n).map(|k| 1.6 / (1.0 + 40.0 * k as f64)).collect(),
        e1: (0..n).map(|k| 0.01 * noise(k)).collect(),
        e2: (0..n).map(|k| 0.01 * noise(k + 9)).collect(),
        ln_size_covariance: Array2::from_diag_elem(n, 1e-6),
        e1_covariance: Array2::from_diag_elem(n, 4e-7),
        e2_covariance: Array2::from_diag_elem(n, 4e-7),
        zones: vec![ZoneImage { x: 1000.0, y: 900.0, stars: 12, image: Array2::from_elem((5, 5), 0.04) }],
        powers,
    }
}
