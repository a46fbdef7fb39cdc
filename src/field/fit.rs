//! Weighted and robust fits of one quantity over the field.

use nalgebra::{DMatrix, DVector};

use super::least_squares::{Solution, solve};
use super::robust::{bisquare, bisquare_covariance_factor, huber, scale_of_absolute};
use super::{Basis, FieldError};

/// How outlying stars are treated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Robustness<'a> {
    /// Plain weighted least squares.
    None,
    /// Huber's weights to start from, then the bisquare, scale by the median absolute residual.
    Bisquare,
    /// The bisquare from these weights on, one a star: those of a fit that differs little.
    BisquareFrom(&'a [f64]),
}

impl<'a> Robustness<'a> {
    fn start(self) -> Option<&'a [f64]> {
        match self {
            Robustness::BisquareFrom(weights) => Some(weights),
            _ => None,
        }
    }
}

/// A quantity over the field: coefficients on a basis, with their covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldFit {
    pub basis: Basis,
    pub coefficients: DVector<f64>,
    /// From the stated errors, not scaled by the scatter; under `Bisquare` with the
    /// factor that the robustness costs.
    pub covariance: DMatrix<f64>,
    /// Of the residuals over the stated errors, robust weights applied.
    pub chi2: f64,
    /// Stars of weight above zero minus functions.
    pub dof: usize,
    /// Value minus model, one a star.
    pub residuals: Vec<f64>,
    /// Robust weights 0..1, one a star (all 1 without robustness).
    pub weights: Vec<f64>,
    /// One a star; none from [`fit_design`].
    pub leverage: Vec<f64>,
}

impl FieldFit {
    /// The model at (x, y) and its standard error from the covariance of the coefficients.
    pub fn predict(&self, x: f64, y: f64) -> (f64, f64) {
        self.predict_from(&self.basis.evaluate(x, y))
    }

    /// As [`FieldFit::predict`], from the values of the basis' functions there.
    pub fn predict_from(&self, phi: &[f64]) -> (f64, f64) {
        let along = |k: usize| self.covariance.column(k).iter().zip(phi).map(|(c, f)| c * f).sum::<f64>();
        let variance: f64 = phi.iter().enumerate().map(|(k, own)| own * along(k)).sum();
        (self.value_from(phi), variance.max(0.0).sqrt())
    }

    /// The model alone from the values of the basis' functions at a place.
    pub fn value_from(&self, phi: &[f64]) -> f64 {
        self.coefficients.iter().zip(phi).map(|(coefficient, own)| coefficient * own).sum()
    }

    /// The model alone: no residuals, weights and leverages.
    pub fn without_stars(self) -> Self {
        Self { residuals: Vec::new(), weights: Vec::new(), leverage: Vec::new(), ..self }
    }

    /// The model at (x, y) alone.
    pub fn value(&self, x: f64, y: f64) -> f64 {
        self.basis.evaluate(x, y).iter().zip(self.coefficients.iter()).map(|(f, c)| f * c).sum()
    }

    /// Mean over the region of the basis, and its standard error.
    pub fn field_mean(&self) -> (f64, f64) {
        (self.coefficients[0], self.covariance[(0, 0)].max(0.0).sqrt())
    }
}

/// Fits `values` with standard errors `sigmas` at `xs`, `ys` (the units of the basis).
///
/// Errors: unequal lengths, entries that are not finite, fewer stars than functions,
/// stars that do not span the basis.
pub fn fit(
    basis: &Basis,
    xs: &[f64],
    ys: &[f64],
    values: &[f64],
    sigmas: &[f64],
    robustness: Robustness,
) -> Result<FieldFit, FieldError> {
    check_entries(xs, ys, values, sigmas)?;
    if let Some(start) = robustness.start().filter(|start| start.len() != values.len()) {
        let (found, expected) = (start.len(), values.len());
        return Err(FieldError::LengthMismatch { what: "the list of weights", found, expected });
    }
    let design = basis.design(xs, ys);
    let (fitted, solution, product) = fitted(basis, &design, values, sigmas, robustness)?;
    Ok(FieldFit { leverage: solution.leverages(&design, &product), ..fitted })
}

/// As [`fit`], for a basis evaluated at the stars: one row each, as [`Basis::design`] gives them; without the leverages.
/// Entries must be finite.
///
/// Errors: fewer stars than functions, stars that do not span the basis.
pub fn fit_design(
    basis: &Basis,
    design: &DMatrix<f64>,
    values: &[f64],
    sigmas: &[f64],
    robustness: Robustness,
) -> Result<FieldFit, FieldError> {
    fitted(basis, design, values, sigmas, robustness).map(|(fitted, ..)| fitted)
}

