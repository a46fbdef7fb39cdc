//! What changes between exposures, term by term: tested against the errors, and against a
//! steady drift with time.

use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

use super::ExposureFit;
use super::parameters::{MOST, PATTERN, is_even};

/// Terms that one cause moves together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    Jitter,
    Focus,
    Tilt,
    Coma,
    Astigmatism,
    Trefoil,
    Spherical,
}

impl Group {
    pub const ALL: [Group; 7] = [
        Group::Jitter,
        Group::Focus,
        Group::Tilt,
        Group::Coma,
        Group::Astigmatism,
        Group::Trefoil,
        Group::Spherical,
    ];

    pub fn word(self) -> &'static str {
        match self {
            Group::Jitter => "jitter",
            Group::Focus => "focus",
            Group::Tilt => "tilt",
            Group::Coma => "coma",
            Group::Astigmatism => "astigmatism",
            Group::Trefoil => "trefoil",
            Group::Spherical => "spherical",
        }
    }

    /// Its parameters.
    pub fn parameters(self) -> &'static [usize] {
        match self {
            Group::Focus => &[0, 3],
            Group::Tilt => &[1, 2],
            Group::Coma => &[4, 5, 6],
            Group::Astigmatism => &[7, 8, 9, 10, 11],
            Group::Trefoil => &[12, 13],
            Group::Spherical => &[14],
            Group::Jitter => &[15, 16, 17],
        }
    }

    pub fn of(parameter: usize) -> Option<Self> {
        Self::ALL.into_iter().find(|g| g.parameters().contains(&parameter))
    }
}

/// Whether a group of terms changes between exposures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupChange {
    pub group: Group,
    pub chi2: f64,
    pub degrees_of_freedom: usize,
    /// Chance of a chi-square as large were nothing to change.
    pub chance: f64,
}

/// A term's straight line through time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    pub parameter: usize,
    /// Per unit of the times given.
    pub slope: f64,
    /// From the fits' errors alone.
    pub error: f64,
    /// Chance of such a slope from exposures that scatter by what they show about the line.
    pub chance_in_scatter: f64,
}

/// Five standard deviations, two-sided.
pub const FIVE_SIGMA_CHANCE: f64 = 5.7e-7;
const SIGNIFICANT: f64 = 5.0;
/// A trend must also stand out of what the exposures scatter about it.
const SCATTER_CHANCE: f64 = 1e-3;
const FEWEST_FOR_TREND: usize = 4;

impl GroupChange {
    pub fn is_shown(&self) -> bool {
        self.chance < FIVE_SIGMA_CHANCE
    }
}

impl Trend {
    pub fn significance(&self) -> f64 {
        self.slope.abs() / self.error
    }
    pub fn is_shown(&self) -> bool {
        self.significance() >= SIGNIFICANT && self.chance_in_scatter < SCATTER_CHANCE
    }
}

/// Gives all exposures one choice of the sign of the even terms: each is flipped where that
/// brings it nearer to the exposure whose even terms stand out most.
pub fn align_signs(fits: &mut [ExposureFit]) {
    let even = |fit: &ExposureFit| -> Vec<usize> { (0..fit.parameters()).filter(|&k| is_even(k)).collect() };
    let strength = |fit: &ExposureFit| -> f64 {
        let list = fit.values.to_list();
        even(fit).into_iter().map(|k| (list[k] / fit.error(k)).powi(2)).sum()
    };
    let Some(reference) = fits.iter().max_by(|a, b| strength(a).total_cmp(&strength(b))).cloned() else {
        return;
    };
    let target = reference.values.to_list();
    for fit in fits {
        let distance = |list: [f64; MOST], fit: &ExposureFit| -> f64 {
            even(fit).into_iter().map(|k| ((list[k] - target[k]) / fit.error(k)).powi(2)).sum()
        };
        let flipped = fit.flipped();
        if distance(flipped.values.to_list(), fit) < distance(fit.values.to_list(), fit) {
            *fit = flipped;
        }
    }
}

/// Settles the joint sign of the even terms by a known move of the focus: `readings` of the
/// focus drive, an exposure each, and the signed defocus a step of it makes. Turns the fits
/// round where needed; true where the move decided.
pub fn settle_sign(fits: &mut [ExposureFit], readings: &[f64], nm_per_step: f64) -> bool {
    let line = Line::of(fits, readings, 0);
    let slope = line.slope;
    let moved = readings.iter().any(|&reading| reading != readings[0]);
    if !(moved && slope.abs() > SIGNIFICANT * line.error) {
        return false;
    }
    if slope * nm_per_step < 0.0 {
        fits.iter_mut().for_each(|fit| *fit = fit.flipped());
    }
    true
}

