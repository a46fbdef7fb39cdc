//! The locus of point sources, measured from the frame itself: at each place of the field all
//! stars share one size, ellipticity, coma, trefoil and kurtosis. What lies off the locus by
//! more than its own error and the locus' width allow is no isolated star.
//!
//! The seed is the densest size among bright sources; the locus is then followed over the
//! field by a robust polynomial, its order and its gate tightening as members gather.

use nalgebra::DMatrix;

use crate::field::{Basis, FieldFit, Robustness, fit_design};
use crate::frame::Region;
use crate::moments::{LADDER_SIGMA_PIXELS, Shape, StarMoments, Weight};

use super::Refusal;
use super::width::half_sample_mode;

/// Numbers compared with the locus.
pub const FEATURES: usize = 9;
const SIZE: usize = 0;

/// Half-width of the first gate in ln T: wide enough for a field that defocuses by a
/// third from corner to corner.
const FIRST_GATE_LOG_SIZE: f64 = 0.4;

/// The last gate, in standard deviations: of a thousand stars with nine features each one
/// is lost by chance at 4.4 σ.
const GATE_SIGMAS: f64 = 4.5;

/// A variance along the narrowest axis below this share of a star's is no star's.
pub const NARROW_SHARE: f64 = 0.6;

/// Members that the first, coarse steps are fitted to, at most.
const FIRST_MEMBERS: usize = 500;

/// SNR from which sources define the locus.
const SEED_SNR: f64 = 50.0;

/// One source's features, each with its error; `None` where not measured.
#[derive(Debug, Clone, Copy)]
pub struct Candidate {
    pub x: f64,
    pub y: f64,
    pub snr: f64,
    features: [Option<(f64, f64)>; FEATURES],
    /// Variance along the narrowest axis, pixels².
    narrowest: f64,
}

impl Candidate {
    /// From a source's moments at frame position (x, y). Size and
    /// ellipticity are those under the `primary` weight. `None` without a shape.
    pub fn new(moments: &StarMoments, x: f64, y: f64, primary: Weight) -> Option<Self> {
        let shape = moments.shape_under(primary)?;
        let mut features = [None; FEATURES];
        features[0] = Some((shape.log_size(), shape.log_size_err()));
        features[1] = Some((shape.e1, shape.e_err));
        features[2] = Some((shape.e2, shape.e_err));
        if let Some(h) = moments.higher {
            features[3] = Some((h.coma1, h.coma_err));
            features[4] = Some((h.coma2, h.coma_err));
            features[5] = Some((h.trefoil1, h.trefoil_err));
            features[6] = Some((h.trefoil2, h.trefoil_err));
            features[7] = Some((h.kurtosis, h.kurtosis_err));
        }
        features[8] = wide_shape(moments, 0.5 * shape.size).map(|w| (w.log_size(), w.log_size_err()));
        let narrowest = 0.5 * shape.size * (1.0 - shape.e1.hypot(shape.e2));
        let sane = features.iter().flatten().all(|(value, err)| value.is_finite() && *err > 0.0);
        sane.then_some(Self { x, y, snr: moments.snr, features, narrowest })
    }
}

/// The shape under the first rung clearly wider than the star, which sees close companions
/// and haloes that the star's own weight does not.
fn wide_shape(moments: &StarMoments, variance: f64) -> Option<Shape> {
    let wide = |sigma: &f64| *sigma > 1.5 * variance.sqrt();
    LADDER_SIGMA_PIXELS.iter().position(wide).and_then(|rung| moments.ladder[rung])
}

/// The locus of one feature over the field.
#[derive(Debug, Clone)]
struct Feature {
    fit: FieldFit,
    /// Scatter of the members beyond their errors.
    width: f64,
}

/// The measured locus.
#[derive(Debug, Clone)]
pub struct Locus {
    basis: Basis,
    features: Vec<Option<Feature>>,
}

impl Locus {
    /// Follows the locus through `candidates` over `region`; `None` where fewer than three
    /// bright sources agree.
    pub fn follow(candidates: &[Candidate], region: Region) -> Option<Self> {
        let bright: Vec<&Candidate> = candidates.iter().filter(|c| c.snr >= SEED_SNR).collect();
        let seeds = if bright.len() >= 8 { bright } else { candidates.iter().collect() };
        let mut sizes: Vec<f64> = seeds.iter().filter_map(|c| c.features[SIZE].map(|f| f.0)).collect();
        let mode = half_sample_mode(&mut sizes)?;
        let mut members: Vec<&Candidate> = seeds
            .iter()
            .copied()
            .filter(|c| c.features[SIZE].is_some_and(|(value, _)| (value - mode).abs() < FIRST_GATE_LOG_SIZE))
            .collect();
        for (degree, gate) in [(0, 12.0), (1, 9.0), (2, 7.0), (2, 6.0)] {
            let some: Vec<&Candidate> =
                members.iter().step_by(members.len().div_ceil(FIRST_MEMBERS).max(1)).copied().collect();
            let first = Self::through(&some, region, degree)?;
            members = first.members_among(candidates, gate)?;
        }
        let mut locus = Self::through(&members, region, 2)?;
        let again = locus.members_among(candidates, GATE_SIGMAS)?;
        if !same(&members, &again) {
            locus = Self::through(&again, region, 2)?;
        }
        locus.members_among(candidates, GATE_SIGMAS).map(|_| locus)
    }

