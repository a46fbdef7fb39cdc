//! The change of the PSF as shear bias: measured under a galaxy-sized weight, turned into m and c by the
//! stored response of each cause, with the plain formula beside it.

use super::super::assess::{Assessment, Place, assess_rows, rows_at};
use super::super::model::{
    BiasEstimate, BiasPair, CauseBias, Reason, ShearBudget, SizeAndEllipticity, Verdict,
};
use super::super::reasons::{number, plain};
use super::super::results::{finite, unlimited};
use super::super::stack::{Stack, StarHalf};
use crate::moments::{LADDER_SIGMA_PIXELS, Rungs, Weight};
use crate::repeat::RmsChange;
use crate::shear::bias::FORMULA;
use crate::shear::response::MEANING;
use crate::shear::{
    Bias, Cause, Reference, Requirement as Limits, SHEAR_POLARISABILITY, ShearBias, Width, best_width,
    c_response, m_response, shear_bias,
};
use crate::table::StarTable;

/// What the budget is made from.
pub struct ShearCase<'a> {
    pub tables: &'a [StarTable],
    pub stack: &'a Stack,
    /// The assessment the decision rests on, with the stars and the place it was made from.
    pub judged: Option<&'a Assessment>,
    pub half: StarHalf,
    pub place: Place,
    /// Error of the exposures' own models: size, ellipticity.
    pub own_error: Option<(RmsChange, RmsChange)>,
    pub limits: &'a Limits,
    /// Linear central obstruction, where known.
    pub obstruction: Option<f64>,
    /// Modulus of the stack's mean ellipticity.
    pub psf_ellipticity: f64,
    pub confidence: f64,
}

/// Size and ellipticity change, or error, under one weight.
type Pair = (RmsChange, RmsChange);

/// m and c were the change that of one cause; no c where the cause leaves a round PSF round.
#[derive(Debug, Clone, Copy)]
struct Effect {
    cause: Cause,
    m: Bias,
    c: Option<Bias>,
}

/// Writes the budget into the verdict, with a caution that states it and a reason where the bias is
/// not shown to be within its limits.
pub fn complete(verdict: &mut Verdict, case: &ShearCase) {
    let Some(budget) = case.judged.zip(case.limits.size_ratio).and_then(|(a, ratio)| case.budget(a, ratio))
    else {
        return;
    };
    verdict.cautions.push(caution(&budget, case.limits));
    if case.obstruction.is_none() && budget.weight_sigma_pix.is_some() {
        let text =
            "telescope.obstruction is not given: the bounds of m and c cover obstructions from 0 to 0.5";
        verdict.notes.push(text.into());
    }
    verdict.reasons.extend(reason(&budget));
    verdict.shear = Some(budget);
}

