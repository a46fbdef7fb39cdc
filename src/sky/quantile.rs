//! Quantiles of quantised samples.
//!
//! Integer pixels with a noise of one or two units pile up on few values, and a plain
//! median or median absolute deviation jumps by whole units. Read as grouped data, a value
//! `k` stands for the interval `k ± ½ quantum` in which its samples are spread evenly, and
//! quantiles are interpolated inside it (common practice for grouped data).

/// Quantile `p` in (0, 1) of `values`, which are reordered; `None` when there are none.
pub fn quantile(values: &mut [f32], p: f64, quantum: Option<f64>) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let rank = p * n as f64;
    let k = (rank.floor() as usize).min(n - 1);
    let (_, &mut at, _) = values.select_nth_unstable_by(k, f32::total_cmp);
    let Some(step) = quantum.filter(|q| *q > 0.0) else {
        return Some(f64::from(at));
    };
    let half = (0.5 * step) as f32;
    let (mut below, mut inside) = (0_usize, 0_usize);
    for &value in values.iter() {
        if value < at - half {
            below += 1;
        } else if value <= at + half {
            inside += 1;
        }
    }
    Some(f64::from(at) + step * ((rank - below as f64) / inside as f64 - 0.5).clamp(-0.5, 0.5))
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
    fn nothing_has_no_quantile_and_a_constant_is_itself() {
        assert_eq!(quantile(&mut [], 0.5, None), None);
        assert_eq!(quantile(&mut [7.0; 9], 0.5, Some(1.0)), Some(7.0));
    }
}
