//! One compact line of JSON an exposure, for a slow link: what was measured of it, and the
//! verdict of the stack with it.

use serde::Serialize;

use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate, Measured};
use crate::verdict::reasons::file_name;

use super::exposures::gate_word;
use super::words::count;

/// A line with its line feed is shorter than this, whatever it holds.
pub const LONGEST: usize = 400;

/// Codes of reasons that are named.
const CODES: usize = 2;
const CODE_BYTES: usize = 22;
const TIME_BYTES: usize = 23;
const MESSAGE_BYTES: usize = 200;
/// Most and fewest bytes of the file's name; it keeps its end, which tells the frames of a
/// sequence apart.
const FILE_BYTES: [usize; 2] = [64, 16];

/// The keys, in the order of the line. Null where there is nothing to say.
#[derive(Debug, Serialize)]
struct Line<'a> {
    file: String,
    /// Middle of the exposure, UTC.
    time: Option<String>,
    /// Stars used.
    stars: Option<u32>,
    /// T and its error.
    size: [Option<f64>; 2],
    unit: &'a str,
    /// e1, e2 and the error of each.
    e: [Option<f64>; 3],
    gate: &'a str,
    /// Codes of the checks that speak of it.
    why: Vec<String>,
    /// Of the running stack.
    decision: &'a str,
    kept: usize,
    of: usize,
    /// Change between the kept exposures, of T: rms, its upper bound, limit.
    dt: Option<[Option<f64>; 3]>,
    /// The same of e, per component.
    de: Option<[Option<f64>; 3]>,
}

#[derive(Debug, Serialize)]
struct OutsiderLine<'a> {
    file: String,
    gate: &'a str,
    why: [String; 1],
}

/// Line of one exposure, with the verdict of its stack.
pub fn of_exposure(exposure: &ExposureResult, verdict: &Verdict) -> String {
    let (size, unit) = match exposure.size_arcsec2 {
        Some(size) => (Some(size), "arcsec2"),
        None => (exposure.size_pix2, "pix2"),
    };
    let changes = verdict.repeatability.as_ref();
    let mut line = Line {
        file: String::new(),
        time: exposure.time.as_deref().map(|t| beginning(t, TIME_BYTES)),
        stars: exposure.stars,
        size: [short(size, 4), short(exposure.size_err, 2)],
        unit,
        e: [fixed(exposure.e1), fixed(exposure.e2), short(exposure.e_err, 2)],
        gate: gate_word(exposure.gate),
        why: exposure.reasons.iter().take(CODES).map(|code| beginning(code, CODE_BYTES)).collect(),
        decision: verdict.decision.word(),
        kept: count(verdict, Gate::Keep),
        of: verdict.exposures.len(),
        dt: changes.map(|r| change(&r.size)),
        de: changes.map(|r| change(&r.ellipticity)),
    };
    loop {
        let text = with_file(&exposure.file, |file| {
            line.file = file;
            as_json(&line)
        });
        if text.len() < LONGEST || line.why.pop().is_none() {
            return text;
        }
    }
}

/// Line of a file that is not in the running stack: it never became a whole frame, or is the
/// same as another; with the beginning of the reason.
pub fn of_outsider(file: &str, gate: Gate, why: &str) -> String {
    // The message names the path again; the line does so once.
    let why = why.strip_prefix(file).map_or(why, |rest| rest.trim_start_matches([':', ' ']));
    let why = beginning(why, MESSAGE_BYTES);
    with_file(file, |file| as_json(&OutsiderLine { file, gate: gate_word(gate), why: [why.clone()] }))
}

/// The line with as much of the file's name as fits.
fn with_file(file: &str, mut line: impl FnMut(String) -> String) -> String {
    let [mut most, fewest] = FILE_BYTES;
    loop {
        let text = line(end(file_name(file), most));
        if text.len() < LONGEST || most <= fewest {
            return text;
        }
        most -= 8;
    }
}

/// Plain structs of numbers and texts always serialise.
fn as_json(line: &impl Serialize) -> String {
    serde_json::to_string(line).unwrap_or_default() + "\n"
}

fn change(m: &Measured) -> [Option<f64>; 3] {
    [m.rms, m.high, m.limit].map(|value| short(value, 3))
}

/// A number of so many significant digits. What is larger than this is no measurement.
fn short(value: Option<f64>, digits: usize) -> Option<f64> {
    value.filter(|v| v.abs() < 1e6).and_then(|v| format!("{v:.*e}", digits - 1).parse().ok())
}

