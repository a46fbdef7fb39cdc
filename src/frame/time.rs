//! When the exposure was taken, from whatever cards say so.
//!
//! Rots et al. 2015, A&A 574, A36 (DATE-, MJD- and TIMESYS cards); the older habits of
//! headers (DD/MM/YY, a separate time card, a zone suffix) are common practice.

use super::card::{Card, Header, sexagesimal};
use crate::settings::HeaderSettings;

const SECONDS_A_DAY: f64 = 86_400.0;
/// TT - TAI, seconds, by definition.
const TT_MINUS_TAI_S: f64 = 32.184;
/// TAI - GPS time, seconds, by definition.
const TAI_MINUS_GPS_S: f64 = 19.0;
/// Cards that are this precise or better count as equally precise.
const PRECISE_ENOUGH_S: f64 = 0.01;
/// Cards that differ by less, beyond their own precision, agree.
const AGREEMENT_S: f64 = 1.0;

/// MJD (UTC) from which TAI - UTC has a value in seconds: IERS Bulletin C.
#[rustfmt::skip]
const LEAP_SECONDS: [(f64, f64); 28] = [
    (41317.0, 10.0), (41499.0, 11.0), (41683.0, 12.0), (42048.0, 13.0), (42413.0, 14.0),
    (42778.0, 15.0), (43144.0, 16.0), (43509.0, 17.0), (43874.0, 18.0), (44239.0, 19.0),
    (44786.0, 20.0), (45151.0, 21.0), (45516.0, 22.0), (46247.0, 23.0), (47161.0, 24.0),
    (47892.0, 25.0), (48257.0, 26.0), (48804.0, 27.0), (49169.0, 28.0), (49534.0, 29.0),
    (50083.0, 30.0), (50630.0, 31.0), (51179.0, 32.0), (53736.0, 33.0), (54832.0, 34.0),
    (56109.0, 35.0), (57204.0, 36.0), (57754.0, 37.0),
];

/// Which moment of the exposure a card tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Moment {
    Middle,
    Start,
    End,
}

/// A moment as one card gives it.
#[derive(Debug, Clone, PartialEq)]
pub struct Stamp {
    pub card: String,
    pub moment: Moment,
    /// In the header's time scale, or UTC where `zoned`.
    pub mjd: f64,
    /// The step of the last digit, seconds.
    pub precision_s: f64,
    /// It carries a zone, so it is UTC whatever TIMESYS says.
    pub zoned: bool,
}

/// A calendar date without a time of day.
#[derive(Debug, Clone, PartialEq)]
enum Reading {
    Moment { mjd: f64, precision_s: f64, zoned: bool },
    Day { mjd: f64 },
}

/// The middle of the exposure.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Middle {
    /// UTC, days.
    pub mjd: Option<f64>,
    /// ISO 8601 in UTC, with the digits the header has.
    pub text: Option<String>,
}

/// Cards in use for each moment, the usual ones first.
const MIDDLE_CARDS: [&str; 5] = ["DATE-AVG", "MJD-AVG", "DATE-MID", "MJD-MID", "MIDPOINT"];
const START_CARDS: [&str; 10] =
    ["DATE-BEG", "DATE-OBS", "MJD-BEG", "UT-OBS", "DATE_OBS", "DATEOBS", "MJD-OBS", "MJD", "JD", "MJD_OBS"];
const END_CARDS: [&str; 2] = ["DATE-END", "MJD-END"];
/// Time of day that goes with a DATE-OBS of the day only.
const CLOCK_CARDS: [&str; 9] =
    ["TIME-OBS", "UT-START", "UTSTART", "UTC-OBS", "UT-OBS", "UTC", "UT", "TIME-BEG", "TIME"];

