//! What the header says of the exposure, under the words in use.
//!
//! The lists of cards are common practice, the usual ones first; a card that a setting
//! names is looked at before them. Values may be strings, and may carry a unit.

use super::ExposureFacts;
use super::card::{Card, Header, sexagesimal};
use super::time;
use super::wcs::Wcs;
use crate::settings::{HeaderSettings, Settings};

const EXPOSURE: [&str; 9] =
    ["EXPTIME", "XPOSURE", "EXPOSURE", "EXP_TIME", "ITIME", "EXPOTIME", "INTTIME", "TEXPTIME", "TELAPSE"];
const GAIN: [&str; 7] = ["EGAIN", "GAIN", "CCDGAIN", "GAINEFF", "E_GAIN", "DETGAIN", "GAIN1"];
const READ_NOISE: [&str; 9] =
    ["RDNOISE", "READNOIS", "RON", "ENOISE", "READNOISE", "CCDRON", "RDNOISE1", "RONOISE", "DETRON"];
const SATURATION: [&str; 8] =
    ["SATURATE", "SATLEVEL", "SATURATI", "SATUR", "SATURAT", "SATVAL", "MAXLIN", "FULLWELL"];
const FILTER: [&str; 7] = ["FILTER", "FILTER1", "FILTNAME", "FILTERS", "FILTNAM", "FILTNAM1", "BAND"];
const TARGET: [&str; 6] = ["OBJECT", "TARGET", "TARGNAME", "OBJNAME", "FIELD", "TARGETID"];
const RA: [&str; 9] = ["RA", "OBJCTRA", "TELRA", "RA_TEL", "RA-MNT", "RA_OBJ", "RA_TARG", "RA-D", "OBJRA"];
const DEC: [&str; 9] =
    ["DEC", "OBJCTDEC", "TELDEC", "DEC_TEL", "DEC-MNT", "DEC_OBJ", "DEC_TARG", "DEC-D", "OBJDEC"];
const ALTITUDE: [&str; 9] =
    ["TELALT", "OBJCTALT", "CENTALT", "ALT", "TEL-ALT", "EL", "ELEVATIO", "ALT-OBJ", "ALTITUDE"];
const ZENITH_DISTANCE: [&str; 4] = ["ZD", "ZENDIST", "ZDIST", "ZENITHD"];
const PIXEL_SCALE: [&str; 7] = ["PIXSCALE", "SECPIX", "IM_SCALE", "SCALE", "PIXSCAL1", "SECPIX1", "PLTSCALE"];
const FOCUS: [&str; 8] =
    ["FOCUS", "FOCUSPOS", "FOCPOS", "TELFOCUS", "CAMFOCUS", "FOC-POS", "FOCUSSTP", "FOCUSVAL"];

/// Cards kept for the housekeeping hold one of these in their name.
const HOUSEKEEPING: [&str; 20] = [
    "PARANG", "PARALL", "TEMP", "HUM", "PRES", "WIND", "AIRMASS", "AZ", "ALT", "ROTANG", "ROTATOR", "VOLT",
    "CURRENT", "SEEING", "DEWP", "HEATER", "GUIDE", "TILT", "PITCH", "ROLL",
];
/// Names that hold such a word and mean something else.
const NOT_HOUSEKEEPING: [&str; 8] =
    ["TEMPLATE", "TEMPLAT", "ALTITUDE", "ALT-OBS", "SET-TEMP", "DEFAULT", "COMPRESS", "PRESET"];

/// Degrees between kelvin and Celsius.
const ZERO_CELSIUS_K: f64 = 273.15;
/// A temperature above this is plainly kelvin: no telescope is that hot.
const PLAINLY_KELVIN: f64 = 130.0;
/// A GAIN above this, with no unit beside it, is a camera's setting, not electrons.
const LARGEST_PLAIN_GAIN: f64 = 50.0;
/// Scales that differ by more are not the same.
const SCALE_AGREEMENT: f64 = 0.02;

