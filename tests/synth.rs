//! The simulator: what it is told is what it makes, and its truth is the truth.

use std::path::Path;

use fitsio::FitsFile;
use ndarray::Array2;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use stackworthy::optics::{Blur, Propagator, Psf, Telescope, Wavefront};
use stackworthy::synth::{BUILT_IN, Scene, SynthError, Truth, add_noise, run, star_image};

const PLAIN: &str = r#"
name = "plain"
seed = 5
[optics]
aperture_m = 0.6
obstruction = 0.3
wavelength_nm = 600
[detector]
width = 120
height = 100
"#;

fn scene(more: &str) -> Scene {
    Scene::from_toml(&format!("{PLAIN}{more}")).unwrap()
}

fn make(scene: &Scene, folder: &Path) -> (Vec<Array2<f64>>, Truth) {
    let paths = run(scene, folder, false, &|_| ()).unwrap();
    let truth = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    (paths.iter().map(|p| pixels(p)).collect(), serde_json::from_str(&truth).unwrap())
}

fn pixels(path: &Path) -> Array2<f64> {
    let mut file = FitsFile::open(path).unwrap();
    let hdu = file.primary_hdu().unwrap();
    let data: Vec<f64> = hdu.read_image(&mut file).unwrap();
    let number = |file: &mut FitsFile, key: &str| hdu.read_key::<i64>(file, key).unwrap() as usize;
    let (width, height) = (number(&mut file, "NAXIS1"), number(&mut file, "NAXIS2"));
    Array2::from_shape_vec((height, width), data).unwrap()
}

fn card(path: &Path, key: &str) -> f64 {
    let mut file = FitsFile::open(path).unwrap();
    let hdu = file.primary_hdu().unwrap();
    hdu.read_key(&mut file, key).unwrap()
}

/// Rows of a frame's list of sources: kind, id, x, y, flux.
fn listed(folder: &Path, stem: &str) -> Vec<(String, usize, f64, f64, f64)> {
    let text = std::fs::read_to_string(folder.join(format!("truth-{stem}.csv"))).unwrap();
    text.lines()
        .skip(1)
        .map(|line| {
            let c: Vec<&str> = line.split(',').collect();
            let number = |i: usize| c[i].parse::<f64>().unwrap();
            (c[0].into(), c[1].parse().unwrap(), number(2), number(3), number(4))
        })
        .collect()
}

#[test]
fn built_in_scenes_are_sound() {
    for (name, _) in BUILT_IN {
        assert_eq!(Scene::built_in(name).unwrap().name, name);
    }
    let error = Scene::built_in("stedy").unwrap_err().to_string();
    assert!(error.contains("steady"), "{error}");
}

#[test]
fn wrong_scenes_are_refused_by_name() {
    let refused = |more: &str, word: &str| {
        let error = Scene::from_toml(&format!("{PLAIN}{more}")).unwrap_err().to_string();
        assert!(error.contains(word), "{error}");
    };
    refused("gian = 2.0", "gian");
    refused("[stars]\ncolour = 1", "colour");
    refused("gain = 0.0", "detector.gain");
    refused("gain = nan", "detector.gain");
    refused("[sequence]\nexposures = 0", "sequence.exposures");
    refused("[[sequence.change]]\nwhat = \"defocus-nm\"", "exactly one");
    refused("[[sequence.change]]\nwhat = \"defocus-nm\"\nby = 1\nslope = 1", "exactly one");
    refused("[[sequence.change]]\nwhat = \"defocus-nm\"\nexposures = [9]\nby = 1", "exposure 9");
    refused("[sequence]\nexposures = 3\nrotation_deg = [1, 2]", "2 values");
    refused("[sequence]\ndither_pixels = [[0, 1], [inf, 0]]", "sequence.dither_pixels");
    refused("[sequence]\nrotation_step_deg = nan", "sequence.rotation");

    let folder = tempfile::tempdir().unwrap();
    let late = scene("[sequence]\nstart = \"soon\"");
    assert!(matches!(run(&late, folder.path(), false, &|_| ()), Err(SynthError::Start(_))));
    let vast =
        scene("[stars]\nper_frame = 1e6\n[sequence]\nexposures = 2\ndither_pixels = [[0, 0], [9e4, 9e4]]");
    let error = run(&vast, folder.path(), false, &|_| ()).unwrap_err().to_string();
    assert!(error.contains("sources on the sky"), "{error}");
    let mut coarse = scene("");
    coarse.detector.pixel_arcsec = 30.0;
    let error = run(&coarse, folder.path(), false, &|_| ()).unwrap_err().to_string();
    assert!(error.contains("pixel_arcsec"), "{error}");
    let torn = scene("[motion]\njitter_mas2 = [1, 1, 5]");
    let error = run(&torn, folder.path(), false, &|_| ()).unwrap_err().to_string();
    assert!(error.contains("no covariance"), "{error}");
}