/// Four decimals of an ellipticity.
fn fixed(value: Option<f64>) -> Option<f64> {
    match value {
        Some(v) if v.abs() < 10.0 => Some((v * 1e4).round() / 1e4 + 0.0),
        _ => short(value, 3),
    }
}

/// Bytes of a text inside a JSON string.
fn bytes(letter: char) -> usize {
    match letter {
        '"' | '\\' | '\n' | '\r' | '\t' => 2,
        '\u{8}' | '\u{c}' => 2,
        c if (c as u32) < 0x20 => 6,
        c => c.len_utf8(),
    }
}

fn beginning(text: &str, most: usize) -> String {
    let mut used = 0;
    let fits = |c: &char| {
        used += bytes(*c);
        used <= most
    };
    text.chars().take_while(fits).collect()
}

/// The last letters, behind an ellipsis where some are cut off.
fn end(text: &str, most: usize) -> String {
    let whole: usize = text.chars().map(bytes).sum();
    if whole <= most {
        return text.into();
    }
    let mut used = '…'.len_utf8();
    let fits = |c: &char| {
        used += bytes(*c);
        used <= most
    };
    let tail: Vec<char> = text.chars().rev().take_while(fits).collect();
    std::iter::once('…').chain(tail.into_iter().rev()).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::{Value, json};

    use super::*;
    use crate::report::sample;

    #[test]
    fn a_line_says_what_was_measured_and_decided() {
        let verdict = sample::verdict(12);
        let line = of_exposure(&verdict.exposures[4], &verdict);
        let value: Value = serde_json::from_str(&line).unwrap();
        assert_eq!(value["file"], "target_004.fits");
        assert_eq!(value["decision"], verdict.decision.word());
        assert_eq!((&value["kept"], &value["of"]), (&json!(10), &json!(12)));
        let high = verdict.repeatability.as_ref().unwrap().size.high.unwrap();
        assert!((value["dt"][1].as_f64().unwrap() / high - 1.0).abs() < 0.005);
        let e1 = verdict.exposures[4].e1.unwrap();
        assert!((value["e"][0].as_f64().unwrap() - e1).abs() <= 5e-5);
        assert!(line.ends_with('\n') && line.len() < LONGEST, "{line}");
    }

    #[test]
    fn the_name_keeps_its_end_and_the_message_names_no_path() {
        let line = of_outsider(&format!("{}/x_0042.fits", "d".repeat(300)), Gate::Unreadable, "is empty");
        assert!(line.contains("x_0042.fits\""));
        let line = of_outsider("dir/a.fits", Gate::Unreadable, "dir/a.fits: not a FITS file");
        assert_eq!(line, "{\"file\":\"a.fits\",\"gate\":\"unreadable\",\"why\":[\"not a FITS file\"]}\n");
        assert_eq!(end("éééé", 7), "…éé");
        assert_eq!(beginning("a\u{1}b", 6), "a");
    }

    proptest! {
        #[test]
        fn no_line_is_as_long_as_the_limit(
            file in "\\PC{0,300}|[\\x00-\\x1f\"\\\\]{0,200}|[é…🌠]{0,200}",
            why in "\\PC{0,600}|[\\x00-\\x1f\"\\\\]{0,300}",
            time in "\\PC{0,80}|[\\x00-\\x1f]{0,40}",
            codes in prop::collection::vec("[a-z-]{1,40}", 0..6),
            number in prop::num::f64::ANY,
            count in any::<u32>(),
        ) {
            let mut verdict = sample::verdict(12);
            let m = Measured {
                rms: Some(number),
                low: Some(-number / 3.0),
                high: Some(-number),
                limit: Some(number / 7.0),
                population: None,
            };
            if let Some(r) = verdict.repeatability.as_mut() {
                (r.size, r.ellipticity) = (m.clone(), m);
            }
            verdict.decision = crate::verdict::model::Decision::CombineWithOwnPsfs;
            let mut exposure = verdict.exposures[5].clone();
            exposure.file = file.clone();
            exposure.time = Some(time);
            exposure.reasons = codes;
            exposure.stars = Some(count);
            (exposure.size_arcsec2, exposure.size_err) = (Some(number), Some(-number));
            (exposure.e1, exposure.e2, exposure.e_err) = (Some(number), Some(-number), Some(number));
            for line in [of_exposure(&exposure, &verdict), of_outsider(&file, Gate::LeaveOut, &why)] {
                prop_assert!(line.len() < LONGEST, "{}: {}", line.len(), line);
                prop_assert_eq!(line.matches('\n').count(), 1);
                prop_assert!(serde_json::from_str::<Value>(&line).is_ok());
            }
        }
    }
}