/// Reads every fact; settings win where both speak, with a note.
pub fn read(
    header: &Header,
    settings: &Settings,
    wcs: Option<&Wcs>,
    notes: &mut Vec<String>,
) -> ExposureFacts {
    let named = &settings.header;
    let mut facts = ExposureFacts { exposure_s: exposure(header, named, notes), ..Default::default() };
    let middle = time::middle(header, named, facts.exposure_s, notes);
    (facts.mjd_mid, facts.time) = (middle.mjd, middle.text);

    let detector = &settings.detector;
    let gain = gain(header, named.gain.as_deref(), notes);
    facts.gain = decide("gain", detector.gain, gain, notes);
    let read_noise = positive(header, named.read_noise.as_deref(), &READ_NOISE, notes);
    facts.read_noise = decide("read_noise", detector.read_noise, read_noise, notes);
    let saturation = positive(header, named.saturation.as_deref(), &SATURATION, notes);
    facts.saturation = decide("saturation", detector.saturation, saturation, notes);

    facts.filter = text(header, named.filter.as_deref(), &FILTER);
    facts.target = text(header, named.target.as_deref(), &TARGET);
    facts.binning = binning(header);
    facts.ra_deg = right_ascension(header);
    facts.dec_deg = first(header, &[], &DEC, |c| angle(c).filter(|d| d.abs() <= 90.0)).map(|(_, v)| v);
    facts.altitude_deg = altitude(header, named.altitude.as_deref());
    facts.focus = number(header, named.focus.as_deref(), &FOCUS).map(|(_, v)| v);
    facts.pixel_arcsec = pixel_scale(header, settings, wcs, notes);
    facts.housekeeping = housekeeping(header, named.temperature.as_deref());
    facts
}

/// The first card of a list that `read` can use: the named one, then the usual ones.
fn first<T>(
    header: &Header,
    named: &[&str],
    usual: &[&str],
    read: impl Fn(&Card) -> Option<T>,
) -> Option<(String, T)> {
    named.iter().chain(usual).find_map(|key| {
        let card = header.card(key)?;
        Some((card.key.clone(), read(card)?))
    })
}

fn number(header: &Header, named: Option<&str>, usual: &[&str]) -> Option<(String, f64)> {
    first(header, named.as_slice(), usual, Card::number)
}

fn text(header: &Header, named: Option<&str>, usual: &[&str]) -> Option<String> {
    first(header, named.as_slice(), usual, |c| c.text().map(str::to_string)).map(|(_, v)| v)
}

/// A number that must be over zero; one that is not is noted and passed over.
fn positive(
    header: &Header,
    named: Option<&str>,
    usual: &[&str],
    notes: &mut Vec<String>,
) -> Option<(String, f64)> {
    for key in named.iter().chain(usual) {
        let Some((card, value)) = header.card(key).and_then(|c| Some((c, c.number()?))) else { continue };
        if value > 0.0 {
            return Some((card.key.clone(), value));
        }
        notes.push(format!("{} = {} is not over zero and is passed over.", card.key, card.value));
    }
    None
}

/// The setting, or the header's value where there is none.
fn decide(
    setting: &str,
    told: Option<f64>,
    found: Option<(String, f64)>,
    notes: &mut Vec<String>,
) -> Option<f64> {
    match (told, found) {
        (Some(told), Some((card, value))) => {
            if told != value {
                notes.push(format!("[detector] {setting} = {told} is used, not {card} = {value}."));
            }
            Some(told)
        }
        (told, found) => told.or(found.map(|f| f.1)),
    }
}

