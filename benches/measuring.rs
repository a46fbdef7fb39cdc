//! How long measuring takes: one star's moments, one whole frame.
//!
//! Run with `cargo bench --bench measuring`; a part of it by name, as in
//! `cargo bench --bench measuring -- one_star`.

use std::path::PathBuf;

use divan::Bencher;
use ndarray::Array2;
use rand::SeedableRng;
use rand::rngs::ChaCha8Rng;
use stackworthy::frame::read_frame;
use stackworthy::measure::measure_frame;
use stackworthy::moments::{Cutout, Weight, measure};
use stackworthy::optics::{Blur, Psf, Telescope, Wavefront};
use stackworthy::settings::Settings;
use stackworthy::stars::select::{FrameView, select};
use stackworthy::synth::{Scene, add_noise, run, star_image};

fn main() {
    divan::main();
}

/// All moments of a bright star, by the side of its cut-out in pixels.
#[divan::bench(args = [21, 41, 81])]
fn one_star(bencher: Bencher, side: usize) {
    // Stars 14 pixels of sigma per cut-out, as a frame's own cut-outs are.
    let sigma = side as f64 / 14.0;
    let telescope =
        Telescope { bandwidth_nm: 120.0, band_samples: 3, ..Telescope::monochromatic(0.6, 0.33, 600.0) };
    let pixel_arcsec = 0.4 * telescope.lambda_over_d_arcsec() / sigma;
    let wavefront = Wavefront { coma_x_nm: 12.0, ..Wavefront::default() };
    let psf = Psf::new(&telescope, &wavefront, &Blur::pixel(pixel_arcsec)).expect("a valid telescope");
    let middle = (side / 2) as f64;
    let mut image = star_image(&psf, side, middle + 0.3, middle - 0.2, 1e5);
    add_noise(&mut image, 50.0, 3.0, &mut ChaCha8Rng::seed_from_u64(1));
    let cutout = Cutout {
        variance: image.mapv(|electrons| (59.0 + electrons.max(0.0)) as f32),
        mask: Array2::from_elem(image.dim(), false),
        pixels: image.mapv(|electrons| electrons as f32),
    };
    bencher.bench(|| {
        measure(divan::black_box(&cutout), (0.3, -0.2), sigma, Weight::Adaptive).expect("a bright star")
    });
}

/// A frame of a built-in scene in a folder that lasts as long as its first value.
fn frame_of(scene: &str) -> (tempfile::TempDir, PathBuf) {
    let mut scene = Scene::built_in(scene).expect("a built-in scene");
    scene.sequence.exposures = 1;
    scene.sequence.change.clear();
    let folder = tempfile::tempdir().expect("a folder");
    let frames = run(&scene, folder.path(), true, &|_| {}).expect("a frame");
    (folder, frames[0].clone())
}

/// Reading, finding and measuring all of a 900x900 frame.
#[divan::bench(args = ["steady", "undersampled"], sample_count = 20)]
fn one_frame(bencher: Bencher, scene: &str) {
    let (_folder, path) = frame_of(scene);
    let settings = Settings::default();
    bencher.bench(|| {
        let frame = read_frame(&path, &settings).expect("a readable frame");
        measure_frame(&frame, "frame.fits", &settings, "").expect("a measurable frame")
    });
}

/// The same without reading.
#[divan::bench(sample_count = 20)]
fn stars_of_a_frame(bencher: Bencher) {
    let (_folder, path) = frame_of("steady");
    let settings = Settings::default();
    let frame = read_frame(&path, &settings).expect("a readable frame");
    let view = FrameView {
        pixels: &frame.pixels,
        tops: &frame.tops,
        region: frame.usable,
        saturation: frame.saturation,
        quantum: frame.quantum,
        gain: frame.facts.gain,
    };
    bencher.bench(|| select(&view, &settings.stars).expect("a sky"));
}
