//! Profiles: layering, origins, and refusals that say where, what and what instead.

use stackworthy::settings::{Origin, SCHEMA, Settings, to_annotated_toml};

fn with_profile<T>(text: &str, f: impl FnOnce(&std::path::Path) -> T) -> T {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("profile.toml");
    std::fs::write(&path, text).unwrap();
    f(&path)
}

fn refusal(text: &str) -> String {
    with_profile(text, |path| {
        let error = Settings::load(Some(path)).unwrap_err().to_string();
        error.replace(&path.parent().unwrap().display().to_string(), "DIR")
    })
}

#[test]
fn refusals() {
    let text: String = REFUSED.iter().map(|p| format!("{p}    -> {}\n\n", refusal(p).trim_end())).collect();
    insta::assert_snapshot!(text);
}

const REFUSED: &[&str] = &[
    "[requirement]\nconfidnce = 0.9\n",
    "[detector]\ngain = 1.1\nreadnoise = 3\n",
    "[teleskope]\npixel_arcsec = 0.2\n",
    "gain = 1.2\n",
    "detector = 3\n",
    "[requirement]\n\nconfidence = 0.5\n",
    "[requirement]\nconfidence = \"high\"\n",
    "[requirement]\nm = -0.01\n",
    "[requirement]\nm = nan\n",
    "[requirement]\npreset = \"dark-matter\"\n",
    "[telescope]\nobstruction = 1.0\n",
    "[detector]\nusable = [100, 50, 1, 200]\n",
    "[detector]\nusable = [1, 2, 3]\n",
    "[combine]\nweights = \"median\"\n",
    "[combine]\nsmallest_group = 2\n",
    "[header]\ntime_is = \"begin\"\n",
    "[header]\nexposure = \"\"\n",
    "[stars]\nmin_snr = 0\n",
    "[stars\n",
    "[stars]\nmin_snr = 20\nmin_snr = 30\n",
    "[zzz]\n",
    "[checks]\nlittle_overlp = \"undecided\"\n",
    "[checks]\nsize-change = \"remark\"\n",
    "[checks]\nlittle-overlap = \"leave-out\"\n",
    "[checks]\nlittle-overlap = \"loud\"\n",
];

#[test]
fn a_flag_wins_over_the_file_and_the_file_over_the_default() {
    with_profile("[requirement]\nm = 0.02\nconfidence = 0.9\n", |path| {
        let set = ["requirement.m=0.01".to_string(), "requirement.preset=wide-survey".to_string()];
        let loaded = Settings::load_with(Some(path), &set).unwrap();
        let r = &loaded.settings.requirement;
        assert_eq!((r.m, r.confidence, r.preset.as_str()), (Some(0.01), 0.9, "wide-survey"));
        assert_eq!(loaded.origin("requirement.m"), Origin::Flag);
        assert_eq!(loaded.origin("requirement.confidence"), Origin::File { path: path.into(), line: 3 });
        assert_eq!(loaded.origin("stars.min_snr"), Origin::Default);
    });
}

#[test]
fn what_is_printed_reads_back_the_same() {
    let set = ["detector.usable=[1, 20, 3, 40]".to_string(), "header.time=OBSTIME".to_string()];
    let loaded = Settings::load_with(None, &set).unwrap();
    let text = to_annotated_toml(&loaded);
    insta::assert_snapshot!(text);
    with_profile(&text, |path| assert_eq!(Settings::load(Some(path)).unwrap().settings, loaded.settings));
}

/// What a settings file says, as the schema sees it; none where it is no TOML.
fn as_json(profile: &str) -> Option<serde_json::Value> {
    serde_json::to_value(toml::from_str::<toml::Table>(profile).ok()?).ok()
}

/// The schema and the settings know the same keys, defaults, words and severities.
#[test]
fn the_schema_names_every_setting_and_no_other() {
    let schema: serde_json::Value = serde_json::from_str(SCHEMA).unwrap();
    let all = serde_json::to_value(Settings::default()).unwrap();
    let keys = |of: &serde_json::Value| -> Vec<String> { of.as_object().unwrap().keys().cloned().collect() };
    assert_eq!(keys(&schema["properties"]), keys(&all));
    for (section, values) in all.as_object().unwrap() {
        let described = &schema["properties"][section];
        assert_eq!(described["additionalProperties"], false, "{section}");
        assert_eq!(keys(&described["properties"]), keys(values), "{section}");
        for (key, default) in values.as_object().unwrap() {
            let setting = &described["properties"][key];
            let number = |v: &serde_json::Value| v.as_f64();
            assert!(setting["unit"].is_string(), "{section}.{key}");
            assert!(setting["description"].as_str().is_some_and(|d| d.ends_with('.')), "{section}.{key}");
            assert!(
                setting["default"] == *default || number(&setting["default"]) == number(default),
                "{section}.{key}: {} is not {default}",
                setting["default"]
            );
        }
    }
    for check in stackworthy::gate::ALL {
        let words: Vec<&str> = check.severities.iter().map(|s| s.word()).collect();
        let setting = &schema["properties"]["checks"]["properties"][check.code];
        assert_eq!(setting["enum"], serde_json::json!(words), "{}", check.code);
    }
    let words = |section: &str, key: &str| schema["properties"][section]["properties"][key]["enum"].clone();
    assert_eq!(words("requirement", "preset"), serde_json::json!(stackworthy::settings::PRESETS));
    assert_eq!(words("header", "time_is"), serde_json::json!(stackworthy::settings::TIME_IS));
}

