//! Does one series follow another? Rank correlation.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom;

use super::rank::ranks;
use super::{TrendError, enough, finite, mean, same_length, student_p, varies};
use crate::repeat::interval::two_sided_normal;

pub const MIN_EXPOSURES: usize = 6;

/// Up to here every order is tried for the p-value.
const ALL_ORDERS_UP_TO: usize = 8;
/// Up to here random orders give it, beyond Student's t does.
const RANDOM_ORDERS_UP_TO: usize = 20;
const ORDERS: usize = 19_999;
const SEED: u64 = 0x5713_9002;

/// Variance of the inverse hyperbolic tangent of a rank correlation, times n - 3 (Fieller, Hartley
/// & Pearson 1957, Biometrika 44, 470; from memory).
const FISHER_VARIANCE: f64 = 1.06;

/// A rank correlation with its interval and significance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Correlation {
    pub value: f64,
    pub interval: (f64, f64),
    /// Chance of as strong a correlation of either sign were the orders unrelated.
    pub p_value: f64,
}

/// Spearman's rank correlation (Spearman 1904, Am. J. Psychol. 15, 72; from memory), equal values
/// sharing the mean of their ranks. The p-value comes from all orders (up to 8 values), from
/// random ones of fixed seed (up to 20), and from Student's t with `n - 2` degrees of freedom.
pub fn spearman(a: &[f64], b: &[f64], confidence: f64) -> Result<Correlation, TrendError> {
    let n = a.len();
    enough(n, MIN_EXPOSURES)?;
    same_length("the second series", b.len(), n)?;
    finite("the first series", a)?;
    finite("the second series", b)?;
    if !varies(a) || !varies(b) {
        return Err(TrendError::Constant { what: "one of the two series" });
    }
    let (a, b) = (centred(ranks(a)), centred(ranks(b)));
    let value = cosine(&a, &b);
    let p_value = match n {
        _ if n <= ALL_ORDERS_UP_TO => share_of_all_orders(&a, &b),
        _ if n <= RANDOM_ORDERS_UP_TO => share_of_random_orders(&a, &b),
        _ => p_of_t(value, n as f64 - 2.0),
    };
    Ok(Correlation { value, interval: interval(value, n, confidence), p_value })
}

/// Rank correlation of `a` and `b` at fixed `c` (Kendall & Stuart, The Advanced Theory of
/// Statistics; from memory), with the two-sided p-value of Student's t with `n - 3` degrees of
/// freedom. `None` where `a` or `b` is ordered wholly as `c` is: nothing is left to compare.
pub fn spearman_given(a: &[f64], b: &[f64], c: &[f64]) -> Option<(f64, f64)> {
    let [a, b, c] = [a, b, c].map(|series| centred(ranks(series)));
    let (ab, ac, bc) = (cosine(&a, &b), cosine(&a, &c), cosine(&b, &c));
    let left = (1.0 - ac * ac) * (1.0 - bc * bc);
    if !(left > 1e-12) {
        return None;
    }
    let value = ((ab - ac * bc) / left.sqrt()).clamp(-1.0, 1.0);
    Some((value, p_of_t(value, a.len() as f64 - 3.0)))
}

fn centred(values: Vec<f64>) -> Vec<f64> {
    let middle = mean(&values);
    values.into_iter().map(|v| v - middle).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

fn cosine(a: &[f64], b: &[f64]) -> f64 {
    (dot(a, b) / (dot(a, a) * dot(b, b)).sqrt()).clamp(-1.0, 1.0)
}

fn p_of_t(correlation: f64, dof: f64) -> f64 {
    student_p(correlation * (dof / (1.0 - correlation * correlation)).sqrt(), dof)
}

/// By the inverse hyperbolic tangent; a perfect correlation counts as half a step from 1, the
/// step being the least by which rank correlations of `n` values differ.
fn interval(value: f64, n: usize, confidence: f64) -> (f64, f64) {
    let n = n as f64;
    let most = 1.0 - 6.0 / (n * (n * n - 1.0));
    let z = value.clamp(-most, most).atanh();
    let half = two_sided_normal(confidence) * (FISHER_VARIANCE / (n - 3.0)).sqrt();
    ((z - half).tanh().min(value), (z + half).tanh().max(value))
}

/// A sum of products this much under the observed one still counts as equal.
fn bar(a: &[f64], b: &[f64]) -> f64 {
    dot(a, b).abs() - 1e-9 * (dot(a, a) * dot(b, b)).sqrt()
}

fn share_of_random_orders(a: &[f64], b: &[f64]) -> f64 {
    let bar = bar(a, b);
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    let mut shuffled = b.to_vec();
    let mut as_strong = 0;
    for _ in 0..ORDERS {
        shuffled.shuffle(&mut rng);
        as_strong += usize::from(dot(a, &shuffled).abs() >= bar);
    }
    (1 + as_strong) as f64 / (1 + ORDERS) as f64
}

/// Heap's algorithm over all orders of `b`.
fn share_of_all_orders(a: &[f64], b: &[f64]) -> f64 {
    let bar = bar(a, b);
    let mut order = b.to_vec();
    let mut counters = vec![0; order.len()];
    let (mut orders, mut as_strong) = (1, 1);
    let mut k = 1;
    while k < order.len() {
        if counters[k] < k {
            order.swap(if k % 2 == 0 { 0 } else { counters[k] }, k);
            orders += 1;
            as_strong += u32::from(dot(a, &order).abs() >= bar);
            counters[k] += 1;
            k = 1;
        } else {
            counters[k] = 0;
            k += 1;
        }
    }
    f64::from(as_strong) / f64::from(orders)
}
