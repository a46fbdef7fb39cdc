//! PLACEHOLDERS for parts written elsewhere, so that the commands can be built and
//! tested; to be replaced at merge. `expand_inputs` and `read_frame` belong to
//! `frame`, `simulate` to `synth`, `judge` to `verdict`, `measure_frame` here.

use std::path::{Path, PathBuf};

use crate::frame::{ExposureFacts, Frame, Region};
use crate::settings::Settings;
use crate::table::StarTable;
use crate::verdict::model::*;
use crate::verdict::{Judgement, Pictures};

#[derive(Debug, thiserror::Error)]
pub enum FrameError {
    #[error("{}: cannot be read: {source}", path.display())]
    Read { path: PathBuf, source: std::io::Error },
    #[error("{}: not a FITS file", path.display())]
    NotFits { path: PathBuf },
    #[error("{name:?}: a path with a line break cannot be written in a keep list. Rename the file.")]
    LineBreak { name: String },
    #[error("{name}: no FITS file there")]
    NothingFound { name: String },
}

pub fn expand_inputs(inputs: &[String]) -> Result<Vec<String>, FrameError> {
    let mut list = Vec::new();
    for input in inputs {
        if input.contains('\n') {
            return Err(FrameError::LineBreak { name: input.clone() });
        }
        if !Path::new(input).is_dir() {
            list.push(input.clone());
            continue;
        }
        let read = |source| FrameError::Read { path: input.into(), source };
        let mut files: Vec<String> = std::fs::read_dir(input)
            .map_err(read)?
            .filter_map(|e| Some(e.ok()?.path().to_str()?.to_string()))
            .filter(|p| p.ends_with(".fits"))
            .collect();
        files.sort();
        if files.is_empty() {
            return Err(FrameError::NothingFound { name: input.clone() });
        }
        list.extend(files);
    }
    Ok(list)
}

pub fn read_frame(path: &Path, _settings: &Settings) -> Result<Frame, FrameError> {
    let bytes = std::fs::read(path).map_err(|source| FrameError::Read { path: path.into(), source })?;
    if !bytes.starts_with(b"SIMPLE  =") {
        return Err(FrameError::NotFits { path: path.into() });
    }
    use sha2::{Digest, Sha256};
    Ok(Frame {
        path: path.into(),
        pixels: ndarray::Array2::zeros((64, 64)),
        bad: ndarray::Array2::from_elem((64, 64), false),
        usable: Region { x0: 0, x1: 64, y0: 0, y1: 64 },
        saturation: None,
        quantum: None,
        facts: ExposureFacts::default(),
        wcs: None,
        sha256: Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect(),
        notes: vec![],
    })
}

#[derive(Debug, thiserror::Error)]
pub enum MeasureError {}

pub fn measure_frame(
    frame: &Frame,
    _settings: &Settings,
    settings_sha256: &str,
) -> Result<StarTable, MeasureError> {
    Ok(StarTable {
        file: frame.path.to_string_lossy().into_owned(),
        frame_sha256: frame.sha256.clone(),
        settings_sha256: settings_sha256.into(),
        version: env!("CARGO_PKG_VERSION").into(),
        width: 64,
        height: 64,
        usable: frame.usable,
        facts: frame.facts.clone(),
        sky_level: 0.0,
        sky_noise: 1.0,
        has_wcs: false,
        sky_angle_deg: None,
        notes: vec![],
        stars: vec![],
    })
}

#[derive(Debug, thiserror::Error)]
pub enum JudgeError {}

pub fn judge(
    tables: &[StarTable],
    unreadable: &[(String, String)],
    settings: &Settings,
) -> Result<Judgement, JudgeError> {
    let row = |file: &str, gate| ExposureResult {
        file: file.into(),
        time: None,
        exposure_s: None,
        stars: None,
        gate,
        reasons: vec![],
        size_arcsec2: None,
        size_pix2: None,
        size_err: None,
        e1: None,
        e2: None,
        e_err: None,
        jitter_mas2: None,
        fwhm_pix: None,
        sky_level: None,
        sky_noise: None,
        filter: None,
        mjd_mid: None,
        altitude_deg: None,
        refused: Default::default(),
        sha256: None,
        notes: vec![],
    };
    let kept = tables.iter().map(|t| ExposureResult {
        stars: Some(t.stars.iter().filter(|s| s.refused.is_none()).count() as u32),
        sha256: Some(t.frame_sha256.clone()),
        ..row(&t.file, Gate::Keep)
    });
    let lost = unreadable
        .iter()
        .map(|(file, why)| ExposureResult { notes: vec![why.clone()], ..row(file, Gate::Unreadable) });
    let verdict = Verdict {
        schema: SCHEMA.into(),
        tool: ToolInfo { version: String::new(), arguments: vec![] },
        decision: Decision::Undecided,
        also_allowed: vec![],
        confidence: settings.requirement.confidence,
        requirement: Requirement {
            name: settings.requirement.preset.clone(),
            source: String::new(),
            m: None,
            c: None,
            size_ratio: None,
            size_limit: 0.01,
            ellipticity_limit: 0.003,
        },
        reasons: vec![],
        repeatability: None,
        all_exposures: None,
        instrument: None,
        own_model: None,
        shear: None,
        groups: vec![],
        size_definition: SizeDefinition {
            weight: "adaptive".into(),
            weight_sigma_arcsec: None,
            weight_sigma_pix: None,
        },
        exposures: kept.chain(lost).collect(),
        noise_check: NoiseCheck::default(),
        optics: None,
        undecided: Some(UndecidedAdvice::default()),
        cautions: vec![],
        notes: vec![],
    };
    Ok(Judgement { verdict, field_models: vec![], pictures: Pictures::default() })
}

/// The name of the built-in scene that `demo` runs.
pub const DEMO_SCENE: &str = "steady";

/// At merge: `Scene::built_in(scene)` where it names one, else `Scene::from_toml` of the
/// file, then `synth::run(&scene, out, overwrite, progress)`.
pub fn simulate(
    scene: &str,
    _out: &Path,
    _overwrite: bool,
    _progress: &(dyn Fn(usize) + Sync),
) -> anyhow::Result<Vec<PathBuf>> {
    anyhow::bail!("scene {scene}: the simulator is not part of this build")
}
