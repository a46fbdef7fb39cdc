//! The reasons of a verdict, as sentences that can be pasted into a paper.

use super::assess::{Assessment, Standing};
use super::model::{Decision, Measured, Reason, SizeAndEllipticity};
use crate::moments::Weight;
use crate::repeat::{Change, RmsChange};
use crate::shear::Requirement as Limits;

/// A noise check outside this band is spoken of.
const PULL_BAND: std::ops::RangeInclusive<f64> = 0.9..=1.1;

/// What the sentences speak of.
pub struct Facts<'a> {
    pub decision: Decision,
    /// The assessment the decision rests on.
    pub judged: Option<&'a Assessment>,
    pub all: Option<&'a Assessment>,
    /// All exposures on the detector, where they were also compared on the sky.
    pub instrument: Option<&'a Assessment>,
    /// True where it was judged by half of the stars.
    pub half: bool,
    pub limits: &'a Limits,
    pub confidence: f64,
    pub own_model: Option<&'a SizeAndEllipticity>,
    pub left_out: Vec<String>,
    pub judged_exposures: usize,
    pub given_exposures: usize,
    pub weight: Weight,
    pub unreadable: usize,
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
        let by = if facts.half { ", judged by stars that took no part in the choice" } else { "" };
        let who = match facts.decision {
            Decision::CombineSubset if facts.half => format!("between the {n} exposures kept{by}"),
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
        let text = match facts.decision {
            Decision::DoNotCombine | Decision::Undecided => {
                format!("{n} stand out from the others by more than the limit: {names}.")
            }
            _ => format!("{n} left out: the PSF differs from that of the others: {names}."),
        };
        out.push(plain("psf-differs", text));
    }
    if let Some(own) = facts.own_model {
        out.push(own_model("own-model-size", "size", "of T", &own.size));
        out.push(own_model("own-model-ellipticity", "ellipticity", "per component", &own.ellipticity));
    }
    out.extend(field_rotation(facts));
    if let Some(all) = facts.all {
        out.extend(noise("size", &all.size_change));
        out.extend(noise("ellipticity", &all.e_change));
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
    if facts.unreadable > 0 {
        out.push(plain("unreadable", format!("{} could not be read.", count(facts.unreadable, "frame"))));
    }
    out
}

fn plain(code: &str, text: String) -> Reason {
    Reason { code: code.into(), text, quantity: None, value: None, low: None, high: None, limit: None }
}