#[test]
fn the_schema_refuses_what_is_refused_and_takes_what_is_taken() {
    let schema = jsonschema::validator_for(&serde_json::from_str(SCHEMA).unwrap()).unwrap();
    // An order of numbers and a number that JSON does not have are beyond it.
    let beyond = ["[detector]\nusable = [100, 50, 1, 200]\n", "[requirement]\nm = nan\n"];
    let mut refused = 0;
    for profile in REFUSED.iter().filter(|p| !beyond.contains(p)) {
        let Some(json) = as_json(profile) else { continue };
        assert!(!schema.is_valid(&json), "{profile}");
        refused += 1;
    }
    assert!(refused > 15, "only {refused} were looked at");
    for limit in LIMITS {
        let [key, inside, outside] = limit;
        let (section, key) = key.split_once('.').unwrap();
        for (value, good) in [(inside, true), (outside, false)] {
            let profile = format!("[{section}]\n{key} = {value}\n");
            assert_eq!(schema.is_valid(&as_json(&profile).unwrap()), good, "{profile}");
            assert_eq!(with_profile(&profile, |p| Settings::load(Some(p)).is_ok()), good, "{profile}");
        }
    }
    let printed = as_json(&to_annotated_toml(&Settings::load(None).unwrap())).unwrap();
    assert!(schema.is_valid(&printed));
}

/// A value inside each limit and one outside.
const LIMITS: &[[&str; 3]] = &[
    ["flight.false_alarm", "0.5", "0.6"],
    ["flight.within_hours", "1", "0"],
    ["flight.longitude_deg", "-180", "400"],
    ["flight.jitter_mas2", "100", "0"],
    ["flight.defocus_nm", "30", "-1"],
    ["flight.coma_nm", "30", "0"],
    ["flight.astigmatism_nm", "30", "0"],
    ["flight.focal_plane_tilt_nm", "30", "0"],
    ["requirement.m", "0.01", "0"],
    ["requirement.c", "0.999", "1"],
    ["requirement.size_ratio", "30", "0"],
    ["requirement.size_limit", "0.5", "1.5"],
    ["requirement.ellipticity_limit", "0.001", "-0.1"],
    ["requirement.confidence", "0.51", "0.5"],
    ["requirement.confidence", "0.99", "1.0"],
    ["telescope.aperture_m", "1", "0"],
    ["telescope.obstruction", "0", "-0.1"],
    ["telescope.wavelength_nm", "600", "0"],
    ["telescope.bandwidth_nm", "0", "-1"],
    ["telescope.pixel_arcsec", "0.1", "0"],
    ["telescope.vane_count", "12", "13"],
    ["telescope.vane_count", "1", "0"],
    ["telescope.vane_width_m", "0.01", "0"],
    ["telescope.vane_angle_deg", "-360", "-361"],
    ["telescope.vane_angle_deg", "360", "361"],
    ["telescope.focus_nm_per_step", "-1.5", "0"],
    ["detector.gain", "1", "0"],
    ["detector.read_noise", "0", "-1"],
    ["detector.saturation", "1", "0"],
    ["detector.diffusion_pixels", "0", "-0.1"],
    ["detector.usable", "[1, 2, 3, 4]", "[0, 2, 3, 4]"],
    ["detector.accept_colour_mosaic", "true", "1"],
    ["combine.resampling_kernel_pix2", "0", "-1"],
    ["combine.smallest_group", "3", "2"],
    ["header.mask_bits", "4294967295", "4294967296"],
    ["header.mask_bits", "0", "-1"],
    ["header.image", "\"SCI 1\"", "\"  \""],
    ["header.temperature", "\"T\"", "\"t\u{e9}\""],
    ["stars.min_snr", "1", "0"],
    ["stars.max_contamination", "0.5", "1"],
];

#[test]
fn a_check_that_is_not_named_keeps_its_own_severity() {
    use stackworthy::gate::Severity;
    let set = ["checks.little-overlap=undecided".to_string()];
    let checks = Settings::load_with(None, &set).unwrap().settings.checks;
    assert_eq!(checks.severity("little-overlap"), Severity::Undecided);
    assert_eq!(checks.severity("noise-model"), Severity::Remark);
    assert_eq!(checks.severity("few-stars"), Severity::LeaveOut);
}

#[test]
fn odd_overrides_are_refused() {
    for given in ["m=1", "requirement.m", "a.b.c=1", ".m=1", "requirement.m=1\n[stars]", "requirement.=1"] {
        assert!(Settings::load_with(None, &[given.to_string()]).is_err(), "{given}");
    }
}

#[test]
fn the_measurement_hash_follows_what_is_measured_and_nothing_else() {
    let hash =
        |set: &str| Settings::load_with(None, &[set.to_string()]).unwrap().settings.measurement_sha256();
    let plain = Settings::default().measurement_sha256();
    assert_eq!(hash("requirement.m=0.01"), plain);
    assert_eq!(hash("telescope.aperture_m=0.5"), plain);
    for set in ["stars.min_snr=31", "detector.gain=2", "header.gain=EGAIN", "telescope.pixel_arcsec=0.1"] {
        assert_ne!(hash(set), plain, "{set}");
    }
}