/// Values and covariances of some parameters, an exposure each.
fn part(fit: &ExposureFit, parameters: &[usize]) -> (DVector<f64>, DMatrix<f64>) {
    let list = fit.values.to_list();
    let n = parameters.len();
    (
        DVector::from_fn(n, |k, _| list[parameters[k]]),
        DMatrix::from_fn(n, n, |a, b| fit.covariance[(parameters[a], parameters[b])]),
    )
}

/// Weighted mean of some parameters over exposures, with its covariance.
pub fn common(fits: &[ExposureFit], parameters: &[usize]) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let n = parameters.len();
    let (mut normal, mut right) = (DMatrix::zeros(n, n), DVector::zeros(n));
    for fit in fits {
        let (values, covariance) = part(fit, parameters);
        let inverse = super::scaled_inverse(&covariance)?;
        right += &inverse * values;
        normal += inverse;
    }
    let covariance = super::scaled_inverse(&normal)?;
    Some((&covariance * right, covariance))
}

/// Tests each group of terms for change, with the errors of everything else in them.
pub fn group_changes(fits: &[ExposureFit]) -> Vec<GroupChange> {
    let test = |group: Group| {
        let parameters = group.parameters();
        let (mean, _) = common(fits, parameters)?;
        let mut chi2 = 0.0;
        for fit in fits {
            let (values, covariance) = part(fit, parameters);
            let difference = values - &mean;
            chi2 += difference.dot(&(super::scaled_inverse(&covariance)? * &difference));
        }
        let degrees_of_freedom = (fits.len() - 1) * parameters.len();
        let chance = ChiSquared::new(degrees_of_freedom as f64).ok()?.sf(chi2);
        Some(GroupChange { group, chi2, degrees_of_freedom, chance })
    };
    if fits.len() < 2 { Vec::new() } else { Group::ALL.into_iter().filter_map(test).collect() }
}

/// The straight line of every term with time; none for fewer than four exposures.
pub fn trends(fits: &[ExposureFit], times: &[f64]) -> Vec<Trend> {
    if fits.len() < FEWEST_FOR_TREND || times.len() != fits.len() {
        return Vec::new();
    }
    (0..PATTERN + 3).filter_map(|parameter| trend(fits, times, parameter)).collect()
}

fn trend(fits: &[ExposureFit], times: &[f64], parameter: usize) -> Option<Trend> {
    let Line { slope, error, chi2 } = Line::of(fits, times, parameter);
    if !(error.is_finite() && slope.is_finite()) {
        return None;
    }
    let degrees = (fits.len() - 2) as f64;
    let scattered = error * (chi2 / degrees).sqrt().max(1.0);
    let chance_in_scatter = 2.0 * StudentsT::new(0.0, 1.0, degrees).ok()?.sf(slope.abs() / scattered);
    Some(Trend { parameter, slope, error, chance_in_scatter })
}

/// The straight line of a parameter against something known of each exposure, by weighted least
/// squares; the error is infinite where that is the same in all.
struct Line {
    slope: f64,
    error: f64,
    chi2: f64,
}

impl Line {
    fn of(fits: &[ExposureFit], against: &[f64], parameter: usize) -> Self {
        let rows: Vec<(f64, f64, f64)> = fits
            .iter()
            .zip(against)
            .map(|(fit, &x)| (x, fit.values.to_list()[parameter], fit.error(parameter).powi(-2)))
            .collect();
        let sum = |part: &dyn Fn(&(f64, f64, f64)) -> f64| rows.iter().map(|r| r.2 * part(r)).sum::<f64>();
        let weight = sum(&|_| 1.0);
        let (x_mean, y_mean) = (sum(&|r| r.0) / weight, sum(&|r| r.1) / weight);
        let spread = sum(&|r| (r.0 - x_mean).powi(2));
        let slope = sum(&|r| (r.0 - x_mean) * (r.1 - y_mean)) / spread;
        let chi2 = sum(&|r| (r.1 - y_mean - slope * (r.0 - x_mean)).powi(2));
        Self { slope, error: spread.sqrt().recip(), chi2 }
    }
}
