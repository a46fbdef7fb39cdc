//! The optics against published and independently computed values.

use std::f64::consts::{PI, TAU};

use ndarray::Array2;
use stackworthy::optics::{Blur, Propagator, Psf, Telescope, Wavefront, annular_zernikes};

/// A telescope whose `lambda / D` is one arcsec, finely sampled.
fn unit_telescope(obstruction: f64, pupil_samples: usize) -> Telescope {
    let aperture_m = 500e-9 * 180.0 * 3600.0 / PI;
    Telescope { pupil_samples, ..Telescope::monochromatic(aperture_m, obstruction, 500.0) }
}

/// A pixel so small that its own response is below every tolerance here.
const TINY_PIXEL: f64 = 1e-3;

fn psf(telescope: &Telescope, wavefront: &Wavefront, jitter: f64) -> Psf {
    Psf::new(telescope, wavefront, &Blur::jitter(1e3 * jitter, TINY_PIXEL)).unwrap()
}

/// Obstructed Airy pattern: dark rings and FWHM in `lambda / D`, energy within rings.
/// Formula of the annular aperture's diffraction pattern (Schroeder, Astronomical
/// Optics, from memory), evaluated with Bessel functions.
#[test]
fn obstructed_airy_rings_width_and_encircled_energy() {
    let table = [
        (0.0, [1.2197, 2.2331, 3.2383], 1.0290, [0.8378, 0.9099, 0.9376]),
        (0.1, [1.2051, 2.2689, 3.1824], 1.0233, [0.8184, 0.9058, 0.9248]),
        (0.2, [1.1665, 2.3572, 3.0885], 1.0068, [0.7638, 0.9003, 0.9075]),
        (0.33, [1.0977, 2.4243, 3.1372], 0.9720, [0.6543, 0.8980, 0.9040]),
        (0.4, [1.0577, 2.3877, 3.3007], 0.9486, [0.5843, 0.8852, 0.9027]),
        (0.5, [1.0009, 2.2865, 3.4902], 0.9117, [0.4786, 0.8286, 0.9015]),
    ];
    let step = 0.005;
    for (obstruction, rings, width, energies) in table {
        let psf = psf(&unit_telescope(obstruction, 256), &Wavefront::default(), 0.0);
        let n = 800;
        let cut: Vec<f64> = {
            let row = psf.sampled(step / TINY_PIXEL, 2 * n + 1);
            (0..=n).map(|i| row[[n, n + i]] / (TINY_PIXEL * TINY_PIXEL)).collect()
        };
        let minima: Vec<f64> = (1..n)
            .filter(|&i| cut[i] < cut[i - 1] && cut[i] <= cut[i + 1])
            .map(|i| {
                let (a, b, c) = (cut[i - 1], cut[i], cut[i + 1]);
                (i as f64 + 0.5 * (a - c) / (a - 2.0 * b + c)) * step
            })
            .collect();
        for (found, expected) in minima.iter().zip(rings) {
            assert!((found - expected).abs() < 1e-3, "{obstruction}: ring {found} {expected}");
        }
        assert!(minima.len() >= 3);

        let half = cut.iter().position(|&v| v < 0.5 * cut[0]).unwrap();
        let part = (cut[half - 1] - 0.5 * cut[0]) / (cut[half - 1] - cut[half]);
        let fwhm = 2.0 * step * (half as f64 - 1.0 + part);
        assert!((fwhm - width).abs() < 2e-4, "{obstruction}: FWHM {fwhm} {width}");

        for (ring, energy) in rings.iter().zip(energies) {
            let last = (ring / step).floor() as usize;
            let shell = |i: usize| TAU * step * step * i as f64 * cut[i];
            let within: f64 = (0..=last).map(shell).sum::<f64>() - 0.5 * shell(last)
                + (ring / step - last as f64) * shell(last);
            assert!((within - energy).abs() < 1e-3, "{obstruction}: {within} {energy}");
        }
    }
}

