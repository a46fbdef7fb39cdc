//! The requirement: limits on shear bias turned into limits on the PSF, or these directly.

use serde::{Deserialize, Serialize};

use super::{SHEAR_POLARISABILITY, ShearError};

/// A requirement by name, with where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Preset {
    pub name: &'static str,
    /// Largest multiplicative shear bias.
    pub m: f64,
    /// Largest additive shear bias.
    pub c: f64,
    /// Galaxy over PSF size, `T_gal / T_psf`: the galaxy unconvolved and unweighted, the PSF adaptive.
    pub size_ratio: f64,
    pub source: &'static str,
    /// Whether the numbers were found in their source or derived; false where they are a choice
    /// or stand from memory.
    pub confirmed: bool,
}

/// The first is the default.
pub const PRESETS: [Preset; 2] = [
    Preset {
        name: "cluster-mass",
        m: 0.015,
        c: 0.0015,
        size_ratio: 1.5,
        source: "A 3 % cluster mass asks m within 0.015 to 0.02, since dlnM/dm = 1.4 to 2.0 for NFW haloes of \
                 3e14 to 1e15 solar masses between 0.5 and 1 Mpc (derived). c is a tenth of m, so that \
                 a shear of 10 % carries 1.5 %: common practice, no source. size_ratio: our choice.",
        confirmed: false,
    },
    Preset {
        name: "wide-survey",
        m: 1e-3,
        c: 3e-4,
        size_ratio: 1.5,
        source: "Full-sky survey: sigma_sys^2 < 1e-7, so c < 3e-4, and m < 1e-3 (Amara & Refregier 2008, \
                 MNRAS 391, 228, abstract). size_ratio: our choice.",
        confirmed: true,
    },
];

/// The preset called `name`.
pub fn preset(name: &str) -> Result<&'static Preset, ShearError> {
    PRESETS.iter().find(|p| p.name == name).ok_or_else(|| ShearError::UnknownPreset {
        name: name.to_owned(),
        known: PRESETS.map(|p| p.name).join(", "),
    })
}

/// The requirement in force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Requirement {
    pub name: String,
    pub source: String,
    /// Whether every number was confirmed in a source or derived.
    pub confirmed: bool,
    /// None where the limit on size was given directly.
    pub m: Option<f64>,
    /// None where the limit on ellipticity was given directly.
    pub c: Option<f64>,
    /// None where both limits were given directly, without it.
    pub size_ratio: Option<f64>,
    /// Largest rms change of size, a fraction of adaptive T.
    pub size_limit: f64,
    /// Largest rms change of adaptive ellipticity, per component.
    pub ellipticity_limit: f64,
}

/// What the settings ask for; what they leave out comes from the preset, or the default one.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RequirementWish {
    pub preset: Option<String>,
    pub m: Option<f64>,
    pub c: Option<f64>,
    pub size_ratio: Option<f64>,
    pub size_limit: Option<f64>,
    pub ellipticity_limit: Option<f64>,
}

impl Requirement {
    /// `size_limit = m size_ratio` and `ellipticity_limit = c P size_ratio`, from the first estimate
    /// of [`super::shear_bias`], unless given directly.
    ///
    /// Errors: an unknown preset, a number that is not above zero, a limit stated both ways.
    pub fn resolve(wish: &RequirementWish) -> Result<Self, ShearError> {
        for (name, value) in [
            ("m", wish.m),
            ("c", wish.c),
            ("size_ratio", wish.size_ratio),
            ("size_limit", wish.size_limit),
            ("ellipticity_limit", wish.ellipticity_limit),
        ] {
            if let Some(value) = value
                && !(value > 0.0 && value.is_finite())
            {
                return Err(ShearError::NotPositive { name, value });
            }
        }
        if wish.size_limit.is_some() && wish.m.is_some() {
            return Err(ShearError::TwiceStated { direct: "size_limit", derived: "m" });
        }
        if wish.ellipticity_limit.is_some() && wish.c.is_some() {
            return Err(ShearError::TwiceStated { direct: "ellipticity_limit", derived: "c" });
        }
        let preset = match &wish.preset {
            Some(name) => preset(name)?,
            None => &PRESETS[0],
        };
        let size_ratio = wish.size_ratio.unwrap_or(preset.size_ratio);
        let m = wish.size_limit.is_none().then(|| wish.m.unwrap_or(preset.m));
        let c = wish.ellipticity_limit.is_none().then(|| wish.c.unwrap_or(preset.c));
        let both_direct = m.is_none() && c.is_none();
        let from_c = |c: f64| c * SHEAR_POLARISABILITY * size_ratio;
        Ok(Self {
            name: if both_direct { "direct".to_owned() } else { preset.name.to_owned() },
            source: source_of(wish, preset, both_direct),
            confirmed: preset.confirmed
                && *wish == RequirementWish { preset: wish.preset.clone(), ..Default::default() },
            size_limit: wish.size_limit.or(m.map(|m| m * size_ratio)).unwrap_or_default(),
            ellipticity_limit: wish.ellipticity_limit.or(c.map(from_c)).unwrap_or_default(),
            size_ratio: if both_direct { wish.size_ratio } else { Some(size_ratio) },
            m,
            c,
        })
    }
}

