//! `stackworthy demo`: everything once, on simulated frames: one stack, then a flight of many.

#![allow(clippy::disallowed_methods, reason = "removes the log of an earlier demo")]

use std::path::{Path, PathBuf};

use anyhow::Result;

use super::check::{self, Check};
use super::common::{Common, ResultArgs, say};
use super::flight::{LogFile, add_one, alarm_text, load, write_to};
use super::folder::Folder;
use super::synth::{simulate, simulate_flight};
use crate::flight::Log;
use crate::report::{VERDICT_JSON, flight as report};
use crate::synth::{FlownVisit, Scene};

/// Limits for the flight's alarms, so that the demo has one to show.
const FLIGHT_LIMITS: [&str; 3] =
    ["flight.defocus_nm=32", "flight.coma_nm=20", "flight.focal_plane_tilt_nm=25"];

#[derive(Debug, clap::Args)]
#[command(after_help = "Exits with 0 whatever the verdicts and alarms on the simulated frames are.")]
pub struct Demo {
    /// Folder for the frames and the results
    #[arg(long, value_name = "DIR", default_value = "stackworthy-demo")]
    pub out: PathBuf,
    /// Renew an earlier demo
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Demo) -> Result<u8> {
    one_stack(args)?;
    whole_flight(args)?;
    Ok(0)
}

/// One stack with one bad exposure: `check` in full.
fn one_stack(args: &Demo) -> Result<()> {
    let out = args.out.join("result");
    Folder::prepare(&out, args.again)?;
    let scene = Scene::built_in("demo")?;
    let frames = simulate(&scene, &args.out.join("frames"), true, &args.common)?;
    let check = Check {
        frames: as_words(&frames),
        out,
        again: args.again,
        result: ResultArgs::default(),
        common: with_facts(&args.common, &scene),
    };
    check::run(&check).map(|_| ())
}

/// Several nights and targets: `check` of each stack, the log, its alarms and its report.
fn whole_flight(args: &Demo) -> Result<()> {
    let folder = args.out.join("flight");
    let log = LogFile { log: args.out.join("flight.sqlite") };
    let page = args.out.join("flight.html");
    let scene = Scene::built_in("flight")?;
    let mut common = with_facts(&args.common, &scene);
    let limits = FLIGHT_LIMITS.map(str::to_owned).to_vec();
    common.set = [limits, common.set].concat();

    let visits = simulate_flight(&scene, &folder.join("frames"), true, &common)?;
    let bar = common.progress("visits judged", visits.len());
    let quiet = Common { quiet: true, ..common.clone() };
    let mut results = Vec::new();
    for visit in &visits {
        let out = folder.join(name(visit));
        check::quietly(&as_words(&visit.frames), &out, &quiet)?;
        results.push(out.join(VERDICT_JSON));
        bar.inc(1);
    }
    bar.finish_and_clear();

    // That of an earlier demo may be of other frames.
    let _ = std::fs::remove_file(&log.log);
    let mut open = Log::open_or_begin(&log.log)?;
    for verdict in &results {
        add_one(&mut open, verdict)?;
    }
    drop(open);
    write_to(&page, &log, &common)?;
    let (flight, loaded) = load(&log, &common)?;
    say(&format!(
        "\nFLIGHT: {} stacks of {} targets in {} nights\n{}\n{}\nNext\n  Flight report: {}\n  Flight log: {}; \
         `stackworthy flight show --by target --log {}`\n  Your own: stackworthy check FRAME... --out DIR, then \
         stackworthy flight add DIR\n",
        visits.len(),
        flight.targets().len(),
        flight.nights().len(),
        report::by_night(&flight),
        alarm_text(&flight, &loaded, None),
        page.display(),
        log.log.display(),
        log.log.display(),
    ));
    Ok(())
}

/// A visit's result bears the name of the folder of its frames.
fn name(visit: &FlownVisit) -> &Path {
    visit.folder.file_name().map_or(&visit.folder, Path::new)
}

fn as_words(frames: &[PathBuf]) -> Vec<String> {
    frames.iter().map(|f| f.to_string_lossy().into_owned()).collect()
}

/// The simulated telescope's facts, as settings that the user's own come after.
fn with_facts(common: &Common, scene: &Scene) -> Common {
    let mut common = common.clone();
    common.set = [facts(scene), common.set].concat();
    common
}

fn facts(scene: &Scene) -> Vec<String> {
    let (optics, detector) = (&scene.optics, &scene.detector);
    let mut set = vec![
        format!("telescope.aperture_m={}", optics.aperture_m),
        format!("telescope.obstruction={}", optics.obstruction),
        format!("telescope.wavelength_nm={}", optics.wavelength_nm),
        format!("telescope.bandwidth_nm={}", optics.bandwidth_nm),
        format!("telescope.pixel_arcsec={}", detector.pixel_arcsec),
        format!("detector.diffusion_pixels={}", detector.diffusion_pixels),
    ];
    if let Some(vanes) = &optics.vanes {
        set.push(format!("telescope.vane_count={}", vanes.count));
        set.push(format!("telescope.vane_width_m={}", vanes.width_m));
        set.push(format!("telescope.vane_angle_deg={}", vanes.angle_deg));
    }
    set
}