/// The fit without its leverages, the solution behind it, and the weights of that.
fn fitted(
    basis: &Basis,
    design: &DMatrix<f64>,
    values: &[f64],
    sigmas: &[f64],
    robustness: Robustness,
) -> Result<(FieldFit, Solution, Vec<f64>), FieldError> {
    let rows = Rows::new(design, values, sigmas);
    let (solution, weights) = rows.solve(robustness, |_| true)?;
    let mut covariance = solution.covariance();
    if robustness != Robustness::None {
        let per_star = basis.functions() as f64 / values.len() as f64;
        covariance *= bisquare_covariance_factor(per_star);
    }
    let residuals = residuals(design, values, &solution);
    let product: Vec<f64> = rows.inverse_variance.iter().zip(&weights).map(|(w, u)| u * w).collect();
    let chi2 = residuals.iter().zip(&product).map(|(r, w)| w * r * r).sum();
    let used = weights.iter().filter(|u| **u > 0.0).count();
    let fitted = FieldFit {
        basis: basis.clone(),
        dof: used - basis.functions(),
        leverage: Vec::new(),
        coefficients: solution.coefficients.clone(),
        covariance,
        chi2,
        residuals,
        weights,
    };
    Ok((fitted, solution, product))
}

/// Robust weights that move by less than this have settled; where they began from those of a fit that
/// differs little, a thousandth of a weight moves no model by a thousandth of its error.
const SETTLED: f64 = 1e-6;
const SETTLED_NEAR: f64 = 1e-3;

/// Values over the field, each with the functions at its place.
pub(super) struct Rows<'a> {
    design: &'a DMatrix<f64>,
    values: &'a [f64],
    inverse_variance: Vec<f64>,
}

impl<'a> Rows<'a> {
    pub(super) fn new(design: &'a DMatrix<f64>, values: &'a [f64], sigmas: &'a [f64]) -> Self {
        let inverse_variance = sigmas.iter().map(|s| 1.0 / (s * s)).collect();
        Self { design, values, inverse_variance }
    }

    /// The solution from those rows alone that are kept, and the robust weights (0 for the others).
    pub(super) fn solve(
        &self,
        robustness: Robustness,
        kept: impl Fn(usize) -> bool,
    ) -> Result<(Solution, Vec<f64>), FieldError> {
        let kept: Vec<usize> = (0..self.values.len()).filter(|&i| kept(i)).collect();
        let mut weights = vec![0.0; self.values.len()];
        kept.iter().for_each(|&i| weights[i] = robustness.start().map_or(1.0, |start| start[i]));
        let mut product = weights.clone();
        let mut solution = self.once(&weights, &mut product)?;
        if robustness == Robustness::None {
            return Ok((solution, weights));
        }
        let (huber_steps, settled) = match robustness.start() {
            None => (10, SETTLED),
            Some(_) => (0, SETTLED_NEAR),
        };
        let inverse_deviations = self.inverse_deviations(&solution.leverages(self.design, &product));
        let (mut distances, mut keys) = (product.clone(), Vec::with_capacity(kept.len()));
        for (begins, iterations) in [(true, huber_steps), (false, 25)] {
            for _ in 0..iterations {
                self.distances(&solution, &inverse_deviations, &mut distances);
                let scale = scale_of_absolute(kept.iter().map(|&i| distances[i]), &mut keys);
                let Some(scale) = scale.filter(|s| *s > 1e-9) else { break };
                let (mut moved, per_scale) = (0.0f64, 1.0 / scale);
                for &i in &kept {
                    let distance = distances[i] * per_scale;
                    let new = if begins { huber(distance) } else { bisquare(distance) };
                    moved = moved.max((new - weights[i]).abs());
                    weights[i] = new;
                }
                solution = self.once(&weights, &mut product)?;
                if moved < settled {
                    break;
                }
            }
        }
        Ok((solution, weights))
    }

    fn once(&self, weights: &[f64], product: &mut [f64]) -> Result<Solution, FieldError> {
        for ((out, u), w) in product.iter_mut().zip(weights).zip(&self.inverse_variance) {
            *out = u * w;
        }
        solve(self.design, self.values, product)
    }

    /// One over the standard deviation of each residual, given the leverages of the first solution: they
    /// are of the places of the stars, and hardly change with the robust weights (common practice).
    fn inverse_deviations(&self, leverages: &[f64]) -> Vec<f64> {
        let free = leverages.iter().map(|leverage| (1.0 - leverage).max(0.05));
        free.zip(&self.inverse_variance).map(|(free, w)| (w / free).sqrt()).collect()
    }