impl ShearCase<'_> {
    fn budget(&self, judged: &Assessment, size_ratio: f64) -> Option<ShearBudget> {
        let by_formula = self.by_formula(&(judged.size, judged.ellipticity), size_ratio)?;
        let reference = Reference { size_ratio, obstruction: self.obstruction };
        self.by_response(judged, reference, &by_formula).or_else(|| {
            Some(ShearBudget {
                m: by_formula.m.clone(),
                c: by_formula.c.clone(),
                formula: FORMULA.into(),
                cause: Some("formula".into()),
                by_formula: Some(by_formula),
                ..ShearBudget::default()
            })
        })
    }

    fn by_formula(&self, (size, e): &Pair, size_ratio: f64) -> Option<BiasPair> {
        let ShearBias { m, c } = shear_bias(bias(size), bias(e), self.psf_ellipticity, size_ratio).ok()?;
        Some(BiasPair { m: estimate(m, self.limits.m), c: estimate(c, self.limits.c) })
    }

    fn by_response(
        &self,
        judged: &Assessment,
        reference: Reference,
        by_formula: &BiasPair,
    ) -> Option<ShearBudget> {
        let (sigma, width) = self.galaxy_sized(reference)?;
        let wide = self.stack.under(self.tables, Weight::Fixed(sigma));
        let rows = rows_at(self.place, &wide, &judged.keep, self.half)?;
        // As large as the rows, and not needed any more.
        drop(wide);
        let found = assess_rows(rows, &judged.keep, self.place, self.confidence).ok()?;
        let change = (found.size, found.ellipticity);
        let per_cause = self.per_cause(&change, reference, width)?;
        let (m, c) = over_causes(&per_cause)?;
        let worst = |pick: fn(&Effect) -> Option<f64>| {
            let known = per_cause.iter().filter_map(|row| Some((row.cause, pick(row)?)));
            known.max_by(|a, b| a.1.total_cmp(&b.1)).map(|(cause, _)| cause.word().to_owned())
        };
        // Under a wide weight a star's faint neighbours would count as error of the model.
        let own = self.own_error.as_ref().and_then(|error| {
            let effects = self.per_cause(error, reference, Width::Adaptive)?;
            let jitter = effects.iter().find(|row| row.cause == Cause::Jitter)?;
            Some(BiasPair { m: estimate(jitter.m, self.limits.m), c: estimate(jitter.c?, self.limits.c) })
        });
        Some(ShearBudget {
            m: estimate(m, self.limits.m),
            c: estimate(c, self.limits.c),
            formula: FORMULA.into(),
            cause: Some(Cause::Jitter.word().into()),
            worst_cause_m: worst(|row| Some(row.m.high)),
            worst_cause_c: worst(|row| row.c.map(|c| c.high)),
            per_cause: per_cause
                .iter()
                .map(|row| CauseBias {
                    cause: row.cause.word().into(),
                    m: estimate(row.m, self.limits.m),
                    c: row.c.map(|c| estimate(c, self.limits.c)),
                })
                .collect(),
            by_formula: Some(by_formula.clone()),
            own_model: own,
            weight_sigma_pix: Some(sigma),
            under_weight: Some(SizeAndEllipticity {
                size: unlimited(&change.0),
                ellipticity: unlimited(&change.1),
            }),
            meaning: Some(MEANING.into()),
        })
    }

    /// Of the rungs that all tables hold the one under which the causes differ least: its sigma in pixels, and over
    /// the PSF's.
    fn galaxy_sized(&self, reference: Reference) -> Option<(f64, Width)> {
        let mean_star = self.stack.mean_star.as_ref()?;
        let psf_sigma = (0.5 * mean_star.adaptive.size).sqrt();
        let tables = self.stack.exposures.iter().map(|exposure| &self.tables[exposure.table]);
        let of_table =
            |table: &StarTable| table.stars.iter().map(|star| star.ladder.held()).reduce(Rungs::or);
        let held = tables.filter_map(of_table).reduce(Rungs::and)?;
        let measured = held.iter().filter(|&rung| mean_star.ladder[rung].is_some());
        let rungs: Vec<f64> = measured.map(|rung| LADDER_SIGMA_PIXELS[rung]).collect();
        let widths: Vec<f64> = rungs.iter().map(|rung| rung / psf_sigma).collect();
        let k = best_width(reference, &widths)?;
        Some((rungs[k], Width::Fixed(widths[k])))
    }

    /// m and c, were the change that of one cause. An error of size adds `m e_psf / P` to c; the value
    /// takes the two as independent, the bounds as aligned and opposed.
    fn per_cause(&self, (size, e): &Pair, reference: Reference, width: Width) -> Option<Vec<Effect>> {
        let one = |cause: Cause| {
            let r = m_response(cause, reference, width).ok()?;
            let m = Bias { value: r.value * size.rms, low: r.low * size.low, high: r.high * size.high };
            let of_size = |m: f64| m * self.psf_ellipticity / SHEAR_POLARISABILITY;
            let c = c_response(cause, reference, width).ok()?.map(|r| Bias {
                value: (r.value * e.rms).hypot(of_size(m.value)),
                low: (r.low * e.low - of_size(m.high)).max(of_size(m.low) - r.high * e.high).max(0.0),
                high: r.high * e.high + of_size(m.high),
            });
            Some(Effect { cause, m, c })
        };
        Cause::ALL.into_iter().map(one).collect()
    }
}

/// The value of jitter, the bounds of all causes together.
fn over_causes(per_cause: &[Effect]) -> Option<(Bias, Bias)> {
    let headline = per_cause.iter().find(|row| row.cause == Cause::Jitter)?;
    let cover = |value: f64, all: &mut dyn Iterator<Item = Bias>| {
        all.fold(Bias { value, low: f64::INFINITY, high: 0.0 }, |sum, bias| Bias {
            low: sum.low.min(bias.low),
            high: sum.high.max(bias.high),
            ..sum
        })
    };
    let m = cover(headline.m.value, &mut per_cause.iter().map(|row| row.m));
    let c = cover(headline.c?.value, &mut per_cause.iter().filter_map(|row| row.c));
    Some((m, c))
}

fn bias(rms: &RmsChange) -> Bias {
    Bias { value: rms.rms, low: rms.low, high: rms.high }
}

fn estimate(b: Bias, limit: Option<f64>) -> BiasEstimate {
    BiasEstimate { value: finite(b.value), low: finite(b.low), high: finite(b.high), limit }
}

fn shown(value: Option<f64>) -> String {
    value.map_or("unknown".to_owned(), number)
}

