//! Moments against values that share nothing with the crate: least-squares fits and plain
//! sums made by scripts/make_moment_references.py, the published propagation of noise, and
//! the simulated optics.

use ndarray::Array2;
use serde::Deserialize;
use stackworthy::moments::pooled::{PooledStar, pooled_moments};
use stackworthy::moments::{Cutout, Shape, StarMoments, Weight, measure};
use stackworthy::optics::{Blur, Psf, Telescope, Wavefront};

#[derive(Deserialize)]
struct References {
    half: usize,
    images: Vec<Reference>,
}

#[derive(Deserialize)]
struct Reference {
    name: String,
    pixels: Vec<f32>,
    /// x, y, Mxx, Mxy, Myy.
    adaptive: [f64; 5],
    /// coma1, coma2, trefoil1, trefoil2, kurtosis.
    higher: [f64; 5],
    fixed: Vec<Fixed>,
}

#[derive(Deserialize)]
struct Fixed {
    sigma: f64,
    moments: [f64; 5],
}

fn references() -> References {
    serde_json::from_str(&std::fs::read_to_string("testdata-synth/moments.json").unwrap()).unwrap()
}

fn cutout(pixels: Array2<f32>, variance: impl Fn(f32) -> f32) -> Cutout {
    Cutout { variance: pixels.mapv(variance), mask: Array2::from_elem(pixels.dim(), false), pixels }
}

fn measured(reference: &Reference, half: usize, primary: Weight) -> StarMoments {
    let side = 2 * half + 1;
    let pixels = Array2::from_shape_vec((side, side), reference.pixels.clone()).unwrap();
    // So little noise that its bias is below every tolerance here.
    measure(&cutout(pixels, |_| 1e-4), (0.0, 0.0), 1.8, primary).unwrap()
}

fn close(what: &str, found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() < tolerance, "{what}: {found}, not {expected} within {tolerance}");
}

/// Adaptive moments are those of the unweighted least-squares fit of an elliptical Gaussian
/// (Bernstein & Jarvis 2002, AJ 123, 583; Hirata & Seljak 2003, MNRAS 343, 459). On pixels
/// both agree to the aliasing of the Gaussian's square, `exp(-π² s²)` = 2e-9 at the
/// narrowest axis here, and to where each iteration stops.
#[test]
fn adaptive_moments_are_the_least_squares_gaussian() {
    let references = references();
    for r in &references.images {
        let found = measured(r, references.half, Weight::Adaptive);
        let shape = found.adaptive.unwrap();
        let values = [found.x, found.y, shape.mxx, shape.mxy, shape.myy];
        for (k, (value, expected)) in values.into_iter().zip(r.adaptive).enumerate() {
            close(&format!("{} {k}", r.name), value, expected, 2e-6);
        }
    }
}

/// The same sums by numpy: nothing but rounding and the cut at 5.5 sigma between them.
#[test]
fn fixed_weights_are_plain_sums() {
    let references = references();
    for r in &references.images {
        for fixed in &r.fixed {
            let found = measured(r, references.half, Weight::Fixed(fixed.sigma));
            let shape = found.shape_under(Weight::Fixed(fixed.sigma)).unwrap();
            let values = [found.x, found.y, shape.mxx, shape.mxy, shape.myy];
            for (k, (value, expected)) in values.into_iter().zip(fixed.moments).enumerate() {
                close(&format!("{} sigma {} {k}", r.name, fixed.sigma), value, expected, 3e-5);
            }
        }
    }
}

/// Third and fourth moments in the definition of reference.md section 4 (spin 1 and 3: Okura,
/// Umetsu & Futamase 2007, ApJ 660, 995, up to normalisation; fourth: Zhang et al. 2022,
/// MNRAS 510, 1978).
#[test]
fn higher_moments_are_plain_sums() {
    let references = references();
    for r in &references.images {
        let h = measured(r, references.half, Weight::Adaptive).higher.unwrap();
        let values = [h.coma1, h.coma2, h.trefoil1, h.trefoil2, h.kurtosis];
        for (k, (value, expected)) in values.into_iter().zip(r.higher).enumerate() {
            close(&format!("{} {k}", r.name), value, expected, 5e-6);
        }
    }
}

fn gaussian(mxx: f64, myy: f64, flux: f64) -> Array2<f32> {
    Array2::from_shape_fn((49, 49), |(row, column)| {
        let (dx, dy) = (column as f64 - 24.2, row as f64 - 23.7);
        let q = dx * dx / mxx + dy * dy / myy;
        (flux * (-0.5 * q).exp() / (std::f64::consts::TAU * (mxx * myy).sqrt())) as f32
    })
}

fn adaptive(cutout: &Cutout, sigma: f64) -> Shape {
    measure(cutout, (0.2, -0.3), sigma, Weight::Adaptive).unwrap().adaptive.unwrap()
}

/// White noise, reference.md section 1: `σ(e1) = 2(1-e²)/ν`, `σ(e2) = 2√(1-e²)/ν` along and
/// across the axis; the stated error is their quadratic mean.
#[test]
fn errors_of_an_elliptical_star() {
    for e in [0.0, 0.3, 0.6_f64] {
        let (mxx, myy) = (6.0 * (1.0 + e), 6.0 * (1.0 - e));
        let nu = 1e4 / (4.0 * std::f64::consts::PI).sqrt() / (mxx * myy).powf(0.25);
        let shape = adaptive(&cutout(gaussian(mxx, myy, 1e4), |_| 1.0), 2.4);
        let f: f64 = 1.0 - e * e;
        let expected = 2.0 / nu * (0.5 * (f * f + f)).sqrt();
        close(&format!("e = {e}"), shape.e_err / expected, 1.0, 1e-3);
    }
}

