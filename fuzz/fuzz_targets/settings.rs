//! Any text as a settings file, and as the words of `--set`.
#![no_main]

use libfuzzer_sys::fuzz_target;
use stackworthy::settings::{Settings, to_annotated_toml};

fuzz_target!(|text: &str| {
    if let Ok(loaded) = Settings::parse(text, "fuzz.toml".as_ref()) {
        // What is printed reads back as the same settings.
        let again = Settings::parse(&to_annotated_toml(&loaded), "fuzz.toml".as_ref()).unwrap();
        assert_eq!(loaded.settings, again.settings);
    }
    let _ = Settings::load_with(None, &[text.to_string()]);
});