/// Annulus quadrature: midpoints in radius, equal steps in angle.
fn over_annulus(obstruction: f64, f: impl Fn(f64, f64) -> f64) -> f64 {
    let (rings, spokes) = (4000, 16);
    let width = (1.0 - obstruction) / rings as f64;
    let mut sum = 0.0;
    for i in 0..rings {
        let r = obstruction + (i as f64 + 0.5) * width;
        for j in 0..spokes {
            let (sin, cos) = (TAU * j as f64 / spokes as f64).sin_cos();
            sum += f(r * cos, r * sin) * 2.0 * r * width / spokes as f64;
        }
    }
    sum / (1.0 - obstruction * obstruction)
}

/// Orthonormality over the annulus (Mahajan 1981 JOSA 71, 75), also against piston and
/// tilt.
#[test]
fn annular_zernikes_are_orthonormal() {
    for obstruction in [0.0, 0.2, 1.0 / 3.0, 0.5, 0.8] {
        for i in 0..8 {
            for j in 0..=i {
                let product = over_annulus(obstruction, |x, y| {
                    let z = annular_zernikes(x, y, obstruction);
                    z[i] * z[j]
                });
                let expected = f64::from(u8::from(i == j));
                assert!((product - expected).abs() < 2e-6, "{obstruction} {i} {j}: {product}");
            }
            for lower in [|_: f64, _: f64| 1.0, |x: f64, _: f64| x, |_: f64, y: f64| y] {
                let product =
                    over_annulus(obstruction, |x, y| annular_zernikes(x, y, obstruction)[i] * lower(x, y));
                assert!(product.abs() < 2e-6, "{obstruction} {i}: {product}");
            }
        }
    }
}

/// Residual variance of Kolmogorov turbulence after J corrected modes, from the modes'
/// own shapes and the structure function `6.884 (r / r0)^(5/3)`: Noll 1976 JOSA 66,
/// 207, Table IV (printed values from memory), to 1 %.
#[test]
fn noll_residuals_of_kolmogorov_turbulence() {
    let published = [1.0299, 0.582, 0.134, 0.111, 0.0880, 0.0648, 0.0587, 0.0525, 0.0463, 0.0401, 0.0377];
    // <a_j^2> = -1/2 <<Z_j(r) Z_j(r') D(r - r')>> over pairs of pupil points, on rings
    // of equal area.
    let (rings, spokes) = (40, 60);
    let points: Vec<(f64, f64)> = (0..rings * spokes)
        .map(|i| {
            let r = (((i / spokes) as f64 + 0.5) / rings as f64).sqrt();
            let (sin, cos) = (TAU * (i % spokes) as f64 / spokes as f64).sin_cos();
            (r * cos, r * sin)
        })
        .collect();
    let modes: Vec<[f64; 11]> = points
        .iter()
        .map(|&(x, y)| {
            let z = annular_zernikes(x, y, 0.0);
            [1.0, 2.0 * x, 2.0 * y, z[0], z[1], z[2], z[3], z[4], z[5], z[6], z[7]]
        })
        .collect();
    let structure = |r: f64| 6.883877 * (r / 2.0).powf(5.0 / 3.0);
    let mut sums = [0.0; 11];
    for (i, p) in points.iter().enumerate() {
        for (j, q) in points.iter().enumerate() {
            let d = structure((p.0 - q.0).hypot(p.1 - q.1));
            for (sum, (a, b)) in sums.iter_mut().zip(modes[i].iter().zip(&modes[j])) {
                *sum += a * b * d;
            }
        }
    }
    let variances = sums.map(|sum| -0.5 * sum / (points.len() * points.len()) as f64);
    let mut residual = -variances[0];
    for (j, expected) in published.iter().enumerate() {
        if j > 0 {
            residual -= variances[j];
        }
        assert!((residual / expected - 1.0).abs() < 0.01, "{}: {residual} {expected}", j + 1);
    }
}

fn peak(psf: &Psf) -> f64 {
    psf.sampled(1.0, 1)[[0, 0]]
}

fn strehl(telescope: &Telescope, wavefront: &Wavefront, jitter: f64) -> f64 {
    peak(&psf(telescope, wavefront, jitter)) / peak(&psf(telescope, &Wavefront::default(), 0.0))
}

