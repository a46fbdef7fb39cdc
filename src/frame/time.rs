//! When the exposure was taken, from whatever cards say so.
//!
//! Rots et al. 2015, A&A 574, A36 (DATE-, MJD- and TIMESYS cards); the older habits of
//! headers (DD/MM/YY, a separate time card, a zone suffix) are common practice.

use super::card::{Card, Header};
use super::date::{Reading, day_number, iso, parse_clock, parse_date, to_utc};
use crate::settings::HeaderSettings;

const SECONDS_A_DAY: f64 = 86_400.0;
/// Cards that are this precise or better count as equally precise.
const PRECISE_ENOUGH_S: f64 = 0.01;
/// Cards that differ by less, beyond their own precision, agree.
const AGREEMENT_S: f64 = 1.0;

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
        return day_number(&card.value);
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
