//! The effective settings as a profile that can be read back, each with its unit and origin.

use super::Loaded;
use super::load::known_keys;
use crate::gate::find;

/// The JSON schema of a settings file; it has the unit and the meaning of every setting.
pub const SCHEMA: &str = include_str!("../../schema/settings-1.schema.json");

/// TOML with unit and origin of every value beside it; what is not set is a comment.
pub fn to_annotated_toml(loaded: &Loaded) -> String {
    let schema: serde_json::Value = serde_json::from_str(SCHEMA).unwrap_or_default();
    let unit = |section: &str, key: &str| {
        let unit = schema["properties"][section]["properties"][key]["unit"].as_str().unwrap_or_default();
        if ["", "1"].contains(&unit) { String::new() } else { format!("[{unit}] ") }
    };
    let values = toml::Table::try_from(&loaded.settings).unwrap_or_default();
    let mut out = String::new();
    for (section, keys) in sections_in_order() {
        if !out.is_empty() {
            out.push('\n');
        }
        out.push_str(&format!("[{section}]\n"));
        // Of the checks only those that leave a choice.
        let fixed = |key: &String| section == "checks" && find(key).is_some_and(|c| !c.is_settable());
        for key in keys.into_iter().filter(|key| !fixed(key)) {
            let value = values.get(&section).and_then(|s| s.get(&key));
            let (line, remark) = match value {
                Some(value) => {
                    (format!("{key} = {value}"), loaded.origin(&format!("{section}.{key}")).to_string())
                }
                None => (format!("# {key}"), "not set".into()),
            };
            out.push_str(&format!("{line:<36} # {}{remark}\n", unit(&section, &key)));
        }
    }
    out
}

/// As they stand in the struct: what is asked first, then the instrument.
fn sections_in_order() -> Vec<(String, Vec<String>)> {
    let known = known_keys();
    ["requirement", "telescope", "detector", "combine", "header", "stars", "checks", "flight"]
        .into_iter()
        .filter_map(|s| known.get(s).map(|keys| (s.to_string(), keys.clone())))
        .collect()
}
