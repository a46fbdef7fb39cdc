//! The least-squares problem of one exposure, as the Levenberg-Marquardt solver sees it.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::DMatrix;
use nalgebra_of_solver as na;
use rayon::prelude::*;

use super::parameters::{MOST, PATTERN, Values, zernike_slopes};
use super::star::{Compared, Own, Target, dot};
use super::zone::{Grid, Zone};
use crate::optics::zernike::MODES;
use crate::optics::{Blur, Propagator};

/// Relative fall of chi-square at which a fit has arrived, or is near enough to go on from.
pub const ARRIVED: f64 = 1e-7;
pub const NEAR: f64 = 1e-4;
/// Relative step at which a fit has arrived.
const STEP_ARRIVED: f64 = 1e-6;
/// Evaluations per parameter at most.
const PATIENCE: usize = 2;

/// What stays the same while an exposure is fitted.
pub struct Frame<'a> {
    pub propagator: &'a Propagator,
    /// Pixel and diffusion; jitter and drift are the fit's.
    pub blur: Blur,
    pub grid: Grid,
    /// Places of the zones, half-diagonals.
    pub zones: Vec<[f64; 2]>,
    /// Standard deviation of the weak prior about zero of every parameter; infinite for none.
    pub prior: [f64; MOST],
    pub with_drift: bool,
}

impl Frame<'_> {
    pub fn parameters(&self) -> usize {
        if self.with_drift { MOST } else { MOST - 2 }
    }

    /// The blur with the motion of `values`.
    pub fn blur_of(&self, values: &Values) -> Blur {
        Blur { jitter_mas2: values.jitter_mas2, drift_mas: values.drift_mas, ..self.blur }
    }

    /// The model of every zone.
    pub fn zones(&self, values: &Values) -> Vec<Zone> {
        let blur = self.blur_of(values);
        let zone = |&place| Zone::new(self.propagator, &blur, values, place, self.grid, self.with_drift);
        self.zones.par_iter().map(zone).collect()
    }

    /// Every star against the model, with its own numbers.
    pub fn compare(&self, targets: &[Target], values: &Values) -> Vec<Option<(Own, Compared)>> {
        let zones = self.zones(values);
        let one = |target: &Target| {
            let zone = &zones[target.zone];
            let [x, y] = target.place;
            let psf = zone.carried(&values.pattern.wavefront(x, y).noll_nm());
            let own = target.solve_own(&psf, zone)?;
            Some((own, target.compare(&psf, zone, &own)?))
        };
        targets.par_iter().map(one).collect()
    }

    /// `J^T J` of the data and the prior, `[parameter, parameter]`.
    pub fn normal_matrix(&self, targets: &[Target], compared: &[Option<(Own, Compared)>]) -> DMatrix<f64> {
        let n = self.parameters();
        let mut normal = DMatrix::zeros(n, n);
        for (target, found) in targets.iter().zip(compared) {
            let Some((_, found)) = found else { continue };
            let slopes = &found.slopes;
            let local = DMatrix::from_fn(slopes.len(), slopes.len(), |a, b| dot(&slopes[a], &slopes[b]));
            let chain = chain(target.place, n);
            normal += chain.transpose() * local * chain;
        }
        for k in 0..n {
            normal[(k, k)] += self.prior[k].powi(-2);
        }
        normal
    }
}

/// How the zone's slope images follow from the parameters at a place: `[image, parameter]`.
fn chain(place: [f64; 2], parameters: usize) -> DMatrix<f64> {
    let zernike = zernike_slopes(place[0], place[1]);
    DMatrix::from_fn(parameters - PATTERN + MODES, parameters, |image, parameter| {
        match (image < MODES, parameter < PATTERN) {
            (true, true) => zernike[image][parameter],
            (false, false) if image - MODES == parameter - PATTERN => 1.0,
            _ => 0.0,
        }
    })
}

