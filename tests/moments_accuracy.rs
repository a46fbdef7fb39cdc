//! Moments on pixels against the same definition on the continuous, pixel-convolved
//! profile, over sub-pixel positions, from well sampled to strongly undersampled.
//!
//! The truth is the moment integral evaluated in the Fourier plane of the propagated
//! pupil (module `optics`), which shares no code with the sums over pixels.

use ndarray::Array2;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use stackworthy::moments::{Cutout, Shape, Weight, measure, primary_weight};
use stackworthy::optics::{Blur, Psf, Telescope, Wavefront};
use stackworthy::synth::{add_noise, star_image};

/// Optical FWHM of the test telescope in λ/D at obstruction 0.33 (reference.md section 5).
const FWHM_LAMBDA_OVER_D: f64 = 0.972;

/// A slightly aberrated PSF of about `fwhm_pixels` pixels per optical FWHM.
fn psf(fwhm_pixels: f64) -> Psf {
    let telescope =
        Telescope { bandwidth_nm: 120.0, band_samples: 3, ..Telescope::monochromatic(0.6, 0.33, 600.0) };
    let pixel_arcsec = FWHM_LAMBDA_OVER_D * telescope.lambda_over_d_arcsec() / fwhm_pixels;
    let wavefront = Wavefront {
        defocus_nm: 20.0,
        astigmatism_0_nm: 15.0,
        astigmatism_45_nm: 10.0,
        coma_x_nm: 12.0,
        ..Wavefront::default()
    };
    let blur = Blur { jitter_mas2: [900.0, 500.0, 150.0], ..Blur::pixel(pixel_arcsec) };
    Psf::new(&telescope, &wavefront, &blur).expect("a valid telescope")
}

fn cutout(image: &Array2<f64>, variance: f64) -> Cutout {
    let pixels = image.mapv(|value| value as f32);
    Cutout {
        variance: image.mapv(|value| (variance + value.max(0.0)) as f32),
        mask: Array2::from_elem(pixels.dim(), false),
        pixels,
    }
}

const SIDE: usize = 33;

/// Mean and worst deviation of (ln T, e1, e2) over an 8x8 grid of sub-pixel positions.
fn over_phases(
    fwhm_pixels: f64,
    pick: impl Fn(&Cutout, (f64, f64)) -> Shape,
    truth: [f64; 3],
) -> ([f64; 3], [f64; 3]) {
    let psf = psf(fwhm_pixels);
    let (mut mean, mut worst) = ([0.0; 3], [0.0_f64; 3]);
    for i in 0..8 {
        for j in 0..8 {
            let (x, y) = ((f64::from(i) + 0.5) / 8.0 - 0.5, (f64::from(j) + 0.5) / 8.0 - 0.5);
            let half = (SIDE / 2) as f64;
            let image = star_image(&psf, SIDE, half + x, half + y, 1e6);
            let shape = pick(&cutout(&image, 1e-6), (x, y));
            for (k, value) in [shape.size.ln(), shape.e1, shape.e2].into_iter().enumerate() {
                mean[k] += (value - truth[k]) / 64.0;
                worst[k] = worst[k].max((value - truth[k]).abs());
            }
        }
    }
    (mean, worst)
}

/// Truth under the adaptive weight, or under a fixed one.
fn truth(psf: &Psf, fixed_sigma: Option<f64>) -> [f64; 3] {
    let m = match fixed_sigma {
        None => psf.adaptive_moments(),
        Some(sigma) => psf.weighted_moments(sigma),
    }
    .expect("a bright profile has moments");
    [m.size().ln(), m.e1(), m.e2()]
}

fn adaptive(cutout: &Cutout, at: (f64, f64)) -> Shape {
    measure(cutout, at, 1.0, Weight::Adaptive).expect("a bright star").adaptive.expect("adaptive moments")
}

/// Under the fixed weight of `sigma` pixels.
fn fixed(sigma: f64) -> impl Fn(&Cutout, (f64, f64)) -> Shape {
    move |cutout, at| {
        let weight = Weight::Fixed(sigma);
        measure(cutout, at, 0.8, weight).expect("a bright star").shape_under(weight).expect("a rung")
    }
}

#[test]
fn adaptive_moments_hold_down_to_two_point_four_pixels_per_fwhm() {
    for fwhm in [2.4, 2.6, 3.0, 4.0] {
        let (mean, worst) = over_phases(fwhm, adaptive, truth(&psf(fwhm), None));
        println!("adaptive, {fwhm} pixels per FWHM: mean {mean:?}, worst {worst:?}");
        assert!(mean[0].abs() < 5e-4 && mean[1].abs() < 1e-4 && mean[2].abs() < 1e-4, "{fwhm}: {mean:?}");
        assert!(worst.iter().all(|w| *w < 1e-3), "{fwhm}: {worst:?}");
    }
}

#[test]
fn the_fixed_weight_holds_down_to_one_point_four_pixels_per_fwhm() {
    for (fwhm, e_limit, size_limit) in [(2.4, 1e-4, 5e-4), (2.0, 1e-4, 5e-4), (1.4, 2e-4, 1e-3)] {
        let (mean, worst) = over_phases(fwhm, fixed(1.5), truth(&psf(fwhm), Some(1.5)));
        println!("sigma 1.5, {fwhm} pixels per FWHM: mean {mean:?}, worst {worst:?}");
        assert!(mean[0].abs() < size_limit, "{fwhm}: {mean:?}");
        assert!(mean[1].abs() < e_limit && mean[2].abs() < e_limit, "{fwhm}: {mean:?}");
        // The phase scatter that the weight's width leaves (design bound, recomputed here).
        assert!(worst.iter().all(|w| *w < 5e-3), "{fwhm}: {worst:?}");
    }
}

