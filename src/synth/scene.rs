//! What to simulate: the scene file. Every key is documented here; an unknown key is
//! refused.

use serde::{Deserialize, Serialize};

use super::SynthError;
use super::flight::FlightScene;
use crate::optics::{FieldPattern, Telescope, Vanes};

/// A simulated stack: `[optics]`, `[motion]`, `[stars]`, `[detector]`, `[sequence]`; with `[flight]`, a whole
/// flight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scene {
    /// Stem of the file names: lower-case letters, digits and hyphens.
    pub name: String,
    /// What the scene is for, in a sentence.
    #[serde(default)]
    pub about: String,
    /// The one number all random numbers come from.
    pub seed: u64,
    /// That of what is on the sky, where it is another: visits of one field see the same stars.
    pub sky_seed: Option<u64>,
    pub optics: OpticsScene,
    #[serde(default)]
    pub motion: MotionScene,
    #[serde(default)]
    pub stars: StarsScene,
    #[serde(default)]
    pub detector: DetectorScene,
    #[serde(default)]
    pub sequence: SequenceScene,
    /// Several nights and targets instead of one stack.
    pub flight: Option<FlightScene>,
}

/// `[optics]`: the telescope, and its wavefront over the field as in
/// [`FieldPattern`]: nm rms, reached at the corners of the field.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OpticsScene {
    pub aperture_m: f64,
    #[serde(default)]
    pub obstruction: f64,
    pub vanes: Option<Vanes>,
    pub wavelength_nm: f64,
    #[serde(default)]
    pub bandwidth_nm: f64,
    #[serde(default = "three")]
    pub band_samples: usize,
    #[serde(default = "sixty_four")]
    pub pupil_samples: usize,
    #[serde(default)]
    pub defocus_nm: f64,
    #[serde(default)]
    pub defocus_tilt_nm: [f64; 2],
    #[serde(default)]
    pub defocus_curvature_nm: f64,
    #[serde(default)]
    pub coma_nm: [f64; 2],
    #[serde(default)]
    pub coma_linear_nm: f64,
    #[serde(default)]
    pub astigmatism_nm: [f64; 2],
    #[serde(default)]
    pub astigmatism_linear_nm: [f64; 2],
    #[serde(default)]
    pub astigmatism_quadratic_nm: f64,
    #[serde(default)]
    pub trefoil_nm: [f64; 2],
    #[serde(default)]
    pub spherical_nm: f64,
}

fn three() -> usize {
    3
}

fn sixty_four() -> usize {
    64
}

impl OpticsScene {
    pub fn telescope(&self) -> Telescope {
        Telescope {
            aperture_m: self.aperture_m,
            obstruction: self.obstruction,
            vanes: self.vanes,
            wavelength_nm: self.wavelength_nm,
            bandwidth_nm: self.bandwidth_nm,
            band_samples: self.band_samples,
            pupil_samples: self.pupil_samples,
        }
    }

    pub fn pattern(&self) -> FieldPattern {
        FieldPattern {
            defocus_nm: self.defocus_nm,
            defocus_tilt_nm: self.defocus_tilt_nm,
            defocus_curvature_nm: self.defocus_curvature_nm,
            coma_nm: self.coma_nm,
            coma_linear_nm: self.coma_linear_nm,
            astigmatism_nm: self.astigmatism_nm,
            astigmatism_linear_nm: self.astigmatism_linear_nm,
            astigmatism_quadratic_nm: self.astigmatism_quadratic_nm,
            trefoil_nm: self.trefoil_nm,
            spherical_nm: self.spherical_nm,
        }
    }
}

/// `[motion]`: pointing during an exposure, in the detector's x and y.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct MotionScene {
    /// Isotropic jitter, rms per axis.
    pub jitter_mas: f64,
    /// Jitter covariance `[xx, yy, xy]`, added to the isotropic one.
    pub jitter_mas2: [f64; 3],
    /// Uniform drift from the start to the end of an exposure.
    pub drift_mas: [f64; 2],
}