/// Seconds: a comment may say that the card counts milliseconds or minutes.
fn exposure(header: &Header, named: &HeaderSettings, notes: &mut Vec<String>) -> Option<f64> {
    let (card, value) = positive(header, named.exposure.as_deref(), &EXPOSURE, notes)?;
    let comment = header.card(&card).map(|c| c.comment.to_lowercase()).unwrap_or_default();
    let says = |units: &[&str]| comment.split(|c: char| !c.is_alphanumeric()).any(|w| units.contains(&w));
    let factor = if says(&["ms", "msec", "millisecond", "milliseconds"]) {
        1e-3
    } else if says(&["min", "minute", "minutes"]) && !says(&["s", "sec", "second", "seconds"]) {
        60.0
    } else {
        1.0
    };
    if factor != 1.0 {
        notes.push(format!("{card} = {value} was turned to {} s, as its comment says.", value * factor));
    }
    let seconds = value * factor;
    for other in ["EXPTIME", "EXPOSURE"].iter().filter(|k| **k != card && named.exposure.is_none()) {
        let differs = header.number(other).filter(|v| *v > 0.0 && (v - value).abs() > 0.01 * value + 0.01);
        if let Some(v) = differs {
            notes.push(format!("{card} = {value} and {other} = {v} differ; {card} is used."));
        }
    }
    Some(seconds)
}

/// Electrons per frame unit; a number that can only be a camera's setting is left out.
fn gain(header: &Header, named: Option<&str>, notes: &mut Vec<String>) -> Option<(String, f64)> {
    let (card, value) = positive(header, named, &GAIN, notes)?;
    let comment = header.card(&card).map(|c| c.comment.to_lowercase()).unwrap_or_default();
    let compact: String = comment.chars().filter(|c| c.is_alphanumeric() || *c == '/').collect();
    if ["adu/e", "dn/e", "counts/e", "aduper e"].iter().any(|w| compact.contains(w)) {
        notes.push(format!("{card} = {value} counts units per electron, and was inverted."));
        return Some((card, 1.0 / value));
    }
    let electrons = compact.contains("e/") || compact.contains("electron") || card == "EGAIN";
    if value > LARGEST_PLAIN_GAIN && !electrons && named.is_none() {
        notes.push(format!(
            "{card} = {value} names no unit and is taken for a camera's setting, not electrons per unit; \
             [detector] gain gives the gain."
        ));
        return None;
    }
    Some((card, value))
}

fn binning(header: &Header) -> Option<[u32; 2]> {
    let whole = |key: &str| header.integer(key).and_then(|v| u32::try_from(v).ok()).filter(|v| *v > 0);
    let pairs = [("XBINNING", "YBINNING"), ("CCDXBIN", "CCDYBIN"), ("BINX", "BINY"), ("XBIN", "YBIN")];
    let pair = pairs.iter().find_map(|(x, y)| Some([whole(x)?, whole(y).or(whole(x))?]));
    pair.or_else(|| {
        let (_, value) =
            first(header, &[], &["CCDSUM", "BINNING", "CCDBIN"], |c| c.text().map(str::to_string))?;
        let sides: Vec<u32> = value
            .split(|c: char| !c.is_ascii_digit())
            .filter_map(|p| p.parse().ok())
            .filter(|v| *v > 0)
            .collect();
        match sides[..] {
            [one] => Some([one, one]),
            [x, y] => Some([x, y]),
            _ => None,
        }
    })
}

/// Degrees from a number, or from `dd mm ss`.
fn angle(card: &Card) -> Option<f64> {
    card.number().or_else(|| sexagesimal(card.text()?))
}

/// Degrees: a number counts degrees unless its comment says hours; `hh mm ss` counts hours.
fn right_ascension(header: &Header) -> Option<f64> {
    let read = |card: &Card| {
        let hours_told = card.comment.to_lowercase().contains("hour") || card.comment.contains("[h]");
        let degrees = match card.number() {
            Some(value) if hours_told && value.abs() <= 24.0 => value * 15.0,
            Some(value) => value,
            None => sexagesimal(card.text()?)? * 15.0,
        };
        (-360.0..=360.0).contains(&degrees).then(|| degrees.rem_euclid(360.0))
    };
    first(header, &[], &RA, read).map(|(_, v)| v)
}

