//! Reading a profile: defaults, then the file, then `--set`, each value with where
//! it came from, and errors that say where and what to do.

#![allow(clippy::disallowed_methods, reason = "reads settings files")]

use std::collections::BTreeMap;
use std::fmt;
use std::io::Read;
use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::de::DeTable;

use super::{Settings, validate};

/// A profile is a page of text; more than this is another file given by mistake.
const LARGEST_PROFILE_BYTES: u64 = 1 << 20;

/// Where a value came from.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Origin {
    #[default]
    Default,
    File {
        path: PathBuf,
        line: usize,
    },
    Flag,
}

impl fmt::Display for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Origin::Default => write!(f, "default"),
            Origin::File { path, line } => write!(f, "{}, line {line}", path.display()),
            Origin::Flag => write!(f, "--set"),
        }
    }
}

/// Settings, validated, with the origin of every value that is not the default.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Loaded {
    pub settings: Settings,
    /// By `section.key`.
    pub origins: BTreeMap<String, Origin>,
}

impl Loaded {
    pub fn origin(&self, key: &str) -> Origin {
        self.origins.get(key).cloned().unwrap_or_default()
    }
}

/// Why settings were refused. Every message says where, what is wrong and what is allowed.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    #[error("{}: cannot be read: {source}", path.display())]
    Read { path: PathBuf, source: std::io::Error },
    #[error("{}: longer than the {LARGEST_PROFILE_BYTES} bytes of a settings file; name another", path.display())]
    TooLong { path: PathBuf },
    #[error("{origin}: {message}")]
    Syntax { origin: Origin, message: String },
    #[error("{origin}: no section [{section}]; {advice}")]
    UnknownSection { origin: Origin, section: String, advice: String },
    #[error("{origin}: no key `{key}` in [{section}]; {advice}")]
    UnknownKey { origin: Origin, section: String, key: String, advice: String },
    #[error("{origin}: `{key}` stands outside any section; put it under the [section] it belongs to{}",
        home.as_ref().map(|h| format!(": [{h}]")).unwrap_or_default())]
    NoSection { origin: Origin, key: String, home: Option<String> },
    #[error("{origin}: {key} = {value}, but it must be {allowed}")]
    Value { origin: Origin, key: String, value: String, allowed: String },
    #[error("--set {given}: write it as section.key=value, for example --set requirement.m=0.01")]
    Override { given: String },
}

/// The nearest known word, and all of them.
fn advice(word: &str, known: &[String]) -> String {
    let plain = |word: &str| word.to_lowercase().replace('-', "_");
    let likeness = |k: &&String| (strsim::jaro_winkler(&plain(word), &plain(k)) * 1e6) as u64;
    let nearest = known.iter().max_by_key(likeness).map_or("", String::as_str);
    format!("the nearest known is `{nearest}` (all: {})", known.join(", "))
}

impl Settings {
    /// Defaults, overridden by the file where one is given.
    pub fn load(path: Option<&Path>) -> Result<Loaded, SettingsError> {
        Self::load_with(path, &[])
    }

    /// The same, overridden by `section.key=value` words. A value that is no TOML is
    /// taken as text, so that `requirement.preset=wide-survey` needs no quotes.
    pub fn load_with(path: Option<&Path>, overrides: &[String]) -> Result<Loaded, SettingsError> {
        match path {
            Some(path) => Self::from_layers(Some((path, &read(path)?)), overrides),
            None => Self::from_layers(None, overrides),
        }
    }

    /// A profile's text; `path` is for the messages.
    pub fn parse(text: &str, path: &Path) -> Result<Loaded, SettingsError> {
        Self::from_layers(Some((path, text)), &[])
    }

    fn from_layers(profile: Option<(&Path, &str)>, overrides: &[String]) -> Result<Loaded, SettingsError> {
        let mut origins = BTreeMap::new();
        let mut merged = toml::Table::new();
        if let Some((path, text)) = profile {
            merge(&mut merged, &mut origins, text, &|line| Origin::File { path: path.into(), line })?;
        }
        for given in overrides {
            let text = override_as_toml(given)?;
            merge(&mut merged, &mut origins, &text, &|_| Origin::Flag)?;
        }
        let settings = Settings::deserialize(merged)
            .map_err(|e| SettingsError::Syntax { origin: Origin::Flag, message: e.message().into() })?;
        let loaded = Loaded { settings, origins };
        validate::check(&loaded)?;
        Ok(loaded)
    }
}

