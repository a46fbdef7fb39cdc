//! What a galaxy's PSF errs by where only k of the N exposures cover it.
//!
//! The combined PSF there is `Σ_S w f / Σ_S w` over the exposures S that cover it; the model of
//! the stack says `Σ w f / Σ w` over all. Their difference is linear in the changes, `Σ a_t f_t` with
//! `a_t = w_t/Σ_S w - w_t/Σ w` (the first part only for t in S), and `Σ a_t = 0`. Over random S
//! the mean square is `Σ_tu A_tu <f_t f_u>`, `A = E[a aᵀ]`: it needs the exposures' own realised
//! changes, not just their rms. For equal weights `A = (1/k - 1/N)/(N-1) (I - J/N)`, that is
//! `rms² (1/k - 1/N)`. To first order in the scatter of the weights it is `rms_w² (1/k - 1/N)` with
//! `rms_w² = Σ (w_t/w̄)² <(f_t - f̄_w)²>/(N-1)` (the ratio estimator of sampling theory), which for
//! k = 1 and unequal weights is far off; so A is taken over the subsets themselves.

use nalgebra::{DMatrix, DVector};

use super::interval::{NoiseMode, rms_change};
use super::{Change, RepeatError, RmsChange};
use crate::field::order::mix;

/// Up to so many subsets all are looked at; of more, this many drawn at random (mean square to
/// one or two per cent).
const MOST_SUBSETS: usize = 10_000;

/// Most coefficients whose covariance is turned into the directions of A.
const MOST_DIRECTIONS: usize = 240;

/// The error of a random k of the exposures of `change` against all of them, under the weights
/// of the combination (one an exposure, in any unit), averaged over the field and the components,
/// noise removed, with its interval. Zero where k reaches the number of exposures.
///
/// Errors: weights that are not finite and above zero, or not one an exposure; a bad confidence.
pub fn overlap_error(
    change: &Change,
    weights: &[f64],
    k: usize,
    confidence: f64,
) -> Result<RmsChange, RepeatError> {
    overlap_error_of(change, change.rms(confidence)?, weights, k)
}

/// The same where the rms change between the exposures is known already.
pub fn overlap_error_of(
    change: &Change,
    whole: RmsChange,
    weights: &[f64],
    k: usize,
) -> Result<RmsChange, RepeatError> {
    let (n, confidence) = (change.exposures, whole.confidence);
    if weights.len() != n {
        return Err(RepeatError::LengthMismatch {
            what: "the list of weights",
            found: weights.len(),
            expected: n,
        });
    }
    if let Some(row) = weights.iter().position(|w| !(*w > 0.0 && w.is_finite())) {
        return Err(RepeatError::BadRow { row, what: "its weight is not a finite number above zero" });
    }
    if k >= n || k == 0 {
        let high = if k == 0 { f64::INFINITY } else { 0.0 };
        return Ok(RmsChange { rms: 0.0, low: 0.0, high, mean_square: 0.0, noise: 0.0, confidence });
    }
    let equal = weights.iter().all(|w| *w == weights[0]);
    if equal {
        let share = 1.0 / k as f64 - 1.0 / n as f64;
        return Ok(scaled(whole, share));
    }
    let a = contrasts(weights, k);
    let share = a.trace();
    match &change.covariance {
        Some(covariance) if n * change.functions <= MOST_DIRECTIONS => {
            let found = rms_change(&modes(change, covariance, &a), confidence)?;
            change.with_doubt(found, share * n as f64 / (n as f64 - 1.0), confidence)
        }
        // Many exposures: the interval is as wide as for equal weights, about the weights' value.
        _ => {
            let like_equal = scaled(whole, share);
            let square =
                (like_equal.rms.powi(2) + mean_square(change, &a) - share * plain_square(change)).max(0.0);
            let moved = |bound: f64| (square + bound * bound - like_equal.rms.powi(2)).max(0.0).sqrt();
            Ok(RmsChange {
                rms: square.sqrt(),
                low: moved(like_equal.low),
                high: moved(like_equal.high),
                ..like_equal
            })
        }
    }
}

/// `E[a aᵀ]` over all subsets of k exposures, or over a fixed random sample of them.
pub fn contrasts(weights: &[f64], k: usize) -> DMatrix<f64> {
    let n = weights.len();
    let total: f64 = weights.iter().sum();
    let mut sum = DMatrix::zeros(n, n);
    let mut add = |subset: &[usize]| {
        let own: f64 = subset.iter().map(|&t| weights[t]).sum();
        let mut a = DVector::from_iterator(n, weights.iter().map(|w| -w / total));
        subset.iter().for_each(|&t| a[t] += weights[t] / own);
        sum.ger(1.0, &a, &a, 1.0);
    };
    let mut looked_at = 0usize;
    if subsets(n, k) <= MOST_SUBSETS as f64 {
        let mut subset: Vec<usize> = (0..k).collect();
        loop {
            add(&subset);
            looked_at += 1;
            // The next in lexical order: raise the last place that can be raised.
            let Some(place) = (0..k).rev().find(|&j| subset[j] < n - k + j) else { break };
            subset[place] += 1;
            (place + 1..k).for_each(|j| subset[j] = subset[j - 1] + 1);
        }
    } else {
        let mut order: Vec<usize> = (0..n).collect();
        for draw in 0..MOST_SUBSETS {
            for j in 0..k {
                let random = mix((draw * k + j) as u64) as usize;
                order.swap(j, j + random % (n - j));
            }
            add(&order[..k]);
            looked_at += 1;
        }
    }
    sum / looked_at as f64
}