/// Degrees above the horizon. ALTITUDE and the like can also be that of the site.
fn altitude(header: &Header, named: Option<&str>) -> Option<f64> {
    let of_site = |c: &Card| {
        let comment = c.comment.to_lowercase();
        ["site", "sea", "metre", "meter", "observatory", "[m]"].iter().any(|w| comment.contains(w))
    };
    let read = |c: &Card| angle(c).filter(|v| (-90.0..=90.0).contains(v) && !of_site(c));
    first(header, named.as_slice(), &ALTITUDE, read)
        .or_else(|| {
            let zenith = |c: &Card| angle(c).filter(|v| (0.0..=180.0).contains(v)).map(|z| 90.0 - z);
            first(header, &[], &ZENITH_DISTANCE, zenith)
        })
        .map(|(_, v)| v)
}

/// Arcsec per pixel: the setting, then the coordinates, then a card, then pixel size and
/// focal length.
fn pixel_scale(
    header: &Header,
    settings: &Settings,
    wcs: Option<&Wcs>,
    notes: &mut Vec<String>,
) -> Option<f64> {
    let from_card = positive(header, None, &PIXEL_SCALE, notes).map(|(_, v)| v);
    let from_optics = || {
        // Micrometres over millimetres: 206.265 arcsec.
        let size_um = header.number("XPIXSZ").filter(|v| *v > 0.0)?;
        let focal_mm = header.number("FOCALLEN").filter(|v| *v > 0.0)?;
        Some(206.264_806 * size_um / focal_mm)
    };
    let from_wcs = wcs.map(Wcs::pixel_scale_arcsec);
    let from_header = from_wcs.or(from_card).or_else(from_optics);
    let told = settings.telescope.pixel_arcsec;
    let differ = |a: f64, b: f64| (a / b - 1.0).abs() > SCALE_AGREEMENT;
    if let (Some(told), Some(found)) = (told, from_header) {
        if differ(told, found) {
            notes.push(format!("[telescope] pixel_arcsec = {told} is used, not the header's {found:.4}."));
        }
    } else if let (Some(wcs), Some(card)) = (from_wcs, from_card)
        && differ(wcs, card)
    {
        notes.push(format!(
            "The sky coordinates give {wcs:.4} arcsec a pixel, the scale card {card}; the former is used."
        ));
    }
    told.or(from_header)
}