/// Defocus of an open pupil: `sinc^2(sqrt(3) a)`, exact (integral of the uniform
/// phase in squared radius). Small rms: between `(1 - s^2/2)^2` and about `exp(-s^2)`
/// (the Marechal family: .8087, .8176 at a fourteenth of a wave).
#[test]
fn strehl_ratio_of_small_aberrations() {
    for radians in [0.1, 0.3, 0.6, 1.0] {
        let nm = radians / TAU * 500.0;
        let half = 3f64.sqrt() * radians;
        let exact = (half.sin() / half).powi(2);
        for cells in [64, 256] {
            let telescope = unit_telescope(0.0, cells);
            let found = strehl(&telescope, &Wavefront { defocus_nm: nm, ..Default::default() }, 0.0);
            assert!((found - exact).abs() < 2e-5, "{radians} {cells}: {found} {exact}");
        }
    }
    let nm = 500.0 / 14.0;
    let single: [fn(f64) -> Wavefront; 4] = [
        |a| Wavefront { astigmatism_0_nm: a, ..Default::default() },
        |a| Wavefront { coma_x_nm: a, ..Default::default() },
        |a| Wavefront { trefoil_y_nm: a, ..Default::default() },
        |a| Wavefront { spherical_nm: a, ..Default::default() },
    ];
    for obstruction in [0.0, 0.3] {
        let telescope = unit_telescope(obstruction, 64);
        for make in single {
            // The peak of a comatic image lies beside the axis point, so its Strehl
            // ratio is at least the value there.
            let found = strehl(&telescope, &make(nm), 0.0);
            assert!(found > 0.8087 - 3e-4 && found < 0.8176 + 0.004, "{obstruction}: {found}");
        }
    }
}

/// Strehl ratio under jitter of an open pupil, from the integral of its transfer
/// function: .9526, .8311, .4220 at 0.1, 0.2, 0.5 `lambda / D` per axis.
#[test]
fn strehl_ratio_under_jitter() {
    let open = unit_telescope(0.0, 64);
    for (sigma, expected) in [(0.1, 0.9526), (0.2, 0.8311), (0.5, 0.4220)] {
        let found = strehl(&open, &Wavefront::default(), sigma);
        assert!((found - expected).abs() < 2e-4, "{sigma}: {found}");
    }
}

/// A coarse pupil grid gives the moments of a fine one to 2e-5: a tenth of the error of ln T from a hundred stars of SNR
/// 1000. (With every cell's phase taken at the middle of its lit part, 64 cells across were off by 1.5e-4 in ln T,
/// 6e-5 in e and 4e-4 pixels in place.)
#[test]
fn coarse_pupil_grids_give_the_moments_of_fine_ones() {
    let blur = Blur { jitter_mas2: [2925.0, 1575.0, 1169.13], diffusion_pixels: 0.2, ..Blur::pixel(0.085) };
    let wavefront = Wavefront {
        defocus_nm: 45.0,
        astigmatism_0_nm: 12.0,
        astigmatism_45_nm: -10.0,
        coma_x_nm: 15.0,
        coma_y_nm: -8.0,
        trefoil_x_nm: -7.0,
        trefoil_y_nm: 9.0,
        spherical_nm: 8.0,
    };
    for vanes in [None, realistic_telescope().vanes] {
        let moments = |pupil_samples: usize| {
            let telescope = Telescope { pupil_samples, vanes, ..realistic_telescope() };
            let m = Psf::new(&telescope, &wavefront, &blur).unwrap().adaptive_moments().unwrap();
            [m.size().ln(), m.e1(), m.e2(), m.x, m.y]
        };
        let fine = moments(256);
        for cells in [48, 64, 128] {
            let off: Vec<f64> = moments(cells).iter().zip(fine).map(|(m, f)| m - f).collect();
            println!("{cells} cells, vanes {}: ln T, e1, e2, x, y off by {off:.7?}", vanes.is_some());
            assert!(cells == 48 || off.iter().all(|d| d.abs() < 2e-5), "{cells}: {off:?}");
        }
    }
}