fn read(path: &Path) -> Result<String, SettingsError> {
    let refuse = |source| SettingsError::Read { path: path.into(), source };
    let mut text = String::new();
    // A device or a pipe has no length to ask for first.
    let file = std::fs::File::open(path).map_err(refuse)?;
    let bytes = file.take(LARGEST_PROFILE_BYTES + 1).read_to_string(&mut text).map_err(refuse)? as u64;
    if bytes > LARGEST_PROFILE_BYTES {
        return Err(SettingsError::TooLong { path: path.into() });
    }
    Ok(text)
}

fn override_as_toml(given: &str) -> Result<String, SettingsError> {
    let wrong = || SettingsError::Override { given: given.into() };
    let (key, value) = given.split_once('=').ok_or_else(wrong)?;
    let (section, key) = key.trim().split_once('.').ok_or_else(wrong)?;
    let plain =
        |s: &str| !s.is_empty() && s.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '-'));
    if !plain(section) || !plain(key) || value.contains('\n') {
        return Err(wrong());
    }
    let as_it_stands = format!("[{section}]\n{key} = {value}\n");
    if as_it_stands.parse::<toml::Table>().is_ok() {
        return Ok(as_it_stands);
    }
    Ok(format!("[{section}]\n{key} = {}\n", toml::Value::String(value.trim().into())))
}

/// Checks one layer by itself, so that its errors point at its own lines, then lays
/// it over what is there.
fn merge(
    merged: &mut toml::Table,
    origins: &mut BTreeMap<String, Origin>,
    text: &str,
    origin_of: &dyn Fn(usize) -> Origin,
) -> Result<(), SettingsError> {
    let at = |offset: usize| origin_of(text[..offset.min(text.len())].matches('\n').count() + 1);
    let wrong = |e: toml::de::Error, key: Option<String>| {
        let origin = at(e.span().map_or(0, |s| s.start));
        let key = key.map_or(String::new(), |k| format!("{k}: "));
        SettingsError::Syntax { origin, message: format!("{key}{}", e.message()) }
    };
    let syntax = |e| wrong(e, None);
    let spanned = DeTable::parse(text).map_err(syntax)?;
    for (section, value) in spanned.get_ref().iter() {
        let (name, origin) = (section.get_ref().as_ref(), at(section.span().start));
        let Some(keys) = known_keys().remove(name) else {
            return Err(unknown_section(origin, name, value.get_ref().as_table().is_some()));
        };
        let Some(table) = value.get_ref().as_table() else {
            let (key, allowed) = (name.to_string(), format!("a section: [{name}]"));
            let value = text.get(value.span()).unwrap_or("").into();
            return Err(SettingsError::Value { origin, key, value, allowed });
        };
        for (key, _) in table.iter() {
            let (word, origin) = (key.get_ref().as_ref(), at(key.span().start));
            if !keys.iter().any(|k| k == word) {
                return Err(SettingsError::UnknownKey {
                    origin,
                    section: name.into(),
                    key: word.into(),
                    advice: advice(word, &keys),
                });
            }
            origins.insert(format!("{name}.{word}"), origin);
        }
    }
    toml::from_str::<Settings>(text).map_err(|e| {
        let key = e.span().and_then(|s| key_at(spanned.get_ref(), s.start));
        wrong(e, key)
    })?;
    let layer: toml::Table = text.parse().map_err(syntax)?;
    for (section, values) in layer {
        match (merged.get_mut(&section), values) {
            (Some(toml::Value::Table(old)), toml::Value::Table(new)) => old.extend(new),
            (_, values) => {
                merged.insert(section, values);
            }
        }
    }
    Ok(())
}

/// `section.key` of the value that covers a place in the text.
fn key_at(profile: &DeTable, offset: usize) -> Option<String> {
    profile.iter().find_map(|(section, value)| {
        let keys = value.get_ref().as_table()?;
        let (key, _) = keys.iter().find(|(_, v)| v.span().contains(&offset))?;
        Some(format!("{}.{}", section.get_ref(), key.get_ref()))
    })
}

fn unknown_section(origin: Origin, name: &str, is_section: bool) -> SettingsError {
    let sections = known_keys();
    let home = sections.iter().find(|(_, keys)| keys.iter().any(|k| k == name)).map(|(s, _)| s.clone());
    if !is_section {
        return SettingsError::NoSection { origin, key: name.into(), home };
    }
    let names: Vec<String> = sections.into_keys().collect();
    SettingsError::UnknownSection { origin, section: name.into(), advice: advice(name, &names) }
}

/// Sections and their keys, read off the struct itself.
pub(super) fn known_keys() -> BTreeMap<String, Vec<String>> {
    let all = serde_json::to_value(Settings::default()).unwrap_or_default();
    let sections = all.as_object().into_iter().flatten();
    sections
        .map(|(section, keys)| {
            (section.clone(), keys.as_object().into_iter().flatten().map(|(k, _)| k.clone()).collect())
        })
        .collect()
}