/// Numbers that may explain a change of the PSF; temperatures in degrees Celsius.
fn housekeeping(header: &Header, temperature: Option<&str>) -> std::collections::BTreeMap<String, f64> {
    let asked = |key: &str| temperature.is_some_and(|t| t.eq_ignore_ascii_case(key));
    let of_interest = |key: &str| {
        HOUSEKEEPING.iter().any(|w| key.contains(w)) && !NOT_HOUSEKEEPING.iter().any(|w| key.contains(w))
    };
    let value = |card: &Card| {
        let number = card.number()?;
        let is_temperature = card.key.contains("TEMP") || asked(&card.key);
        let no_data = number == -1.0 && card.comment.contains("=-1");
        if no_data {
            None
        } else if is_temperature {
            celsius(number, card)
        } else {
            Some(number)
        }
    };
    header
        .cards
        .iter()
        .filter(|c| of_interest(&c.key) || asked(&c.key))
        .filter_map(|c| Some((c.key.clone(), value(c)?)))
        .collect()
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

    fn facts(cards: &[&str], settings: &Settings) -> (ExposureFacts, Vec<String>) {
        let text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        let mut notes = Vec::new();
        (read(&Header::parse(text.as_bytes()), settings, None, &mut notes), notes)
    }

    fn plain(cards: &[&str]) -> ExposureFacts {
        facts(cards, &Settings::default()).0
    }

    #[test]
    fn an_empty_header_gives_nothing() {
        assert_eq!(plain(&[]), ExposureFacts::default());
    }

    #[test]
    fn settings_win_with_a_note() {
        let mut settings = Settings::default();
        settings.detector.gain = Some(2.0);
        settings.header.filter = Some("MYFILT".into());
        let (f, notes) = facts(&["GAIN    = 1.5 / e-/ADU", "FILTER  = 'r'", "MYFILT  = 'g'"], &settings);
        assert_eq!((f.gain, f.filter.as_deref()), (Some(2.0), Some("g")));
        assert!(notes.iter().any(|n| n.contains("gain = 2") && n.contains("GAIN = 1.5")), "{notes:?}");
    }

    #[test]
    fn the_gain_of_a_camera_menu_is_not_electrons() {
        assert_eq!(plain(&["GAIN    = 120"]).gain, None);
        assert_eq!(plain(&["GAIN    = 120", "EGAIN   = 0.25"]).gain, Some(0.25));
        assert_eq!(plain(&["GAIN    = 4.0 / [ADU/e-]"]).gain, Some(0.25));
        assert_eq!(plain(&["GAIN    = 0.0"]).gain, None);
    }

    #[test]
    fn pointings_in_every_form() {
        let f = plain(&["RA      = '02 05 15'", "DEC     = '-00 30 00'"]);
        assert!((f.ra_deg.unwrap() - 31.3125).abs() < 1e-9);
        assert_eq!(f.dec_deg, Some(-0.5));
        assert_eq!(plain(&["RA      = 2.0875 / hours"]).ra_deg, Some(31.3125));
        let blank = plain(&["RA      = '        '", "DEC     = '        '"]);
        assert_eq!((blank.ra_deg, blank.dec_deg), (None, None));
        assert_eq!(plain(&["DEC     = 91.0"]).dec_deg, None);
    }

    #[test]
    fn temperatures_come_out_in_celsius() {
        let f = plain(&[
            "CAMTEMP = 270.0 / CCD Camera Temperature in Kelvin, =-1 if no data",
            "TELTEMP = -1 / Ambient Telescope Temperature in Kelvin, =-1 if no data",
            "CCD-TEMP= -9.93 / deg. Celsius",
            "MIRTEMP = '11 C'",
            "COLORTMP= 5386",
        ]);
        let keys: Vec<(&str, f64)> = f.housekeeping.iter().map(|(k, v)| (k.as_str(), *v)).collect();
        assert_eq!(keys, [("CAMTEMP", -3.15), ("CCD-TEMP", -9.93), ("MIRTEMP", 11.0)]);
    }

    #[test]
    fn exposure_units_and_contradictions() {
        assert_eq!(plain(&["EXPOSURE= 1500 / [ms] integration"]).exposure_s, Some(1.5));
        assert_eq!(plain(&["EXPTIME = 0", "EXPOSURE= 20"]).exposure_s, Some(20.0));
        let (_, notes) = facts(&["EXPTIME = 30", "EXPOSURE= 20"], &Settings::default());
        assert!(notes.iter().any(|n| n.contains("differ")), "{notes:?}");
    }

    #[test]
    fn the_altitude_of_the_site_is_no_elevation() {
        assert_eq!(plain(&["ALTITUDE= 45.0 / [m] above sea level"]).altitude_deg, None);
        assert_eq!(plain(&["TELALT  = +66.616 / Altitude"]).altitude_deg, Some(66.616));
        assert_eq!(plain(&["ZD      = 20.0"]).altitude_deg, Some(70.0));
    }

    #[test]
    fn binning_and_scale() {
        assert_eq!(plain(&["CCDSUM  = '2 2'"]).binning, Some([2, 2]));
        assert_eq!(plain(&["BINNING = '1x2'"]).binning, Some([1, 2]));
        let f = plain(&["XPIXSZ  = 3.76", "FOCALLEN= 775.5731"]);
        assert!((f.pixel_arcsec.unwrap() - 1.0).abs() < 1e-4);
    }
}
