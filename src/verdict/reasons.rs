//! The reasons of a verdict, as sentences that can be pasted into a paper.

use std::collections::BTreeMap;

use super::assess::{Assessment, Standing};
use super::model::{Decision, Measured, Reason, SizeAndEllipticity};
use super::results::finite;
use super::stack::StarHalf;
use crate::gate;
use crate::moments::Weight;
use crate::repeat::{Change, RmsChange};
use crate::shear::{Requirement as Limits, preset};

/// A noise check outside this band is spoken of.
const PULL_BAND: std::ops::RangeInclusive<f64> = 0.9..=1.1;

/// What the sentences speak of.
pub struct Facts<'a> {
    pub decision: Decision,
    /// The assessment the decision rests on.
    pub judged: Option<&'a Assessment>,
    pub all: Option<&'a Assessment>,
    /// All exposures on the detector, where they were also compared on the sky.
    pub instrument: Option<&'a SizeAndEllipticity>,
    /// The stars that judged, where some exposures were chosen.
    pub chosen: Option<StarHalf>,
    pub limits: &'a Limits,
    pub confidence: f64,
    pub own_model: Option<&'a SizeAndEllipticity>,
    pub left_out: Vec<String>,
    pub judged_exposures: usize,
    pub given_exposures: usize,
    pub weight: Weight,
    pub unreadable: usize,
    /// Judged exposures whose gain is not known.
    pub no_gain: usize,
    /// Checks that only remark on some exposures, with these.
    pub remarks: BTreeMap<&'static str, Vec<String>>,
    pub little_overlap: Option<f64>,
}

/// All reasons, the decisive ones first.
pub fn all(facts: &Facts) -> Vec<Reason> {
    let mut out = Vec::new();
    if facts.judged_exposures < 2 {
        let text = format!(
            "{} of {} exposures could be judged: repeatability needs at least two.",
            facts.judged_exposures, facts.given_exposures
        );
        out.push(plain("one-exposure", text));
    }
    if let Some(judged) = facts.judged {
        let n = judged.keep.len();
        let by = match facts.chosen {
            None => "",
            Some(StarHalf::All) => ", judged by all stars, since what is left out is off beyond doubt",
            Some(_) => ", judged by stars that took no part in the choice",
        };
        let who = match facts.decision {
            Decision::CombineSubset if facts.chosen.is_some() => {
                format!("between the {n} exposures kept{by}")
            }
            Decision::Split => format!("between the {n} exposures of the largest group{by}"),
            _ => format!("between {n} exposures"),
        };
        out.push(change(facts, "size-change", "size", &judged.size, facts.limits.size_limit, &who));
        out.push(change(
            facts,
            "ellipticity-change",
            "ellipticity",
            &judged.ellipticity,
            facts.limits.ellipticity_limit,
            &who,
        ));
    }
    if !facts.left_out.is_empty() {
        let (n, names) = (count(facts.left_out.len(), "exposure"), listed(&facts.left_out));
        let one = facts.left_out.len() == 1;
        let text = match facts.decision {
            Decision::DoNotCombine | Decision::Undecided => {
                let stand = if one { "stands" } else { "stand" };
                format!("{n} {stand} out from the others by more than the limit: {names}.")
            }
            _ => {
                let (are, differ) =
                    if one { ("is", "its PSF differs") } else { ("are", "their PSFs differ") };
                format!("{n} {are} left out, for {differ} from that of the others: {names}.")
            }
        };
        out.push(plain("psf-differs", text));
    }
    if let Some(own) = facts.own_model {
        out.push(own_model(facts, "own-model-size", "size", "of T", &own.size));
        out.push(own_model(facts, "own-model-ellipticity", "ellipticity", "per component", &own.ellipticity));
    }
    out.extend(field_rotation(facts));
    if let Some(all) = facts.all {
        out.extend(noise("size", &all.size_change));
        out.extend(noise("ellipticity", &all.e_change));
    }
    if facts.no_gain > 0 {
        let text = format!(
            "The gain of {} is not known: the stars' own photon noise is missing from the stated errors.",
            count(facts.no_gain, "exposure")
        );
        out.push(plain("no-gain", text));
    }
    if let Some(overlap) = facts.little_overlap {
        let text = format!("The judged exposures share only {:.0} % of the field.", 100.0 * overlap);
        out.push(plain("little-overlap", text));
    }
    if let Weight::Fixed(sigma) = facts.weight {
        let text = format!(
            "The pixels are too coarse for adaptive moments: sizes and ellipticities are those under a fixed \
             weight of sigma {sigma} pixels, and changes are divided by their measured response."
        );
        out.push(plain("undersampled", text));
    }
    out.extend(facts.remarks.iter().filter(|(code, _)| **code != "psf-differs").map(remark));
    if facts.unreadable > 0 {
        out.push(plain("unreadable", format!("{} could not be read.", count(facts.unreadable, "frame"))));
    }
    out
}

