//! Linear regression against certified values: NIST Statistical Reference Datasets, Norris (lower
//! difficulty) and Longley (1967, J. Am. Stat. Assoc. 62, 819; higher difficulty), and a weighted field fit
//! against statsmodels (generator: scripts/make_statistics_references.py).

use nalgebra::DMatrix;
use serde_json::Value;
use stackworthy::field::least_squares::solve;
use stackworthy::field::{Basis, Robustness, fit};

fn references() -> Value {
    serde_json::from_str(include_str!("../testdata-synth/statistics.json")).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn close(found: f64, certified: f64, relative: f64) {
    assert!((found / certified - 1.0).abs() < relative, "found {found}, certified {certified}");
}

/// Coefficients, their standard errors and the residual standard deviation.
fn regress(design: &DMatrix<f64>, y: &[f64]) -> (Vec<f64>, Vec<f64>, f64) {
    let solution = solve(design, y, &vec![1.0; y.len()]).unwrap();
    let model = design * &solution.coefficients;
    let rss: f64 = y.iter().zip(model.iter()).map(|(a, b)| (a - b).powi(2)).sum();
    let s = (rss / (y.len() - design.ncols()) as f64).sqrt();
    let errors = solution.covariance().diagonal().iter().map(|v| s * v.sqrt()).collect();
    (solution.coefficients.as_slice().to_vec(), errors, s)
}

#[test]
fn norris() {
    let data = &references()["regression"]["norris"];
    let (x, y) = (numbers(&data["x"]), numbers(&data["y"]));
    let design = DMatrix::from_fn(x.len(), 2, |i, k| if k == 0 { 1.0 } else { x[i] });
    let (b, errors, s) = regress(&design, &y);
    // 15 certified digits; the decimals of the data round to doubles, and b0 cancels.
    close(b[0], -0.262323073774029, 1e-11);
    close(b[1], 1.00211681802045, 1e-13);
    close(errors[0], 0.232818234301152, 1e-11);
    close(errors[1], 4.29796848199937e-4, 1e-11);
    close(s, 0.884796396144373, 1e-11);
}

#[test]
fn longley() {
    let data = &references()["regression"]["longley"];
    let rows: Vec<Vec<f64>> = data["design"].as_array().unwrap().iter().map(numbers).collect();
    let design = DMatrix::from_fn(rows.len(), 7, |i, k| rows[i][k]);
    let (b, _, s) = regress(&design, &numbers(&data["y"]));
    // Condition number 4e7 of the scaled design times the rounding of the data.
    close(b[0], -3482258.63459582, 1e-8);
    close(b[6], 1829.15146461355, 1e-8);
    close(s, 304.854073561965, 1e-10);
    for (found, exact) in b.iter().zip(numbers(&data["coefficients"])) {
        close(*found, exact, 1e-7);
    }
}

#[test]
fn weighted_field_fit_as_statsmodels() {
    let r = &references()["weighted_fit"];
    let basis = Basis::over_rectangle(-1.0, 1.0, -1.0, 1.0, 2).unwrap();
    let (x, y) = (numbers(&r["x"]), numbers(&r["y"]));
    let found = fit(&basis, &x, &y, &numbers(&r["values"]), &numbers(&r["sigma"]), Robustness::None).unwrap();
    let coefficients = numbers(&r["coefficients"]);
    for (k, expected) in coefficients.iter().enumerate() {
        assert!((found.coefficients[k] - expected).abs() < 1e-11);
        for (j, c) in numbers(&r["covariance"][k]).iter().enumerate() {
            assert!((found.covariance[(k, j)] - c).abs() < 1e-12);
        }
    }
    close(found.chi2, r["chi2"].as_f64().unwrap(), 1e-11);
    assert_eq!(found.dof, 34);
}