/// Jitter adds to the unweighted second moments exactly, whatever the optics: those are the
/// curvature of the transfer function at no frequency, and a Gaussian's transfer is
/// `exp(-2 pi^2 f^T J f)`. (The moments of a diffraction image themselves do not converge, so
/// the lowest frequencies of the whole periodic image are compared.) A uniform drift `L`
/// adds `L L^T / 12`, to the next order in the frequency.
#[test]
fn jitter_adds_to_unweighted_moments() {
    let telescope = unit_telescope(0.3, 64);
    let wavefront = Wavefront { defocus_nm: 40.0, coma_x_nm: 30.0, ..Default::default() };
    let image = |blur: &Blur| Psf::new(&telescope, &wavefront, blur).unwrap().image(128, 64.0, 64.0);
    // Modulus of the image's transform at (kx, ky) cycles per period, relative to its sum.
    let modulus = |image: &Array2<f64>, kx: f64, ky: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for ((y, x), value) in image.indexed_iter() {
            let (sin, cos) = (TAU * (kx * x as f64 + ky * y as f64) / 128.0).sin_cos();
            re += value * cos;
            im += value * sin;
        }
        re.hypot(im) / image.sum()
    };
    let still = image(&Blur::pixel(0.5));
    let jitter = Blur { jitter_mas2: [300.0f64.powi(2), 200.0f64.powi(2), 2e4], ..Blur::pixel(0.5) };
    let drift = Blur { drift_mas: [400.0, -100.0], ..Blur::pixel(0.5) };
    for (blur, tensor, tolerance) in
        [(jitter, jitter.jitter_mas2, 1e-9), (drift, [1.6e5 / 12.0, 1e4 / 12.0, -4e4 / 12.0], 1e-3)]
    {
        let moved = image(&blur);
        // Period: 64 arcsec.
        let frequency = 1.0 / 64e3;
        for (kx, ky, expected) in [
            (1.0, 0.0, tensor[0]),
            (0.0, 1.0, tensor[1]),
            (1.0, 1.0, tensor[0] + tensor[1] + 2.0 * tensor[2]),
        ] {
            let ratio = modulus(&moved, kx, ky) / modulus(&still, kx, ky);
            let found = -ratio.ln() / (2.0 * PI * PI * frequency * frequency);
            assert!((found - expected).abs() < tolerance * expected.abs(), "{found} {expected}");
        }
    }
}

/// Common practice, no published source: fine pointing of a few tens of mas rms leaves a
/// half-metre telescope in visible light near its diffraction limit, one of an arcsecond
/// does not.
#[test]
fn fine_pointing_keeps_a_half_metre_telescope_near_its_diffraction_limit() {
    let telescope = Telescope::monochromatic(0.5, 0.3, 600.0);
    let image = |jitter_mas: f64| {
        let psf = Psf::new(&telescope, &Wavefront::default(), &Blur::jitter(jitter_mas, 0.01)).unwrap();
        (peak(&psf), psf.adaptive_moments().unwrap().size())
    };
    let (perfect, size) = image(0.0);
    let (fine, fine_size) = image(30.0);
    assert!(fine / perfect > 0.8 && fine_size < 1.2 * size, "{} {}", fine / perfect, fine_size / size);
    let (coarse, coarse_size) = image(1000.0);
    assert!(coarse / perfect < 0.05 && coarse_size > 10.0 * size, "{}", coarse / perfect);
}

/// Moments of a finely sampled noiseless image, by plain sums over its samples.
struct Sums {
    size: f64,
    e: [f64; 2],
    coma: [f64; 2],
    trefoil: [f64; 2],
    kurtosis: f64,
}

