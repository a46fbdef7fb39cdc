//! The PSF of a combination against exposures really added up: images of PSFs summed and measured by plain sums,
//! and simulated frames averaged pixel by pixel and measured like any frame.

use nalgebra::Matrix2;
use ndarray::Array2;
use stackworthy::frame::{Frame, Tops, read_frame};
use stackworthy::measure::measure_frame;
use stackworthy::moments::{Rungs, Weight, rungs_used};
use stackworthy::optics::{Blur, Propagator, Psf, Telescope, Wavefront};
use stackworthy::settings::Settings;
use stackworthy::synth::{Scene, run};
use stackworthy::table::Share;
use stackworthy::verdict::beside::combined::{Part, SECOND_ORDER, mixture};
use stackworthy::verdict::judge;
use stackworthy::verdict::rungs_needed;
use stackworthy::verdict::stack::Stack;

const PIXEL_ARCSEC: f64 = 0.08;
const STEP: f64 = 0.25;

/// PSFs of one telescope whose jitter and defocus change: `strength` scales the changes.
fn psfs(count: usize, strength: f64) -> Vec<Psf> {
    let telescope = Telescope { bandwidth_nm: 0.0, ..Telescope::monochromatic(0.6, 0.3, 600.0) };
    let propagator = Propagator::new(&telescope).unwrap();
    (0..count)
        .map(|t| {
            // A fixed sequence without pattern.
            let u = |k: f64| ((t as f64 + 1.0) * k).fract();
            let wavefront = Wavefront {
                defocus_nm: 20.0 + strength * 15.0 * u(0.618_034),
                astigmatism_0_nm: 12.0,
                astigmatism_45_nm: strength * 6.0 * u(0.754_878),
                ..Wavefront::default()
            };
            let jitter =
                [900.0 + strength * 400.0 * u(0.414_214), 900.0 + strength * 500.0 * u(0.732_051), 0.0];
            let blur = Blur { jitter_mas2: jitter, ..Blur::pixel(PIXEL_ARCSEC) };
            propagator.psf(&wavefront, &blur).unwrap()
        })
        .collect()
}

/// Adaptive moments of an image by plain sums, pixels².
fn adaptive(image: &Array2<f64>) -> Matrix2<f64> {
    let middle = (image.nrows() as f64 - 1.0) / 2.0;
    let mut m = Matrix2::identity() * 1.5;
    for _ in 0..500 {
        let inverse = m.try_inverse().unwrap();
        let (mut sum, mut flux) = (Matrix2::zeros(), 0.0);
        for ((j, i), &value) in image.indexed_iter() {
            let r = nalgebra::Vector2::new((i as f64 - middle) * STEP, (j as f64 - middle) * STEP);
            let w = value * (-0.5 * r.dot(&(inverse * r))).exp();
            sum += r * r.transpose() * w;
            flux += w;
        }
        let found = sum / flux;
        let next = (found.try_inverse().unwrap() - inverse).try_inverse().unwrap();
        if (next - m).norm() < 1e-12 {
            return next;
        }
        m = next;
    }
    panic!("not settled");
}

fn size_and_e(m: Matrix2<f64>) -> [f64; 3] {
    let t = m.trace();
    [t, (m[(0, 0)] - m[(1, 1)]) / t, 2.0 * m[(0, 1)] / t]
}

fn sum_of(images: &[Array2<f64>], shares: &[f64]) -> Array2<f64> {
    images.iter().zip(shares).fold(Array2::zeros(images[0].raw_dim()), |sum, (image, a)| sum + image * *a)
}

/// The promised moments of the sum against the moments of the sum, for changes from small to
/// larger than any that may be combined, under equal and unequal weights. The promise is exact to first order: what is
/// left must fall with the square of the change, and stay within the stated share of it.
#[test]
fn moments_of_a_sum_are_those_promised() {
    for strength in [0.3, 1.0, 2.0] {
        let psfs = psfs(8, strength);
        let images: Vec<Array2<f64>> = psfs.iter().map(|p| p.sampled(STEP, 73)).collect();
        for shares in [[1.0; 8], [1.0, 2.0, 0.5, 1.5, 1.0, 3.0, 0.2, 1.0]] {
            let parts: Vec<Part> = images
                .iter()
                .zip(shares)
                .map(|(image, share)| Part { share, moments: adaptive(image) })
                .collect();
            let [size, e1, e2] = size_and_e(adaptive(&sum_of(&images, &shares)));
            let [promised, p1, p2] = size_and_e(mixture(&parts, Weight::Adaptive).unwrap());
            let of = |q: usize| parts.iter().map(|p| size_and_e(p.moments)[q]).collect::<Vec<f64>>();
            let sizes: Vec<f64> = of(0).iter().map(|t| t.ln()).collect();
            let rms = standard_deviation(&sizes);
            let rms_e = standard_deviation(&of(1)).max(standard_deviation(&of(2)));
            println!(
                "strength {strength}: rms ln T {:.4}; T off by {:.1e}, e by {:.1e}, {:.1e}",
                rms,
                promised / size - 1.0,
                p1 - e1,
                p2 - e2
            );
            assert!((promised / size - 1.0).abs() < SECOND_ORDER * rms * rms);
            let bar_e = SECOND_ORDER * rms * rms_e;
            assert!((p1 - e1).abs() < bar_e && (p2 - e2).abs() < bar_e);
        }
    }
}

