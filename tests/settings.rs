//! Profiles: layering, origins, and refusals that say where, what and what instead.

use stackworthy::settings::{Origin, Settings, to_annotated_toml};

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
    let profiles = [
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
    let text: String = profiles.iter().map(|p| format!("{p}    -> {}\n\n", refusal(p).trim_end())).collect();
    insta::assert_snapshot!(text);
}

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