#[test]
fn frames_do_not_depend_on_threads_and_are_not_overwritten() {
    let scene = scene(
        "cosmic_rays = 5\nhot_pixels = 5\nbleed = true\n[stars]\nper_frame = 20\n\
         galaxies_per_frame = 3\n[sequence]\nexposures = 3\ndither_rms_pixels = 5",
    );
    let folders = [1, 3].map(|threads| {
        let folder = tempfile::tempdir().unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| run(&scene, folder.path(), false, &|_| ())).unwrap();
        folder
    });
    let files = |folder: &tempfile::TempDir| -> Vec<(String, Vec<u8>)> {
        let mut all: Vec<_> = std::fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| {
                let path = entry.unwrap().path();
                let name = path.file_name().unwrap().to_string_lossy().into_owned();
                (name, std::fs::read(path).unwrap())
            })
            .collect();
        all.sort();
        all
    };
    let [one, three] = folders.each_ref().map(files);
    assert_eq!(one.len(), 7, "three frames, three lists, one truth, nothing unfinished");
    assert!(one == three);

    let again = run(&scene, folders[0].path(), false, &|_| ());
    assert!(matches!(again, Err(SynthError::Exists(_))));
    run(&scene, folders[0].path(), true, &|_| ()).unwrap();
    assert!(files(&folders[0]) == one);

    let other = Scene { seed: 6, ..scene };
    run(&other, folders[0].path(), true, &|_| ()).unwrap();
    assert!(files(&folders[0]) != one);
}

/// The frames stored for other tests are what their scene makes.
#[test]
fn stored_frames_are_reproduced() {
    let text = std::fs::read_to_string("testdata-synth/scenes/small.toml").unwrap();
    let folder = tempfile::tempdir().unwrap();
    let paths = run(&Scene::from_toml(&text).unwrap(), folder.path(), false, &|_| ()).unwrap();
    assert_eq!(paths.len(), 4);
    for path in paths {
        let stored = Path::new("testdata-synth/frames").join(path.file_name().unwrap());
        assert!(pixels(&path) == pixels(&stored), "{}", stored.display());
    }
}