fn standard_deviation(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
}

/// A galaxy covered by k of N exposures: over every choice of k, the sum of the k has the PSF of the sum of
/// the N with an rms error of `tau sqrt(1/k - 1/N)`, in size and in each component of e.
#[test]
fn k_of_n_exposures_err_as_promised() {
    let psfs = psfs(10, 1.0);
    let images: Vec<Array2<f64>> = psfs.iter().map(|p| p.sampled(2.0 * STEP, 33)).collect();
    // Twice the step, so moments come out in other units: ratios only are compared.
    let shape = |image: &Array2<f64>| {
        let [t, e1, e2] = size_and_e(adaptive(image));
        [t.ln(), e1, e2]
    };
    let each: Vec<[f64; 3]> = images.iter().map(shape).collect();
    let all = shape(&sum_of(&images, &[1.0; 10]));
    for k in [2usize, 3, 5, 8] {
        let choices: Vec<u32> = (0u32..1 << 10).filter(|c| c.count_ones() as usize == k).collect();
        let mut squares = [0.0; 3];
        for choice in &choices {
            let shares: Vec<f64> = (0..10).map(|t| f64::from(choice >> t & 1)).collect();
            let found = shape(&sum_of(&images, &shares));
            for q in 0..3 {
                squares[q] += (found[q] - all[q]).powi(2) / choices.len() as f64;
            }
        }
        for q in 0..3 {
            let tau = standard_deviation(&each.iter().map(|s| s[q]).collect::<Vec<_>>());
            let promised = tau * (1.0 / k as f64 - 0.1).sqrt();
            println!("k {k}: {:.5} promised {promised:.5}", squares[q].sqrt());
            // Every choice is taken, so there is no counting error; second order is of the size of tau.
            assert!(
                (squares[q].sqrt() / promised - 1.0).abs() < 0.05,
                "k {k}: {} {promised}",
                squares[q].sqrt()
            );
        }
    }
}

/// Frames of one pointing, averaged pixel by pixel.
fn averaged(frames: &[Frame]) -> Frame {
    let n = frames.len() as f32;
    let mut sum = frames[0].clone();
    let mut pixels = sum.pixels.to_array();
    for frame in &frames[1..] {
        pixels += &frame.pixels.to_array();
    }
    sum.pixels = (pixels / n).into();
    sum.tops = Tops::of(&sum.pixels);
    sum.facts.gain = sum.facts.gain.map(|g| g * f64::from(n));
    sum.quantum = sum.quantum.map(|q| q / f64::from(n));
    sum
}

