//! Which exposures to leave out, groups of like ones, and the halves of the stars that
//! keep the choice apart from the test.

use crate::field::order::mix;

use super::Change;

/// Everything that the mean-square change of any subset of the exposures needs: the
/// products of their coefficients, and the traces of their covariances.
#[derive(Debug, Clone, PartialEq)]
pub struct Products {
    exposures: usize,
    components: f64,
    /// `sum over components of c_t . c_u`, row after row.
    change: Vec<f64>,
    /// `sum over components of tr Cov(c_t, c_u)`.
    noise: Vec<f64>,
}

/// One step of leaving out: the exposure, and the rms change (noise removed) of those that then remain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Removal {
    pub exposure: usize,
    pub rms_after: f64,
}

impl Products {
    pub fn new(change: &Change) -> Self {
        let (n, k, q) = (change.exposures, change.functions, change.components as f64);
        let mut products = vec![0.0; n * n];
        for c in &change.coefficients {
            let gram = c * c.transpose();
            for t in 0..n {
                for u in 0..n {
                    products[t * n + u] += gram[(t, u)];
                }
            }
        }
        let own: Vec<f64> = change.exposure_covariance.iter().map(|b| b.trace()).collect();
        let mut noise = vec![0.0; n * n];
        for t in 0..n {
            for u in 0..n {
                noise[t * n + u] = q * match &change.covariance {
                    Some(c) => (0..k).map(|j| c[(t * k + j, u * k + j)]).sum::<f64>(),
                    None if t == u => own[t],
                    None => 0.0,
                };
            }
        }
        Self { exposures: n, components: q, change: products, noise }
    }

    /// Several quantities as one: each mean square divided by the square of its limit, added.
    /// None without parts or for parts of different stacks.
    pub fn joined(parts: &[(&Self, f64)]) -> Option<Self> {
        let exposures = parts.first()?.0.exposures;
        if parts.iter().any(|(p, _)| p.exposures != exposures) {
            return None;
        }
        let sum = |pick: fn(&Self) -> &Vec<f64>| {
            let mut total = vec![0.0; exposures * exposures];
            for (part, limit) in parts {
                for (t, value) in total.iter_mut().zip(pick(part)) {
                    *t += value / (part.components * limit * limit);
                }
            }
            total
        };
        Some(Self { exposures, components: 1.0, change: sum(|p| &p.change), noise: sum(|p| &p.noise) })
    }

    /// Mean-square change among the exposures of `subset` about their own mean, noise
    /// removed; may be negative. None for fewer than two.
    pub fn mean_square(&self, subset: &[usize]) -> Option<f64> {
        let m = subset.len() as f64;
        if subset.len() < 2 {
            return None;
        }
        let about_mean = |matrix: &[f64]| {
            let own: f64 = subset.iter().map(|t| matrix[t * self.exposures + t]).sum();
            let all: f64 =
                subset.iter().flat_map(|t| subset.iter().map(move |u| matrix[t * self.exposures + u])).sum();
            own - all / m
        };
        Some((about_mean(&self.change) - about_mean(&self.noise)) / ((m - 1.0) * self.components))
    }

    /// Rms change of a subset, 0 where its square is not above zero.
    pub fn rms(&self, subset: &[usize]) -> Option<f64> {
        Some(self.mean_square(subset)?.max(0.0).sqrt())
    }

    /// The order in which to leave exposures out: each time the one whose removal lowers the
    /// mean-square change most, until two remain.
    pub fn leave_out_candidates(&self) -> Vec<Removal> {
        let mut left: Vec<usize> = (0..self.exposures).collect();
        let mut removals = vec![];
        while left.len() > 2 {
            let without = |i: usize| {
                let rest: Vec<usize> = left.iter().copied().filter(|t| *t != left[i]).collect();
                self.mean_square(&rest).unwrap_or(f64::INFINITY)
            };
            let squares: Vec<f64> = (0..left.len()).map(without).collect();
            let best = (0..left.len()).min_by(|a, b| squares[*a].total_cmp(&squares[*b])).unwrap_or(0);
            removals.push(Removal { exposure: left[best], rms_after: squares[best].max(0.0).sqrt() });
            left.remove(best);
        }
        removals
    }

    /// Splits the exposures into `groups` groups by merging, from single exposures up, the two
    /// whose union adds least to the squared distance from the group means (Ward 1963,
    /// J. Am. Stat. Assoc. 58, 236), noise removed. None where a group would have fewer than
    /// `smallest` members. Groups and members in the order of the exposures.
    pub fn groups(&self, groups: usize, smallest: usize) -> Option<Vec<Vec<usize>>> {
        if groups == 0 || groups * smallest > self.exposures {
            return None;
        }
        let within = |set: &[usize]| self.mean_square(set).map_or(0.0, |v| v * (set.len() as f64 - 1.0));
        let mut clusters: Vec<Vec<usize>> = (0..self.exposures).map(|t| vec![t]).collect();
        while clusters.len() > groups {
            let mut best = (f64::INFINITY, 0, 1);
            for a in 0..clusters.len() {
                for b in a + 1..clusters.len() {
                    let union = [clusters[a].as_slice(), clusters[b].as_slice()].concat();
                    let cost = within(&union) - within(&clusters[a]) - within(&clusters[b]);
                    if cost < best.0 {
                        best = (cost, a, b);
                    }
                }
            }
            let merged = clusters.remove(best.2);
            clusters[best.1].extend(merged);
        }
        for cluster in &mut clusters {
            cluster.sort_unstable();
        }
        clusters.sort();
        clusters.iter().all(|c| c.len() >= smallest).then_some(clusters)
    }
}

/// The half a star belongs to: choose with one, test with the other. Fixed by a hash of its index.
pub fn in_first_half(star: usize) -> bool {
    mix(star as u64) & 1 == 0
}