/// Sky and read noise: `variance = (sky + read noise^2) / gain^2 + 1/12 ADU^2`.
#[test]
fn empty_frames_have_the_stated_level_and_noise() {
    let scene = scene(
        "gain = 1.5\nread_noise = 4\nbias_adu = 500\n[stars]\nsky_electrons = 200\n\
         sky_gradient = [0.2, 0]\n[sequence]\nexposures = 2",
    );
    let folder = tempfile::tempdir().unwrap();
    let (frames, _) = make(&scene, folder.path());
    let n = frames[0].len() as f64;
    let (sky, noise) = (200.0 / 1.5, ((200.0 + 16.0) / 2.25 + 1.0 / 12.0f64).sqrt());

    let mean = frames[0].mean().unwrap() - 500.0;
    assert!((mean - sky).abs() < 4.0 * noise / n.sqrt(), "{mean} {sky}");
    let difference = &frames[0] - &frames[1];
    let variance = difference.mapv(|d| d * d).mean().unwrap() / 2.0;
    assert!((variance / (noise * noise) - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{variance}");
    // Right half over left half: 1 + g/2 over 1 - g/2 with g = 0.2.
    let half = |from: usize| frames[0].slice(ndarray::s![.., from..from + 60]).mean().unwrap();
    let ratio = (half(60) - 500.0) / (half(0) - 500.0);
    let error = 2.0 * noise / sky / (n / 2.0).sqrt();
    assert!((ratio - 1.1 / 0.9).abs() < 4.0 * error, "{ratio}");
}

/// Without noise, a frame is the sum of its listed stars, each the PSF of its place.
#[test]
fn stars_stand_where_the_list_says() {
    let scene = scene(
        "read_noise = 0\nbias_adu = 0\ngain = 1\nfull_well_electrons = 1e12\noutput = \"float\"\n\
         [stars]\nsky_electrons = 0\nper_frame = 1\nflux_electrons = [9.99e9, 1e10]\n\
         [sequence]\nexposures = 1",
    );
    let folder = tempfile::tempdir().unwrap();
    let (frames, truth) = make(&scene, folder.path());
    let stars = listed(folder.path(), "plain-01");
    assert!(!stars.is_empty());
    let telescope = Telescope { band_samples: 3, ..Telescope::monochromatic(0.6, 0.3, 600.0) };
    let psf = Psf::new(&telescope, &Wavefront::default(), &Blur::pixel(0.08)).unwrap();
    for (kind, _, x, y, flux) in &stars {
        assert_eq!(kind, "star");
        let (column, row) = ((x - 1.0).round(), (y - 1.0).round());
        let expected = star_image(&psf, 1, x - 1.0 - column, y - 1.0 - row, *flux)[[0, 0]];
        // Photon noise of 1e9 electrons, and the wings of the other stars.
        let found = frames[0][[row as usize, column as usize]];
        assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    }
    assert!(truth.sky.is_some() && truth.exposures[0].e1.abs() < 1e-9);
}

#[test]
fn cosmic_rays_hot_pixels_and_dead_columns() {
    let scene = scene(
        "cosmic_rays = 12\ncosmic_ray_electrons = 20000\nhot_pixels = 10\nhot_electrons = 50000\n\
         dead_columns = [7]\nbias_adu = 100\n[stars]\nsky_electrons = 50\n[sequence]\nexposures = 2",
    );
    let folder = tempfile::tempdir().unwrap();
    let (frames, _) = make(&scene, folder.path());
    for (frame, stem) in frames.iter().zip(["plain-01", "plain-02"]) {
        let dead = frame.column(6).mean().unwrap();
        assert!((dead - 100.0).abs() < 4.0 * 1.5 / 10.0, "{dead}");
        let rows = listed(folder.path(), stem);
        let hot: Vec<_> = rows.iter().filter(|r| r.0 == "hot-pixel").collect();
        assert_eq!(hot.len(), 10);
        for (_, _, x, y, electrons) in hot {
            let adu = frame[[*y as usize - 1, *x as usize - 1]];
            let expected = (electrons + 50.0).min(90_000.0) / 2.0 + 100.0;
            let clear = *x as usize != 7;
            assert!(!clear || adu > expected - 5.0 * (expected / 2.0).sqrt() - 10.0);
        }
        let rays: Vec<_> = rows.iter().filter(|r| r.0 == "cosmic-ray").collect();
        // Poisson of mean 12 to four sigma.
        assert!(!rays.is_empty() && rays.len() < 26, "{}", rays.len());
        let charge = 2.0 * (frame - 125.0).sum();
        let listed: f64 =
            rows.iter().filter(|r| r.0 == "cosmic-ray" || r.0 == "hot-pixel").map(|r| r.4).sum();
        // Full wells and the dead column take some away.
        assert!(charge < listed + 5.0 * (12_000.0f64 * 60.0 + listed).sqrt() && charge > 0.5 * listed);
    }
}

/// Saturated stars fill their pixels, and bleed only where told to.
#[test]
fn saturation_clips_at_the_stated_level() {
    let stars = "[stars]\nper_frame = 3\nflux_electrons = [9e6, 1e7]\n[sequence]\nexposures = 1";
    let folders = [(); 2].map(|()| tempfile::tempdir().unwrap());
    let (clipped, _) = make(&scene(stars), folders[0].path());
    let (bled, _) = make(&scene(&format!("bleed = true\n{stars}")), folders[1].path());
    let level = card(&folders[0].path().join("plain-01.fits"), "SATURATE");
    assert_eq!(level, 46_000.0);
    let full = |frame: &Array2<f64>| frame.iter().filter(|&&v| v > level - 10.0).count();
    assert!(full(&clipped[0]) > 20);
    assert!(full(&bled[0]) as f64 > 1.5 * full(&clipped[0]) as f64);
    assert!(clipped[0].iter().all(|&v| v < level + 10.0));
}

/// A constant ellipticity on a turning sky: the rms of `e exp(-2 i angle)`.
#[test]
fn truth_of_a_turning_sky() {
    let angles = [0.0, 10.0, 25.0, 40.0];
    let turning =
        Scene::from_toml(&PLAIN.replace(
            "wavelength_nm = 600",
            "wavelength_nm = 600\ndefocus_nm = 30\nastigmatism_nm = [25, 10]",
        ))
        .unwrap();
    let mut turning = turning;
    turning.sequence.exposures = 4;
    turning.sequence.rotation_deg = angles.to_vec();
    let folder = tempfile::tempdir().unwrap();
    let (_, truth) = make(&turning, folder.path());
    assert!(truth.detector.ellipticity < 1e-12 && truth.detector.size < 1e-12);

    let e = truth.exposures[0].e1.hypot(truth.exposures[0].e2);
    assert!(e > 0.1);
    let turned = angles.map(|a: f64| (2.0 * a.to_radians()).sin_cos());
    let mean = |f: &dyn Fn(&(f64, f64)) -> f64| turned.iter().map(f).sum::<f64>() / 4.0;
    let (sin, cos) = (mean(&|t| t.0), mean(&|t| t.1));
    let variance = e * e * (1.0 - sin * sin - cos * cos) * 4.0 / 3.0 / 2.0;
    let sky = truth.sky.as_ref().unwrap();
    assert!((sky.ellipticity - variance.sqrt()).abs() < 1e-9);
    assert!(sky.size < 1e-12 && truth.common_sky < 0.9);
    let kept = truth.sky_change(&[0, 1, 2, 3]).unwrap();
    assert!((kept[1] - sky.ellipticity).abs() < 1e-12);
}

/// An astigmatism that turns with the sky, by twice the angle, looks the same there: this
/// tells the sense of the rotation. Square pixels do not turn, hence the tolerance.
#[test]
fn truth_of_an_aberration_that_turns_with_the_sky() {
    let turn = 40f64.to_radians();
    let text = PLAIN
        .replace("wavelength_nm = 600", "wavelength_nm = 600\ndefocus_nm = 30\nastigmatism_nm = [25, 0]");
    let mut turning = Scene::from_toml(&format!(
        "{text}[sequence]\nexposures = 2\nrotation_step_deg = 20\n\
         [[sequence.change]]\nwhat = \"astigmatism-0-nm\"\nexposures = [2]\nby = {}\n\
         [[sequence.change]]\nwhat = \"astigmatism-45-nm\"\nexposures = [2]\nby = {}\n",
        25.0 * (turn.cos() - 1.0),
        25.0 * turn.sin()
    ))
    .unwrap();
    turning.detector.pixel_arcsec = 0.04;
    let folder = tempfile::tempdir().unwrap();
    let (_, truth) = make(&turning, folder.path());
    let (detector, sky) = (truth.detector.ellipticity, truth.sky.as_ref().unwrap().ellipticity);
    assert!(detector > 0.04 && sky < 0.01 * detector, "{detector} {sky}");
}

/// Dithers by `d` over an ellipticity that is linear over the field, `e = k theta`:
/// detector rms zero, sky rms `k std(d) / half-diagonal / sqrt(2)` per component.
#[test]
fn truth_of_a_dithered_gradient() {
    let mut dithered = Scene::from_toml(&PLAIN.replace(
        "wavelength_nm = 600",
        "wavelength_nm = 600\ndefocus_nm = 10\nastigmatism_linear_nm = [5, 0]",
    ))
    .unwrap();
    dithered.sequence.exposures = 3;
    dithered.sequence.dither_pixels = vec![[0.0, 0.0], [8.0, 0.0], [-8.0, 0.0]];
    let folder = tempfile::tempdir().unwrap();
    let (_, truth) = make(&dithered, folder.path());
    assert!(truth.detector.ellipticity < 1e-12);

    let telescope = Telescope { band_samples: 3, ..Telescope::monochromatic(0.6, 0.3, 600.0) };
    let propagator = Propagator::new(&telescope).unwrap();
    let e1_at = |astigmatism_0_nm: f64| {
        let wavefront = Wavefront { defocus_nm: 10.0, astigmatism_0_nm, ..Default::default() };
        propagator.psf(&wavefront, &Blur::pixel(0.08)).unwrap().adaptive_moments().unwrap().e1()
    };
    let k = (e1_at(2.0) - e1_at(-2.0)) / 4.0 * 5.0;
    let half_diagonal = 0.5 * 120f64.hypot(100.0);
    let expected = k.abs() * 8.0 / half_diagonal / 2f64.sqrt();
    let found = truth.sky.as_ref().unwrap().ellipticity;
    // Third order in the aberration: (5 nm / 95 nm)^2.
    assert!((found / expected - 1.0).abs() < 5e-3, "{found} {expected}");
    let outside = truth.common_sky - 104.0 / 120.0;
    assert!(outside.abs() < 1.0 / 61.0, "{}", truth.common_sky);
}

/// One shaken exposure among four: `ln T` of each from the PSF itself.
#[test]
fn truth_of_one_shaken_exposure() {
    let shaken = scene(
        "[motion]\njitter_mas = 30\n[sequence]\nexposures = 4\n[[sequence.change]]\n\
         what = \"jitter-xx-mas2\"\nexposures = [2]\nby = 4000",
    );
    let folder = tempfile::tempdir().unwrap();
    let (_, truth) = make(&shaken, folder.path());
    let telescope = Telescope { band_samples: 3, ..Telescope::monochromatic(0.6, 0.3, 600.0) };
    let shape = |xx: f64| {
        let blur = Blur { jitter_mas2: [xx, 900.0, 0.0], ..Blur::pixel(0.08) };
        Psf::new(&telescope, &Wavefront::default(), &blur).unwrap()
    };
    let (calm, loose) = (shape(900.0), shape(4900.0));
    let (a, b) = (calm.adaptive_moments().unwrap(), loose.adaptive_moments().unwrap());
    // One of four differs by d: the sample variance is d^2 / 4.
    let size = (b.size() / a.size()).ln() / 2.0;
    let ellipticity = (b.e1() - a.e1()) / 2.0 / 2f64.sqrt();
    assert!((truth.detector.size - size).abs() < 1e-10);
    assert!((truth.detector.ellipticity - ellipticity).abs() < 1e-10);
    let (c, d) = (calm.weighted_moments(2.0).unwrap(), loose.weighted_moments(2.0).unwrap());
    let weighted = truth.detector.weighted.iter().find(|w| w.sigma_pixels == 2.0).unwrap();
    assert!((weighted.size - (d.size() / c.size()).ln() / 2.0).abs() < 1e-10);
    assert_eq!(truth.exposures[1].jitter_mas2, [4900.0, 900.0, 0.0]);
    assert!(truth.detector_change(&[0, 2, 3]).unwrap()[0] < 1e-12);
    assert!(truth.detector_change(&[0, 9]).is_none());
}

/// A star's listed places in two exposures lie at one place of the headers' sky plane.
#[test]
fn world_coordinates_follow_dither_and_rotation() {
    let mut moved = scene("[stars]\nper_frame = 30\n[sequence]\nexposures = 2\nwcs = true");
    moved.sequence.dither_pixels = vec![[0.0, 0.0], [5.5, -3.25]];
    moved.sequence.rotation_deg = vec![0.0, 17.0];
    let folder = tempfile::tempdir().unwrap();
    make(&moved, folder.path());
    let plane = |stem: &str| {
        let path = folder.path().join(format!("{stem}.fits"));
        let [x0, y0, a, b, c, d] =
            ["CRPIX1", "CRPIX2", "CD1_1", "CD1_2", "CD2_1", "CD2_2"].map(|key| card(&path, key));
        listed(folder.path(), stem)
            .into_iter()
            .map(|(_, id, x, y, _)| (id, a * (x - x0) + b * (y - y0), c * (x - x0) + d * (y - y0)))
            .collect::<Vec<_>>()
    };
    let (first, second) = (plane("plain-01"), plane("plain-02"));
    let mut common = 0;
    for (id, east, north) in first {
        if let Some((_, e, n)) = second.iter().find(|s| s.0 == id) {
            common += 1;
            // The list's five decimals of a pixel.
            let pixels = (e - east).hypot(n - north) * 3600.0 / 0.08;
            assert!(pixels < 3e-5, "{id}: {pixels}");
        }
    }
    assert!(common > 10);
}

#[test]
fn star_noise_has_the_stated_moments() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    let mut image = Array2::from_elem((300, 300), 50.0);
    add_noise(&mut image, 20.0, 3.0, &mut rng);
    let n = image.len() as f64;
    let (mean, variance) = (image.mean().unwrap(), 50.0 + 20.0 + 9.0);
    assert!((mean - 50.0).abs() < 4.0 * (variance / n).sqrt(), "{mean}");
    let found = image.var(1.0);
    assert!((found / variance - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{found}");
}