/// `[stars]`: all that is on the sky. Fluxes in electrons an exposure; densities as
/// mean numbers on one frame's area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct StarsScene {
    pub per_frame: f64,
    /// Faintest and brightest star.
    pub flux_electrons: [f64; 2],
    /// Exponent of the number of stars per unit flux.
    pub flux_slope: f64,
    /// Share of the stars that have a companion.
    pub companion_fraction: f64,
    /// Least and greatest separation of companions.
    pub companion_arcsec: [f64; 2],
    pub galaxies_per_frame: f64,
    pub galaxy_flux_electrons: [f64; 2],
    /// Least and greatest scale length of the exponential discs.
    pub galaxy_scale_arcsec: [f64; 2],
    /// Largest ellipticity (distortion) of a galaxy.
    pub galaxy_ellipticity: f64,
    /// Sky, electrons per pixel.
    pub sky_electrons: f64,
    /// Relative change of the sky from the middle of the frame to its right, upper edge.
    pub sky_gradient: [f64; 2],
    pub nebula: Option<Nebula>,
}

/// A round Gaussian glow, fixed on the sky.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Nebula {
    /// Centre, from the middle of the field in the first exposure's x and y, pixels.
    pub offset_pixels: [f64; 2],
    pub sigma_pixels: f64,
    pub peak_electrons: f64,
}

impl Default for StarsScene {
    fn default() -> Self {
        Self {
            per_frame: 0.0,
            flux_electrons: [1e3, 1e6],
            flux_slope: -1.6,
            companion_fraction: 0.0,
            companion_arcsec: [0.1, 0.5],
            galaxies_per_frame: 0.0,
            galaxy_flux_electrons: [500.0, 2e4],
            galaxy_scale_arcsec: [0.1, 0.4],
            galaxy_ellipticity: 0.5,
            sky_electrons: 100.0,
            sky_gradient: [0.0; 2],
            nebula: None,
        }
    }
}

/// How pixel values are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Output {
    /// 16-bit unsigned integers.
    #[default]
    Integer,
    /// 32-bit floating point, without rounding.
    Float,
}

/// `[detector]`
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DetectorScene {
    pub width: usize,
    pub height: usize,
    pub pixel_arcsec: f64,
    /// Charge diffusion, sigma per axis, pixels.
    pub diffusion_pixels: f64,
    /// Electrons per ADU.
    pub gain: f64,
    /// Electrons.
    pub read_noise: f64,
    /// Pedestal, ADU.
    pub bias_adu: f64,
    pub full_well_electrons: f64,
    /// Charge above full well runs along the columns instead of vanishing.
    pub bleed: bool,
    /// Mean number of cosmic-ray tracks on a frame.
    pub cosmic_rays: f64,
    /// Mean length of a track.
    pub cosmic_ray_pixels: f64,
    /// Mean charge per pixel of track, electrons.
    pub cosmic_ray_electrons: f64,
    /// Pixels with dark charge, at the same place in every exposure.
    pub hot_pixels: usize,
    /// Mean of their exponentially distributed charge, electrons an exposure.
    pub hot_electrons: f64,
    /// Columns that collect no charge, counted from 1.
    pub dead_columns: Vec<usize>,
    pub output: Output,
}

impl Default for DetectorScene {
    fn default() -> Self {
        Self {
            width: 900,
            height: 900,
            pixel_arcsec: 0.08,
            diffusion_pixels: 0.0,
            gain: 2.0,
            read_noise: 3.0,
            bias_adu: 1000.0,
            full_well_electrons: 90_000.0,
            bleed: false,
            cosmic_rays: 0.0,
            cosmic_ray_pixels: 6.0,
            cosmic_ray_electrons: 1500.0,
            hot_pixels: 0,
            hot_electrons: 2000.0,
            dead_columns: Vec::new(),
            output: Output::Integer,
        }
    }
}

/// `[sequence]`: the exposures, and what changes between them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SequenceScene {
    pub exposures: usize,
    pub exposure_s: f64,
    /// From the end of an exposure to the start of the next.
    pub gap_s: f64,
    /// Start of the first exposure, UTC.
    pub start: String,
    pub target: String,
    pub filter: String,
    /// Dithers, pixels; taken in turn, from the first again after the last.
    pub dither_pixels: Vec<[f64; 2]>,
    /// Random dithers of this rms per axis, added; the first exposure has none.
    pub dither_rms_pixels: f64,
    /// Rotation of the sky on the detector, from x towards y: per exposure...
    pub rotation_deg: Vec<f64>,
    /// ...or in equal steps from none.
    pub rotation_step_deg: f64,
    /// Write a world coordinate system.
    pub wcs: bool,
    /// Place of the sky in the middle of the undithered field, ICRS.
    pub pointing_deg: [f64; 2],
    /// Altitude of the target in the first exposure.
    pub altitude_deg: Option<f64>,
    /// Temperature of the telescope in the first exposure.
    pub temperature_c: Option<f64>,
    /// Reading of the focus drive in the first exposure.
    pub focus_position: Option<f64>,
    pub change: Vec<Change>,
}