/// The middle of the exposure: of all cards the most precise, a middle before a start
/// before an end; `exposure_s` carries a start or an end to the middle.
pub fn middle(
    header: &Header,
    settings: &HeaderSettings,
    exposure_s: Option<f64>,
    notes: &mut Vec<String>,
) -> Middle {
    let mut stamps = stamps(header, settings, notes);
    let scale = header.text("TIMESYS").unwrap_or("UTC").trim().to_uppercase();
    for stamp in stamps.iter_mut().filter(|s| !s.zoned) {
        stamp.mjd = to_utc(stamp.mjd, &scale);
    }
    if !stamps.is_empty() {
        note_scale(&scale, notes);
    }
    let grade = |s: &Stamp| {
        (settings.time.as_deref() != Some(s.card.as_str()), s.precision_s.max(PRECISE_ENOUGH_S), s.moment)
    };
    let best =
        stamps.iter().min_by(|a, b| grade(a).partial_cmp(&grade(b)).unwrap_or(std::cmp::Ordering::Equal));
    let Some(best) = best else {
        return day_only(header, notes);
    };
    for other in stamps.iter().filter(|s| s.moment == best.moment && s.card != best.card) {
        let apart = (other.mjd - best.mjd) * SECONDS_A_DAY;
        if apart.abs() > AGREEMENT_S + other.precision_s + best.precision_s {
            let card = &best.card;
            notes.push(format!("{card} and {} differ by {}; {card} is used.", other.card, span(apart)));
        }
    }
    if best.zoned {
        notes.push(format!("{} carries a time zone and was turned to UTC.", best.card));
    }
    let shift_s = match (best.moment, exposure_s) {
        (Moment::Middle, _) => 0.0,
        (Moment::Start, Some(s)) => s / 2.0,
        (Moment::End, Some(s)) => -s / 2.0,
        (_, None) => match between(&stamps) {
            Some(middle) => (middle - best.mjd) * SECONDS_A_DAY,
            None => {
                notes
                    .push(format!("No exposure time: {} is taken as the middle of the exposure.", best.card));
                0.0
            }
        },
    };
    let mjd = best.mjd + shift_s / SECONDS_A_DAY;
    Middle { mjd: Some(mjd), text: iso(mjd, decimals(best.precision_s)) }
}

/// Halfway between a start and an end.
fn between(stamps: &[Stamp]) -> Option<f64> {
    let of = |moment| stamps.iter().find(|s| s.moment == moment).map(|s| s.mjd);
    let (start, end) = (of(Moment::Start)?, of(Moment::End)?);
    (end >= start && end - start < 1.0).then_some((start + end) / 2.0)
}

fn span(seconds: f64) -> String {
    if seconds.abs() >= 1800.0 { format!("{:.2} hours", seconds / 3600.0) } else { format!("{seconds:.1} s") }
}

/// Every moment the header gives.
fn stamps(header: &Header, settings: &HeaderSettings, notes: &mut Vec<String>) -> Vec<Stamp> {
    let lists =
        [(Moment::Middle, &MIDDLE_CARDS[..]), (Moment::Start, &START_CARDS), (Moment::End, &END_CARDS)];
    let mut wanted: Vec<(Moment, &str)> = Vec::new();
    if let Some(named) = settings.time.as_deref() {
        let usual = lists.iter().find(|(_, l)| l.contains(&named)).map_or(Moment::Start, |(m, _)| *m);
        wanted.push((usual, named));
    }
    let named = settings.time.as_deref();
    wanted.extend(
        lists.iter().flat_map(|(m, list)| list.iter().filter(|c| named != Some(**c)).map(|c| (*m, *c))),
    );
    let mut stamps = Vec::new();
    for (usual, name) in wanted {
        let Some(card) = header.card(name).filter(|c| c.text().is_some()) else { continue };
        let asked =
            (named == Some(name)).then(|| settings.time_is.as_deref().and_then(told_moment)).flatten();
        let moment = asked.unwrap_or_else(|| moment(card, usual));
        match read_card(header, card) {
            Some(Reading::Moment { mjd, precision_s, zoned }) => {
                stamps.push(Stamp { card: name.into(), moment, mjd, precision_s, zoned });
            }
            Some(Reading::Day { .. }) => {}
            // A time of day alone is a clock card, not a moment.
            None if CLOCK_CARDS.contains(&name) || name == "MIDPOINT" => {}
            None => notes.push(format!("{name} = {:?} is no date that can be read.", card.value)),
        }
    }
    stamps
}

fn told_moment(word: &str) -> Option<Moment> {
    match word {
        "start" => Some(Moment::Start),
        "middle" => Some(Moment::Middle),
        "end" => Some(Moment::End),
        _ => None,
    }
}

/// The moment a card tells: its comment may say otherwise than its name.
fn moment(card: &Card, usual: Moment) -> Moment {
    let comment = card.comment.to_lowercase();
    let words: Vec<&str> = comment.split(|c: char| !c.is_alphanumeric()).collect();
    let has = |list: &[&str]| words.iter().any(|w| list.contains(w));
    if has(&["start", "begin", "beginning", "starting"]) {
        Moment::Start
    } else if has(&["mid", "middle", "midpoint", "midexposure", "center", "centre"]) {
        Moment::Middle
    } else if has(&["end", "ending", "stop"]) {
        Moment::End
    } else {
        usual
    }
}