fn caution(budget: &ShearBudget, limits: &Limits) -> String {
    let ratio = shown(limits.size_ratio);
    let Some(formula) = budget.by_formula.as_ref().filter(|_| budget.weight_sigma_pix.is_some()) else {
        return format!(
            "m and c are the plain formula's: for a galaxy of size ratio {ratio} no response could be used (simulated \
             for size ratios of 0.5 to 4, under weights of 1 to 4 times the PSF's width). {FORMULA}."
        );
    };
    let value = |pick: fn(&CauseBias) -> Option<f64>, cause: &str| {
        shown(budget.per_cause.iter().find(|row| row.cause == cause).and_then(pick))
    };
    format!(
        "m and c are for an exponential galaxy of size ratio {ratio}, from the change measured under a weight of sigma {} \
         pixels, where the causes differ least: m = {} if jitter changed the PSF, {} if defocus, {} if coma, {} if \
         spherical aberration, {} if astigmatism in focus. The cause is not known: the bounds cover all. The plain \
         formula on adaptive moments gives m = {}, c = {}. All this is of a galaxy modelled with a PSF off by the rms \
         change; one covered by k of N exposures has sqrt(1/k - 1/N) of it.",
        shown(budget.weight_sigma_pix),
        value(|row| row.m.value, "jitter"),
        value(|row| row.m.value, "defocus"),
        value(|row| row.m.value, "coma"),
        value(|row| row.m.value, "spherical"),
        value(|row| row.m.value, "astigmatism"),
        shown(formula.m.value),
        shown(formula.c.value),
    )
}

/// Speaks where m or c, with the response of every cause, is not shown to be within its limit.
fn reason(budget: &ShearBudget) -> Option<Reason> {
    let parts = [("m", &budget.m, &budget.worst_cause_m), ("c", &budget.c, &budget.worst_cause_c)];
    let beyond =
        parts.into_iter().find(|(_, b, _)| matches!((b.high, b.limit), (Some(h), Some(l)) if h > l))?;
    let (name, bias, worst) = beyond;
    let stands = match (bias.low, bias.limit) {
        (Some(low), Some(limit)) if low > limit => "over",
        _ => "not shown to be within",
    };
    let (value, low, high) = (shown(bias.value), shown(bias.low), shown(bias.high));
    let found = match budget.weight_sigma_pix {
        Some(_) => format!(
            "{value} if jitter caused it, {low} to {high} over the causes (worst: {})",
            worst.as_deref().unwrap_or("unknown")
        ),
        None => format!("{value} ({low} to {high}) by the plain formula"),
    };
    let text = format!(
        "For a galaxy modelled with a PSF off by this change, the shear bias {name} is {found}: {stands} the limit \
         of {}.",
        shown(bias.limit),
    );
    Some(Reason {
        quantity: Some(format!("shear bias {name}")),
        value: bias.value,
        low: bias.low,
        high: bias.high,
        limit: bias.limit,
        ..plain("shear-bias", text)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn budget(m_high: f64, c_high: f64) -> ShearBudget {
        let of = |value, high, limit| BiasEstimate {
            value: Some(value),
            low: Some(0.1 * value),
            high: Some(high),
            limit: Some(limit),
        };
        ShearBudget {
            m: of(0.01, m_high, 0.015),
            c: of(0.001, c_high, 0.0015),
            weight_sigma_pix: Some(1.5),
            worst_cause_m: Some("coma".into()),
            worst_cause_c: Some("jitter".into()),
            ..ShearBudget::default()
        }
    }

    #[test]
    fn speaks_where_a_bias_is_not_shown_to_be_within() {
        assert!(reason(&budget(0.014, 0.0014)).is_none());
        let m = reason(&budget(0.02, 0.0014)).unwrap();
        assert_eq!((m.code.as_str(), m.limit), ("shear-bias", Some(0.015)));
        assert!(m.text.contains("0.001 to 0.02") && m.text.contains("worst: coma"), "{}", m.text);
        let c = reason(&budget(0.014, 0.002)).unwrap();
        assert!(c.text.contains("shear bias c") && c.text.contains("not shown to be within"), "{}", c.text);
        assert!(crate::gate::find(&c.code).is_some());
    }

    #[test]
    fn bounds_cover_every_cause_and_the_value_is_that_of_jitter() {
        let at = |value: f64| Bias { value, low: 0.5 * value, high: 2.0 * value };
        let rows = [
            Effect { cause: Cause::Jitter, m: at(2.0), c: Some(at(1.0)) },
            Effect { cause: Cause::Astigmatism, m: at(1.0), c: Some(at(1.2)) },
            Effect { cause: Cause::Spherical, m: at(4.0), c: None },
        ];
        let (m, c) = over_causes(&rows).unwrap();
        assert_eq!(m, Bias { value: 2.0, low: 0.5, high: 8.0 });
        assert_eq!(c, Bias { value: 1.0, low: 0.5, high: 2.4 });
    }
}
