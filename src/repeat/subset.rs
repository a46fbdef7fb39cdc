//! Which exposures to leave out, groups of like ones, and the halves of the stars that
//! keep the choice apart from the test.

use crate::field::order::mix;

use super::Change;

/// Everything that the mean-square change of any subset of the exposures needs: the
/// products of their coefficients, less the traces of their covariances.
#[derive(Debug, Clone, PartialEq)]
pub struct Products {
    exposures: usize,
    components: f64,
    /// `sum over components of c_t . c_u - tr Cov(c_t, c_u)`, row after row.
    change: Vec<f64>,
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
        for t in 0..n {
            match &change.covariance {
                Some(c) => {
                    for u in 0..n {
                        let noise: f64 = (0..k).map(|j| c[(t * k + j, u * k + j)]).sum();
                        products[t * n + u] -= q * noise;
                    }
                }
                None => products[t * n + t] -= q * change.exposure_covariance[t].trace(),
            }
        }
        Self { exposures: n, components: q, change: products }
    }

    /// Several quantities as one: each mean square divided by the square of its limit, added.
    /// None without parts or for parts of different stacks.
    pub fn joined(parts: &[(&Self, f64)]) -> Option<Self> {
        let exposures = parts.first()?.0.exposures;
        if parts.iter().any(|(p, _)| p.exposures != exposures) {
            return None;
        }
        let mut total = vec![0.0; exposures * exposures];
        for (part, limit) in parts {
            for (t, value) in total.iter_mut().zip(&part.change) {
                *t += value / (part.components * limit * limit);
            }
        }
        Some(Self { exposures, components: 1.0, change: total })
    }

    fn of(&self, t: usize, u: usize) -> f64 {
        self.change[t * self.exposures + u]
    }

    /// Mean-square change among the exposures of `subset` about their own mean, noise
    /// removed; may be negative. None for fewer than two.
    pub fn mean_square(&self, subset: &[usize]) -> Option<f64> {
        self.left(subset.to_vec()).mean_square()
    }

    /// Some exposures, from which others are to be taken.
    pub fn left(&self, exposures: Vec<usize>) -> Left<'_> {
        let mut with_all = vec![0.0; self.exposures];
        for &t in &exposures {
            with_all[t] = exposures.iter().map(|&u| self.of(t, u)).sum();
        }
        Left {
            own: exposures.iter().map(|&t| self.of(t, t)).sum(),
            all: exposures.iter().map(|&t| with_all[t]).sum(),
            products: self,
            with_all,
            exposures,
        }
    }

    /// Rms change of a subset, 0 where its square is not above zero.
    pub fn rms(&self, subset: &[usize]) -> Option<f64> {
        Some(self.mean_square(subset)?.max(0.0).sqrt())
    }

    /// The order in which to leave exposures out: each time the one whose removal lowers the
    /// mean-square change most, until two remain.
    pub fn leave_out_candidates(&self) -> Vec<Removal> {
        let mut left = self.left((0..self.exposures).collect());
        let mut removals = vec![];
        while left.exposures.len() > 2 {
            let Some(exposure) = left.worst() else { break };
            left.remove(exposure);
            removals.push(Removal { exposure, rms_after: left.mean_square().unwrap_or(0.0).max(0.0).sqrt() });
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
        let mut merging = Merging::new(self);
        let mut clusters: Vec<Vec<usize>> = (0..self.exposures).map(|t| vec![t]).collect();
        for _ in groups..self.exposures {
            let (a, b) = merging.merge()?;
            let merged = std::mem::take(&mut clusters[b]);
            clusters[a].extend(merged);
        }
        clusters.retain(|cluster| !cluster.is_empty());
        for cluster in &mut clusters {
            cluster.sort_unstable();
        }
        clusters.sort();
        clusters.iter().all(|c| c.len() >= smallest).then_some(clusters)
    }
}

/// Exposures from which one after the other is taken, each in a time linear in their number.
#[derive(Debug, Clone)]
pub struct Left<'a> {
    products: &'a Products,
    exposures: Vec<usize>,
    /// Sum of each exposure's products with all that are left.
    with_all: Vec<f64>,
    own: f64,
    all: f64,
}

