//! Numbers a header carries that may explain a change of the PSF.
//!
//! Cards whose names hold a usual word (TEMP, HUM ...) come first, strings among them read as
//! numbers; then every other unquoted number that is no structure of the file, world coordinate,
//! place on the sky, time, counter, or fact held elsewhere. Which of them vary over a stack shows
//! only there. The lists are common practice.

use std::collections::BTreeMap;

use super::card::{Card, Header};

/// Values kept at most.
const MOST: usize = 64;

/// Cards with one of these in their name come first.
const USUAL: [&str; 18] = [
    "TEMP", "HUM", "PRES", "WIND", "AIRMASS", "AZ", "ALT", "ROTANG", "ROTATOR", "VOLT", "CURRENT", "SEEING",
    "DEWP", "HEATER", "GUIDE", "TILT", "PITCH", "ROLL",
];
/// Names that hold such a word and mean something else.
const NOT_USUAL: [&str; 8] =
    ["TEMPLATE", "TEMPLAT", "ALTITUDE", "ALT-OBS", "SET-TEMP", "DEFAULT", "COMPRESS", "PRESET"];

/// Structure and scaling (FITS Standard 4.0, sections 4.4, 7 and 10), epochs and poles of world
/// coordinates (section 8), and pixel statistics.
const STRUCTURE: [&str; 27] = [
    "SIMPLE", "BITPIX", "EXTEND", "PCOUNT", "GCOUNT", "GROUPS", "BSCALE", "BZERO", "BLANK", "BLOCKED",
    "TFIELDS", "THEAP", "EXTVER", "EXTLEVEL", "INHERIT", "CHECKSUM", "DATASUM", "ZBITPIX", "ZPCOUNT",
    "ZGCOUNT", "EQUINOX", "EPOCH", "LONPOLE", "LATPOLE", "WCSAXES", "DATAMIN", "DATAMAX",
];
/// Beginnings of names: axes, tiles, world coordinates and their distortions, times.
const STRUCTURE_BEGINS: [&str; 42] = [
    "NAXIS", "ZNAXIS", "ZTILE", "ZVAL", "ZSCALE", "ZZERO", "ZBLANK", "ZDITHER", "TZERO", "TSCAL", "TNULL",
    "TBCOL", "CRVAL", "CRPIX", "CDELT", "CROTA", "CD1_", "CD2_", "CD00", "PC1_", "PC2_", "PC00", "PV1_",
    "PV2_", "PS1_", "PS2_", "A_", "B_", "AP_", "BP_", "CRDER", "CSYER", "LTV", "LTM", "DTV", "DTM", "DATE",
    "MJD", "JD", "UT", "LST", "TIME",
];
/// Places on the sky, and counters.
const PLACE_OR_COUNTER_ENDS: [&str; 5] = ["RA", "DEC", "ID", "NO", "JD"];
/// Counters, versions, and what another measurement made of the same stars.
const NO_CAUSE: [&str; 6] = ["SEQ", "NUM", "VERS", "FWHM", "ELLIP", "MAGZ"];

/// Degrees between kelvin and Celsius.
const ZERO_CELSIUS_K: f64 = 273.15;
/// A temperature above this is plainly kelvin: no telescope is that hot.
const PLAINLY_KELVIN: f64 = 130.0;

/// Values by card, temperatures in degrees Celsius. `temperature` is the card the settings name;
/// `held` tells of a card whose meaning the other facts hold.
pub fn read(
    header: &Header,
    temperature: Option<&str>,
    held: impl Fn(&str) -> bool,
) -> BTreeMap<String, f64> {
    let asked = |key: &str| temperature.is_some_and(|t| t.eq_ignore_ascii_case(key));
    let usual = |card: &&Card| is_usual(&card.key) || asked(&card.key);
    let further = |card: &&Card| !usual(card) && !card.quoted && !held(&card.key) && may_vary(&card.key);
    let first = header.cards.iter().filter(usual);
    let mut out = BTreeMap::new();
    for card in first.chain(header.cards.iter().filter(further)) {
        if out.len() == MOST {
            break;
        }
        if let Some(value) = value(card, asked(&card.key)) {
            out.entry(card.key.clone()).or_insert(value);
        }
    }
    out
}

fn is_usual(key: &str) -> bool {
    USUAL.iter().any(|w| key.contains(w)) && !NOT_USUAL.iter().any(|w| key.contains(w))
}

fn may_vary(key: &str) -> bool {
    !(STRUCTURE.contains(&key)
        || STRUCTURE_BEGINS.iter().any(|w| key.starts_with(w))
        || PLACE_OR_COUNTER_ENDS.iter().any(|w| key.ends_with(w))
        || NOT_USUAL.iter().any(|w| key.contains(w))
        || NO_CAUSE.iter().any(|w| key.contains(w)))
}

fn value(card: &Card, is_asked: bool) -> Option<f64> {
    let number = card.number()?;
    let no_data = number == -1.0 && card.comment.contains("=-1");
    if no_data {
        None
    } else if is_asked || card.key.contains("TEMP") {
        celsius(number, card)
    } else {
        Some(number)
    }
}

/// A temperature in degrees Celsius: kelvin where the card says so, or is plainly so.
fn celsius(value: f64, card: &Card) -> Option<f64> {
    let words = format!("{} {}", card.value, card.comment).to_lowercase();
    let unit_is = |letter: char| {
        card.value.trim_end().to_lowercase().ends_with(letter) || words.contains(&format!("[{letter}]"))
    };
    let kelvin = words.contains("kelvin") || unit_is('k') || value > PLAINLY_KELVIN;
    let fahrenheit = words.contains("fahrenheit") || unit_is('f');
    match (kelvin, fahrenheit) {
        (true, _) => (value > 0.0).then_some(((value - ZERO_CELSIUS_K) * 1e6).round() / 1e6),
        (_, true) => Some((value - 32.0) / 1.8),
        _ => (value >= -ZERO_CELSIUS_K).then_some(value),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(cards: &[String]) -> BTreeMap<String, f64> {
        let text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        read(&Header::parse(text.as_bytes()), None, |key| key == "GAIN")
    }

    #[test]
    fn any_number_that_may_vary_is_kept_and_nothing_else() {
        let cards = [
            "BITPIX  = 16",
            "NAXIS1  = 2048",
            "CRVAL1  = 31.3",
            "A_0_2   = 1e-6",
            "OBJCTRA = 12.5",
            "MJD-OBS = 60000.5",
            "GAIN    = 1.5",
            "OBSNUM  = 17",
            "RUNID   = 4",
            "IMFWHM  = 2.9",
            "SHUTTER = T",
            "SERIAL  = '20310304'",
            "M2POSZ  = -0.31 / [mm] secondary",
            "STRUT3  = 12 / [um]",
            "HUMIDITY= '41 %'",
        ];
        let found = values(&cards.map(String::from));
        let expected = [("HUMIDITY", 41.0), ("M2POSZ", -0.31), ("STRUT3", 12.0)];
        assert_eq!(found, expected.map(|(key, value)| (key.to_string(), value)).into());
    }

    #[test]
    fn a_long_header_is_cut_the_usual_ones_kept() {
        let mut cards: Vec<String> = (0..100).map(|k| format!("VALVE{k:<3}= {k}")).collect();
        cards.push("TELTEMP = -20.5".into());
        let found = values(&cards);
        assert_eq!(found.len(), MOST);
        assert_eq!((found["TELTEMP"], found["VALVE62"]), (-20.5, 62.0));
        assert!(!found.contains_key("VALVE63"));
    }
}