/// A date, a day number, or a date that finds its time of day in another card.
fn read_card(header: &Header, card: &Card) -> Option<Reading> {
    if card.key.contains("JD") {
        return day_number(card);
    }
    match parse_date(&card.value)? {
        Reading::Day { mjd }
            if matches!(card.key.as_str(), "DATE-OBS" | "DATE_OBS" | "DATEOBS" | "DATE-BEG") =>
        {
            let clock = CLOCK_CARDS.iter().find_map(|c| parse_clock(header.text(c)?));
            Some(match clock {
                Some((seconds, precision_s)) => {
                    Reading::Moment { mjd: mjd + seconds / SECONDS_A_DAY, precision_s, zoned: false }
                }
                None => Reading::Day { mjd },
            })
        }
        reading => Some(reading),
    }
}

/// A Julian or modified Julian date.
fn day_number(card: &Card) -> Option<Reading> {
    let value = card.number()?;
    let mjd = if value > 2_400_000.0 { value - 2_400_000.5 } else { value };
    if !(1.0..200_000.0).contains(&mjd) {
        return None;
    }
    let digits =
        card.value.split('.').nth(1).map_or(0, |f| f.chars().take_while(char::is_ascii_digit).count());
    // Trailing zeros say nothing, but a number written in full has at least the
    // resolution of double precision.
    let precision_s = SECONDS_A_DAY * 10f64.powi(-(digits.min(12) as i32));
    Some(Reading::Moment { mjd, precision_s: precision_s.max(4e-5), zoned: false })
}

/// `YYYY-MM-DD`, `YYYY-MM-DDThh:mm:ss.sss` with `Z`, `-0700` or `+05:30` behind it, a
/// blank instead of the T, or `DD/MM/YY`.
fn parse_date(text: &str) -> Option<Reading> {
    let text = text.trim();
    let (day, clock) = match text.find(['T', 't', ' ']) {
        Some(at) => (&text[..at], text[at + 1..].trim()),
        None => (text, ""),
    };
    let mjd = parse_day(day)?;
    if clock.is_empty() {
        return Some(Reading::Day { mjd });
    }
    let (clock, zone_s) = split_zone(clock)?;
    let (seconds, precision_s) = parse_clock(clock)?;
    let utc = mjd + (seconds - zone_s.unwrap_or(0.0)) / SECONDS_A_DAY;
    Some(Reading::Moment { mjd: utc, precision_s, zoned: zone_s.is_some() })
}

fn parse_day(text: &str) -> Option<f64> {
    let number = |t: &str| t.parse::<i16>().ok();
    let date = if text.contains('/') {
        let parts: Vec<&str> = text.split('/').collect();
        let [a, b, c] = parts[..] else { return None };
        match (a.len(), c.len()) {
            (4, _) => jiff::civil::Date::new(number(a)?, number(b)? as i8, number(c)? as i8),
            // Two digits of the year are of the last century (FITS Standard, section 4.4.2.1).
            (_, 2) => jiff::civil::Date::new(1900 + number(c)?, number(b)? as i8, number(a)? as i8),
            _ => jiff::civil::Date::new(number(c)?, number(b)? as i8, number(a)? as i8),
        }
    } else {
        let parts: Vec<&str> = text.split('-').collect();
        let [y, m, d] = parts[..] else { return None };
        let small = |t: &str| number(t).filter(|v| (0..100).contains(v)).map(|v| v as i8);
        jiff::civil::Date::new(number(y)?, small(m)?, small(d)?)
    };
    let epoch = jiff::civil::Date::new(1858, 11, 17).ok()?;
    let days = (date.ok()? - epoch).get_days();
    Some(f64::from(days))
}