    /// Moduli of the residuals over their own standard deviation.
    fn distances(&self, solution: &Solution, inverse_deviations: &[f64], out: &mut [f64]) {
        let model = self.design * &solution.coefficients;
        for (i, out) in out.iter_mut().enumerate() {
            *out = ((self.values[i] - model[i]) * inverse_deviations[i]).abs();
        }
    }
}

fn residuals(design: &DMatrix<f64>, values: &[f64], solution: &Solution) -> Vec<f64> {
    let model = design * &solution.coefficients;
    values.iter().zip(model.iter()).map(|(v, m)| v - m).collect()
}

pub(super) fn check_entries(
    xs: &[f64],
    ys: &[f64],
    values: &[f64],
    sigmas: &[f64],
) -> Result<(), FieldError> {
    for (what, found) in [("x", xs.len()), ("y", ys.len()), ("the list of errors", sigmas.len())] {
        if found != values.len() {
            return Err(FieldError::LengthMismatch { what, found, expected: values.len() });
        }
    }
    for index in 0..values.len() {
        let (value, sigma) = (values[index], sigmas[index]);
        let finite = value.is_finite() && xs[index].is_finite() && ys[index].is_finite();
        if !(finite && sigma > 0.0 && sigma.is_finite()) {
            return Err(FieldError::BadEntry { index, value, sigma });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    fn scattered(stars: usize, seed: u64) -> (Vec<f64>, Vec<f64>, Vec<f64>, Vec<f64>) {
        let mut rng = StdRng::seed_from_u64(seed);
        let (mut xs, mut ys, mut values, mut sigmas) = (vec![], vec![], vec![], vec![]);
        for _ in 0..stars {
            let (x, y) = (rng.random_range(0.0..2000.0), rng.random_range(0.0..1000.0));
            let sigma = rng.random_range(0.5..2.0);
            let noise: f64 = rng.sample(StandardNormal);
            values.push(1.0 + 1e-3 * x - 2e-3 * y + sigma * noise);
            xs.push(x);
            ys.push(y);
            sigmas.push(sigma);
        }
        (xs, ys, values, sigmas)
    }

    #[test]
    fn robust_errors_are_the_scatter_of_the_estimates() {
        let basis = Basis::over_rectangle(0.0, 2000.0, 0.0, 1000.0, 2).unwrap();
        let repeats = 400;
        let mut sum = 0.0;
        for seed in 0..repeats {
            let (xs, ys, values, sigmas) = scattered(60, seed);
            let fit = fit(&basis, &xs, &ys, &values, &sigmas, Robustness::Bisquare).unwrap();
            let truth = 1.0 + 1.0 - 1.0;
            sum += ((fit.coefficients[0] - truth) / fit.field_mean().1).powi(2);
        }
        // Mean square of `repeats` standard normals: 1 +- sqrt(2/repeats); 3 sigma.
        let mean = sum / repeats as f64;
        assert!((mean - 1.0).abs() < 3.0 * (2.0 / repeats as f64).sqrt(), "{mean}");
    }

    #[test]
    fn one_wild_star_moves_nothing() {
        let basis = Basis::over_rectangle(0.0, 2000.0, 0.0, 1000.0, 2).unwrap();
        let (xs, ys, mut values, sigmas) = scattered(60, 7);
        let before = fit(&basis, &xs, &ys, &values, &sigmas, Robustness::Bisquare).unwrap();
        values[11] += 1e6;
        let after = fit(&basis, &xs, &ys, &values, &sigmas, Robustness::Bisquare).unwrap();
        assert_eq!(after.weights[11], 0.0);
        for k in 0..6 {
            let shift = (after.coefficients[k] - before.coefficients[k]).abs();
            assert!(shift < before.covariance[(k, k)].sqrt());
        }
    }

    #[test]
    fn too_few_stars_and_a_line_of_stars_are_errors() {
        let basis = Basis::over_rectangle(0.0, 10.0, 0.0, 10.0, 2).unwrap();
        let few = fit(&basis, &[1.0; 5], &[1.0; 5], &[1.0; 5], &[1.0; 5], Robustness::None);
        assert_eq!(few, Err(FieldError::TooFewStars { stars: 5, functions: 6 }));
        let line: Vec<f64> = (0..20).map(|i| 0.5 * i as f64).collect();
        let fitted = fit(&basis, &line, &line, &line, &[1.0; 20], Robustness::None);
        assert_eq!(fitted, Err(FieldError::Singular { functions: 6 }));
        let bad = fit(&basis, &line, &line, &line, &[0.0; 20], Robustness::None);
        assert!(matches!(bad, Err(FieldError::BadEntry { index: 0, .. })));
    }
}
