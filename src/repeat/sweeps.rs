//! Sweeps over all rows of the normal equations, exposure by exposure, with the functions of the basis made on the way.

use nalgebra::{DMatrix, DMatrixView, DVector};

use super::star_offsets::NormalEquations;
use crate::field::products::{LANES, Lanes, Products};

/// The model `f_t(x_i)` of every row under stacked coefficients.
pub(super) fn models(equations: &NormalEquations, coefficients: &DVector<f64>) -> Vec<f64> {
    let mut models = vec![0.0; equations.weights.len()];
    let (functions, exposures) = (equations.basis.functions(), equations.exposures);
    let stacked = DMatrixView::from_slice(coefficients.as_slice(), functions, exposures);
    let of_products = equations.basis.from_products().transpose() * stacked;
    let of_products = of_products.as_slice();
    pulp::Arch::new().dispatch(Models { equations, of_products, models: &mut models });
    models
}

/// Sums of `amount_i X_i` over the rows, stacked.
pub(super) fn projected(equations: &NormalEquations, amount: impl Fn(usize) -> f64) -> DVector<f64> {
    let (functions, exposures) = (equations.basis.functions(), equations.exposures);
    let mut sums = DMatrix::zeros(functions, exposures);
    pulp::Arch::new().dispatch(Project { equations, amount, sums: sums.as_mut_slice() });
    let sums = equations.basis.from_products() * sums;
    DVector::from_column_slice(sums.as_slice())
}

/// Sums of `w X X^T` by exposure.
pub(super) fn information(equations: &NormalEquations, weights: &[f64]) -> Vec<DMatrix<f64>> {
    let functions = equations.basis.functions();
    let mut information = vec![DMatrix::<f64>::zeros(functions, functions); equations.exposures];
    pulp::Arch::new().dispatch(Inform { equations, weights, information: &mut information });
    let map = equations.basis.from_products();
    information.into_iter().map(|of_products| &map * of_products * map.transpose()).collect()
}

/// `X^T B_t X` of every row, one symmetric B an exposure.
pub(super) fn quadratic_forms(equations: &NormalEquations, blocks: &[DMatrix<f64>]) -> Vec<f64> {
    let mut forms = vec![0.0; equations.weights.len()];
    let map = equations.basis.from_products();
    let blocks: Vec<DMatrix<f64>> = blocks.iter().map(|block| map.transpose() * block * &map).collect();
    pulp::Arch::new().dispatch(Forms { equations, blocks: &blocks, forms: &mut forms });
    forms
}

struct Models<'a> {
    equations: &'a NormalEquations<'a>,
    of_products: &'a [f64],
    models: &'a mut [f64],
}

impl pulp::NullaryFnOnce for Models<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let NormalEquations { basis, places, rows_of_exposure, .. } = self.equations;
        let mut products = Products::of(basis);
        for (exposure, own) in self.of_products.chunks_exact(basis.functions()).enumerate() {
            for rows in rows_of_exposure.list(exposure).chunks(LANES) {
                let mut model: Lanes = [0.0; LANES];
                for (value, c) in products.at(rows.iter().map(|&i| places[i as usize])).iter().zip(own) {
                    for lane in 0..LANES {
                        model[lane] = value[lane].mul_add(*c, model[lane]);
                    }
                }
                rows.iter().zip(model).for_each(|(&i, model)| self.models[i as usize] = model);
            }
        }
    }
}

struct Project<'a, F: Fn(usize) -> f64> {
    equations: &'a NormalEquations<'a>,
    amount: F,
    sums: &'a mut [f64],
}

impl<F: Fn(usize) -> f64> pulp::NullaryFnOnce for Project<'_, F> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let NormalEquations { basis, places, rows_of_exposure, .. } = self.equations;
        let mut products = Products::of(basis);
        let mut by_lane = vec![[0.0; LANES]; basis.functions()];
        for (exposure, sums) in self.sums.chunks_exact_mut(basis.functions()).enumerate() {
            by_lane.fill([0.0; LANES]);
            for rows in rows_of_exposure.list(exposure).chunks(LANES) {
                let mut amounts: Lanes = [0.0; LANES];
                amounts.iter_mut().zip(rows).for_each(|(amount, &i)| *amount = (self.amount)(i as usize));
                let values = products.at(rows.iter().map(|&i| places[i as usize]));
                for (sum, value) in by_lane.iter_mut().zip(values) {
                    for lane in 0..LANES {
                        sum[lane] = amounts[lane].mul_add(value[lane], sum[lane]);
                    }
                }
            }
            sums.iter_mut().zip(&by_lane).for_each(|(sum, lanes)| *sum = lanes.iter().sum());
        }
    }
}

struct Inform<'a> {
    equations: &'a NormalEquations<'a>,
    weights: &'a [f64],
    information: &'a mut [DMatrix<f64>],
}

impl pulp::NullaryFnOnce for Inform<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let NormalEquations { basis, places, rows_of_exposure, .. } = self.equations;
        let mut products = Products::of(basis);
        // Column by column, each from its diagonal on.
        let mut by_lane = vec![[0.0; LANES]; basis.functions() * (basis.functions() + 1) / 2];
        for (exposure, information) in self.information.iter_mut().enumerate() {
            by_lane.fill([0.0; LANES]);
            for rows in rows_of_exposure.list(exposure).chunks(LANES) {
                let mut weights: Lanes = [0.0; LANES];
                weights.iter_mut().zip(rows).for_each(|(w, &i)| *w = self.weights[i as usize]);
                let values = products.at(rows.iter().map(|&i| places[i as usize]));
                let mut sums = by_lane.iter_mut();
                for (k, column) in values.iter().enumerate() {
                    let weighted: Lanes = std::array::from_fn(|lane| weights[lane] * column[lane]);
                    for (value, sum) in values[k..].iter().zip(&mut sums) {
                        for lane in 0..LANES {
                            sum[lane] = weighted[lane].mul_add(value[lane], sum[lane]);
                        }
                    }
                }
            }
            let mut sums = by_lane.iter().map(|lanes| lanes.iter().sum::<f64>());
            for column in 0..basis.functions() {
                for (row, sum) in (column..basis.functions()).zip(&mut sums) {
                    (information[(row, column)], information[(column, row)]) = (sum, sum);
                }
            }
        }
    }
}

struct Forms<'a> {
    equations: &'a NormalEquations<'a>,
    blocks: &'a [DMatrix<f64>],
    forms: &'a mut [f64],
}

impl pulp::NullaryFnOnce for Forms<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let NormalEquations { basis, places, rows_of_exposure, .. } = self.equations;
        let mut products = Products::of(basis);
        for (exposure, block) in self.blocks.iter().enumerate() {
            for rows in rows_of_exposure.list(exposure).chunks(LANES) {
                let values = products.at(rows.iter().map(|&i| places[i as usize]));
                let mut form: Lanes = [0.0; LANES];
                for (left, column) in values.iter().zip(block.as_slice().chunks_exact(basis.functions())) {
                    let mut of_column: Lanes = [0.0; LANES];
                    for (right, b) in values.iter().zip(column) {
                        for lane in 0..LANES {
                            of_column[lane] = right[lane].mul_add(*b, of_column[lane]);
                        }
                    }
                    for lane in 0..LANES {
                        form[lane] = left[lane].mul_add(of_column[lane], form[lane]);
                    }
                }
                rows.iter().zip(form).for_each(|(&i, form)| self.forms[i as usize] = form);
            }
        }
    }
}