impl Left<'_> {
    pub fn exposures(&self) -> &[usize] {
        &self.exposures
    }

    fn about_mean(&self, own: f64, all: f64, count: usize) -> Option<f64> {
        let m = count as f64;
        (count >= 2).then(|| (own - all / m) / ((m - 1.0) * self.products.components))
    }

    /// As [`Products::mean_square`].
    pub fn mean_square(&self) -> Option<f64> {
        self.about_mean(self.own, self.all, self.exposures.len())
    }

    /// The exposure whose removal lowers the mean-square change most.
    pub fn worst(&self) -> Option<usize> {
        let without = |t: usize| {
            let (own, all) = self.sums_without(t);
            self.about_mean(own, all, self.exposures.len() - 1).unwrap_or(f64::INFINITY)
        };
        let changes = self.exposures.iter().map(|&t| (without(t), t));
        changes.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, t)| t)
    }

    fn sums_without(&self, t: usize) -> (f64, f64) {
        let own = self.products.of(t, t);
        (self.own - own, self.all - 2.0 * self.with_all[t] + own)
    }

    pub fn remove(&mut self, gone: usize) {
        (self.own, self.all) = self.sums_without(gone);
        self.exposures.retain(|&t| t != gone);
        for &t in &self.exposures {
            self.with_all[t] -= self.products.of(t, gone);
        }
    }
}

/// Groups being merged, each under the number of its first exposure; the cheapest partner of each is
/// kept, so that a merger costs little more than one look at every group.
struct Merging {
    exposures: usize,
    /// Sums of the products between any two groups.
    sums: Vec<f64>,
    members: Vec<f64>,
    /// Cheapest merger of each group with a later one.
    best: Vec<Option<(f64, usize)>>,
}

impl Merging {
    fn new(products: &Products) -> Self {
        let exposures = products.exposures;
        let (sums, members) = (products.change.clone(), vec![1.0; exposures]);
        let mut merging = Self { exposures, sums, members, best: Vec::new() };
        merging.best = (0..exposures).map(|a| merging.best_of(a)).collect();
        merging
    }

    /// What the union of two groups adds to the squared distance from their means.
    fn cost(&self, a: usize, b: usize) -> f64 {
        let sum = |a: usize, b: usize| self.sums[a * self.exposures + b];
        let (of_a, of_b, both) = (sum(a, a), sum(b, b), sum(a, b));
        let (in_a, in_b) = (self.members[a], self.members[b]);
        of_a / in_a + of_b / in_b - (of_a + of_b + 2.0 * both) / (in_a + in_b)
    }

    fn best_of(&self, a: usize) -> Option<(f64, usize)> {
        let later = (a + 1..self.exposures).filter(|&b| self.members[b] > 0.0);
        later.map(|b| (self.cost(a, b), b)).min_by(|x, y| x.0.total_cmp(&y.0))
    }

    /// Merges the cheapest two; gives their numbers, the first of which stands for both.
    fn merge(&mut self) -> Option<(usize, usize)> {
        let n = self.exposures;
        let known = self.best.iter().enumerate().filter_map(|(a, best)| best.map(|(cost, b)| (cost, a, b)));
        let (_, a, b) = known.min_by(|x, y| x.0.total_cmp(&y.0))?;
        for c in (0..n).filter(|&c| self.members[c] > 0.0) {
            self.sums[a * n + c] += self.sums[b * n + c];
        }
        for c in (0..n).filter(|&c| self.members[c] > 0.0) {
            self.sums[c * n + a] += self.sums[c * n + b];
        }
        self.members[a] += self.members[b];
        self.members[b] = 0.0;
        self.best[b] = None;
        for c in (0..n).filter(|&c| self.members[c] > 0.0) {
            match self.best[c] {
                Some((cost, partner)) if c < a && partner != a && partner != b => {
                    let with_a = self.cost(c, a);
                    if with_a < cost || (with_a == cost && a < partner) {
                        self.best[c] = Some((with_a, a));
                    }
                }
                Some((_, partner)) if c > a && partner != b => {}
                _ => self.best[c] = self.best_of(c),
            }
        }
        Some((a, b))
    }
}

/// The half a star belongs to: choose with one, test with the other. Fixed by a hash of its index.
pub fn in_first_half(star: usize) -> bool {
    mix(star as u64) & 1 == 0
}
