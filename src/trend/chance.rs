//! How often chance does as well.

use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use rand::seq::SliceRandom;
use rand_distr::{Distribution, StandardNormal};

/// From here on random orders of the values give the p-value, before it simulated normal values.
const RANDOM_ORDERS_FROM: usize = 12;
/// Series drawn, so that 1/(draws + 1) is the smallest p-value.
const DRAWS: usize = 9999;

/// The share of series drawn, with a fixed seed, that do as well as the one in hand, itself counted among
/// them. `standard` are its values less what is fitted, over their `deviations`: they are drawn in another
/// order, or normal values in their place, and each is given the deviation of the place it comes to.
pub fn share_as_good(
    standard: &[f64],
    deviations: &[f64],
    seed: u64,
    mut is_as_good: impl FnMut(&[f64]) -> bool,
) -> f64 {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut order, mut drawn) = (standard.to_vec(), standard.to_vec());
    let mut as_good = 0;
    for _ in 0..DRAWS {
        if standard.len() >= RANDOM_ORDERS_FROM {
            order.shuffle(&mut rng);
        } else {
            order.fill_with(|| StandardNormal.sample(&mut rng));
        }
        drawn.iter_mut().zip(&order).zip(deviations).for_each(|((d, z), deviation)| *d = z * deviation);
        as_good += usize::from(is_as_good(&drawn));
    }
    (1 + as_good) as f64 / (1 + DRAWS) as f64
}
