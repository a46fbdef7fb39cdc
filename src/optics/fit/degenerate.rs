//! What the images of one exposure cannot tell apart, and what they do tell.

use super::ExposureFit;
use super::parameters::name;

/// Two parameters whose errors go together so closely that only one combination of them
/// is measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Trade {
    pub first: &'static str,
    pub second: &'static str,
    /// Correlation of their errors.
    pub correlation: f64,
    /// What is measured is `first + factor * second`, here with its error, in the unit of the
    /// first.
    pub factor: f64,
    pub value: f64,
    pub error: f64,
}

/// Correlation from which two parameters are said to trade.
const TRADES: f64 = 0.9;

/// All pairs that trade, the closest first.
pub fn trades(fit: &ExposureFit) -> Vec<Trade> {
    let (c, list) = (&fit.covariance, fit.values.to_list());
    let n = fit.parameters();
    let mut found = Vec::new();
    for a in 0..n {
        for b in a + 1..n {
            let correlation = c[(a, b)] / (c[(a, a)] * c[(b, b)]).sqrt();
            if correlation.abs() < TRADES {
                continue;
            }
            // The residual of the first on the second: uncorrelated with the second.
            let factor = -c[(a, b)] / c[(b, b)];
            found.push(Trade {
                first: name(a),
                second: name(b),
                correlation,
                factor,
                value: list[a] + factor * list[b],
                error: (c[(a, a)] * (1.0 - correlation * correlation)).max(0.0).sqrt(),
            });
        }
    }
    found.sort_by(|x, y| y.correlation.abs().total_cmp(&x.correlation.abs()));
    found
}

/// Names of the parameters that the images leave undetermined.
pub fn undetermined(fit: &ExposureFit) -> Vec<&'static str> {
    (0..fit.parameters()).filter(|&k| !fit.is_determined(k)).map(name).collect()
}