/// The star's own photons, reference.md section 1: `σ_e = 8/√27 /√F`, `σ_T/T = √(80/27)/√F`.
#[test]
fn errors_from_the_stars_own_photons() {
    let flux = 1e6;
    let shape = adaptive(&cutout(gaussian(4.0, 4.0, flux), |value| value + 1e-6), 2.0);
    close("e", shape.e_err * flux.sqrt(), 8.0 / 27f64.sqrt(), 2e-3);
    close("T", shape.size_err / shape.size * flux.sqrt(), (80.0 / 27.0_f64).sqrt(), 2e-3);
}

/// Diffraction images, reference.md section 1: the noise coefficients of an Airy pattern by
/// obstruction. The table has three decimals and no pixels; pixels of a twelfth of λ/D widen
/// the image by 0.2 %.
#[test]
fn errors_of_a_diffraction_image() {
    // Obstruction, σ_e ν, σ_T/T ν, Poisson σ_e √F.
    let table = [
        (0.0, 1.922, 1.846, 1.589),
        (0.2, 1.931, 1.858, 1.664),
        (1.0 / 3.0, 1.961, 1.896, 1.806),
        (0.5, 2.049, 2.003, 2.122),
    ];
    for (obstruction, e, t, poisson) in table {
        let telescope = Telescope::monochromatic(0.6, obstruction, 600.0);
        let blur = Blur::pixel(telescope.lambda_over_d_arcsec() / 12.0);
        let psf = Psf::new(&telescope, &Wavefront::default(), &blur).unwrap();
        let side = 101;
        let flux = 1e6;
        let image = psf.image(side, 50.2, 49.7) * flux;
        let nu = (image.mapv(|v| v * v).sum()).sqrt();
        let pixels = image.mapv(|v| v as f32);
        let white = adaptive(&cutout(pixels.clone(), |_| 1.0), 4.6);
        close(&format!("e, {obstruction}"), white.e_err * nu / e, 1.0, 0.004);
        close(&format!("T, {obstruction}"), white.size_err / white.size * nu / t, 1.0, 0.004);
        let own = adaptive(&cutout(pixels, |value| value.max(0.0) + 1e-6), 4.6);
        close(&format!("Poisson, {obstruction}"), own.e_err * flux.sqrt() / poisson, 1.0, 0.004);
    }
}

/// A change of jitter seen under a fixed weight, over the same change seen by the adaptive
/// moments: predicted from the mean star, and made with the optics, whose moments are exact
/// integrals of the pixel-convolved image.
#[test]
fn the_response_of_a_fixed_weight_is_the_change_it_sees() {
    let telescope =
        Telescope { bandwidth_nm: 120.0, band_samples: 3, ..Telescope::monochromatic(0.6, 0.3, 600.0) };
    let wavefront =
        Wavefront { defocus_nm: 15.0, astigmatism_0_nm: 8.0, coma_x_nm: 5.0, ..Wavefront::default() };
    for (pixel_arcsec, rungs) in [(0.08, vec![1.5, 2.0, 3.0]), (0.172, vec![1.5, 2.0])] {
        let psf = |jitter_mas2: [f64; 3]| {
            Psf::new(&telescope, &wavefront, &Blur { jitter_mas2, ..Blur::pixel(pixel_arcsec) }).unwrap()
        };
        let base = psf([900.0, 900.0, 0.0]);
        let centre = base.adaptive_moments().unwrap();
        let half = 15.0;
        let images: Vec<(Array2<f32>, f64, f64)> = (0..36)
            .map(|k| {
                let (x, y) = ((f64::from(k % 6) + 0.5) / 6.0 - 0.5, (f64::from(k / 6) + 0.5) / 6.0 - 0.5);
                let image = base.image(31, half + x - centre.x, half + y - centre.y).mapv(|v| v as f32);
                (image, x, y)
            })
            .collect();
        let mask = Array2::from_elem((31, 31), false);
        let pool: Vec<PooledStar> = images
            .iter()
            .map(|(pixels, x, y)| PooledStar { pixels, mask: &mask, x: *x, y: *y, flux: 1.0 })
            .collect();
        let pooled = pooled_moments(&pool, (0.5 * centre.size()).sqrt()).unwrap();

        let wider = psf([950.0, 950.0, 0.0]);
        let longer = psf([950.0, 850.0, 0.0]);
        let change = |of: &dyn Fn(&Psf) -> [f64; 2]| {
            let now = of(&base);
            [of(&wider)[0] - now[0], of(&longer)[1] - now[1]]
        };
        let adaptive = change(&|psf| {
            let m = psf.adaptive_moments().unwrap();
            [m.size().ln(), m.e1()]
        });
        for sigma in rungs {
            let fixed = change(&|psf| {
                let m = psf.weighted_moments(sigma).unwrap();
                [m.size().ln(), m.e1()]
            });
            let (size, e) = pooled.response(Weight::Fixed(sigma)).unwrap();
            close(&format!("size, {sigma}"), size / (fixed[0] / adaptive[0]), 1.0, 0.006);
            close(&format!("e, {sigma}"), e / (fixed[1] / adaptive[1]), 1.0, 0.006);
        }
    }
}