fn source_of(wish: &RequirementWish, preset: &Preset, both_direct: bool) -> String {
    let given: Vec<&str> = [
        ("m", wish.m),
        ("c", wish.c),
        ("size_ratio", wish.size_ratio),
        ("size_limit", wish.size_limit),
        ("ellipticity_limit", wish.ellipticity_limit),
    ]
    .iter()
    .filter(|(_, value)| value.is_some())
    .map(|(name, _)| *name)
    .collect();
    match (given.is_empty(), both_direct) {
        (true, _) => preset.source.to_owned(),
        (false, true) => format!("Given in the settings: {}.", given.join(", ")),
        (false, false) => format!("Given in the settings: {}. The rest: {}", given.join(", "), preset.source),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn default_is_cluster_mass() {
        let r = Requirement::resolve(&RequirementWish::default()).unwrap();
        assert_eq!(r.name, "cluster-mass");
        assert!((r.size_limit - 0.0225).abs() < 1e-15);
        assert!((r.ellipticity_limit - 0.0015 * 1.84 * 1.5).abs() < 1e-15);
        assert!(!r.confirmed);
    }

    #[test]
    fn direct_limits_leave_no_bias_limit_behind() {
        let wish =
            RequirementWish { size_limit: Some(0.01), ellipticity_limit: Some(0.002), ..Default::default() };
        let r = Requirement::resolve(&wish).unwrap();
        assert_eq!((r.m, r.c, r.size_ratio), (None, None, None));
        assert_eq!((r.size_limit, r.ellipticity_limit, r.name.as_str()), (0.01, 0.002, "direct"));
        let mixed = RequirementWish { size_limit: Some(0.01), ..Default::default() };
        let r = Requirement::resolve(&mixed).unwrap();
        assert_eq!((r.m, r.c, r.size_limit), (None, Some(0.0015), 0.01));
    }

    #[test]
    fn faults_are_named() {
        let unknown = RequirementWish { preset: Some("cluster".into()), ..Default::default() };
        let message = Requirement::resolve(&unknown).unwrap_err().to_string();
        assert!(message.contains("cluster-mass, wide-survey"), "{message}");
        let negative = RequirementWish { m: Some(-1.0), ..Default::default() };
        assert_eq!(Requirement::resolve(&negative), Err(ShearError::NotPositive { name: "m", value: -1.0 }));
        let twice = RequirementWish { m: Some(0.1), size_limit: Some(0.1), ..Default::default() };
        assert!(matches!(Requirement::resolve(&twice), Err(ShearError::TwiceStated { .. })));
    }

    /// The conversion is the inverse of the bias formula.
    #[test]
    fn a_psf_at_its_limits_has_the_bias_asked_for() {
        let r = Requirement::resolve(&RequirementWish {
            preset: Some("wide-survey".into()),
            ..Default::default()
        })
        .unwrap();
        let at = |v: f64| super::super::Bias { value: v, low: v, high: v };
        let bias = super::super::shear_bias(at(r.size_limit), at(r.ellipticity_limit), 0.0, 1.5).unwrap();
        assert!((bias.m.value - 1e-3).abs() < 1e-15 && (bias.c.value - 3e-4).abs() < 1e-15);
        assert!(r.confirmed);
    }
}
