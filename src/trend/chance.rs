//! How often chance does as well.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom;
use rand_distr::{Distribution, StandardNormal};

/// From here on random orders of the values give the p-value, before it simulated normal values.
const RANDOM_ORDERS_FROM: usize = 12;
/// Series drawn, so that 1/(draws + 1) is the smallest p-value.
const DRAWS: usize = 9999;

/// The share of series drawn in place of `values`, with a fixed seed, that do as well, `values` themselves
/// counted among them.
pub fn share_as_good(values: &[f64], seed: u64, mut is_as_good: impl FnMut(&[f64]) -> bool) -> f64 {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut drawn = values.to_vec();
    let mut as_good = 0;
    for _ in 0..DRAWS {
        if values.len() >= RANDOM_ORDERS_FROM {
            drawn.shuffle(&mut rng);
        } else {
            drawn.fill_with(|| StandardNormal.sample(&mut rng));
        }
        as_good += usize::from(is_as_good(&drawn));
    }
    (1 + as_good) as f64 / (1 + DRAWS) as f64
}