/// A zone behind the time of day, as seconds east of Greenwich.
fn split_zone(clock: &str) -> Option<(&str, Option<f64>)> {
    if let Some(plain) = clock.strip_suffix(['Z', 'z']) {
        return Some((plain, Some(0.0)));
    }
    if let Some(plain) = clock.strip_suffix("UTC").or_else(|| clock.strip_suffix("UT")) {
        return Some((plain, Some(0.0)));
    }
    let Some(at) = clock.rfind(['+', '-']) else { return Some((clock, None)) };
    let digits: String = clock[at + 1..].chars().filter(|c| *c != ':').collect();
    if digits.is_empty() || digits.len() > 4 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let value: f64 = digits.parse().ok()?;
    let (hours, minutes) =
        if digits.len() <= 2 { (value, 0.0) } else { ((value / 100.0).floor(), value % 100.0) };
    let east = 3600.0 * hours + 60.0 * minutes;
    Some((clock[..at].trim(), Some(if clock.as_bytes()[at] == b'-' { -east } else { east })))
}

/// `hh:mm:ss.sss` as seconds, and the step of its last digit.
fn parse_clock(text: &str) -> Option<(f64, f64)> {
    let text = text.trim();
    if !text.contains(':') || text.starts_with('-') {
        return None;
    }
    let hours = sexagesimal(text).filter(|h| (0.0..=24.001).contains(h))?;
    let fraction = text.rsplit(':').next()?.split('.').nth(1).unwrap_or("");
    let step = if text.matches(':').count() == 1 { 60.0 } else { 1.0 };
    Some((3600.0 * hours, step * 10f64.powi(-(fraction.len().min(9) as i32))))
}

/// A moment of another scale as UTC, MJD.
fn to_utc(mjd: f64, scale: &str) -> f64 {
    let tai_offset = match scale {
        "TAI" => 0.0,
        "TT" | "TDT" | "ET" | "TDB" => -TT_MINUS_TAI_S,
        "GPS" => TAI_MINUS_GPS_S,
        _ => return mjd,
    };
    let tai = mjd + tai_offset / SECONDS_A_DAY;
    let leaps = |utc: f64| LEAP_SECONDS.iter().rev().find(|(from, _)| utc >= *from).map_or(10.0, |l| l.1);
    let first = tai - leaps(tai) / SECONDS_A_DAY;
    tai - leaps(first) / SECONDS_A_DAY
}

fn note_scale(scale: &str, notes: &mut Vec<String>) {
    match scale {
        "UTC" | "UT" | "UT1" | "GMT" | "Z" | "" => {}
        "TAI" | "TT" | "TDT" | "ET" | "TDB" | "GPS" => {
            notes.push(format!("TIMESYS is {scale}: times were turned to UTC."));
        }
        other => notes.push(format!("TIMESYS {other:?} is not known: times are taken as UTC.")),
    }
}

/// A header that knows the day only: no moment, the day as text.
fn day_only(header: &Header, notes: &mut Vec<String>) -> Middle {
    let day = ["DATE-OBS", "DATE-BEG", "DATE_OBS", "DATEOBS"].iter().find_map(|c| {
        match parse_date(header.text(c)?)? {
            Reading::Day { mjd } => Some(mjd),
            Reading::Moment { .. } => None,
        }
    });
    let Some(day) = day else { return Middle::default() };
    notes.push("The header gives the day of the exposure, but no time.".into());
    Middle { mjd: None, text: iso(day, 0).map(|t| t[..10].to_string()) }
}

fn decimals(precision_s: f64) -> usize {
    (-precision_s.log10()).round().clamp(0.0, 6.0) as usize
}

