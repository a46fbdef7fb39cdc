//! The order of the field model, chosen by stars held out of the fit.

use nalgebra::{DMatrix, DVector};

use super::basis::functions_of_degree;
use super::fit::{Rows, check_entries};
use super::{Basis, FieldError, Robustness};

/// Held-out error of every degree tried, and the choice.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderChoice {
    pub degree: usize,
    /// Mean square of the held-out residuals over their errors, by degree from 0.
    pub held_out: Vec<f64>,
    /// Standard error of each mean.
    pub held_out_err: Vec<f64>,
    /// Held-out residuals under the chosen degree, one a star.
    pub residuals: Vec<f64>,
}

/// Chooses the degree by `folds`-fold held-out stars and the one-standard-error rule: the
/// lowest degree whose error lies within one standard error of the best (Breiman et al.
/// 1984, Classification and Regression Trees, section 3.4.3, from memory).
///
/// Degrees run from 0 to that of `basis`, as far as the stars left in a fold outnumber the
/// functions by half. Held-out residuals beyond ten errors of the robust fit are capped
/// there, so that one bad star cannot choose.
pub fn choose_degree(
    basis: &Basis,
    xs: &[f64],
    ys: &[f64],
    values: &[f64],
    sigmas: &[f64],
    folds: usize,
) -> Result<OrderChoice, FieldError> {
    let stars = values.len();
    let folds = fold_of_each(stars, folds)?;
    let in_fit = stars - stars.div_ceil(*folds.iter().max().unwrap_or(&0) + 1);
    let (mut held_out, mut held_out_err, mut residuals) = (vec![], vec![], vec![]);
    for degree in 0..=basis.degree() {
        if degree > 0 && 2 * in_fit < 3 * functions_of_degree(degree) {
            break;
        }
        let errors = match held_out_residuals(&basis.truncated(degree), xs, ys, values, sigmas, &folds) {
            Ok(errors) => errors,
            Err(FieldError::Singular { .. } | FieldError::TooFewStars { .. }) if degree > 0 => break,
            Err(error) => return Err(error),
        };
        let squares: Vec<f64> = errors.iter().zip(sigmas).map(|(r, s)| (r / s).powi(2).min(100.0)).collect();
        let mean = squares.iter().sum::<f64>() / stars as f64;
        let spread = squares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (stars - 1) as f64;
        held_out.push(mean);
        held_out_err.push((spread / stars as f64).sqrt());
        residuals.push(errors);
    }
    let best = (0..held_out.len()).min_by(|a, b| held_out[*a].total_cmp(&held_out[*b])).unwrap_or(0);
    let allowed = held_out[best] + held_out_err[best];
    let degree = held_out.iter().position(|error| *error <= allowed).unwrap_or(best);
    Ok(OrderChoice { degree, held_out, held_out_err, residuals: residuals.swap_remove(degree) })
}

/// For every star, value minus the robust model fitted without its fold.
pub fn held_out_residuals(
    basis: &Basis,
    xs: &[f64],
    ys: &[f64],
    values: &[f64],
    sigmas: &[f64],
    fold: &[usize],
) -> Result<Vec<f64>, FieldError> {
    let without = WithoutFolds::new(basis, xs, ys, values, sigmas)?;
    let mut residuals = vec![0.0; values.len()];
    let folds = fold.iter().max().map_or(0, |f| f + 1);
    for held in 0..folds {
        let model = without.model(|i| fold[i] != held)?;
        for i in (0..values.len()).filter(|i| fold[*i] == held) {
            residuals[i] = without.left(&model, i);
        }
    }
    Ok(residuals)
}

/// Robust models of some of the stars, each begun from the weights of the model of all.
pub struct WithoutFolds<'a> {
    design: DMatrix<f64>,
    values: &'a [f64],
    sigmas: &'a [f64],
    weights: Vec<f64>,
}

impl<'a> WithoutFolds<'a> {
    pub fn new(
        basis: &Basis,
        xs: &[f64],
        ys: &[f64],
        values: &'a [f64],
        sigmas: &'a [f64],
    ) -> Result<Self, FieldError> {
        check_entries(xs, ys, values, sigmas)?;
        let design = basis.design(xs, ys);
        let (_, weights) = Rows::new(&design, values, sigmas).solve(Robustness::Bisquare, |_| true)?;
        Ok(Self { design, values, sigmas, weights })
    }

    /// Coefficients from those stars alone that are to be kept.
    pub fn model(&self, keep: impl Fn(usize) -> bool) -> Result<DVector<f64>, FieldError> {
        let rows = Rows::new(&self.design, self.values, self.sigmas);
        let found = match rows.solve(Robustness::BisquareFrom(&self.weights), &keep) {
            // The few stars that weigh something there may not bear the fit by themselves.
            Err(_) => rows.solve(Robustness::Bisquare, keep),
            found => found,
        };
        Ok(found?.0.coefficients)
    }

    /// Value minus model of one star.
    pub fn left(&self, model: &DVector<f64>, star: usize) -> f64 {
        let functions = self.design.row(star);
        self.values[star] - functions.iter().zip(model.iter()).map(|(f, c)| f * c).sum::<f64>()
    }
}

/// The fold of each of `stars` stars: equal shares in an order mixed by a fixed hash of
/// the index, so that stars sorted over the field do not fall into one fold.
pub fn fold_of_each(stars: usize, folds: usize) -> Result<Vec<usize>, FieldError> {
    if folds < 2 || folds > stars {
        return Err(FieldError::BadFolds { folds, stars });
    }
    let mut order: Vec<usize> = (0..stars).collect();
    order.sort_by_key(|i| mix(*i as u64));
    let mut fold = vec![0; stars];
    for (rank, star) in order.into_iter().enumerate() {
        fold[star] = rank % folds;
    }
    Ok(fold)
}

/// The finaliser of SplitMix64 (Steele, Lea & Flood 2014, from memory): a fixed,
/// well-mixed hash of an index.
pub fn mix(index: u64) -> u64 {
    let mut z = index.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng, rngs::StdRng};
    use rand_distr::StandardNormal;

    #[test]
    fn finds_the_degree_that_made_the_field() {
        for (true_degree, stars) in [(0, 40), (1, 80), (2, 150), (3, 300)] {
            let mut rng = StdRng::seed_from_u64(100 + true_degree as u64);
            let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 5).unwrap();
            let (mut xs, mut ys, mut values) = (vec![], vec![], vec![]);
            for _ in 0..stars {
                let (x, y) = (rng.random_range(-1.0..1.0), rng.random_range(-1.0..1.0));
                let noise: f64 = rng.sample(StandardNormal);
                let signal: f64 = basis.truncated(true_degree).evaluate(x, y).iter().sum();
                xs.push(x);
                ys.push(y);
                values.push(signal + 0.3 * noise);
            }
            let sigmas = vec![0.3; stars];
            let choice = choose_degree(&basis, &xs, &ys, &values, &sigmas, 5).unwrap();
            assert_eq!(choice.degree, true_degree, "{choice:?}");
        }
    }

    #[test]
    fn folds_are_even_and_fixed() {
        let fold = fold_of_each(103, 5).unwrap();
        for f in 0..5 {
            let count = fold.iter().filter(|g| **g == f).count();
            assert!(count == 20 || count == 21);
        }
        assert_eq!(fold, fold_of_each(103, 5).unwrap());
        assert_eq!(fold_of_each(3, 5), Err(FieldError::BadFolds { folds: 5, stars: 3 }));
    }
}
