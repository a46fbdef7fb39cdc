//! `stackworthy synth`: a simulated stack, or a whole flight of them.

#![allow(clippy::disallowed_methods, reason = "reads scenes")]

use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use indicatif::ProgressBar;

use super::common::{Common, say};
use super::interrupt;
use crate::synth::{self, FlownVisit, Scene};

#[derive(Debug, clap::Args)]
pub struct Synth {
    /// Scene: a TOML file, or the name of a built-in one
    #[arg(value_name = "SCENE")]
    pub scene: String,
    /// Folder for the frames and their truth
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Overwrite frames that exist
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Synth) -> Result<u8> {
    let scene = scene(&args.scene)?;
    if let Some(flight) = &scene.flight {
        let visits = simulate_flight(&scene, &args.out, args.again, &args.common)?;
        let text = format!("{} visits in {} nights", visits.len(), flight.nights);
        say(&format!("{text}, a folder each, in {}\n", args.out.display()));
        return Ok(0);
    }
    let frames = simulate(&scene, &args.out, args.again, &args.common)?;
    say(&format!("{} frames in {}\n", frames.len(), args.out.display()));
    Ok(0)
}

/// A scene from a TOML file, or a built-in one by its name.
fn scene(given: &str) -> Result<Scene> {
    let path = Path::new(given);
    if !path.is_file() {
        return Ok(Scene::built_in(given)?);
    }
    let text = std::fs::read_to_string(path).with_context(|| format!("{given}: cannot be read"))?;
    Scene::from_toml(&text).with_context(|| given.to_owned())
}

/// Simulates a scene into a folder, with progress.
pub fn simulate(scene: &Scene, out: &Path, again: bool, common: &Common) -> Result<Vec<PathBuf>> {
    interrupt::tidies(out);
    let bar: ProgressBar = common.progress("simulating", scene.sequence.exposures);
    let frames =
        common.in_pool(|| synth::run(scene, out, again, &|done| bar.set_position(done as u64)))??;
    bar.finish_and_clear();
    Ok(frames)
}

/// Simulates a scene's flight into folders below one, with progress.
pub fn simulate_flight(scene: &Scene, out: &Path, again: bool, common: &Common) -> Result<Vec<FlownVisit>> {
    let frames: usize = scene.visits()?.iter().map(|v| v.scene.sequence.exposures).sum();
    let bar: ProgressBar = common.progress("simulating", frames);
    let visits =
        common.in_pool(|| synth::run_flight(scene, out, again, &|done| bar.set_position(done as u64)))??;
    bar.finish_and_clear();
    Ok(visits)
}
