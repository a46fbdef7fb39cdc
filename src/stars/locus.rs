//! The locus of point sources, measured from the frame itself: at each place of the field all
//! stars share one size, ellipticity, coma, trefoil and kurtosis. What lies off the locus by
//! more than its own error and the locus' width allow is no isolated star.
//!
//! The seed is the densest size among bright sources; the locus is then followed over the
//! field by a robust polynomial, its order and its gate tightening as members gather.

use nalgebra::DMatrix;

use crate::field::robust::{bisquare, scale_about_zero};
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

/// Of the polynomial over the field.
const DEGREE: usize = 2;

/// Members that the first, coarse steps are fitted to, at most.
const FIRST_MEMBERS: usize = 500;

/// Fits of a feature, each weighted by the scatter about the one before, at most; fewer where the square of that moves by
/// less than this share of its own error.
const ROUNDS: usize = 3;
const SETTLED_WIDTH: f64 = 0.1;

/// Error of the median of `(r / 0.6745)²` of so many residuals `r` of a variance, in that variance over the root of their
/// number: with `f` and `m` the density of chi-square of one degree of freedom at its median, and that, `1/(2 f m)`.
const ERROR_OF_MEDIAN_SQUARE: f64 = 2.33;

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

/// A candidate, with the functions of the finest basis at its place; those of a coarser one are the first of them.
struct Placed<'a> {
    candidate: &'a Candidate,
    phi: Vec<f64>,
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
        let [x0, x1, y0, y1] = [region.x0, region.x1, region.y0, region.y1].map(|edge| edge as f64);
        let basis = Basis::over_rectangle(x0, x1, y0, y1, DEGREE).ok()?;
        let all: Vec<Placed> =
            candidates.iter().map(|c| Placed { candidate: c, phi: basis.evaluate(c.x, c.y) }).collect();
        let bright: Vec<&Placed> = all.iter().filter(|p| p.candidate.snr >= SEED_SNR).collect();
        let seeds = if bright.len() >= 8 { bright } else { all.iter().collect() };
        let size = |p: &Placed| p.candidate.features[SIZE].map(|feature| feature.0);
        let mut sizes: Vec<f64> = seeds.iter().filter_map(|p| size(p)).collect();
        let mode = half_sample_mode(&mut sizes)?;
        let is_near = |p: &&Placed| size(p).is_some_and(|value| (value - mode).abs() < FIRST_GATE_LOG_SIZE);
        let mut members: Vec<&Placed> = seeds.into_iter().filter(is_near).collect();
        let mut locus: Option<Self> = None;
        for (degree, gate) in [(0, 12.0), (1, 9.0), (DEGREE, 7.0), (DEGREE, 6.0)] {
            let some: Vec<&Placed> =
                members.iter().step_by(members.len().div_ceil(FIRST_MEMBERS).max(1)).copied().collect();
            let next = Self::through(&some, &basis, degree, locus.as_ref())?;
            members = next.members_among(&all, gate)?;
            locus = Some(next);
        }
        let mut locus = Self::through(&members, &basis, DEGREE, locus.as_ref())?;
        let again = locus.members_among(&all, GATE_SIGMAS)?;
        if !same(&members, &again) {
            locus = Self::through(&again, &basis, DEGREE, Some(&locus))?;
        }
        locus.members_among(&all, GATE_SIGMAS).map(|_| locus)
    }

    /// Those within the gate; `None` for fewer than three.
    fn members_among<'a>(&self, all: &'a [Placed<'a>], gate: f64) -> Option<Vec<&'a Placed<'a>>> {
        let members: Vec<&Placed> =
            all.iter().filter(|p| self.refusal(p.candidate, &p.phi, gate).is_none()).collect();
        (members.len() >= 3).then_some(members)
    }

    /// Of `degree`, or as high as the members bear, from the locus `before`.
    fn through(members: &[&Placed], finest: &Basis, degree: usize, before: Option<&Self>) -> Option<Self> {
        let basis = finest.truncated(degree_for(members.len(), degree));
        let functions = basis.functions();
        let entries = members.iter().flat_map(|p| p.phi[..functions].iter().copied());
        let design = DMatrix::from_row_iterator(members.len(), functions, entries);
        let of_before = |k: usize| before.and_then(|locus| locus.features[k].as_ref());
        let features: Vec<Option<Feature>> =
            (0..FEATURES).map(|k| feature_over_field(members, &basis, &design, of_before(k), k)).collect();
        features[SIZE].as_ref()?;
        Some(Self { basis, features })
    }

    /// Why a source is off the locus, if it is by more than `gate` standard deviations; `phi` are the functions of this
    /// or a finer basis at its place.
    fn refusal(&self, candidate: &Candidate, phi: &[f64], gate: f64) -> Option<Refusal> {
        let phi = &phi[..self.basis.functions()];
        for (k, feature) in self.features.iter().enumerate() {
            let (Some(feature), Some((value, err))) = (feature, candidate.features[k]) else { continue };
            let expected = feature.fit.value_from(phi);
            let spread = err * err + feature.width.powi(2);
            // Most need no look at how well the locus is known.
            if (value - expected).powi(2) <= gate * gate * spread {
                continue;
            }
            let expected_err = feature.fit.predict_from(phi).1;
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
        self.refusal(candidate, &self.basis.evaluate(candidate.x, candidate.y), GATE_SIGMAS)
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

/// Fits one feature over the field and measures the scatter beyond the errors, up to three times: the scatter weights the
/// next fit. `design` has the values of the basis at each member. The robust weights start from the residuals about the fit
/// `before`, which may be coarser, or about the median.
fn feature_over_field(
    members: &[&Placed],
    basis: &Basis,
    design: &DMatrix<f64>,
    before: Option<&Feature>,
    k: usize,
) -> Option<Feature> {
    let measured: Vec<usize> =
        (0..members.len()).filter(|&i| members[i].candidate.features[k].is_some()).collect();
    let (values, errors): (Vec<f64>, Vec<f64>) =
        measured.iter().filter_map(|&i| members[i].candidate.features[k]).unzip();
    let of_measured;
    let design = if measured.len() == members.len() {
        design
    } else {
        of_measured = design.select_rows(&measured);
        &of_measured
    };
    let middle = median(&mut values.clone())?;
    let expected = |i: usize| before.map_or(middle, |feature| feature.fit.value_from(&members[i].phi));
    let residuals: Vec<f64> = values.iter().zip(&measured).map(|(value, &i)| value - expected(i)).collect();
    let mut width = before.map_or_else(|| scale_about_zero(&residuals), |feature| Some(feature.width))?;
    let start = start_weights(&residuals, &errors, width)?;
    let typical_variance = median(&mut errors.clone())?.powi(2);
    let mut fitted: Option<FieldFit> = None;
    for _ in 0..ROUNDS {
        let sigmas: Vec<f64> = errors.iter().map(|err| (err * err + width * width).sqrt()).collect();
        // Another width changes the weights a little.
        let weights = fitted.as_ref().map_or(&start, |fit| &fit.weights);
        let fit = fit_design(basis, design, &values, &sigmas, Robustness::BisquareFrom(weights)).ok()?;
        // What the residuals scatter beyond the errors: half of them lie within 0.6745 σ.
        let excess = |(residual, err): (&f64, &f64)| (residual / 0.674_49).powi(2) - err * err;
        let mut excess: Vec<f64> = fit.residuals.iter().zip(&errors).map(excess).collect();
        let last = std::mem::replace(&mut width, median(&mut excess)?.max(0.0).sqrt());
        fitted = Some(fit);
        let known_to =
            ERROR_OF_MEDIAN_SQUARE * (typical_variance + width * width) / (values.len() as f64).sqrt();
        if (width * width - last * last).abs() <= SETTLED_WIDTH * known_to {
            break;
        }
    }
    fitted.map(|fit| Feature { fit, width })
}

/// The bisquare of residuals over their errors and a width, in units of what they scatter, so that none is far out
/// only because a coarser fit misses it.
fn start_weights(residuals: &[f64], errors: &[f64], width: f64) -> Option<Vec<f64>> {
    let deviation = |(residual, err): (&f64, &f64)| residual / (err * err + width * width).sqrt();
    let deviations: Vec<f64> = residuals.iter().zip(errors).map(deviation).collect();
    let scale = scale_about_zero(&deviations)?;
    let weight = |deviation: &f64| if scale > 0.0 { bisquare(deviation / scale) } else { 1.0 };
    Some(deviations.iter().map(weight).collect())
}

fn same(a: &[&Placed], b: &[&Placed]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| std::ptr::eq(*a, *b))
}

fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let k = values.len() / 2;
    Some(*values.select_nth_unstable_by(k, f64::total_cmp).1)
}
