//! How judging grows with exposures and stars: star tables drawn in memory, judged whole. They hold what tables
//! measured from pixels hold once what judging does not need is left on disk, but for the cut-outs.
//!
//! `cargo bench --bench judging [-- EXPOSURES STARS]...`; without pairs the usual ones. Prints the
//! CPU and wall time of each stack and the peak memory so far, smallest stack first. With
//! `-- --write FOLDER EXPOSURES STARS` the star tables are written instead, for `stackworthy judge`.

#[path = "../tests/star_tables/mod.rs"]
mod star_tables;

use std::path::Path;
use std::time::Instant;

use rand::{RngExt, SeedableRng, rngs::StdRng};
use rand_distr::StandardNormal;
use stackworthy::moments::{HigherMoments, LADDER_SIGMA_PIXELS, Shape};
use stackworthy::stars::{Ladder, Refusal, Star};
use stackworthy::table::{Share, StarTable, Widths};
use stackworthy::verdict::{judge, rungs_needed};
use star_tables::{Drawn, Over, Stack, Through, draw};

/// Exposures and stars: grown one at a time from a common corner.
const USUAL: [(usize, usize); 7] =
    [(100, 250), (100, 500), (100, 1000), (30, 1000), (300, 1000), (1000, 1000), (3000, 1000)];

fn main() {
    let words: Vec<String> = std::env::args().collect();
    let folder = words.iter().position(|word| word == "--write").and_then(|k| words.get(k + 1));
    let given: Vec<usize> = std::env::args().skip(1).filter_map(|a| a.parse().ok()).collect();
    let pairs: Vec<(usize, usize)> = match given.len() {
        0 => USUAL.to_vec(),
        _ => given.chunks_exact(2).map(|pair| (pair[0], pair[1])).collect(),
    };
    println!(
        "{:>9} {:>6} {:>9} {:>9} {:>14} {:>9}",
        "exposures", "stars", "cpu s", "wall s", "us/exp/star", "peak MiB"
    );
    for (exposures, stars) in pairs {
        let scene = Stack {
            exposures,
            stars,
            over: Over::Mixed,
            through: Through::Spread,
            strength: (0.3, 0.3),
            limit_over_noise: 4.0,
            ..Stack::default()
        };
        let mut drawn = draw(&scene, 1);
        // Limits alone ask for no shear.
        drawn.settings.requirement.size_ratio = Some(SIZE_RATIO);
        let widths: Vec<Widths> = drawn.tables.iter().map(StarTable::widths).collect();
        let rungs = rungs_needed(&widths, &drawn.settings);
        let share = Share { cutout_bytes: 0, rungs, ..Share::of_one_in(exposures) };
        let mut rng = StdRng::seed_from_u64(2);
        drawn.tables.iter_mut().for_each(|table| complete(table, share, &mut rng));
        if let Some(folder) = folder {
            write(&drawn, Path::new(folder));
            continue;
        }
        let (cpu, wall) = (cpu_s(), Instant::now());
        let judged = judge(&drawn.tables, &[], &drawn.settings).expect("a valid requirement");
        let (cpu, wall) = (cpu_s() - cpu, wall.elapsed().as_secs_f64());
        let each = 1e6 * cpu / (exposures * stars) as f64;
        println!(
            "{exposures:>9} {stars:>6} {cpu:>9.2} {wall:>9.2} {each:>14.2} {:>9} {:?}",
            peak_mib(),
            judged.verdict.decision
        );
    }
}

/// Of a galaxy over the stars, for which the shear budget is asked.
const SIZE_RATIO: f64 = 1.5;

/// Detections refused for each star that is kept (1.6 in the large frame of `benches/large.rs`, 3.5 in those of
/// the demo), and the share of them that have moments (0.16 in the demo).
const REFUSED_EACH: usize = 2;
const WITH_MOMENTS: f64 = 0.2;