fn subsets(n: usize, k: usize) -> f64 {
    (0..k.min(n - k)).map(|j| (n - j) as f64 / (j + 1) as f64).product()
}

fn scaled(change: RmsChange, share: f64) -> RmsChange {
    let root = share.max(0.0).sqrt();
    RmsChange {
        rms: change.rms * root,
        low: change.low * root,
        high: change.high * root,
        mean_square: change.mean_square * share,
        noise: change.noise * share,
        ..change
    }
}

/// `Σ A_tu (c_t·c_u - noise)`, averaged over the components; exposures taken as independent.
fn mean_square(change: &Change, a: &DMatrix<f64>) -> f64 {
    let product: f64 = change.coefficients.iter().map(|c| (a * c).dot(c)).sum();
    let noise: f64 = change.exposure_covariance.iter().enumerate().map(|(t, b)| a[(t, t)] * b.trace()).sum();
    product / change.components as f64 - noise
}

/// The same for equal weights, over `1/k - 1/N`.
fn plain_square(change: &Change) -> f64 {
    let n = change.exposures as f64;
    let centring = DMatrix::from_fn(change.exposures, change.exposures, |t, u| {
        (f64::from(u8::from(t == u)) - 1.0 / n) / (n - 1.0)
    });
    mean_square(change, &centring)
}

/// Independent directions of `(A^½ ⊗ I) c` with their noise.
fn modes(change: &Change, covariance: &DMatrix<f64>, a: &DMatrix<f64>) -> Vec<NoiseMode> {
    let (n, k, q) = (change.exposures, change.functions, change.components as f64);
    let eigen = a.clone().symmetric_eigen();
    let roots = eigen.eigenvalues.map(|v| v.max(0.0).sqrt());
    let root = &eigen.eigenvectors * DMatrix::from_diagonal(&roots) * eigen.eigenvectors.transpose();
    let spread = root.kronecker(&DMatrix::identity(k, k));
    let noise = (&spread * covariance * &spread).symmetric_eigen();
    let seen: Vec<DVector<f64>> = change
        .coefficients
        .iter()
        .map(|c| &spread * DVector::from_column_slice(c.transpose().as_slice()))
        .collect();
    let mut order: Vec<usize> = (0..n * k).collect();
    order.sort_by(|i, j| noise.eigenvalues[*j].total_cmp(&noise.eigenvalues[*i]));
    let direction = |j: usize| {
        let vector = noise.eigenvectors.column(j);
        let square: f64 = seen.iter().map(|c| vector.dot(c).powi(2)).sum();
        NoiseMode { lambda: noise.eigenvalues[j].max(0.0) / q, dof: q, square: square / q }
    };
    order.into_iter().take((n - 1) * k).map(direction).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_weights_have_the_closed_form() {
        for (n, k) in [(5, 2), (8, 8), (9, 1), (30, 12)] {
            let a = contrasts(&vec![3.0; n], k);
            let scale = (1.0 / k as f64 - 1.0 / n as f64) / (n as f64 - 1.0);
            // Beyond ten thousand subsets a sample: entries scatter by a few per cent of the trace.
            let tolerance = if n == 30 { 0.05 * scale } else { 1e-12 };
            for (t, u) in (0..n).flat_map(|t| (0..n).map(move |u| (t, u))) {
                let expected = scale * (f64::from(u8::from(t == u)) - 1.0 / n as f64);
                assert!((a[(t, u)] - expected).abs() < tolerance, "{n} {k}: {} {expected}", a[(t, u)]);
            }
        }
    }

    /// One exposure over a galaxy, by hand: f_t - f̄_w, each as likely as the other.
    #[test]
    fn a_single_exposure_by_hand() {
        let (weights, f) = ([1.0, 3.0], [0.0, 4.0]);
        let a = contrasts(&weights, 1);
        let square: f64 =
            (0..2).flat_map(|t| (0..2).map(move |u| (t, u))).map(|(t, u)| a[(t, u)] * f[t] * f[u]).sum();
        // The weighted mean is 3.
        assert!((square - 0.5 * (9.0 + 1.0)).abs() < 1e-12);
    }
}