fn adaptive_sums(image: &Array2<f64>, step: f64) -> Sums {
    let middle = (image.nrows() as f64 - 1.0) / 2.0;
    let (mut m, mut c) = ([0.17, 0.17, 0.0], [0.0; 2]);
    loop {
        let det = m[0] * m[1] - m[2] * m[2];
        let weighted: Vec<(f64, f64, f64)> = image
            .indexed_iter()
            .map(|((j, i), &value)| {
                let (x, y) = ((i as f64 - middle) * step - c[0], (j as f64 - middle) * step - c[1]);
                let r2 = (m[1] * x * x + m[0] * y * y - 2.0 * m[2] * x * y) / det;
                (x, y, value * (-0.5 * r2).exp())
            })
            .collect();
        let mean = |f: &dyn Fn(f64, f64) -> f64| {
            weighted.iter().map(|&(x, y, w)| w * f(x, y)).sum::<f64>()
                / weighted.iter().map(|s| s.2).sum::<f64>()
        };
        let shift = [2.0 * mean(&|x, _| x), 2.0 * mean(&|_, y| y)];
        let new = [2.0 * mean(&|x, _| x * x), 2.0 * mean(&|_, y| y * y), 2.0 * mean(&|x, y| x * y)];
        let change: f64 =
            (0..3).map(|k| (new[k] - m[k]).abs()).sum::<f64>() + shift[0].abs() + shift[1].abs();
        m = new;
        c = [c[0] + shift[0], c[1] + shift[1]];
        if change < 1e-10 {
            // u = M^(-1/2) r by the closed form of a 2 x 2 square root.
            let s = (m[0] * m[1] - m[2] * m[2]).sqrt();
            let t = (m[0] + m[1] + 2.0 * s).sqrt();
            let root = [(m[0] + s) / t, (m[1] + s) / t, m[2] / t];
            let u = |x: f64, y: f64| (root[1] * x - root[2] * y) / s;
            let v = |x: f64, y: f64| (root[0] * y - root[2] * x) / s;
            let q = |a: i32, b: i32| mean(&|x, y| u(x, y).powi(a) * v(x, y).powi(b));
            return Sums {
                size: m[0] + m[1],
                e: [(m[0] - m[1]) / (m[0] + m[1]), 2.0 * m[2] / (m[0] + m[1])],
                coma: [q(3, 0) + q(1, 2), q(2, 1) + q(0, 3)],
                trefoil: [q(3, 0) - 3.0 * q(1, 2), 3.0 * q(2, 1) - q(0, 3)],
                kurtosis: q(4, 0) + 2.0 * q(2, 2) + q(0, 4),
            };
        }
    }
}

