//! Which stars are kept: of rendered frames, whose sources are known.
//!
//! A star counts as isolated where nothing else puts more than 1 % of its light within 5
//! FWHM: no star, companion or galaxy, and no cosmic ray or hot pixel either, since their
//! light is in the image whatever it came from.

use std::path::Path;

use rstar::{AABB, RTree, primitives::GeomWithData};
use stackworthy::frame::read_frame;
use stackworthy::measure::measure_frame;
use stackworthy::moments::FWHM_PER_SIGMA;
use stackworthy::settings::Settings;
use stackworthy::stars::Star;
use stackworthy::synth::{Scene, run};

/// One line of a frame's list of sources.
struct Source {
    kind: String,
    /// 0-based pixels.
    x: f64,
    y: f64,
    flux: f64,
}

#[derive(Debug, Default)]
struct Count {
    isolated: usize,
    kept_of_isolated: usize,
    kept: usize,
    kept_not_stars: usize,
    lost: std::collections::BTreeMap<String, usize>,
}

fn sources(path: &Path) -> Vec<Source> {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines()
        .skip(1)
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |k: usize| cells[k].parse::<f64>().unwrap();
            let one_based = number(2);
            Source { kind: cells[0].into(), x: one_based - 1.0, y: number(3) - 1.0, flux: number(4) }
        })
        .collect()
}

fn tree(points: impl Iterator<Item = [f64; 2]>) -> RTree<GeomWithData<[f64; 2], usize>> {
    RTree::bulk_load(points.enumerate().map(|(k, p)| GeomWithData::new(p, k)).collect())
}

/// The SNR at which stars of a flux are measured, from the kept ones next to it in flux.
fn snr_of_flux(kept: &[&Star], gain: f64, flux: f64) -> f64 {
    let distance = |star: &Star| (star.flux * gain / flux).ln().abs();
    let nearest = kept.iter().min_by(|a, b| distance(a).total_cmp(&distance(b))).unwrap();
    // Between the sky limit, SNR ~ F, and the photon limit, SNR ~ sqrt F.
    nearest.snr * (flux / (nearest.flux * gain)).powf(0.75)
}

fn count(name: &str, exposures: usize, seed: u64) -> Count {
    let folder = tempfile::tempdir().unwrap();
    let mut scene = Scene { seed, ..Scene::built_in(name).unwrap() };
    scene.sequence.exposures = exposures;
    let settings = Settings::default();
    let mut count = Count::default();
    for path in run(&scene, folder.path(), false, &|_| ()).unwrap() {
        let frame = read_frame(&path, &settings).unwrap();
        let table = measure_frame(&frame, "frame", &settings, "").unwrap();
        let stem = path.file_stem().unwrap().to_string_lossy().into_owned();
        let sources = sources(&folder.path().join(format!("truth-{stem}.csv")));
        add_frame(&mut count, &scene, &table, &sources);
    }
    println!("{name}: {count:?}");
    count
}

fn add_frame(count: &mut Count, scene: &Scene, table: &stackworthy::table::StarTable, sources: &[Source]) {
    let kept: Vec<&Star> = table.stars.iter().filter(|s| s.refused.is_none()).collect();
    let sigma = table.sigma_pixels.unwrap();
    let reach = 5.0 * FWHM_PER_SIGMA * sigma;
    // A Gaussian of this width puts 1/(2 pi sigma^2) of its light on the central pixel.
    let full = 0.8 * scene.detector.full_well_electrons * std::f64::consts::TAU * sigma * sigma;
    let edge = 7.0 * sigma.max(10.0 / 7.0) + 2.0;
    let by_place = tree(sources.iter().map(|s| [s.x, s.y]));
    let near = |x: f64, y: f64, radius: f64| {
        let square = AABB::from_corners([x - radius, y - radius], [x + radius, y + radius]);
        let inside = by_place.locate_in_envelope(&square);
        inside
            .map(|p| (&sources[p.data], (p.geom()[0] - x).hypot(p.geom()[1] - y)))
            .filter(move |(_, distance)| *distance <= radius)
            .collect::<Vec<_>>()
    };
    let measured = tree(table.stars.iter().map(|s| [s.x, s.y]));
    let (width, height) = (table.width as f64, table.height as f64);
    for star in sources.iter().filter(|s| s.kind == "star") {
        let inside = star.x.min(star.y).min(width - 1.0 - star.x).min(height - 1.0 - star.y) > edge;
        let bright = star.flux < full && snr_of_flux(&kept, scene.detector.gain, star.flux) > 50.0;
        let alone = near(star.x, star.y, reach)
            .iter()
            .all(|(other, _)| std::ptr::eq(*other, star) || other.flux <= 0.01 * star.flux);
        if !(inside && bright && alone) {
            continue;
        }
        count.isolated += 1;
        let found = measured.nearest_neighbor(&[star.x, star.y]).map(|p| &table.stars[p.data]);
        match found.filter(|s| (s.x - star.x).hypot(s.y - star.y) < 2.0) {
            Some(found) if found.refused.is_none() => count.kept_of_isolated += 1,
            other => {
                let word = other.and_then(|s| s.refused).map_or("not found", |r| r.word());
                *count.lost.entry(word.into()).or_default() += 1;
                let around: Vec<String> = near(star.x, star.y, 16.0)
                    .iter()
                    .filter(|(s, _)| s.flux > 0.003 * star.flux)
                    .map(|(s, d)| format!("{} {:.1} {:.3}", s.kind, d, s.flux / star.flux))
                    .collect();
                println!(
                    "{word}: ({:.1}, {:.1}) flux {:.0} contamination {:.4}; around: {around:?}",
                    star.x,
                    star.y,
                    star.flux,
                    other.map_or(f64::NAN, |s| s.contamination)
                );
            }
        }
    }
    for star in &kept {
        count.kept += 1;
        let is_star = near(star.x, star.y, 1.5).iter().any(|(s, _)| s.kind == "star");
        count.kept_not_stars += usize::from(!is_star);
    }
}

fn hold(count: &Count) {
    assert!(count.isolated > 150, "{count:?}");
    assert!(count.kept_of_isolated as f64 >= 0.95 * count.isolated as f64, "{count:?}");
    assert!((count.kept_not_stars as f64) < 0.01 * count.kept as f64, "{count:?}");
}

#[test]
fn isolated_stars_of_a_well_sampled_frame_are_kept() {
    hold(&count("steady", 2, 20310301));
}

#[test]
fn isolated_stars_of_an_undersampled_frame_are_kept() {
    hold(&count("undersampled", 2, 20310306));
}