fn change(facts: &Facts, code: &str, what: &str, rms: &RmsChange, limit: f64, who: &str) -> Reason {
    let unit = if what == "size" { "of T" } else { "per component" };
    let stands = if rms.high < limit {
        "within the limit of"
    } else if rms.low > limit {
        "over the limit of"
    } else {
        "these data cannot tell whether it is within the limit of"
    };
    let confidence = percent(facts.confidence);
    let text = if rms.rms == 0.0 && rms.low == 0.0 {
        format!(
            "No change of {what} is seen above the noise {who}: the rms is at most {} {unit} ({confidence} % \
             confidence), {stands} {}.",
            number(rms.high),
            number(limit)
        )
    } else {
        format!(
            "The {what} changes by an rms of {} {unit} {who} ({confidence} % confidence: {} to {}): {stands} {}.",
            number(rms.rms),
            number(rms.low),
            number(rms.high),
            number(limit)
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
    }
}

/// A steady telescope whose fixed pattern falls on other places of the sky from exposure to exposure.
fn field_rotation(facts: &Facts) -> Option<Reason> {
    let (all, instrument) = (facts.all?, facts.instrument?);
    let steady = instrument.standing(facts.limits, facts.confidence) == Standing::Within;
    if !steady || all.standing(facts.limits, facts.confidence) != Standing::Over {
        return None;
    }
    let text = format!(
        "The telescope itself is steady: on the detector the size changes by at most {} of T and the \
         ellipticity by at most {} per component. The change on the sky comes from the turning or dithering of the \
         field under its fixed pattern.",
        number(instrument.size.high),
        number(instrument.ellipticity.high)
    );
    Some(plain("field-rotation", text))
}

fn own_model(code: &str, what: &str, unit: &str, measured: &Measured) -> Reason {
    let shown = |value: Option<f64>| value.map_or("unknown".to_owned(), number);
    let stands = match (measured.high, measured.low, measured.limit) {
        (Some(high), _, Some(limit)) if high < limit => "within the limit",
        (_, Some(low), Some(limit)) if low > limit => "over the limit",
        _ => "not shown to be within the limit",
    };
    let error = match (measured.rms, measured.low) {
        (Some(0.0), Some(0.0)) => format!("an rms of at most {} {unit}", shown(measured.high)),
        _ => format!(
            "an rms of {} {unit} ({} to {})",
            shown(measured.rms),
            shown(measured.low),
            shown(measured.high)
        ),
    };
    let text = format!(
        "Each exposure's own model predicts the {what} of stars held out of it within {error}: {stands} of {}.",
        shown(measured.limit),
    );
    Reason {
        code: code.into(),
        text,
        quantity: Some(format!("rms error of {what}, {unit}")),
        value: measured.rms,
        low: measured.low,
        high: measured.high,
        limit: measured.limit,
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
            "Repeats of the same stars scatter by {pull:.2} of their stated errors in {what}: {why}."
        ),
        quantity: Some(format!("pull of {what}")),
        value: Some(pull),
        low: None,
        high: None,
        limit: None,
    })
}

/// What would decide, as a sentence.
pub fn advice(stars: Option<u32>, exposures: Option<u32>, in_hand: usize) -> String {
    match (stars, exposures) {
        (None, None) => {
            "the measured change is at or over its limit within the error: more of the same data \
                         will rather show that it is over"
                .into()
        }
        (Some(s), None) => {
            format!("about {s} stars an exposure of the same brightness would decide ({in_hand} now)")
        }
        (None, Some(e)) => format!("about {e} exposures would decide"),
        (Some(s), Some(e)) => format!(
            "about {s} stars an exposure of the same brightness ({in_hand} now), or about {e} exposures, would decide"
        ),
    }
}

/// What a verdict cannot see.
pub fn cautions(weight: Weight) -> Vec<String> {
    let mut out = vec![
        "A verdict advises; it replaces neither the survey team's own validation nor, for alignment advice, \
         the flight team's procedures and limits."
            .to_owned(),
        "m and c are a first estimate that holds for changes of the core of the PSF, such as jitter; where the \
         wings change (defocus, spherical aberration) the true bias of an exponential galaxy is several times \
         larger."
            .to_owned(),
        "Images in one band cannot show that stars and galaxies of different colour have different PSFs.".to_owned(),
        "A median or clipped combination is not linear in the exposures, and weights that include the source's \
         own noise make the PSF depend on flux: the verdict holds for neither."
            .to_owned(),
    ];
    if weight != Weight::Adaptive {
        out.push("Changes under a fixed weight are scaled by the response to jitter; a change of another kind may be scaled a little wrongly.".to_owned());
    }
    out
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// 0.95 as `95`, 0.9973 as `99.73`.
pub fn percent(share: f64) -> String {
    let text = format!("{:.4}", share * 100.0);
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

/// Three significant digits, without zeros at the end.
fn number(value: f64) -> String {
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

/// The first few files, by their names without folders.
fn listed(paths: &[String]) -> String {
    const SHOWN: usize = 4;
    let names: Vec<&str> = paths.iter().map(|p| p.rsplit(['/', '\\']).next().unwrap_or(p)).collect();
    let first = names.iter().take(SHOWN).copied().collect::<Vec<_>>().join(", ");
    match names.len() {
        n if n > SHOWN => format!("{first} and {} more", n - SHOWN),
        _ => first,
    }
}