/// Moments of aberrated and jittered images against an independent computation
/// (scripts/optics_sensitivities.py: polar quadrature, no grid, no transform), and the
/// moments taken from the transfer function against plain sums over the image.
#[test]
fn moments_of_aberrated_images() {
    let text = std::fs::read_to_string("testdata-synth/optics/sensitivities.json").unwrap();
    let stored: serde_json::Value = serde_json::from_str(&text).unwrap();
    let rows = stored["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 48);
    for row in rows {
        let number = |key: &str| row[key].as_f64().unwrap();
        let nm = |j: &str| row["noll_radians"][j].as_f64().unwrap_or(0.0) / TAU * 500.0;
        let wavefront = Wavefront {
            defocus_nm: nm("4"),
            astigmatism_45_nm: nm("5"),
            astigmatism_0_nm: nm("6"),
            coma_y_nm: nm("7"),
            coma_x_nm: nm("8"),
            trefoil_y_nm: nm("9"),
            trefoil_x_nm: nm("10"),
            spherical_nm: nm("11"),
        };
        let psf = psf(&unit_telescope(number("obstruction"), 64), &wavefront, number("jitter"));
        let step = 0.16;
        let sums = adaptive_sums(&psf.sampled(step / TINY_PIXEL, 41), step);
        let near = |name: &str, found: f64, tolerance: f64| {
            let expected = number(name);
            assert!((found - expected).abs() < tolerance, "{name} {found}: {row}");
        };
        // Limits: the grid of 64 pupil cells.
        near("size", sums.size, 1e-4);
        near("e1", sums.e[0], 2e-5);
        near("e2", sums.e[1], 2e-5);
        near("coma1", sums.coma[0], 2e-5);
        near("coma2", sums.coma[1], 2e-5);
        near("trefoil1", sums.trefoil[0], 2e-5);
        near("trefoil2", sums.trefoil[1], 2e-5);
        near("kurtosis", sums.kurtosis, 2e-4);

        let exact = psf.adaptive_moments().unwrap();
        let size = exact.size() * TINY_PIXEL * TINY_PIXEL;
        assert!((size / sums.size - 1.0).abs() < 1e-8, "{size} {}", sums.size);
        assert!((exact.e1() - sums.e[0]).abs() < 1e-8 && (exact.e2() - sums.e[1]).abs() < 1e-8);
    }
}

fn realistic_telescope() -> Telescope {
    Telescope {
        aperture_m: 0.6,
        obstruction: 0.3,
        vanes: Some(stackworthy::optics::Vanes { count: 4, width_m: 0.01, angle_deg: 45.0 }),
        wavelength_nm: 600.0,
        bandwidth_nm: 120.0,
        band_samples: 3,
        pupil_samples: 64,
    }
}

/// A field telescope, coarse pixels, everything switched on.
fn realistic() -> (Propagator, Wavefront, Blur) {
    let telescope = realistic_telescope();
    let wavefront =
        Wavefront { defocus_nm: 30.0, astigmatism_0_nm: 20.0, coma_y_nm: 25.0, ..Default::default() };
    let blur = Blur {
        jitter_mas2: [900.0, 1600.0, 300.0],
        drift_mas: [40.0, -20.0],
        diffusion_pixels: 0.2,
        pixel_arcsec: 0.15,
    };
    (Propagator::new(&telescope).unwrap(), wavefront, blur)
}

/// Moving the star by a fraction of a pixel only moves the sampling points, however
/// coarse the pixels.
#[test]
fn sub_pixel_positions_sample_one_profile() {
    let (propagator, wavefront, blur) = realistic();
    let psf = propagator.psf(&wavefront, &blur).unwrap();
    let fine = psf.sampled(0.25, 4 * 20 + 1);
    for (shift_x, shift_y) in [(0, 0), (1, 3), (2, 2), (3, 1)] {
        let image = psf.image(19, 9.0 + shift_x as f64 / 4.0, 9.0 + shift_y as f64 / 4.0);
        for ((y, x), value) in image.indexed_iter() {
            let at = fine[[4 * (y + 1) - shift_y, 4 * (x + 1) - shift_x]];
            assert!((value - at).abs() < 1e-14, "{x} {y}");
        }
    }
}

/// The pixels of a whole period hold all the light but the far wings: beyond a square
/// of half-side `theta` lie `0.900 * 2 lambda / (pi^2 D (1 - obstruction) theta)` (mean
/// of the cosine over an eighth of a turn). Near the edge of the period the pupil grid
/// folds back some of it, less than half.
#[test]
fn flux_is_kept() {
    let telescope = unit_telescope(0.3, 64);
    let psf = Psf::new(&telescope, &Wavefront::default(), &Blur::pixel(0.5)).unwrap();
    assert!((psf.period_pixels() - 128.0).abs() < 1e-9);
    let missing = 1.0 - psf.image(128, 63.5, 63.5).sum();
    let wings = 0.9003 * 2.0 / (PI * PI * 0.7 * 32.0);
    assert!(missing > 0.5 * wings && missing < wings, "{missing} {wings}");
}

/// Weighted moments from the transfer function against sums over the image.
#[test]
fn weighted_moments_match_image_sums() {
    let (propagator, wavefront, blur) = realistic();
    let psf = propagator.psf(&wavefront, &blur).unwrap();
    for sigma in [1.5, 3.0] {
        let found = psf.weighted_moments(sigma).unwrap();
        let (step, side) = (0.25, 161);
        let image = psf.sampled(step, side);
        let mut sums = [0.0; 6];
        for ((j, i), value) in image.indexed_iter() {
            let (x, y) = ((i as f64 - 80.0) * step - found.x, (j as f64 - 80.0) * step - found.y);
            let w = value * (-0.5 * (x * x + y * y) / (sigma * sigma)).exp();
            for (sum, term) in sums.iter_mut().zip([1.0, x, y, x * x, y * y, x * y]) {
                *sum += w * term;
            }
        }
        let mean = sums.map(|s| s / sums[0]);
        assert!(mean[1].abs() < 1e-9 && mean[2].abs() < 1e-9, "{mean:?}");
        for (a, b) in [(mean[3], found.mxx), (mean[4], found.myy), (mean[5], found.mxy)] {
            assert!((a - b).abs() < 1e-8, "{a} {b}");
        }
    }
}

/// Far larger than the PSF, a galaxy's profile is the exponential itself,
/// `exp(-r / h) / (2 pi h^2)`, and it keeps its flux.
#[test]
fn exponential_galaxy_keeps_flux_and_profile() {
    let psf = Psf::new(&unit_telescope(0.0, 128), &Wavefront::default(), &Blur::pixel(1.0)).unwrap();
    let (h, e) = (6.0, 0.3);
    let galaxy = psf.convolved_with_exponential(h, e, 0.0).image(121, 60.0, 60.0);
    let stretch = ((1.0 + e) / (1.0 - e)).powf(0.25);
    let profile = |x: f64, y: f64| (-(x / stretch).hypot(y * stretch) / h).exp() / (TAU * h * h);
    for (x, y) in [(12usize, 0usize), (0, 12), (20, 7)] {
        let (found, expected) = (galaxy[[60 + y, 60 + x]], profile(x as f64, y as f64));
        assert!((found / expected - 1.0).abs() < 0.05, "{x} {y}: {found} {expected}");
    }
    let (flux, star) = (galaxy.sum(), psf.image(121, 60.0, 60.0).sum());
    assert!((flux - star).abs() < 2e-3, "{flux} {star}");
}

/// What cannot be computed is refused by name.
#[test]
fn impossible_optics_are_refused() {
    let telescope = unit_telescope(0.95, 64);
    let error = Propagator::new(&telescope).err().unwrap().to_string();
    assert!(error.contains("obstruction is 0.95"), "{error}");
    let blur = Blur { jitter_mas2: [1.0, 1.0, 2.0], ..Blur::pixel(1.0) };
    let error = Psf::new(&unit_telescope(0.0, 64), &Wavefront::default(), &blur).err().unwrap();
    assert!(error.to_string().contains("no covariance"), "{error}");
    let blur = Blur::pixel(f64::NAN);
    assert!(Psf::new(&unit_telescope(0.0, 64), &Wavefront::default(), &blur).is_err());
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(24))]

    /// Exchanging x and y of everything transposes the image and turns `e1` round.
    #[test]
    fn exchanging_axes_transposes_the_image(
        a in proptest::array::uniform8(-60.0..60.0f64),
        jitter in (0.0..2000.0f64, 0.0..2000.0f64, -1.0..1.0f64),
        at in (14.0..17.0f64, 14.0..17.0f64),
    ) {
        let [defocus, a0, a45, cx, cy, tx, ty, spherical] = a;
        let wavefront = |a0, cx, cy, tx, ty| Wavefront {
            defocus_nm: defocus,
            astigmatism_0_nm: a0,
            astigmatism_45_nm: a45,
            coma_x_nm: cx,
            coma_y_nm: cy,
            trefoil_x_nm: tx,
            trefoil_y_nm: ty,
            spherical_nm: spherical,
        };
        let (xx, yy, correlation) = jitter;
        let xy = correlation * (xx * yy).sqrt() * 0.99;
        let blur = |jitter_mas2, drift_mas| Blur { jitter_mas2, drift_mas, ..Blur::pixel(0.1) };
        let telescope = Telescope::monochromatic(0.6, 0.3, 600.0);
        let one = Psf::new(
            &telescope,
            &wavefront(a0, cx, cy, tx, ty),
            &blur([xx, yy, xy], [30.0, 10.0]),
        )
        .unwrap();
        let other = Psf::new(
            &telescope,
            &wavefront(-a0, cy, cx, -ty, -tx),
            &blur([yy, xx, xy], [10.0, 30.0]),
        )
        .unwrap();
        let (image, exchanged) = (one.image(32, at.0, at.1), other.image(32, at.1, at.0));
        for ((y, x), value) in image.indexed_iter() {
            proptest::prop_assert!((value - exchanged[[x, y]]).abs() < 1e-12);
        }
        let (p, q) = (one.adaptive_moments().unwrap(), other.adaptive_moments().unwrap());
        proptest::prop_assert!((p.e1() + q.e1()).abs() < 1e-9 && (p.e2() - q.e2()).abs() < 1e-9);
    }
}
