//! Dates and times of day in every form in use, and time scales.
//!
//! FITS Standard 4.0 (2018), section 4.4.2.1 and chapter 9; the forms it does not know
//! (a zone suffix, a blank for the T) are common practice.

use super::card::{parse_number, sexagesimal};

const SECONDS_A_DAY: f64 = 86_400.0;
/// TT - TAI, seconds, by definition.
const TT_MINUS_TAI_S: f64 = 32.184;
/// TAI - GPS time, seconds, by definition.
const TAI_MINUS_GPS_S: f64 = 19.0;

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

/// What a card says of a time.
#[derive(Debug, Clone, PartialEq)]
pub enum Reading {
    /// MJD, and the step of its last digit; `zoned` where a zone made it UTC.
    Moment { mjd: f64, precision_s: f64, zoned: bool },
    /// A date without a time of day.
    Day { mjd: f64 },
}

/// A Julian or modified Julian date.
pub fn day_number(text: &str) -> Option<Reading> {
    let value = parse_number(text)?;
    let mjd = if value > 2_400_000.0 { value - 2_400_000.5 } else { value };
    if !(1.0..200_000.0).contains(&mjd) {
        return None;
    }
    let digits = text.split('.').nth(1).map_or(0, |f| f.chars().take_while(char::is_ascii_digit).count());
    // Trailing zeros say nothing, but a number written in full has at least the
    // resolution of double precision.
    let precision_s = SECONDS_A_DAY * 10f64.powi(-(digits.min(12) as i32));
    Some(Reading::Moment { mjd, precision_s: precision_s.max(4e-5), zoned: false })
}

/// `YYYY-MM-DD`, `YYYY-MM-DDThh:mm:ss.sss` with `Z`, `-0700` or `+05:30` behind it, a
/// blank instead of the T, or `DD/MM/YY`.
pub fn parse_date(text: &str) -> Option<Reading> {
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
    let year = |t: &str| t.parse::<i16>().ok();
    let small = |t: &str| t.parse::<i8>().ok();
    let parts: Vec<&str> = text.split(['-', '/']).collect();
    let [a, b, c] = parts[..] else { return None };
    let (y, m, d) = match text.contains('/') {
        false => (year(a)?, b, c),
        true if a.len() == 4 => (year(a)?, b, c),
        // Two digits of the year are of the last century.
        true if c.len() == 2 => (1900 + year(c)?, b, a),
        true => (year(c)?, b, a),
    };
    let date = jiff::civil::Date::new(y, small(m)?, small(d)?).ok()?;
    let epoch = jiff::civil::Date::new(1858, 11, 17).ok()?;
    Some(f64::from((date - epoch).get_days()))
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
pub fn parse_clock(text: &str) -> Option<(f64, f64)> {
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
pub fn to_utc(mjd: f64, scale: &str) -> f64 {
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
