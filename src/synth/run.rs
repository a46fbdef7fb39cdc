//! The whole simulation: scene in, frames and truth out.

#![allow(clippy::disallowed_methods, reason = "makes the folder of a scene")]

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;

use super::detector::{hot_pixels, read_out};
use super::random::{Stream, stream};
use super::render::{Placed, render};
use super::scene::Scene;
use super::sequence::exposures;
use super::sources::sources;
use super::truth::Truth;
use super::{SynthError, write};
use crate::optics::Propagator;

/// Simulates `scene` into the folder `out`: frames `NAME-01.fits` and on, beside each a
/// list of what is on it, `truth-NAME-01.csv`, and `truth.json` for the stack.
///
/// Files that exist are refused before anything is computed, unless `overwrite`.
/// `progress` is called with the number of finished exposures, from any thread. Returns
/// the frames' paths in order of time.
pub fn run(
    scene: &Scene,
    out: &Path,
    overwrite: bool,
    progress: &(dyn Fn(usize) + Sync),
) -> Result<Vec<PathBuf>, SynthError> {
    let exposures = exposures(scene)?;
    let propagator = Propagator::new(&scene.optics.telescope())
        .map_err(|source| SynthError::Optics { number: 1, source })?;

    std::fs::create_dir_all(out)
        .map_err(|e| SynthError::Write { path: out.into(), reason: e.to_string() })?;
    let stems: Vec<String> = exposures.iter().map(|e| format!("{}-{:02}", scene.name, e.index + 1)).collect();
    let frames: Vec<PathBuf> = stems.iter().map(|stem| out.join(format!("{stem}.fits"))).collect();
    let lists: Vec<PathBuf> = stems.iter().map(|stem| out.join(format!("truth-{stem}.csv"))).collect();
    let truth_path = out.join("truth.json");
    if !overwrite {
        let mut all = frames.iter().chain(&lists).chain([&truth_path]);
        if let Some(existing) = all.find(|path| path.exists()) {
            return Err(SynthError::Exists(existing.clone()));
        }
    }

    let sources = sources(scene, &exposures)?;
    let hot = hot_pixels(scene);
    let done = AtomicUsize::new(0);
    exposures.par_iter().try_for_each(|exposure| {
        let (expected, mut placed) = render(scene, exposure, &sources, &propagator)?;
        let mut rng = stream(scene.seed, Stream::Exposure(exposure.index));
        let (adu, tracks) = read_out(&scene.detector, &expected, &hot, &mut rng);
        write::frame(&frames[exposure.index], scene, exposure, &adu, overwrite)?;
        placed.extend(tracks);
        placed.extend(hot.iter().enumerate().map(|(index, pixel)| Placed {
            id: index + 1,
            kind: "hot-pixel",
            x: pixel.x as f64,
            y: pixel.y as f64,
            flux_electrons: pixel.electrons,
        }));
        write::text(&lists[exposure.index], &write::source_list(&placed), overwrite)?;
        progress(1 + done.fetch_add(1, Ordering::Relaxed));
        Ok(())
    })?;

    let files: Vec<String> = stems.iter().map(|stem| format!("{stem}.fits")).collect();
    let truth = Truth::of(scene, &exposures, &propagator, &files)?;
    let json = serde_json::to_string_pretty(&truth)
        .map_err(|e| SynthError::Write { path: truth_path.clone(), reason: e.to_string() })?;
    write::text(&truth_path, &(json + "\n"), overwrite)?;
    Ok(frames)
}
