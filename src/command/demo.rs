//! `stackworthy demo`: everything once, on simulated frames.

use std::path::PathBuf;

use anyhow::Result;

use super::check::{self, Check};
use super::common::{Common, ResultArgs};
use super::folder::Folder;
use super::synth::simulate;
use crate::synth::Scene;

#[derive(Debug, clap::Args)]
#[command(after_help = "Exits with 0 whatever the verdict on the simulated frames is.")]
pub struct Demo {
    /// Folder for the frames and the result
    #[arg(long, value_name = "DIR", default_value = "stackworthy-demo")]
    pub out: PathBuf,
    /// Renew an earlier demo
    #[arg(long)]
    pub again: bool,
    #[command(flatten)]
    pub common: Common,
}

pub fn run(args: &Demo) -> Result<u8> {
    let out = args.out.join("result");
    Folder::prepare(&out, args.again)?;
    let scene = Scene::built_in("demo")?;
    let frames = simulate(&scene, &args.out.join("frames"), true, &args.common)?;
    let mut common = args.common.clone();
    common.set = [facts(&scene), common.set].concat();
    let check = Check {
        frames: frames.iter().map(|f| f.to_string_lossy().into_owned()).collect(),
        out,
        again: args.again,
        result: ResultArgs::default(),
        common,
    };
    check::run(&check).map(|_| 0)
}

/// The simulated telescope's facts, as settings.
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
