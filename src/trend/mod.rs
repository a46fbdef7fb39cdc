//! How a series of exposures goes through time: pure functions on times, values and errors.
//!
//! | file | answers |
//! |---|---|
//! | [`drift`] | a slope, robust, with its interval; is it more than chance |
//! | [`step`] | one sudden change; is it a step or a drift |
//! | [`jump`] | a sudden change of a series that drifts before and after |
//! | [`scatter`] | the scatter beyond the errors, whatever drifts or steps |
//! | [`uneven_drift`] | a slope of values of unlike deviations |
//! | [`period`] | a sine wave on uneven times, with its false-alarm probability |
//! | [`stability`] | Allan deviation against the number of exposures averaged |
//! | [`follows`] | rank correlation with another series, and what is left of it given time |
//! | [`many`] | many tests at once: family-wise error, false discovery rate |
//! | [`rank`] | ranks and ties |
//!
//! Each states the fewest exposures it needs, and refuses fewer. No errors of measurement are
//! taken for the scatter: the series' own scatter about what is fitted is what counts, so that
//! a telescope that jumps at random from exposure to exposure gives no drift, step or period.
//! Where deviations are given they say how much less one value tells than another, not how large the
//! scatter is.

mod chance;
pub mod drift;
pub mod follows;
pub mod jump;
pub mod many;
pub mod period;
pub mod rank;
pub mod scatter;
pub mod shape;
pub mod stability;
pub mod step;
pub mod uneven_drift;

use thiserror::Error;

/// Why a series does not bear an analysis.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum TrendError {
    #[error("{given} exposures are too few: at least {needed} are needed")]
    TooFew { given: usize, needed: usize },
    #[error("{what} does not vary")]
    Constant { what: &'static str },
    #[error(
        "the exposures are not evenly spaced: the intervals between them differ from their median by up to \
         {worst:.0} %, where {limit:.0} % is the most"
    )]
    Uneven { worst: f64, limit: f64 },
    #[error("{what} has {found} entries where {expected} are needed")]
    LengthMismatch { what: &'static str, found: usize, expected: usize },
    #[error("{what} holds a number that is not finite, or an error that is not positive")]
    NotUsable { what: &'static str },
    #[error("the times do not rise")]
    NotSorted,
    #[error("no period between {shortest} and {longest} can be fitted")]
    NoPeriod { shortest: f64, longest: f64 },
}

fn finite(what: &'static str, values: &[f64]) -> Result<(), TrendError> {
    if values.iter().all(|v| v.is_finite()) { Ok(()) } else { Err(TrendError::NotUsable { what }) }
}

fn enough(given: usize, needed: usize) -> Result<(), TrendError> {
    if given >= needed { Ok(()) } else { Err(TrendError::TooFew { given, needed }) }
}

fn same_length(what: &'static str, found: usize, expected: usize) -> Result<(), TrendError> {
    if found == expected { Ok(()) } else { Err(TrendError::LengthMismatch { what, found, expected }) }
}

/// A series on times that vary and do not fall.
fn timed(times: &[f64], values: &[f64], needed: usize) -> Result<(), TrendError> {
    enough(values.len(), needed)?;
    same_length("times", times.len(), values.len())?;
    finite("times", times)?;
    finite("values", values)?;
    if !varies(times) {
        return Err(TrendError::Constant { what: "the time" });
    }
    if times.windows(2).any(|w| w[1] < w[0]) {
        return Err(TrendError::NotSorted);
    }
    Ok(())
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Each value counts by its inverse variance, that of a standard deviation of 1 once.
fn weights(deviations: &[f64]) -> Vec<f64> {
    deviations.iter().map(|d| 1.0 / (d * d)).collect()
}

/// Refuses deviations that are no positive numbers, or not one a value.
fn positive(deviations: &[f64], values: usize) -> Result<(), TrendError> {
    same_length("deviations", deviations.len(), values)?;
    let usable = deviations.iter().all(|d| d.is_finite() && *d > 0.0);
    if usable { Ok(()) } else { Err(TrendError::NotUsable { what: "deviations" }) }
}

fn weighted_mean(values: &[f64], weights: &[f64]) -> f64 {
    values.iter().zip(weights).map(|(v, w)| v * w).sum::<f64>() / weights.iter().sum::<f64>()
}

fn varies(values: &[f64]) -> bool {
    values.iter().any(|v| *v != values[0])
}

/// NaN of no values.
fn median(values: &[f64]) -> f64 {
    crate::field::robust::median(values).unwrap_or(f64::NAN)
}

/// Two-sided p-value of a standard normal deviate; 1 where it is not a number.
pub fn normal_p(z: f64) -> f64 {
    if z.is_nan() {
        return 1.0;
    }
    statrs::function::erf::erfc(z.abs() / std::f64::consts::SQRT_2)
}

/// The deviate that Student's t exceeds in absolute value with probability `1 - confidence`; infinite
/// where there are no degrees of freedom.
pub fn student_deviate(confidence: f64, dof: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, StudentsT};
    StudentsT::new(0.0, 1.0, dof).map_or(f64::INFINITY, |t| t.inverse_cdf(0.5 * (1.0 + confidence)))
}

/// Two-sided p-value of Student's t; 1 where there are no degrees of freedom or it is not a number, as of
/// values so large that their squares overflow.
pub fn student_p(t: f64, dof: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, StudentsT};
    if t.is_nan() {
        return 1.0;
    }
    StudentsT::new(0.0, 1.0, dof).map_or(1.0, |d| (2.0 * d.sf(t.abs())).min(1.0))
}
