//! Are the stated errors true, and is what exceeds them white over the field?

use statrs::distribution::{ChiSquared, ContinuousCDF};

use super::root::crossing_above;

/// What the residuals say of the stated errors, before any floor is fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct NoiseCheck {
    /// Rms of the residuals over their stated errors, leverage allowed for: 1 if the errors are true.
    pub pull: f64,
    /// The same by exposure; none without degrees of freedom.
    pub exposure_pull: Vec<Option<f64>>,
    /// Residual degrees of freedom, all components.
    pub dof: f64,
    /// Probability of a scatter this large, if the errors are true.
    pub p_excess: f64,
    /// Probability of a scatter this small.
    pub p_deficit: f64,
    /// Variance per star and exposure that the errors do not explain (0 unless significant).
    pub excess_variance: f64,
    /// Factor on all stated variances (below 1 where they are significantly too large).
    pub variance_factor: f64,
    /// Covariance of the residuals of neighbouring stars in the same exposure, what the fit
    /// itself induces removed: change of higher order than the basis.
    pub correlated: Correlated,
}

/// Covariance of neighbours' residuals: white scatter has none.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Correlated {
    pub variance: f64,
    pub err: f64,
    pub pairs: usize,
}

/// Probability below which stated errors are taken to be wrong, in each direction.
pub const SIGNIFICANT: f64 = 0.025;
/// Neighbours of each star that make pairs.
const NEIGHBOURS: usize = 3;

impl NoiseCheck {
    /// Whether the scatter counts as change until shown white: it exceeds the errors, or
    /// neighbours scatter together.
    pub fn in_doubt(&self) -> bool {
        self.p_excess < SIGNIFICANT || self.correlated.variance > 1.96 * self.correlated.err
    }
}

/// A row as the check needs it. Rejected rows are left out by the caller.
#[derive(Debug, Clone, Copy)]
pub struct Residual {
    pub exposure: usize,
    pub x: f64,
    pub y: f64,
    /// Per component; the second is 0 where there is one.
    pub value: [f64; 2],
    pub variance: f64,
    pub leverage: f64,
}

/// The pulls, the excess over the stated errors by chi-square, and the correlation of neighbours.
/// `induced(i, j)` is the covariance that the fit itself gives to residuals i and j of one
/// exposure when the noise is white (negative), per component.
pub fn check(
    rows: &[Residual],
    exposures: usize,
    components: usize,
    induced: impl Fn(usize, usize) -> f64,
) -> NoiseCheck {
    let q = components as f64;
    let square = |r: &Residual| r.value.iter().take(components).map(|v| v * v).sum::<f64>();
    let chi2: f64 = rows.iter().map(|r| square(r) / r.variance).sum();
    let dof: f64 = q * rows.iter().map(|r| 1.0 - r.leverage).sum::<f64>();
    let exposure_pull = (0..exposures)
        .map(|t| {
            let own = || rows.iter().filter(|r| r.exposure == t);
            let dof = q * own().map(|r| 1.0 - r.leverage).sum::<f64>();
            (dof > 0.5).then(|| (own().map(|r| square(r) / r.variance).sum::<f64>() / dof).sqrt())
        })
        .collect();
    let (p_excess, p_deficit) = match ChiSquared::new(dof) {
        Ok(distribution) => (distribution.sf(chi2), distribution.cdf(chi2)),
        Err(_) => (1.0, 1.0),
    };
    let excess_variance = if p_excess < SIGNIFICANT {
        let typical = rows.iter().map(|r| r.variance).sum::<f64>() / rows.len() as f64;
        let miss = |extra: f64| rows.iter().map(|r| square(r) / (r.variance + extra)).sum::<f64>() - dof;
        crossing_above(miss, 0.0, typical, 1e-9).unwrap_or(0.0)
    } else {
        0.0
    };
    let variance_factor = if p_deficit < SIGNIFICANT { chi2 / dof } else { 1.0 };
    NoiseCheck {
        pull: if dof > 0.0 { (chi2 / dof).sqrt() } else { 1.0 },
        exposure_pull,
        dof,
        p_excess,
        p_deficit,
        excess_variance,
        variance_factor,
        correlated: neighbours(rows, exposures, components, excess_variance, induced),
    }
}

/// Mean product of the residuals of near pairs, weighted by the inverse of their variances.
fn neighbours(
    rows: &[Residual],
    exposures: usize,
    components: usize,
    excess: f64,
    induced: impl Fn(usize, usize) -> f64,
) -> Correlated {
    let (mut weight_sum, mut product_sum, mut pairs) = (0.0, 0.0, 0);
    let mut products = vec![];
    for t in 0..exposures {
        let own: Vec<usize> = (0..rows.len()).filter(|i| rows[*i].exposure == t).collect();
        for (i, j) in near_pairs(rows, &own) {
            let weight = 1.0 / ((rows[i].variance + excess) * (rows[j].variance + excess));
            let expected = induced(i, j);
            for component in 0..components {
                let product = rows[i].value[component] * rows[j].value[component] - expected;
                product_sum += weight * product;
                weight_sum += weight;
                products.push((weight, product));
            }
            pairs += 1;
        }
    }
    if weight_sum <= 0.0 {
        return Correlated::default();
    }
    let variance = product_sum / weight_sum;
    // Products of one pair in n exposures are tied by the star offsets: (1 - 1/n).
    let white = ((1.0 - 1.0 / exposures as f64) / weight_sum).sqrt();
    let scatter: f64 = products.iter().map(|(w, p)| (w * (p - variance)).powi(2)).sum();
    let tied = exposures as f64 / (exposures as f64 - 1.0);
    Correlated { variance, err: white.max((scatter * tied).sqrt() / weight_sum), pairs }
}

/// Pairs of each star of one exposure with its nearest neighbours, each pair once.
fn near_pairs(rows: &[Residual], own: &[usize]) -> Vec<(usize, usize)> {
    let mut pairs = vec![];
    for &i in own {
        let mut others: Vec<(f64, usize)> = own
            .iter()
            .filter(|j| **j != i)
            .map(|&j| ((rows[i].x - rows[j].x).powi(2) + (rows[i].y - rows[j].y).powi(2), j))
            .collect();
        if others.len() > NEIGHBOURS {
            others.select_nth_unstable_by(NEIGHBOURS - 1, |a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            others.truncate(NEIGHBOURS);
        }
        pairs.extend(others.into_iter().map(|(_, j)| (i.min(j), i.max(j))));
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}
