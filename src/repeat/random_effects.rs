//! Random effects: the spread of the population that the exposures were drawn from.
//!
//! `y_i = mu + u_i + noise_i`, `u ~ (0, tau^2)`, `noise ~ N(0, v_i)`, `v_i` known. For few exposures
//! `tau` is far less certain than the realised change of the exposures in hand
//! ([`super::interval`]): it serves planning and trends, not the decision.

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::RepeatError;
use super::root::crossing_above;

/// Estimates of the between-exposure variance, and what they rest on.
#[derive(Debug, Clone, PartialEq)]
pub struct RandomEffects {
    /// Cochran's Q about the inverse-variance mean.
    pub q: f64,
    /// `k - 1`.
    pub dof: f64,
    /// `max(0, (Q-k+1)/Q)`: share of the scatter that is not noise (Higgins & Thompson
    /// 2002, Stat. Med. 21, 1539).
    pub i2: f64,
    /// DerSimonian & Laird (1986, Control. Clin. Trials 7, 177).
    pub tau2_dersimonian_laird: f64,
    /// Paule & Mandel (1982, J. Res. NBS 87, 377): `Q(tau^2) = k-1`.
    pub tau2_paule_mandel: f64,
    /// Restricted maximum likelihood.
    pub tau2_reml: f64,
    /// Two-sided Q-profile interval (Viechtbauer 2007, Stat. Med. 26, 37).
    pub tau2_low: f64,
    pub tau2_high: f64,
    /// Mean with the weights of Paule-Mandel, and its standard error.
    pub mean: f64,
    pub mean_err: f64,
}

/// Estimates from `values` and their known `variances` (equal length, two at least).
pub fn random_effects(
    values: &[f64],
    variances: &[f64],
    confidence: f64,
) -> Result<RandomEffects, RepeatError> {
    let k = values.len();
    if k < 2 {
        return Err(RepeatError::TooFewExposures { exposures: k });
    }
    if variances.len() != k {
        return Err(RepeatError::LengthMismatch {
            what: "the list of variances",
            found: variances.len(),
            expected: k,
        });
    }
    if !(confidence > 0.5 && confidence < 1.0) {
        return Err(RepeatError::BadConfidence { confidence });
    }
    for row in 0..k {
        if !(values[row].is_finite() && variances[row].is_finite() && variances[row] > 0.0) {
            return Err(RepeatError::BadRow {
                row,
                what: "its value or variance is not finite and above zero",
            });
        }
    }
    let dof = (k - 1) as f64;
    let q_at = |tau2: f64| generalised_q(values, variances, tau2);
    let q = q_at(0.0);
    let (sum, square_sum) = variances.iter().fold((0.0, 0.0), |(s, s2), v| (s + 1.0 / v, s2 + 1.0 / (v * v)));
    let tail = 0.5 * (1.0 - confidence);
    let chi2 = ChiSquared::new(dof).map_err(|_| RepeatError::TooFewExposures { exposures: k })?;
    let reach = |target: f64| {
        if q <= target {
            return 0.0;
        }
        let step = variances.iter().sum::<f64>() / k as f64;
        crossing_above(|tau2| q_at(tau2) - target, 0.0, step, 1e-12).unwrap_or(0.0)
    };
    let tau2_paule_mandel = reach(dof);
    let (mean, weight) = weighted_mean(values, variances, tau2_paule_mandel);
    Ok(RandomEffects {
        q,
        dof,
        i2: if q > 0.0 { ((q - dof) / q).max(0.0) } else { 0.0 },
        tau2_dersimonian_laird: ((q - dof) / (sum - square_sum / sum)).max(0.0),
        tau2_paule_mandel,
        tau2_reml: reml(values, variances, tau2_paule_mandel),
        tau2_low: reach(chi2.inverse_cdf(1.0 - tail)),
        tau2_high: reach(chi2.inverse_cdf(tail)),
        mean,
        mean_err: weight.sqrt().recip(),
    })
}

/// Inverse-variance mean at `tau2`, and its total weight.
pub fn weighted_mean(values: &[f64], variances: &[f64], tau2: f64) -> (f64, f64) {
    let weight: f64 = variances.iter().map(|v| 1.0 / (v + tau2)).sum();
    let sum: f64 = values.iter().zip(variances).map(|(y, v)| y / (v + tau2)).sum();
    (sum / weight, weight)
}

fn generalised_q(values: &[f64], variances: &[f64], tau2: f64) -> f64 {
    let (mean, _) = weighted_mean(values, variances, tau2);
    values.iter().zip(variances).map(|(y, v)| (y - mean).powi(2) / (v + tau2)).sum()
}

/// Zero of the restricted score, `sum w^2 (y-ybar)^2 - sum w + sum w^2 / sum w`, the largest if
/// there are several; 0 where the score is negative throughout.
fn reml(values: &[f64], variances: &[f64], start: f64) -> f64 {
    let score = |tau2: f64| {
        let (mean, weight) = weighted_mean(values, variances, tau2);
        let mut score = -weight;
        for (y, v) in values.iter().zip(variances) {
            let w2 = (v + tau2).powi(-2);
            score += w2 * ((y - mean).powi(2) + 1.0 / weight);
        }
        score
    };
    let spread = values.iter().map(|y| (y - values[0]).powi(2)).sum::<f64>();
    let top = spread.max(start) + variances.iter().fold(0.0f64, |a, b| a.max(*b));
    // From above, where the score is negative, down a fine ladder to the first change of sign.
    let mut high = top;
    for _ in 0..600 {
        let low = if high > 1e-12 * top { high * 0.93 } else { 0.0 };
        if score(low) > 0.0 {
            return super::root::crossing(score, low, high, 1e-13 * top).unwrap_or(low);
        }
        if low == 0.0 {
            return 0.0;
        }
        high = low;
    }
    0.0
}
