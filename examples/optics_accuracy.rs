//! How good the forward model's fit is: many simulated exposures, the fitted terms against
//! what was put in.
//!
//! `cargo run --release --example optics_accuracy [EXPOSURES]`

#[path = "../tests/simulated/mod.rs"]
mod simulated;

use rayon::prelude::*;
use simulated::{Setup, USUAL, exposure, known, misaligned, noise};
use stackworthy::optics::fit::parameters::{Values, name};
use stackworthy::optics::fit::{ExposureFit, Fitter, Known, TensorAxes};

const FITTED: usize = 18;

fn main() {
    let exposures = std::env::args().nth(1).and_then(|n| n.parse().ok()).unwrap_or(100);
    for (title, pixel_arcsec, diffusion_pixels) in [
        ("2.5 pixels per FWHM", 0.085, 0.2),
        ("1.4 pixels per FWHM", 0.15, 0.1),
        ("3.0 pixels per FWHM", 0.071, 0.25),
    ] {
        let setup = Setup { pixel_arcsec, diffusion_pixels, ..USUAL };
        println!("\n{title}, {} stars", setup.stars);
        terms(&setup, &misaligned(), exposures);
    }
    wrong_facts(exposures.min(8));
}

fn fits(setup: &Setup, truth: &Values, exposures: u64, known: &Known) -> Vec<ExposureFit> {
    let fitter = Fitter::new(known).expect("the telescope can be computed");
    let one = |seed| fitter.fit(&exposure(truth, setup, 1000 + seed), noise(), None).ok();
    (0..exposures).into_par_iter().filter_map(one).collect()
}

/// Rms error and pulls of every term, and of the jitter's axes.
fn terms(setup: &Setup, truth: &Values, exposures: u64) {
    let fits = fits(setup, truth, exposures, &known(setup));
    let n = fits.len() as f64;
    println!("{} of {exposures} fitted", fits.len());
    println!(
        "{:28} {:>9} {:>9} {:>9} {:>9} {:>9}",
        "term", "truth", "bias", "rms error", "pull mean", "pull sd"
    );
    let truth_list = truth.to_list();
    for (k, truth) in truth_list.into_iter().enumerate().take(FITTED) {
        let errors: Vec<f64> = fits.iter().map(|f| f.values.to_list()[k] - truth).collect();
        let pulls: Vec<f64> = fits.iter().zip(&errors).map(|(f, e)| e / f.error(k)).collect();
        let (bias, rms) = (mean(&errors), rms(&errors));
        let pull = mean(&pulls);
        let sd = (pulls.iter().map(|p| (p - pull).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
        println!("{:28} {:9.2} {bias:9.3} {rms:9.3} {pull:9.2} {sd:9.2}", name(k), truth);
    }
    let axes = TensorAxes::of(truth.jitter_mas2);
    let found: Vec<TensorAxes> = fits.iter().map(|f| TensorAxes::of(f.values.jitter_mas2)).collect();
    let major: Vec<f64> = found.iter().map(|a| a.major_mas2.sqrt() - axes.major_mas2.sqrt()).collect();
    let angle: Vec<f64> = found.iter().map(|a| a.angle_deg - axes.angle_deg).collect();
    let chi2: Vec<f64> = fits.iter().map(ExposureFit::chi2_per_degree).collect();
    let evaluations: Vec<f64> = fits.iter().map(|f| f.evaluations as f64).collect();
    println!(
        "jitter major axis {:.1} mas: rms error {:.2} mas, worst {:.2}",
        axes.major_mas2.sqrt(),
        rms(&major),
        worst(&major)
    );
    println!(
        "jitter angle {:.1} deg: rms error {:.2} deg, worst {:.2}",
        axes.angle_deg,
        rms(&angle),
        worst(&angle)
    );
    println!("chi-square per degree {:.4}, evaluations {:.1}", mean(&chi2), mean(&evaluations));
}

/// Aperture off by 5 %, wavelength by 3 %: what the fit's quality says of it.
fn wrong_facts(exposures: u64) {
    println!("\nwrong facts of the telescope");
    let truth = misaligned();
    for (title, aperture, wavelength) in [
        ("right", 1.0, 1.0),
        ("aperture + 5 %", 1.05, 1.0),
        ("aperture - 5 %", 0.95, 1.0),
        ("wavelength + 3 %", 1.0, 1.03),
        ("wavelength - 3 %", 1.0, 0.97),
    ] {
        let mut known = known(&USUAL);
        known.telescope.aperture_m *= aperture;
        known.telescope.wavelength_nm *= wavelength;
        let fits = fits(&USUAL, &truth, exposures, &known);
        let chi2 = mean(&fits.iter().map(ExposureFit::chi2_per_degree).collect::<Vec<_>>());
        let major: Vec<f64> =
            fits.iter().map(|f| TensorAxes::of(f.values.jitter_mas2).major_mas2.max(0.0).sqrt()).collect();
        let change = |k: usize| mean(&fits.iter().map(|f| f.values.to_list()[k]).collect::<Vec<_>>());
        println!(
            "{title:18} fitted {} chi-square per degree {chi2:.2}, jitter major {:.1} mas, defocus {:.1} nm, coma x {:.1} nm",
            fits.len(),
            mean(&major),
            change(0),
            change(4)
        );
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

fn worst(values: &[f64]) -> f64 {
    values.iter().map(|v| v.abs()).fold(0.0, f64::max)
}
