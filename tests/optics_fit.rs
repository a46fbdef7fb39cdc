//! The forward model fitted to simulated stars: what was put in must come out, within errors
//! that are true. No published numbers: the truth is the simulation's own.

mod simulated;

use simulated::{Setup, USUAL, exposure, exposure_through, known, misaligned, noise, telescope};
use stackworthy::optics::Telescope;
use stackworthy::optics::fit::changes::{Group, align_signs, group_changes, settle_sign, trends};
use stackworthy::optics::fit::parameters::{Values, name};
use stackworthy::optics::fit::{ExposureFit, FitError, Fitter, Known};

fn report(fit: &ExposureFit, truth: &Values) {
    println!("stars {} chi2/dof {:.3} evaluations {}", fit.stars, fit.chi2_per_degree(), fit.evaluations);
    for (k, (found, truth)) in fit.values.to_list().iter().zip(truth.to_list()).enumerate() {
        println!("{:28} {truth:9.2} {found:9.2} +- {:7.2}", name(k), fit.error(k));
    }
}

/// The simulation's telescope on a pupil grid finer than any of the fit's.
fn finely_sampled() -> Telescope {
    Telescope { pupil_samples: 128, ..telescope() }
}

#[test]
fn noiseless_stars_give_back_what_was_put_in() {
    let setup = Setup { noisy: false, ..USUAL };
    let truth = misaligned();
    let fitter = Fitter::new(&known(&setup)).unwrap();
    let fit = fitter.fit(&exposure_through(&finely_sampled(), &truth, &setup, 1), noise(), None).unwrap();
    report(&fit, &truth);
    // What is left must not shift the pulls of noisy stars: a fifth of an error moves their rms by 2 %.
    for (k, (found, truth)) in fit.values.to_list().iter().zip(truth.to_list()).enumerate().take(18) {
        assert!((found - truth).abs() < 0.2 * fit.error(k), "{}: {found} {truth}", name(k));
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

/// Fewer stars, for speed.
const FEW: Setup = Setup { stars: 40, ..USUAL };

/// Coma that grows by 5 nm from exposure to exposure is found as such by five standard
/// deviations, and nothing else is said to change.
#[test]
fn growing_coma_is_not_called_jitter() {
    let fitter = Fitter::new(&known(&FEW)).unwrap();
    let mut start = None;
    let mut fits: Vec<ExposureFit> = Vec::new();
    for k in 0..8 {
        let mut truth = misaligned();
        truth.pattern.coma_nm[0] += 5.0 * f64::from(k);
        let fit = fitter.fit(&exposure(&truth, &FEW, 40 + k as u64), noise(), start.as_ref()).unwrap();
        start = Some(fit.values);
        fits.push(fit);
    }
    align_signs(&mut fits);
    let times: Vec<f64> = (0..8).map(f64::from).collect();
    let shown: Vec<&str> =
        trends(&fits, &times).iter().filter(|t| t.is_shown()).map(|t| name(t.parameter)).collect();
    assert_eq!(shown, ["coma_x_nm"]);
    for change in group_changes(&fits) {
        assert_eq!(change.is_shown(), change.group == Group::Coma, "{change:?}");
    }
}

/// Uniform motion is told from jitter of the same second moments where stars are bright.
#[test]
fn trailing_is_told_from_jitter() {
    let fitter = Fitter::new(&known(&FEW)).unwrap();
    let trailed = Values { drift_mas: [250.0, 100.0], jitter_mas2: [400.0, 400.0, 0.0], ..misaligned() };
    let stars = exposure(&trailed, &FEW, 70);
    let without = fitter.fit(&stars, noise(), None).unwrap();
    let (with, gain) = fitter.fit_trailing(&stars, noise(), &without).unwrap();
    report(&with, &trailed);
    assert!(gain > 25.0, "{gain}");
    for (k, truth) in trailed.to_list().iter().enumerate().skip(18) {
        let found = with.values.to_list()[k];
        assert!((found - truth).abs() < 4.0 * with.error(k), "{}: {found} {truth}", name(k));
    }

    // The same second moments as jitter: trailing wins nothing.
    let [xx, yy, xy] = trailed.drift_moments_mas2();
    let shaken = Values { drift_mas: [0.0; 2], jitter_mas2: [400.0 + xx, 400.0 + yy, xy], ..trailed };
    let stars = exposure(&shaken, &FEW, 71);
    let without = fitter.fit(&stars, noise(), None).unwrap();
    let (_, gain) = fitter.fit_trailing(&stars, noise(), &without).unwrap();
    assert!(gain < 25.0, "{gain}");
}

/// Where the diffusion is not given, jitter and diffusion are one number, and it is that one.
#[test]
fn diffusion_that_is_not_given_is_part_of_the_jitter() {
    let truth = misaligned();
    let stars = exposure(&truth, &FEW, 5);
    let unknown = Known { diffusion_pixels: None, ..known(&FEW) };
    let fit = Fitter::new(&unknown).unwrap().fit(&stars, noise(), None).unwrap();
    let diffusion = (1e3 * FEW.pixel_arcsec * FEW.diffusion_pixels).powi(2);
    for (k, added) in [diffusion, diffusion, 0.0].into_iter().enumerate() {
        let expected = truth.jitter_mas2[k] + added;
        assert!((fit.values.jitter_mas2[k] - expected).abs() < 4.0 * fit.error(15 + k));
    }
}

/// Flipping all even terms leaves every image the same, so a fit shows one sign of the two; a
/// known move of the focus settles it.
#[test]
fn a_known_move_of_the_focus_settles_the_sign() {
    let fitter = Fitter::new(&known(&FEW)).unwrap();
    let truths: Vec<Values> = [-30.0, -45.0, -60.0]
        .map(|defocus_nm| {
            let mut truth = misaligned().flipped();
            truth.pattern.defocus_nm = defocus_nm;
            truth
        })
        .to_vec();
    let mut fits: Vec<ExposureFit> = truths
        .iter()
        .enumerate()
        .map(|(k, truth)| fitter.fit(&exposure(truth, &FEW, 90 + k as u64), noise(), None).unwrap())
        .collect();
    assert!(fits.iter().all(|fit| fit.values.mean_defocus_nm() > 0.0));
    align_signs(&mut fits);
    // A step of the reading makes -3 nm.
    assert!(settle_sign(&mut fits, &[10.0, 15.0, 20.0], -3.0));
    for (fit, truth) in fits.iter().zip(&truths) {
        let off = fit.values.pattern.defocus_nm - truth.pattern.defocus_nm;
        assert!(off.abs() < 4.0 * fit.error(0), "{off}");
        assert!(fit.values.pattern.astigmatism_nm[1] > 0.0);
    }
    // Readings that stand still settle nothing.
    assert!(!settle_sign(&mut fits, &[10.0, 10.0, 10.0], -3.0));
}

/// Aperture off by 5 % shows in the fit's quality.
#[test]
fn a_wrong_aperture_shows() {
    let mut wrong = known(&USUAL);
    wrong.telescope.aperture_m *= 1.05;
    let stars = exposure(&misaligned(), &USUAL, 8);
    let fit = Fitter::new(&wrong).unwrap().fit(&stars, noise(), None).unwrap();
    assert!(fit.chi2_per_degree() > 1.15, "{}", fit.chi2_per_degree());
}

/// Too few stars, and facts that cannot be, are refused by name.
#[test]
fn what_cannot_be_fitted_is_refused() {
    let fitter = Fitter::new(&known(&FEW)).unwrap();
    let stars = exposure(&misaligned(), &Setup { stars: 8, ..USUAL }, 1);
    assert_eq!(fitter.fit(&stars, noise(), None).unwrap_err(), FitError::FewStars { stars: 8 });
    let mut impossible = known(&FEW);
    impossible.pixel_arcsec = 20.0;
    assert!(Fitter::new(&impossible).err().unwrap().to_string().contains("pixel_arcsec"));
}

/// Three vanes look different upside down: the images then tell the sign.
#[test]
fn an_odd_number_of_vanes_tells_the_sign() {
    let vanes = Some(stackworthy::optics::Vanes { count: 3, width_m: 0.03, angle_deg: 90.0 });
    let mut with_vanes = known(&FEW);
    with_vanes.telescope.vanes = vanes;
    let truth = misaligned().flipped();
    let stars = exposure_through(&with_vanes.telescope, &truth, &FEW, 3);
    let fit = Fitter::new(&with_vanes).unwrap().fit(&stars, noise(), None).unwrap();
    let off = fit.values.pattern.defocus_nm - truth.pattern.defocus_nm;
    assert!(truth.pattern.defocus_nm < 0.0 && off.abs() < 4.0 * fit.error(0), "{off}");
}