    /// Those within the gate; `None` for fewer than three.
    fn members_among<'a>(&self, candidates: &'a [Candidate], gate: f64) -> Option<Vec<&'a Candidate>> {
        let members: Vec<&Candidate> =
            candidates.iter().filter(|c| self.refusal(c, gate).is_none()).collect();
        (members.len() >= 3).then_some(members)
    }

    /// Of `degree`, or as high as the members bear.
    fn through(members: &[&Candidate], region: Region, degree: usize) -> Option<Self> {
        let degree = degree_for(members.len(), degree);
        let [x0, x1, y0, y1] = [region.x0, region.x1, region.y0, region.y1].map(|edge| edge as f64);
        let basis = Basis::over_rectangle(x0, x1, y0, y1, degree).ok()?;
        let rows: Vec<Vec<f64>> = members.iter().map(|c| basis.evaluate(c.x, c.y)).collect();
        let features =
            (0..FEATURES).map(|k| feature_over_field(members, &basis, &rows, k)).collect::<Vec<_>>();
        features[SIZE].as_ref()?;
        Some(Self { basis, features })
    }

    /// Why a source is off the locus, if it is by more than `gate` standard deviations.
    fn refusal(&self, candidate: &Candidate, gate: f64) -> Option<Refusal> {
        let phi = self.basis.evaluate(candidate.x, candidate.y);
        for (k, feature) in self.features.iter().enumerate() {
            let (Some(feature), Some((value, err))) = (feature, candidate.features[k]) else { continue };
            let expected = feature.fit.value_from(&phi);
            let spread = err * err + feature.width.powi(2);
            // Most need no look at how well the locus is known.
            if (value - expected).powi(2) <= gate * gate * spread {
                continue;
            }
            let expected_err = feature.fit.predict_from(&phi).1;
            let off = (value - expected) / (spread + expected_err.powi(2)).sqrt();
            if off.abs() <= gate {
                continue;
            }
            if k != SIZE {
                return Some(Refusal::Unlike);
            }
            let narrowest_star = 0.5 * expected.exp() * (1.0 - self.ellipticity_at(candidate.x, candidate.y));
            return Some(if off > 0.0 {
                Refusal::Extended
            } else if candidate.narrowest < NARROW_SHARE * narrowest_star {
                Refusal::CosmicRay
            } else {
                Refusal::Sharp
            });
        }
        None
    }

    /// Why a source is not on the locus, or `None` for a star.
    pub fn judge(&self, candidate: &Candidate) -> Option<Refusal> {
        self.refusal(candidate, GATE_SIGMAS)
    }

    fn ellipticity_at(&self, x: f64, y: f64) -> f64 {
        let component = |k: usize| self.features[k].as_ref().map_or(0.0, |f| f.fit.predict(x, y).0);
        component(1).hypot(component(2)).min(0.95)
    }
}

/// At least six members for each coefficient.
fn degree_for(members: usize, wanted: usize) -> usize {
    (0..=wanted).rev().find(|d| 6 * (d + 1) * (d + 2) / 2 <= members).unwrap_or(0)
}

/// Fits one feature over the field and measures the scatter beyond the errors, three times: the
/// scatter weights the next fit. `rows` are the values of the basis at each member.
fn feature_over_field(members: &[&Candidate], basis: &Basis, rows: &[Vec<f64>], k: usize) -> Option<Feature> {
    let measured = || members.iter().zip(rows).filter_map(|(c, row)| Some((c.features[k]?, row)));
    let (values, errors): (Vec<f64>, Vec<f64>) = measured().map(|(feature, _)| feature).unzip();
    let entries = measured().flat_map(|(_, row)| row.iter().copied());
    let design = DMatrix::from_row_iterator(values.len(), basis.functions(), entries);
    let mut width = spread(&values)?;
    let mut fitted: Option<FieldFit> = None;
    for _ in 0..3 {
        let sigmas: Vec<f64> = errors.iter().map(|err| err.hypot(width)).collect();
        // Another width changes the weights a little.
        let robustness = match &fitted {
            Some(before) => Robustness::BisquareFrom(&before.weights),
            None => Robustness::Bisquare,
        };
        let fit = fit_design(basis, &design, &values, &sigmas, robustness).ok()?;
        // What the residuals scatter beyond the errors: half of them lie within 0.6745 σ.
        let excess = |(residual, err): (&f64, &f64)| (residual / 0.674_49).powi(2) - err * err;
        let mut excess: Vec<f64> = fit.residuals.iter().zip(&errors).map(excess).collect();
        width = median(&mut excess)?.max(0.0).sqrt();
        fitted = Some(fit);
    }
    fitted.map(|fit| Feature { fit, width })
}

fn same(a: &[&Candidate], b: &[&Candidate]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| std::ptr::eq(*a, *b))
}

fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let k = values.len() / 2;
    Some(*values.select_nth_unstable_by(k, f64::total_cmp).1)
}

/// Robust standard deviation about the median: 1.4826 times the median absolute deviation.
fn spread(values: &[f64]) -> Option<f64> {
    let centre = median(&mut values.to_vec())?;
    let mut deviations: Vec<f64> = values.iter().map(|value| (value - centre).abs()).collect();
    Some(1.482_602 * median(&mut deviations)?)
}