/// Adds what the tables drawn for the tests lack of measured ones: shapes under the ladder's weights, higher
/// moments and refused detections, as they are once the table is lightened.
fn complete(table: &mut StarTable, share: Share, rng: &mut StdRng) {
    let mut stars = Vec::with_capacity((1 + REFUSED_EACH) * table.stars.len());
    for mut star in table.stars.drain(..) {
        let Some(shape) = star.adaptive else { continue };
        star.ladder = LADDER_SIGMA_PIXELS.map(|sigma| Some(under(&shape, sigma))).into();
        if let Some(rungs) = share.rungs {
            star.ladder.keep(rungs);
        }
        star.higher = Some(Box::new(higher(star.snr, rng)));
        stars.extend((0..REFUSED_EACH).map(|_| refused(&star, table.width, rng)));
        stars.push(star);
    }
    stars.sort_by(|a: &Star, b: &Star| b.flux.total_cmp(&a.flux));
    table.stars = stars;
    table.lighten(share);
}

/// Of a Gaussian star under a circular weight: `M' = (M^-1 + w^-2)^-1`, to first order in its ellipticity.
fn under(adaptive: &Shape, sigma: f64) -> Shape {
    let share = sigma * sigma / (sigma * sigma + 0.5 * adaptive.size);
    let scaled = |moment: f64| moment * share * share;
    Shape {
        mxx: scaled(adaptive.mxx),
        myy: scaled(adaptive.myy),
        mxy: scaled(adaptive.mxy),
        size: adaptive.size * share,
        size_err: adaptive.size_err * share * share,
        e1: adaptive.e1 * share,
        e2: adaptive.e2 * share,
        e_err: adaptive.e_err * share,
        size_response: adaptive.size_response * share,
        e_response: adaptive.e_response * share,
    }
}

fn higher(snr: f64, rng: &mut StdRng) -> HigherMoments {
    let err = 2.0 / snr;
    let mut noisy = |value: f64| value + err * rng.sample::<f64, _>(StandardNormal);
    HigherMoments {
        coma1: noisy(0.0),
        coma2: noisy(0.0),
        coma_err: err,
        trefoil1: noisy(0.0),
        trefoil2: noisy(0.0),
        trefoil_err: err,
        kurtosis: noisy(2.0),
        kurtosis_err: err,
    }
}

/// A fainter detection elsewhere, larger than a star.
fn refused(star: &Star, side: usize, rng: &mut StdRng) -> Star {
    let mut place = || rng.random_range(0.0..side as f64);
    let (x, y) = (place(), place());
    let faint = rng.random_range(0.02..0.5);
    let larger = |shape: &Shape| Shape { size: 1.5 * shape.size, size_err: shape.size_err / faint, ..*shape };
    let bare = Star {
        x,
        y,
        flux: faint * star.flux,
        snr: faint * star.snr,
        adaptive: None,
        ladder: Ladder::default(),
        higher: None,
        refused: Some(Refusal::Faint),
        ..star.clone()
    };
    if !rng.random_bool(WITH_MOMENTS) {
        return bare;
    }
    let mut ladder = star.ladder.clone();
    ladder.shapes_mut().for_each(|shape| *shape = larger(shape));
    let (adaptive, higher) = (star.adaptive.as_ref().map(larger), star.higher.clone());
    Star { adaptive, ladder, higher, refused: Some(Refusal::Extended), ..bare }
}

/// Writes the star tables, and the requirement as settings beside them.
fn write(drawn: &Drawn, folder: &Path) {
    let stars = folder.join("stars");
    std::fs::create_dir_all(&stars).expect("a folder that can be written");
    for (k, table) in drawn.tables.iter().enumerate() {
        let path = stars.join(format!("exposure-{:05}.stars.fits", k + 1));
        stackworthy::table::write(table, &path).expect("a table that can be written");
    }
    let (size, ellipticity) = (drawn.limits.size, drawn.limits.ellipticity);
    let settings = format!(
        "[requirement]\nsize_limit = {size:e}\nellipticity_limit = {ellipticity:e}\nsize_ratio = {SIZE_RATIO}\n"
    );
    std::fs::write(folder.join("settings.toml"), settings).expect("a folder that can be written");
}

/// Processor time of all threads of this process, s.
fn cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or("").split_whitespace().collect();
    let ticks = |k: usize| fields.get(k).and_then(|f| f.parse::<f64>().ok()).unwrap_or(f64::NAN);
    // Fields 14 and 15 of proc(5), in hundredths of a second.
    (ticks(11) + ticks(12)) / 100.0
}

fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap_or("");
    line.split_whitespace().nth(1).and_then(|k| k.parse::<u64>().ok()).unwrap_or(0) / 1024
}
