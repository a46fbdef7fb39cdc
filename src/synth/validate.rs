//! What a scene may ask for.

use super::SynthError;
use super::scene::{Change, Scene};

/// Largest side of a simulated frame, pixels.
const LARGEST_SIDE: usize = 10_000;
/// Largest dither along an axis, pixels.
const LARGEST_DITHER: f64 = 1e5;
const MOST_EXPOSURES: usize = 999;

impl Scene {
    /// Refuses what cannot be simulated, by key, value and limits.
    pub(super) fn validate(&self) -> Result<(), SynthError> {
        let (stars, detector, sequence) = (&self.stars, &self.detector, &self.sequence);
        let named = !self.name.is_empty()
            && self.name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
        if !named {
            return Err(SynthError::Name(self.name.clone()));
        }
        let side = 1.0..=LARGEST_SIDE as f64;
        let positive = f64::MIN_POSITIVE..=1e12;
        let not_negative = 0.0..=1e12;
        let checks = [
            ("detector.width", detector.width as f64, &side),
            ("detector.height", detector.height as f64, &side),
            ("detector.pixel_arcsec", detector.pixel_arcsec, &(1e-6..=3600.0)),
            ("detector.gain", detector.gain, &positive),
            ("detector.read_noise", detector.read_noise, &not_negative),
            ("detector.bias_adu", detector.bias_adu, &(-65535.0..=65535.0)),
            ("detector.full_well_electrons", detector.full_well_electrons, &positive),
            ("detector.cosmic_rays", detector.cosmic_rays, &(0.0..=1e6)),
            ("detector.cosmic_ray_pixels", detector.cosmic_ray_pixels, &(0.0..=1e4)),
            ("detector.cosmic_ray_electrons", detector.cosmic_ray_electrons, &not_negative),
            ("detector.hot_pixels", detector.hot_pixels as f64, &(0.0..=1e7)),
            ("detector.hot_electrons", detector.hot_electrons, &not_negative),
            ("stars.per_frame", stars.per_frame, &(0.0..=1e6)),
            ("stars.flux_electrons[0]", stars.flux_electrons[0], &positive),
            ("stars.flux_electrons[1]", stars.flux_electrons[1], &positive),
            ("stars.flux_slope", stars.flux_slope, &(-10.0..=10.0)),
            ("stars.companion_fraction", stars.companion_fraction, &(0.0..=1.0)),
            ("stars.companion_arcsec[0]", stars.companion_arcsec[0], &not_negative),
            ("stars.companion_arcsec[1]", stars.companion_arcsec[1], &not_negative),
            ("stars.galaxies_per_frame", stars.galaxies_per_frame, &(0.0..=1e6)),
            ("stars.galaxy_flux_electrons[0]", stars.galaxy_flux_electrons[0], &positive),
            ("stars.galaxy_flux_electrons[1]", stars.galaxy_flux_electrons[1], &positive),
            ("stars.galaxy_scale_arcsec[0]", stars.galaxy_scale_arcsec[0], &not_negative),
            ("stars.galaxy_scale_arcsec[1]", stars.galaxy_scale_arcsec[1], &not_negative),
            ("stars.galaxy_ellipticity", stars.galaxy_ellipticity, &(0.0..=0.9)),
            ("stars.sky_electrons", stars.sky_electrons, &not_negative),
            ("motion.jitter_mas", self.motion.jitter_mas, &not_negative),
            ("sequence.exposures", sequence.exposures as f64, &(1.0..=MOST_EXPOSURES as f64)),
            ("sequence.exposure_s", sequence.exposure_s, &(1e-6..=1e7)),
            ("sequence.gap_s", sequence.gap_s, &(0.0..=1e7)),
            ("sequence.dither_rms_pixels", sequence.dither_rms_pixels, &(0.0..=1e4)),
            ("sequence.pointing_deg[0]", sequence.pointing_deg[0], &(0.0..=360.0)),
            ("sequence.pointing_deg[1]", sequence.pointing_deg[1], &(-90.0..=90.0)),
        ];
        for (key, value, range) in checks {
            if !range.contains(&value) {
                return Err(SynthError::OutOfRange {
                    key: key.into(),
                    value,
                    low: *range.start(),
                    high: *range.end(),
                });
            }
        }
        let listed = sequence.dither_pixels.iter().flatten().map(|&v| ("dither_pixels", v, LARGEST_DITHER));
        let turns = sequence.rotation_deg.iter().map(|&v| ("rotation_deg", v, 360.0));
        let step = [("rotation_step_deg", sequence.rotation_step_deg, 360.0)];
        for (key, value, most) in listed.chain(turns).chain(step) {
            if !(-most..=most).contains(&value) {
                let key = format!("sequence.{key}");
                return Err(SynthError::OutOfRange { key, value, low: -most, high: most });
            }
        }
        let rotations = sequence.rotation_deg.len();
        if rotations != 0 && rotations != sequence.exposures {
            return Err(SynthError::Rotations { given: rotations, exposures: sequence.exposures });
        }
        for change in &sequence.change {
            change.validate(sequence.exposures)?;
        }
        self.flight.as_ref().map_or(Ok(()), |flight| flight.validate(sequence.exposures))
    }
}

impl Change {
    fn validate(&self, exposures: usize) -> Result<(), SynthError> {
        let given = [self.by, self.slope, self.random_walk, self.scatter];
        if given.iter().flatten().count() != 1 {
            return Err(SynthError::OneKindOfChange(self.what));
        }
        for &number in self.exposures.iter().flatten() {
            if number == 0 || number > exposures {
                return Err(SynthError::NoSuchExposure { number, exposures });
            }
        }
        Ok(())
    }
}
