//! The forward model fitted to simulated stars: what was put in must come out, within errors
//! that are true. No published numbers: the truth is the simulation's own.

mod simulated;

use simulated::{Setup, USUAL, exposure, known, misaligned, noise};
use stackworthy::optics::fit::parameters::{Values, name};
use stackworthy::optics::fit::{ExposureFit, Fitter};

fn report(fit: &ExposureFit, truth: &Values) {
    println!("stars {} chi2/dof {:.3} evaluations {}", fit.stars, fit.chi2_per_degree(), fit.evaluations);
    for (k, (found, truth)) in fit.values.to_list().iter().zip(truth.to_list()).enumerate() {
        println!("{:28} {truth:9.2} {found:9.2} +- {:7.2}", name(k), fit.error(k));
    }
}

#[test]
fn noiseless_stars_give_back_what_was_put_in() {
    let setup = Setup { noisy: false, stars: 60, ..USUAL };
    let truth = misaligned();
    let fitter = Fitter::new(&known(&setup)).unwrap();
    let fit = fitter.fit(&exposure(&truth, &setup, 1), noise(), None).unwrap();
    report(&fit, &truth);
    // What is left is the fit's coarser pupil grid and the straight line from zone to star.
    for (k, (found, truth)) in fit.values.to_list().iter().zip(truth.to_list()).enumerate().take(18) {
        let limit = if name(k).starts_with("jitter") { 60.0 } else { 1.5 };
        assert!((found - truth).abs() < limit, "{}: {found} {truth}", name(k));
    }
}

#[test]
fn noisy_stars_give_it_back_within_the_errors() {
    let truth = misaligned();
    let fitter = Fitter::new(&known(&USUAL)).unwrap();
    let fit = fitter.fit(&exposure(&truth, &USUAL, 2), noise(), None).unwrap();
    report(&fit, &truth);
    assert!((fit.chi2_per_degree() - 1.0).abs() < 0.05, "{}", fit.chi2_per_degree());
    for (k, (found, truth)) in fit.values.to_list().iter().zip(truth.to_list()).enumerate().take(18) {
        assert!(fit.is_determined(k), "{}", name(k));
        assert!((found - truth).abs() < 4.0 * fit.error(k), "{}: {found} {truth}", name(k));
    }
}