/// An MJD as `YYYY-MM-DDThh:mm:ssZ` with so many decimals.
pub fn iso(mjd: f64, decimals: usize) -> Option<String> {
    let scale = 10f64.powi(decimals as i32);
    let mut day = mjd.floor();
    let mut ticks = ((mjd - day) * SECONDS_A_DAY * scale).round();
    if ticks >= SECONDS_A_DAY * scale {
        day += 1.0;
        ticks = 0.0;
    }
    let epoch = jiff::civil::Date::new(1858, 11, 17).ok()?;
    let date = epoch.checked_add(jiff::Span::new().try_days(day as i64).ok()?).ok()?;
    let whole = (ticks / scale).floor();
    let (hour, minute, second) = (whole / 3600.0, whole / 60.0 % 60.0, whole % 60.0);
    let clock = format!("{:02}:{:02}:{:02}", hour.floor(), minute.floor(), second.floor());
    let fraction = match decimals {
        0 => String::new(),
        n => format!(".{:0n$}", ticks - whole * scale),
    };
    Some(format!("{date}T{clock}{fraction}Z"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(cards: &[&str]) -> Header {
        let text: String = cards.iter().map(|c| format!("{c:<80}")).collect();
        Header::parse(text.as_bytes())
    }

    fn at(cards: &[&str], exposure_s: Option<f64>) -> (Middle, Vec<String>) {
        let mut notes = Vec::new();
        let m = middle(&header(cards), &HeaderSettings::default(), exposure_s, &mut notes);
        (m, notes)
    }

    #[test]
    fn a_start_with_a_zone_becomes_the_middle_in_utc() {
        let cards = [
            "DATE-OBS= '2017-12-19T22:06:12.127-0700' / Start date & time of observation, LT",
            "DATE-END= '2017-12-19T22:07:14.087-0700' / End date & time of observation, LT",
            "UT-OBS  = '2017-12-20T05:06:12.127-0000' / Universal Time at start of obs.",
            "MJD-OBS = 58107.213 / Modified Julian Date (MJD) at start of observation",
        ];
        let (m, notes) = at(&cards, Some(60.0));
        assert_eq!(m.text.as_deref(), Some("2017-12-20T05:06:42.127Z"));
        assert!(!notes.iter().any(|n| n.contains("differ")), "{notes:?}");
    }

    #[test]
    fn a_day_number_that_disagrees_is_noted_and_the_precise_card_used() {
        let (m, notes) = at(&["DATE-OBS= '2020-01-01T10:00:00'", "MJD-OBS = 58849.125"], Some(2.0));
        assert_eq!(m.text.as_deref(), Some("2020-01-01T10:00:01Z"));
        assert!(notes.iter().any(|n| n.contains("differ by -7.00 hours")), "{notes:?}");
    }

    #[test]
    fn forms_of_a_date() {
        for (cards, want) in [
            (vec!["DATE-OBS= '31/12/98'", "UT      = '23:59:30.5'"], Some("1998-12-31T23:59:30.5Z")),
            (vec!["DATE-OBS= '2020-02-29'", "TIME-OBS= '01:02:03'"], Some("2020-02-29T01:02:03Z")),
            (vec!["DATE-OBS= '2020-02-29'"], Some("2020-02-29")),
            (vec!["DATE-AVG= '2020-02-29T24:00:00'"], Some("2020-03-01T00:00:00Z")),
            (vec!["DATE-OBS= '2016-12-31T23:59:60'"], Some("2017-01-01T00:00:00Z")),
            (vec!["DATE-OBS= '2020-01-01T05:30:00+05:30'"], Some("2020-01-01T00:00:00Z")),
            (vec!["DATE-OBS= '2020-01-01 05:30:00Z'"], Some("2020-01-01T05:30:00Z")),
            (vec!["JD      = 2451545.0"], Some("2000-01-01T12:00:00Z")),
            (vec!["DATE-OBS= '2020-13-45T99:00:00'"], None),
            (vec!["DATE-OBS= 'yesterday'"], None),
            (vec![], None),
        ] {
            assert_eq!(at(&cards, None).0.text.as_deref(), want, "{cards:?}");
        }
    }

    /// TT - UTC was 69.184 s from 2017 on, TAI - UTC 37 s (IERS Bulletin C 52).
    #[test]
    fn other_time_scales_are_turned_to_utc() {
        let date = "DATE-AVG= '2020-01-01T00:01:09.184'";
        assert_eq!(at(&[date, "TIMESYS = 'TT'"], None).0.text.as_deref(), Some("2020-01-01T00:00:00.000Z"));
        let (m, notes) = at(&[date, "TIMESYS = 'TAI'"], None);
        assert_eq!(m.text.as_deref(), Some("2020-01-01T00:00:32.184Z"));
        assert!(notes[0].contains("TAI"));
    }

    #[test]
    fn a_comment_says_which_moment_is_meant() {
        let (m, _) = at(&["DATE-OBS= '2020-01-01T00:01:00' / mid exposure"], Some(60.0));
        assert_eq!(m.text.as_deref(), Some("2020-01-01T00:01:00Z"));
        let settings = HeaderSettings {
            time: Some("DATE-OBS".into()),
            time_is: Some("end".into()),
            ..HeaderSettings::default()
        };
        let told =
            middle(&header(&["DATE-OBS= '2020-01-01T00:01:00'"]), &settings, Some(60.0), &mut Vec::new());
        assert_eq!(told.text.as_deref(), Some("2020-01-01T00:00:30Z"));
    }
}
