//! The limits of every setting, in one place.

use super::{Loaded, PRESETS, SMALLEST_GROUP, SettingsError, TIME_IS};

type Check = Result<(), SettingsError>;

pub(super) fn check(loaded: &Loaded) -> Check {
    let s = &loaded.settings;
    let refuse = |key: &str, value: String, allowed: &str| {
        Err(SettingsError::Value {
            origin: loaded.origin(key),
            key: key.into(),
            value,
            allowed: allowed.into(),
        })
    };
    let number = |key: &str, value: Option<f64>, ok: &dyn Fn(f64) -> bool, allowed: &str| match value {
        Some(v) if !(v.is_finite() && ok(v)) => refuse(key, format!("{v:?}"), allowed),
        _ => Ok(()),
    };
    let positive = |key: &str, value| number(key, value, &|v| v > 0.0, "a positive number");
    let not_negative = |key: &str, value| number(key, value, &|v| v >= 0.0, "zero or a positive number");
    let share = |key: &str, value| number(key, value, &|v| v > 0.0 && v < 1.0, "between 0 and 1");

    let r = &s.requirement;
    if !PRESETS.contains(&r.preset.as_str()) {
        return refuse("requirement.preset", format!("{:?}", r.preset), &one_of(&PRESETS));
    }
    share("requirement.m", r.m)?;
    share("requirement.c", r.c)?;
    positive("requirement.size_ratio", r.size_ratio)?;
    share("requirement.size_limit", r.size_limit)?;
    share("requirement.ellipticity_limit", r.ellipticity_limit)?;
    let confidence = Some(r.confidence);
    number("requirement.confidence", confidence, &|v| v > 0.5 && v < 1.0, "above 0.5 and below 1")?;

    let t = &s.telescope;
    positive("telescope.aperture_m", t.aperture_m)?;
    number("telescope.obstruction", t.obstruction, &|v| (0.0..1.0).contains(&v), "at least 0 and below 1")?;
    positive("telescope.wavelength_nm", t.wavelength_nm)?;
    not_negative("telescope.bandwidth_nm", t.bandwidth_nm)?;
    positive("telescope.pixel_arcsec", t.pixel_arcsec)?;
    number(
        "telescope.vane_count",
        t.vane_count.map(|n| n as f64),
        &|n| (1.0..=12.0).contains(&n),
        "1 to 12",
    )?;
    positive("telescope.vane_width_m", t.vane_width_m)?;
    number("telescope.vane_angle_deg", t.vane_angle_deg, &|a| a.abs() <= 360.0, "-360 to 360")?;
    number("telescope.focus_nm_per_step", t.focus_nm_per_step, &|v| v != 0.0, "a number other than zero")?;

    let d = &s.detector;
    positive("detector.gain", d.gain)?;
    not_negative("detector.read_noise", d.read_noise)?;
    positive("detector.saturation", d.saturation)?;
    not_negative("detector.diffusion_pixels", d.diffusion_pixels)?;
    if let Some([x0, x1, y0, y1]) = d.usable
        && !(1 <= x0 && x0 < x1 && 1 <= y0 && y0 < y1)
    {
        let allowed = "[x0, x1, y0, y1] in FITS pixels, counted from 1, with x0 < x1 and y0 < y1";
        return refuse("detector.usable", format!("[{x0}, {x1}, {y0}, {y1}]"), allowed);
    }

    not_negative("combine.resampling_kernel_pix2", s.combine.resampling_kernel_pix2)?;
    let smallest = s.combine.smallest_group;
    if smallest < SMALLEST_GROUP {
        return refuse("combine.smallest_group", smallest.to_string(), "3 or more");
    }

    if let Some(word) = s.header.time_is.as_deref().filter(|w| !TIME_IS.contains(w)) {
        return refuse("header.time_is", format!("{word:?}"), &one_of(&TIME_IS));
    }
    check_header_names(loaded)?;

    positive("stars.min_snr", Some(s.stars.min_snr))?;
    share("stars.max_contamination", Some(s.stars.max_contamination))?;

    let f = &s.flight;
    number("flight.false_alarm", Some(f.false_alarm), &|v| v > 0.0 && v <= 0.5, "above 0 and at most 0.5")?;
    positive("flight.within_hours", Some(f.within_hours))?;
    number("flight.longitude_deg", f.longitude_deg, &|v| v.abs() <= 360.0, "-360 to 360")?;
    positive("flight.jitter_mas2", f.jitter_mas2)?;
    positive("flight.defocus_nm", f.defocus_nm)?;
    positive("flight.coma_nm", f.coma_nm)?;
    positive("flight.astigmatism_nm", f.astigmatism_nm)?;
    positive("flight.focal_plane_tilt_nm", f.focal_plane_tilt_nm)?;

    if let Some((code, severity, allowed)) = s.checks.refused() {
        let words: Vec<&str> = allowed.iter().map(|a| a.word()).collect();
        let allowed = match words[..] {
            [only] => format!("{only:?}: this check leaves no choice"),
            _ => one_of(&words),
        };
        return refuse(&format!("checks.{code}"), format!("{:?}", severity.word()), &allowed);
    }
    Ok(())
}

/// Names of cards and extensions: not empty, printable ASCII, as FITS has them.
fn check_header_names(loaded: &Loaded) -> Check {
    let header = serde_json::to_value(&loaded.settings.header).unwrap_or_default();
    for (key, value) in header.as_object().into_iter().flatten() {
        let Some(name) = value.as_str() else { continue };
        if name.trim().is_empty() || !name.bytes().all(|b| (0x20..0x7f).contains(&b)) {
            let key = format!("header.{key}");
            return Err(SettingsError::Value {
                origin: loaded.origin(&key),
                key,
                value: format!("{name:?}"),
                allowed: "a name of printable ASCII letters".into(),
            });
        }
    }
    Ok(())
}

fn one_of(words: &[&str]) -> String {
    format!("one of {}", words.iter().map(|w| format!("{w:?}")).collect::<Vec<_>>().join(", "))
}