/// A check that the settings have lowered to a remark, of some exposures.
fn remark((code, files): (&&'static str, &Vec<String>)) -> Reason {
    let title = gate::find(code).map_or(*code, |check| check.title);
    let (n, names) = (count(files.len(), "exposure"), listed(files));
    plain(code, format!("{title}: {n} judged with the others, as the settings ask ({names})."))
}

/// A reason without numbers.
pub fn plain(code: &str, text: String) -> Reason {
    Reason { code: code.into(), text, ..Reason::default() }
}

fn change(facts: &Facts, code: &str, what: &str, rms: &RmsChange, limit: f64, who: &str) -> Reason {
    let unit = if what == "size" { "of T" } else { "per component" };
    let stands = standing(Some(rms.low), Some(rms.high), limit).unwrap_or_else(|| {
        format!("these data cannot tell whether it is within the limit of {}", number(limit))
    });
    let confidence = percent(facts.confidence);
    let text = if rms.rms == 0.0 && rms.low == 0.0 {
        format!(
            "No change of {what} is seen above the noise {who}: the rms is at most {} {unit} ({confidence} % \
             confidence), {stands}.",
            number(rms.high),
        )
    } else {
        format!(
            "The {what} changes by an rms of {} {unit} {who} ({confidence} % confidence: {} to {}): {stands}.",
            number(rms.rms),
            number(rms.low),
            number(rms.high),
        )
    };
    Reason {
        code: code.into(),
        text,
        quantity: Some(format!("rms change of {what}, {unit}")),
        value: finite(rms.rms),
        low: finite(rms.low),
        high: finite(rms.high),
        limit: Some(limit),
        margin: margin(finite(rms.high), limit),
        limit_source: Some(limit_source(facts.limits, what)),
    }
}

/// The share of the limit that is left above the upper bound; below zero where the bound is
/// over the limit.
fn margin(high: Option<f64>, limit: f64) -> Option<f64> {
    high.map(|high| 1.0 - high / limit)
}

/// How an interval stands against its limit and by how much, where these data can tell.
fn standing(low: Option<f64>, high: Option<f64>, limit: f64) -> Option<String> {
    match (low, high) {
        (_, Some(high)) if high < limit => Some(format!(
            "within the limit of {}, with {:.0} % of it to spare",
            number(limit),
            100.0 * (1.0 - high / limit)
        )),
        (Some(low), _) if low > limit => Some(format!(
            "over the limit of {} by a factor of at least {}",
            number(limit),
            number(low / limit)
        )),
        _ => None,
    }
}

/// Where the limit on `what` comes from, and whether its numbers were confirmed.
fn limit_source(limits: &Limits, what: &str) -> String {
    let (bias, name) = if what == "size" { (limits.m, "m") } else { (limits.c, "c") };
    let Some(bias) = bias else { return format!("{what}_limit in the settings") };
    let ratio = limits.size_ratio.map_or(String::new(), |r| format!(" at a size ratio of {}", number(r)));
    let numbers = format!("{name} = {}{ratio}", number(bias));
    let of_preset = preset(&limits.name).is_ok_and(|p| {
        limits.size_ratio == Some(p.size_ratio) && bias == if what == "size" { p.m } else { p.c }
    });
    match (of_preset, limits.confirmed) {
        (false, _) => format!("{numbers}, as the settings ask"),
        (true, true) => format!("{numbers}, preset {}, confirmed in its source", limits.name),
        (true, false) => format!("{numbers}, preset {}, a choice, not from a source", limits.name),
    }
}

/// A steady telescope whose fixed pattern falls on other places of the sky from exposure to exposure.
fn field_rotation(facts: &Facts) -> Option<Reason> {
    let (all, instrument) = (facts.all?, facts.instrument?);
    let within = |m: &Measured| m.high.filter(|high| m.limit.is_some_and(|limit| *high < limit));
    let (size, ellipticity) = within(&instrument.size).zip(within(&instrument.ellipticity))?;
    if all.standing(facts.limits, facts.confidence) != Standing::Over {
        return None;
    }
    let text = format!(
        "The telescope itself is steady: on the detector the size changes by at most {} of T and the \
         ellipticity by at most {} per component. The change on the sky comes from the turning or dithering of the \
         field under its fixed pattern.",
        number(size),
        number(ellipticity)
    );
    Some(plain("field-rotation", text))
}

fn own_model(facts: &Facts, code: &str, what: &str, unit: &str, measured: &Measured) -> Reason {
    let shown = |value: Option<f64>| value.map_or("unknown".to_owned(), number);
    let stands = measured
        .limit
        .and_then(|limit| standing(measured.low, measured.high, limit))
        .unwrap_or_else(|| format!("not shown to be within the limit of {}", shown(measured.limit)));
    let confidence = percent(facts.confidence);
    let error = match (measured.rms, measured.low) {
        (Some(0.0), Some(0.0)) => {
            format!("an rms of at most {} {unit} ({confidence} % confidence)", shown(measured.high))
        }
        _ => format!(
            "an rms of {} {unit} ({confidence} % confidence: {} to {})",
            shown(measured.rms),
            shown(measured.low),
            shown(measured.high)
        ),
    };
    let text = format!(
        "Each exposure's own model predicts the {what} of stars held out of it within {error}: {stands}.",
    );
    Reason {
        code: code.into(),
        text,
        quantity: Some(format!("rms error of {what}, {unit}")),
        value: measured.rms,
        low: measured.low,
        high: measured.high,
        limit: measured.limit,
        margin: measured.limit.and_then(|limit| margin(measured.high, limit)),
        limit_source: Some(limit_source(facts.limits, what)),
    }
}

fn noise(what: &str, change: &Change) -> Option<Reason> {
    let pull = change.noise_check.pull;
    if PULL_BAND.contains(&pull) || !pull.is_finite() {
        return None;
    }
    let why = if pull > 1.0 {
        "the noise model leaves something out; what is not shown to be white over the field counts as change"
    } else {
        "the stated errors are too large"
    };
    Some(Reason {
        code: "noise-model".into(),
        text: format!(
            "Repeated measurements of the same stars scatter in {what} by {pull:.2} times their stated errors: {why}."
        ),
        quantity: Some(format!("pull of {what}")),
        value: Some(pull),
        ..Reason::default()
    })
}

/// What a verdict cannot see.
pub fn cautions(weight: Weight) -> Vec<String> {
    let mut out = vec![
        "A verdict advises; it replaces neither the survey team's own validation nor, for alignment advice, \
         the flight team's procedures and limits."
            .to_owned(),
        "Images in one band cannot show that stars and galaxies of different colour have different PSFs.".to_owned(),
        "A median or clipped combination is not linear in the exposures, and weights that include the source's \
         own noise make the PSF depend on flux: the verdict holds for neither."
            .to_owned(),
        "The smallest overlap takes the exposures over a galaxy as drawn at random; coverage is not random over \
         the sky: edges and gaps are covered by the same few exposures throughout."
            .to_owned(),
    ];
    if weight != Weight::Adaptive {
        out.push("Changes under a fixed weight are scaled by the response to jitter; a change of another kind may be scaled a little wrongly.".to_owned());
    }
    out
}

/// 0.95 as `95`, 0.9973 as `99.73`.
pub fn percent(share: f64) -> String {
    let text = format!("{:.4}", share * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// Three significant digits, without zeros at the end.
pub fn number(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value:.0}");
    }
    let digits = (2 - value.abs().log10().floor() as i32).clamp(0, 9) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').into() } else { text }
}

fn count(n: usize, noun: &str) -> String {
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

/// The last part of a path.
pub fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// The first few files, by their names without folders.
pub(super) fn listed(paths: &[String]) -> String {
    const SHOWN: usize = 4;
    let names: Vec<&str> = paths.iter().map(|p| file_name(p)).collect();
    let first = names.iter().take(SHOWN).copied().collect::<Vec<_>>().join(", ");
    match names.len() {
        n if n > SHOWN => format!("{first} and {} more", n - SHOWN),
        _ => first,
    }
}