/// A stack whose jitter, defocus and astigmatism change, and its average measured like any frame.
#[test]
fn a_measured_coadd_has_the_psf_of_the_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let mut scene = Scene::built_in("steady").unwrap();
    scene.sequence.exposures = 4;
    scene.sequence.dither_rms_pixels = 0.0;
    scene.detector.width = 640;
    scene.detector.height = 640;
    scene.detector.cosmic_rays = 0.0;
    scene.stars.per_frame = 400.0;
    let changes = r#"
        change = [
            { what = "jitter-xx-mas2", exposures = [2, 4], by = 400 },
            { what = "jitter-yy-mas2", exposures = [3], by = 350 },
            { what = "defocus-nm", exposures = [3, 4], by = 15 },
        ]"#;
    let changed: toml::Table = toml::from_str(changes).unwrap();
    scene.sequence.change = changed["change"].clone().try_into().unwrap();
    let paths = run(&scene, folder.path(), false, &|_| ()).unwrap();
    let settings = Settings::default();
    let frames: Vec<Frame> = paths.iter().map(|p| read_frame(p, &settings).unwrap()).collect();
    let measure = |frame: &Frame, name: &str| measure_frame(frame, name, &settings, "").unwrap();
    let tables: Vec<_> = frames.iter().enumerate().map(|(t, f)| measure(f, &t.to_string())).collect();
    let verdict = judge(&tables, &[], &settings).unwrap().verdict;
    let coadd = judge(&[measure(&averaged(&frames), "coadd")], &[], &settings).unwrap().verdict;

    let promised = verdict.combined.expect("a combined PSF");
    let found = &coadd.exposures[0];
    println!("{:?} {promised:?}\n{:?} {:?} {:?}", verdict.decision, found.size_pix2, found.e1, found.e2);
    let sizes: Vec<f64> = verdict.exposures.iter().map(|e| e.size_pix2.unwrap()).collect();
    assert!(standard_deviation(&sizes) / sizes[0] > 0.01, "the exposures differ: {sizes:?}");
    assert_eq!((promised.weights.as_str(), promised.exposures), ("equal", 4));
    // Within twice the promised errors, which are small enough to mean something: the photons are the same on
    // both sides, so it is mostly the second order that differs, and the degree of the models.
    let scale2 = promised.size_arcsec2.unwrap() / promised.size_pix2.unwrap();
    let (size, size_err) = (found.size_pix2.unwrap(), promised.size_err.unwrap() / scale2);
    assert!(size_err / size < 4e-3 && promised.e_err.unwrap() < 2e-3, "{size_err} {:?}", promised.e_err);
    assert!((promised.size_pix2.unwrap() - size).abs() < 2.0 * size_err);
    assert!((promised.e1.unwrap() - found.e1.unwrap()).abs() < 2.0 * promised.e_err.unwrap());
    assert!((promised.e2.unwrap() - found.e2.unwrap()).abs() < 2.0 * promised.e_err.unwrap());
}

/// Stars 5.8 pixels wide, their tables as judging holds them: the weight under which shear is looked at lies beyond the
/// rungs that narrow stars need, and is there.
#[test]
fn wide_stars_have_the_shear_budget_of_each_cause() {
    let folder = tempfile::tempdir().unwrap();
    let mut scene = Scene::built_in("steady").unwrap();
    scene.sequence.exposures = 3;
    scene.detector.pixel_arcsec = 0.035;
    let settings = Settings::default();
    let table = |path: &std::path::PathBuf| {
        let frame = read_frame(path, &settings).unwrap();
        let table = measure_frame(&frame, &path.to_string_lossy(), &settings, "").unwrap();
        assert!((2.2..2.8).contains(&table.sigma_pixels.unwrap()), "{:?}", table.sigma_pixels);
        table
    };
    let whole: Vec<_> = run(&scene, folder.path(), false, &|_| ()).unwrap().iter().map(table).collect();
    let of_whole = judge(&whole, &[], &settings).unwrap().verdict;
    let shear = of_whole.shear.as_ref().unwrap();
    assert_eq!(shear.cause.as_deref(), Some("jitter"));
    assert!(shear.weight_sigma_pix.unwrap() > 2.0);
    // Frames tell the width of the mean star well enough to choose the weight by it.
    let mean = Stack::prepare(&whole, &[0, 1, 2]).mean_star.unwrap().adaptive;
    let off = whole.iter().map(|t| ((0.5 * mean.size).sqrt() / t.sigma_pixels.unwrap()).ln().abs());
    let off: Vec<f64> = off.collect();
    assert!(off.iter().all(|off| *off < 0.03), "{off:?}");

    let widths: Vec<_> = whole.iter().map(|table| table.widths()).collect();
    let asked = rungs_needed(&widths, &settings).unwrap();
    // Fewer than stars of any width near would need, and the weight of the whole tables' verdict among them.
    let widest = widths.iter().filter_map(|w| w.sigma_pixels).fold(0.0, f64::max);
    assert!(asked.all().len() < rungs_used(Some(widest)).len(), "{asked:?}");
    let weight = Rungs::of_weight(Weight::Fixed(shear.weight_sigma_pix.unwrap()));
    assert!(!weight.is_empty() && weight.and(asked.all()) == weight, "{asked:?}");
    for rungs in [None, Some(asked)] {
        let mut light = whole.clone();
        light.iter_mut().for_each(|table| table.lighten(Share { rungs, ..Share::of_one_in(3) }));
        let of_light = judge(&light, &[], &settings).unwrap().verdict;
        assert_eq!(serde_json::to_value(&of_light).unwrap(), serde_json::to_value(&of_whole).unwrap());
    }
}