impl Default for SequenceScene {
    fn default() -> Self {
        Self {
            exposures: 8,
            exposure_s: 120.0,
            gap_s: 30.0,
            start: "2031-03-01T02:00:00".into(),
            target: "Lantern field".into(),
            filter: "clear".into(),
            dither_pixels: Vec::new(),
            dither_rms_pixels: 0.0,
            rotation_deg: Vec::new(),
            rotation_step_deg: 0.0,
            wcs: false,
            pointing_deg: [150.0, 20.0],
            altitude_deg: None,
            temperature_c: None,
            focus_position: None,
            change: Vec::new(),
        }
    }
}

/// What can change between exposures. `jitter-mas2` is isotropic, per axis;
/// `transparency` is a factor on every source that starts from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    JitterMas2,
    JitterXxMas2,
    JitterYyMas2,
    JitterXyMas2,
    DriftXMas,
    DriftYMas,
    DefocusNm,
    DefocusTiltXNm,
    DefocusTiltYNm,
    #[serde(rename = "astigmatism-0-nm")]
    Astigmatism0Nm,
    #[serde(rename = "astigmatism-45-nm")]
    Astigmatism45Nm,
    ComaXNm,
    ComaYNm,
    TrefoilXNm,
    TrefoilYNm,
    SphericalNm,
    SkyElectrons,
    Transparency,
    AltitudeDeg,
    TemperatureC,
    FocusPosition,
}

/// `[[sequence.change]]`: one quantity's change. Exactly one of `by`, `slope`,
/// `random_walk` and `scatter` is given; changes of the same quantity add up.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Change {
    pub what: Quantity,
    /// The exposures it concerns, counted from 1; all, if not given.
    pub exposures: Option<Vec<usize>>,
    /// The same amount in each: one bad exposure, a group, a step.
    pub by: Option<f64>,
    /// This much more with each exposure, nothing in the first.
    pub slope: Option<f64>,
    /// A random walk from nothing in the first exposure, with steps of this rms.
    pub random_walk: Option<f64>,
    /// Independent Gaussian scatter of this rms.
    pub scatter: Option<f64>,
}

/// The scenes that come with the crate, by name.
pub const BUILT_IN: [(&str, &str); 8] = [
    ("steady", include_str!("../../testdata-synth/scenes/steady.toml")),
    ("one-bad", include_str!("../../testdata-synth/scenes/one-bad.toml")),
    ("two-groups", include_str!("../../testdata-synth/scenes/two-groups.toml")),
    ("drift", include_str!("../../testdata-synth/scenes/drift.toml")),
    ("rotation", include_str!("../../testdata-synth/scenes/rotation.toml")),
    ("undersampled", include_str!("../../testdata-synth/scenes/undersampled.toml")),
    ("demo", include_str!("../../testdata-synth/scenes/demo.toml")),
    ("flight", include_str!("../../testdata-synth/scenes/flight.toml")),
];

impl Scene {
    /// A scene from its TOML text.
    pub fn from_toml(text: &str) -> Result<Self, SynthError> {
        let scene: Self = toml::from_str(text).map_err(|e| SynthError::Toml(e.to_string()))?;
        scene.validate()?;
        Ok(scene)
    }

    /// One of the [`BUILT_IN`] scenes.
    pub fn built_in(name: &str) -> Result<Self, SynthError> {
        match BUILT_IN.iter().find(|(known, _)| *known == name) {
            Some((_, text)) => Self::from_toml(text),
            None => Err(SynthError::NoSuchScene {
                name: name.into(),
                known: BUILT_IN.map(|(known, _)| known).join(", "),
            }),
        }
    }
}
