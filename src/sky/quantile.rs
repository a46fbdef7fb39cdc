//! Quantiles of quantised samples.
//!
//! Integer pixels with a noise of one or two units pile up on few values, and a plain
//! median or median absolute deviation jumps by whole units. Read as grouped data, a value
//! `k` stands for the interval `k ± ½ quantum` in which its samples are spread evenly, and
//! quantiles are interpolated inside it (common practice for grouped data).

use crate::frame::key::{key, of_key};

/// Quantile `p` in (0, 1) of `values`, which are reordered; `None` when there are none.
pub fn quantile(values: &mut [f32], p: f64, quantum: Option<f64>) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let k = ((p * n as f64).floor() as usize).min(n - 1);
    let (_, &mut at, _) = values.select_nth_unstable_by(k, f32::total_cmp);
    Some(inside_its_step(values, p, at, quantum))
}

/// Of a sample that brackets a quantile.
const SAMPLE: usize = 64;

/// Of fewer values a bracket is not worth its while.
pub(super) const FEW: usize = 8 * SAMPLE;

/// Two [`quantile`]s, the lower first, of values that are left as they are.
#[inline(always)]
pub(super) fn quantiles_of_few(
    values: &[f32],
    [lower, upper]: [f64; 2],
    quantum: Option<f64>,
    keys: &mut Vec<i32>,
) -> Option<(f64, f64)> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    keys.clear();
    keys.extend(values.iter().map(|value| key(*value)));
    let rank = |p: f64| ((p * n as f64).floor() as usize).min(n - 1);
    let (below, at_upper, _) = keys.select_nth_unstable(rank(upper));
    let at_upper = of_key(*at_upper);
    let at_lower =
        if rank(lower) < below.len() { of_key(*below.select_nth_unstable(rank(lower)).1) } else { at_upper };
    let within = |p: f64, at: f32| inside_its_step(values, p, at, quantum);
    Some((within(lower, at_lower), within(upper, at_upper)))
}

/// A quantile of grouped data, inside the step of the value `at` its rank.
#[inline(always)]
fn inside_its_step(values: &[f32], p: f64, at: f32, quantum: Option<f64>) -> f64 {
    let Some(step) = quantum.filter(|q| *q > 0.0) else { return f64::from(at) };
    let half = (0.5 * step) as f32;
    let below = values.iter().map(|&v| u32::from(v < at - half)).sum::<u32>();
    let inside = values.iter().map(|&v| u32::from(v >= at - half && v <= at + half)).sum::<u32>();
    let into = (p * values.len() as f64 - f64::from(below)) / f64::from(inside);
    f64::from(at) + step * (into - 0.5).clamp(-0.5, 0.5)
}

/// [`quantile`] of values that are left as they are: those between two values of a small sample are
/// picked out into `some`, and the rank looked up among them.
#[inline(always)]
pub(super) fn quantile_of(values: &[f32], p: f64, quantum: Option<f64>, some: &mut Vec<f32>) -> Option<f64> {
    // Three standard deviations of a rank in the sample.
    const MARGIN: usize = 12;
    let n = values.len();
    some.clear();
    if n < FEW {
        some.extend_from_slice(values);
        return quantile(some, p, quantum);
    }
    let rank = ((p * n as f64).floor() as usize).min(n - 1);
    let mut sample = [0.0; SAMPLE];
    for (k, value) in sample.iter_mut().enumerate() {
        *value = values[k * n / SAMPLE];
    }
    sample.sort_unstable_by(f32::total_cmp);
    let middle = (p * SAMPLE as f64) as usize;
    let low = if middle > MARGIN { sample[middle - MARGIN] } else { f32::NEG_INFINITY };
    let high = if middle + MARGIN < SAMPLE { sample[middle + MARGIN] } else { f32::INFINITY };
    some.resize(n, 0.0);
    let (mut below, mut count) = (0, 0);
    for &value in values {
        some[count] = value;
        below += usize::from(value < low);
        count += usize::from(value >= low && value <= high);
    }
    some.truncate(count);
    if rank < below || rank >= below + count {
        some.clear();
        some.extend_from_slice(values);
        return quantile(some, p, quantum);
    }
    let (_, &mut at, _) = some.select_nth_unstable_by(rank - below, f32::total_cmp);
    Some(inside_its_step(values, p, at, quantum))
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    #[test]
    fn grouped_quantiles_of_rounded_noise_are_those_of_the_noise() {
        let mut rng = rand::rngs::StdRng::seed_from_u64(3);
        let normal = Normal::new(100.3, 0.8).unwrap();
        let mut values: Vec<f32> = (0..40_000).map(|_| f64::round(normal.sample(&mut rng)) as f32).collect();
        let median = quantile(&mut values, 0.5, Some(1.0)).unwrap();
        let low = quantile(&mut values, 0.158_655, Some(1.0)).unwrap();
        // Error of a median: 1.2533 σ/√n = 0.005; the even spread inside a bin wider than
        // σ adds a few hundredths.
        assert!((median - 100.3).abs() < 0.05, "{median}");
        assert!((median - low - 0.8).abs() < 0.08, "{}", median - low);
        let plain = quantile(&mut values, 0.5, None).unwrap();
        assert_eq!(plain, 100.0);
    }

    #[test]
    fn of_values_left_in_place_it_is_the_same() {
        let mut rng = rand::rngs::StdRng::seed_from_u64(4);
        let normal = Normal::new(100.3, 2.0).unwrap();
        let (mut some, mut sorted_first) = (Vec::new(), vec![5e4_f32; 30]);
        sorted_first.extend((0..3000).map(|_| f64::round(normal.sample(&mut rng)) as f32));
        for quantum in [None, Some(1.0)] {
            for p in [0.01, 0.158_655, 0.5, 0.99] {
                let here = quantile_of(&sorted_first, p, quantum, &mut some);
                assert_eq!(here, quantile(&mut sorted_first.clone(), p, quantum));
            }
            for few in [&sorted_first[..1], &sorted_first[..20], &sorted_first[..400]] {
                let both = quantiles_of_few(few, [0.158_655, 0.5], quantum, &mut Vec::new());
                let each = [0.158_655, 0.5].map(|p| quantile(&mut few.to_vec(), p, quantum).unwrap());
                assert_eq!(both, Some(each.into()));
            }
        }
    }

    #[test]
    fn nothing_has_no_quantile_and_a_constant_is_itself() {
        assert_eq!(quantile(&mut [], 0.5, None), None);
        assert_eq!(quantile(&mut [7.0; 9], 0.5, Some(1.0)), Some(7.0));
    }
}