/// Pulls of size and ellipticity at three brightnesses, with and without the stars' own
/// photon noise: standard deviation 1.00 +- 0.05. With 2000 stars a standard deviation is
/// known to 1.6 %, so the band is three of its errors wide.
#[test]
fn stated_errors_are_the_true_ones() {
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    for fwhm in [1.4, 2.6] {
        let psf = psf(fwhm);
        let sigma = psf.adaptive_moments().map(|m| (0.5 * m.size()).sqrt()).expect("a width");
        let weight = primary_weight(sigma);
        for snr in [30.0, 100.0, 300.0] {
            for source_noise in [false, true] {
                let (sd, mean) = pulls(&psf, weight, snr, source_noise, &mut rng);
                println!(
                    "{fwhm} pixels per FWHM, SNR {snr}, source noise {source_noise}: pulls {sd:?}, mean {mean:?}"
                );
                assert!(sd.iter().all(|sd| (sd - 1.0).abs() < 0.05), "{fwhm} {snr} {source_noise}: {sd:?}");
            }
        }
    }
}

/// Standard deviations of the pulls and mean errors of (ln T, e1, e2).
fn pulls(
    psf: &Psf,
    weight: Weight,
    snr: f64,
    source_noise: bool,
    rng: &mut ChaCha8Rng,
) -> ([f64; 3], [f64; 3]) {
    const STARS: u32 = 2000;
    let (truth, sigma) = match weight {
        Weight::Adaptive => (truth(psf, None), 1.0),
        Weight::Fixed(sigma) => (truth(psf, Some(sigma)), sigma),
    };
    // Without source noise: so bright a sky that the star adds nothing to it. The factors
    // make the measured matched-filter SNR the stated one within some per cent.
    let (flux, sky) = if source_noise { (1.25 * snr * snr, 20.0) } else { (7.0 * snr * 600.0, 3.6e5) };
    let read_noise = 3.0;
    let (mut sum, mut square, mut error) = ([0.0; 3], [0.0; 3], [0.0; 3]);
    for k in 0..STARS {
        let at = (f64::from(k % 17) / 17.0 - 0.47, f64::from(k % 13) / 13.0 - 0.46);
        let mut image = star_image(psf, 25, 12.0 + at.0, 12.0 + at.1, flux);
        add_noise(&mut image, sky, read_noise, rng);
        let background = sky + read_noise * read_noise;
        let cutout = Cutout {
            variance: image.mapv(|value| (background + value).max(0.2 * background) as f32),
            mask: Array2::from_elem((25, 25), false),
            pixels: image.mapv(|value| value as f32),
        };
        let shape =
            if weight == Weight::Adaptive { adaptive(&cutout, at) } else { fixed(sigma)(&cutout, at) };
        let found = [shape.log_size(), shape.e1, shape.e2];
        let sigma = [shape.log_size_err(), shape.e_err, shape.e_err];
        for i in 0..3 {
            let pull = (found[i] - truth[i]) / sigma[i];
            sum[i] += pull;
            square[i] += pull * pull;
            error[i] += (found[i] - truth[i]) / f64::from(STARS);
        }
    }
    let n = f64::from(STARS);
    (std::array::from_fn(|i| (square[i] / n - (sum[i] / n).powi(2)).sqrt()), error)
}

#[test]
fn pooled_stars_give_the_adaptive_size_that_a_single_coarse_star_cannot() {
    use stackworthy::moments::pooled::{PooledStar, pooled_moments};
    let psf = psf(1.4);
    let mask = Array2::from_elem((25, 25), false);
    let images: Vec<(f64, f64, Array2<f32>)> = (0..144_u32)
        .map(|k| {
            // An additive recurrence spreads the sub-pixel positions evenly.
            let at = |step: f64| (f64::from(k) * step + 0.5).fract() - 0.5;
            let (x, y) = (at(0.754_877_666), at(0.569_840_291));
            (x, y, star_image(&psf, 25, 12.0 + x, 12.0 + y, 1e4).mapv(|value| value as f32))
        })
        .collect();
    let stars: Vec<PooledStar> = images
        .iter()
        .map(|(x, y, pixels)| PooledStar { pixels, mask: &mask, x: *x, y: *y, flux: 1e4 })
        .collect();
    let pooled = pooled_moments(&stars, 0.7).expect("moments of the mean star");
    let truth = psf.adaptive_moments().expect("adaptive moments");
    println!(
        "pooled {} {} {}  truth {} {} {}",
        pooled.adaptive.size,
        pooled.adaptive.e1,
        pooled.adaptive.e2,
        truth.size(),
        truth.e1(),
        truth.e2()
    );
    assert!((pooled.adaptive.size / truth.size() - 1.0).abs() < 2e-3, "{:?} {truth:?}", pooled.adaptive);
    assert!((pooled.adaptive.e1 - truth.e1()).abs() < 2e-3 && (pooled.adaptive.e2 - truth.e2()).abs() < 2e-3);
    println!("response {:?} {:?}", pooled.response(Weight::Fixed(1.5)), pooled.response(Weight::Fixed(2.0)));
}
