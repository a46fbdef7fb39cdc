//! How judging grows with exposures and stars: star tables drawn in memory, judged whole.
//!
//! `cargo bench --bench judging [-- EXPOSURES STARS]...`; without pairs the usual ones. Prints the
//! CPU and wall time of each stack and the peak memory so far, smallest stack first. With
//! `-- --write FOLDER EXPOSURES STARS` the star tables are written instead, for `stackworthy judge`.

#[path = "../tests/star_tables/mod.rs"]
mod star_tables;

use std::path::Path;
use std::time::Instant;

use stackworthy::verdict::judge;
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
        let drawn = draw(&scene, 1);
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

/// Writes the star tables, and the requirement as settings beside them.
fn write(drawn: &Drawn, folder: &Path) {
    let stars = folder.join("stars");
    std::fs::create_dir_all(&stars).expect("a folder that can be written");
    for (k, table) in drawn.tables.iter().enumerate() {
        let path = stars.join(format!("exposure-{:05}.stars.fits", k + 1));
        stackworthy::table::write(table, &path).expect("a table that can be written");
    }
    let (size, ellipticity) = (drawn.limits.size, drawn.limits.ellipticity);
    let settings = format!("[requirement]\nsize_limit = {size:e}\nellipticity_limit = {ellipticity:e}\n");
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