/// The problem at one set of parameters.
struct Problem<'a> {
    frame: &'a Frame<'a>,
    targets: &'a [Target],
    list: na::DVector<f64>,
    compared: Vec<Option<(Own, Compared)>>,
    evaluations: usize,
}

impl Problem<'_> {
    fn rows(&self) -> usize {
        self.targets.iter().map(|t| t.values.len()).sum::<usize>() + self.list.len()
    }
}

impl LeastSquaresProblem<f64, na::Dyn, na::Dyn> for Problem<'_> {
    type ResidualStorage = na::VecStorage<f64, na::Dyn, na::U1>;
    type JacobianStorage = na::VecStorage<f64, na::Dyn, na::Dyn>;
    type ParameterStorage = na::VecStorage<f64, na::Dyn, na::U1>;

    fn set_params(&mut self, list: &na::DVector<f64>) {
        self.list.copy_from(list);
        self.compared = self.frame.compare(self.targets, &Values::from_list(list.as_slice()));
        self.evaluations += 1;
    }

    fn params(&self) -> na::DVector<f64> {
        self.list.clone()
    }

    fn residuals(&self) -> Option<na::DVector<f64>> {
        let mut all = Vec::with_capacity(self.rows());
        for (target, found) in self.targets.iter().zip(&self.compared) {
            match found {
                Some((_, found)) => all.extend_from_slice(&found.residuals),
                // A model that cannot be laid on the star explains none of it.
                None => all.extend(target.values.iter().zip(&target.inverse_errors).map(|(v, w)| v * w)),
            }
        }
        all.extend(self.list.iter().zip(&self.frame.prior).map(|(value, sigma)| value / sigma));
        let all = na::DVector::from_vec(all);
        all.iter().all(|v| v.is_finite()).then_some(all)
    }

    fn jacobian(&self) -> Option<na::DMatrix<f64>> {
        let (n, rows) = (self.list.len(), self.rows());
        let mut jacobian = na::DMatrix::zeros(rows, n);
        let mut first = 0;
        for (target, found) in self.targets.iter().zip(&self.compared) {
            let pixels = target.values.len();
            if let Some((_, found)) = found {
                let chain = chain(target.place, n);
                for (image, slope) in found.slopes.iter().enumerate() {
                    for parameter in 0..n {
                        let factor = chain[(image, parameter)];
                        if factor != 0.0 {
                            let own = &mut jacobian.as_mut_slice()[parameter * rows + first..][..pixels];
                            own.iter_mut().zip(slope).for_each(|(sum, v)| *sum -= factor * v);
                        }
                    }
                }
            }
            first += pixels;
        }
        for k in 0..n {
            jacobian[(first + k, k)] = 1.0 / self.frame.prior[k];
        }
        Some(jacobian)
    }
}

/// A fit that has ended.
pub struct Solved {
    pub values: Values,
    pub compared: Vec<Option<(Own, Compared)>>,
    /// With the prior's part.
    pub chi2: f64,
    pub evaluations: usize,
    pub arrived: bool,
}

/// Jitter, drift and pattern that fit the targets best, from `start`, to a relative fall of
/// chi-square of `arrived`.
pub fn solve(frame: &Frame, targets: &[Target], start: &Values, arrived: f64) -> Solved {
    let n = frame.parameters();
    let list = na::DVector::from_column_slice(&start.to_list()[..n]);
    let mut problem = Problem { frame, targets, list: list.clone(), compared: Vec::new(), evaluations: 0 };
    problem.set_params(&list);
    let (problem, report) = LevenbergMarquardt::new()
        .with_ftol(arrived)
        .with_xtol(STEP_ARRIVED)
        .with_gtol(0.0)
        .with_patience(PATIENCE)
        .with_stepbound(1.0)
        .minimize(problem);
    Solved {
        values: Values::from_list(problem.list.as_slice()),
        compared: problem.compared,
        chi2: 2.0 * report.objective_function,
        evaluations: problem.evaluations,
        arrived: report.termination.was_successful(),
    }
}
