//! What would decide, where a verdict is undecided.

use super::assess::Assessment;
use super::model::UndecidedAdvice;
use crate::moments::Weight;
use crate::repeat::Change;
use crate::repeat::needed::NoiseBudget;
use crate::shear::Requirement as Limits;
use crate::stars::Star;

/// What the advice rests on.
pub struct Grounds<'a> {
    /// The change between all exposures, where it could be measured.
    pub all: Option<&'a Assessment>,
    /// Exposures that could be judged, and all that were given.
    pub exposures: usize,
    pub given: usize,
    pub limits: &'a Limits,
    pub confidence: f64,
    /// That of [`effective_snr`].
    pub star_snr: Option<f64>,
    /// Checks for which the settings withhold a positive answer.
    pub withheld_for: &'a [String],
}

/// Stars or exposures with which the measured noise would let the upper bounds meet their
/// limits, were the true change what it was measured to be; none where it is over its limit.
pub fn advice(grounds: &Grounds) -> UndecidedAdvice {
    if !grounds.withheld_for.is_empty() {
        let codes = grounds.withheld_for.join(", ");
        let text = format!(
            "the upper bounds are within their limits, but the settings ask for no positive answer where \
             {codes} speaks: see `stackworthy explain {}`",
            grounds.withheld_for[0]
        );
        return UndecidedAdvice { text, star_snr: grounds.star_snr, ..UndecidedAdvice::default() };
    }
    let Some(all) = grounds.all else {
        let text = if grounds.given < 2 {
            "one exposure cannot be compared with anything: give at least two, better three or more"
        } else {
            "fewer than two exposures could be compared: see the reasons of each exposure"
        };
        return UndecidedAdvice {
            exposures_needed: Some(2),
            text: text.into(),
            ..UndecidedAdvice::default()
        };
    };
    let budget = |change: &Change| NoiseBudget::measured(change, all.stars, grounds.confidence).ok();
    let parts = [
        (budget(&all.size_change), grounds.limits.size_limit),
        (budget(&all.e_change), grounds.limits.ellipticity_limit),
    ];
    // Both quantities must decide: the larger number, and none where one of them has none.
    let both = |needed: &dyn Fn(&NoiseBudget, f64) -> Option<usize>| {
        let numbers: Option<Vec<usize>> =
            parts.iter().map(|(budget, limit)| needed(budget.as_ref()?, *limit)).collect();
        numbers?.into_iter().max()
    };
    let stars = both(&|b, limit| b.stars_needed(b.rms, limit, grounds.confidence).ok().flatten());
    let exposures = both(&|b, limit| b.exposures_needed(b.rms, limit, grounds.confidence).ok().flatten());
    let snr = grounds.star_snr.zip(stars).map(|(now, needed)| Brightness {
        now,
        // The noise of a star goes as 1 / SNR, that of the mean as 1 / sqrt(stars).
        needed: now * (needed as f64 / all.stars as f64).sqrt(),
    });
    UndecidedAdvice {
        stars_needed: stars.and_then(|n| u32::try_from(n).ok()),
        exposures_needed: exposures.and_then(|n| u32::try_from(n).ok()),
        star_snr: grounds.star_snr,
        star_snr_needed: snr.as_ref().map(|snr| snr.needed),
        text: sentence(stars, exposures, all.stars, snr),
    }
}

/// SNR of the stars in one exposure, as that of equal stars that would measure as much.
struct Brightness {
    now: f64,
    /// With which the stars in hand would decide.
    needed: f64,
}

/// The SNR in one exposure of equal stars that would together measure the size as well as
/// these do, each of which counts by the inverse square of its error. None without stars.
pub fn effective_snr<'a>(stars: impl Iterator<Item = &'a Star>, weight: Weight) -> Option<f64> {
    let known: Vec<(f64, f64)> = stars
        .filter(|star| star.refused.is_none())
        .filter_map(|star| Some((star.snr, star.ellipse_under(weight)?.log_size_err())))
        .filter(|(snr, error)| *snr > 0.0 && *error > 0.0)
        .collect();
    // Error times SNR is 2 for a Gaussian star under sky noise; for these it is measured.
    let mut products: Vec<f64> = known.iter().map(|(snr, error)| snr * error).collect();
    products.sort_by(f64::total_cmp);
    let product = *products.get(products.len() / 2)?;
    let information = known.iter().map(|(_, error)| error.powi(-2)).sum::<f64>() / known.len() as f64;
    Some(product * information.sqrt()).filter(|snr| snr.is_finite())
}

fn sentence(
    stars: Option<usize>,
    exposures: Option<usize>,
    in_hand: usize,
    snr: Option<Brightness>,
) -> String {
    let Some(stars) = stars else {
        return match exposures {
            Some(exposures) => format!("about {exposures} exposures like these would decide"),
            None => {
                "the measured change is at or over its limit within the error: more of the same data will \
                     rather show that it is over"
                    .into()
            }
        };
    };
    let (of_snr, or_brighter) = match snr {
        Some(Brightness { now, needed }) => (
            format!(", worth an SNR of {now:.0} each"),
            format!(", or as many as now with an SNR of {needed:.0} in each exposure"),
        ),
        None => Default::default(),
    };
    let or_exposures =
        exposures.map_or(String::new(), |exposures| format!(", or about {exposures} exposures like these"));
    format!(
        "about {stars} stars an exposure of the same mix of brightness would decide ({in_hand} now{of_snr})\
         {or_brighter}{or_exposures}"
    )
}
