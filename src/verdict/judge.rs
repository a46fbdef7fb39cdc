//! Star tables to a judgement.

use super::assess::{Assessment, Obstacle, Place, Standing, assess};
use super::decide::{Evidence, Outcome, OwnModels, decide};
use super::likeness::{like_group, repeats};
use super::model::*;
use super::own_model::OwnModel;
use super::products::{ExposurePicture, Judgement, Pictures};
use super::reasons;
use super::results::{self, exposure_result};
use super::stack::{MIN_STARS, Stack, StarHalf};
use crate::moments::Weight;
use crate::repeat::held_out::{HeldOut, model_error};
use crate::repeat::needed::{NoiseBudget, smallest_overlap};
use crate::repeat::{Change, RmsChange};
use crate::settings::Settings;
use crate::shear::{Requirement as Limits, ShearError};
use crate::table::StarTable;

/// Places along each side of the field on which models are sampled for figures.
const SAMPLES: usize = 9;

/// Below this share of common sky the verdict warns.
const LITTLE_OVERLAP: f64 = 0.5;

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum JudgeError {
    #[error("the requirement in the settings: {0}")]
    Requirement(#[from] ShearError),
}

/// Judges a stack from its star tables. `unreadable` lists frames that gave none, with the
/// reason; they become rows of the verdict.
pub fn judge(
    tables: &[StarTable],
    unreadable: &[(String, String)],
    settings: &Settings,
) -> Result<Judgement, JudgeError> {
    let limits = results::limits(settings)?;
    let confidence = settings.requirement.confidence;
    let like = like_group(tables);
    let repeated = repeats(tables);
    let single = like.members.iter().filter(|t| !repeated.contains(t));
    let (members, starless): (Vec<usize>, Vec<usize>) =
        single.partition(|&&t| kept_stars(&tables[t]) >= MIN_STARS);

    let stack = Stack::prepare(tables, &members);
    let models: Vec<Option<OwnModel>> = stack.exposures.iter().map(OwnModel::fit).collect();
    let mut codes: Vec<Vec<&'static str>> = vec![Vec::new(); tables.len()];
    for &(t, code) in &like.others {
        codes[t].push(code);
    }
    for &t in &repeated {
        codes[t].push("repeated");
    }
    for &t in &starless {
        codes[t].push("few-stars");
    }
    let (viable, all, in_sky) = assess_all(&stack, &mut codes, confidence);
    let instrument = assess(&stack, &viable, StarHalf::All, Place::Detector, confidence).ok();
    let own = own_model_errors(&models, &viable, &limits, confidence);

    let time: Vec<f64> =
        stack.exposures.iter().map(|e| tables[e.table].facts.exposure_s.unwrap_or(1.0)).collect();
    let unjudged: Vec<usize> = (0..stack.exposures.len()).filter(|t| !viable.contains(t)).collect();
    let outcome = all.as_ref().map(|all| {
        let own_models = OwnModels { passing: own.passing.clone(), standing: own.standing };
        let evidence = Evidence {
            stack: &stack,
            viable: &viable,
            time: &time,
            requirement: &limits,
            confidence,
            all,
            unjudged: &unjudged,
            own_models,
        };
        decide(&evidence)
    });
    if let Some(outcome) = &outcome {
        for &place in &outcome.differing {
            codes[stack.exposures[place].table].push("psf-differs");
        }
    }

    let case = Case {
        tables,
        unreadable,
        stack: &stack,
        models: &models,
        limits: &limits,
        confidence,
        codes: &codes,
        viable: &viable,
        all: all.as_ref(),
        in_sky,
        instrument: instrument.as_ref(),
        own: &own,
    };
    let outcome = outcome.unwrap_or_else(|| Outcome::undecided(viable.clone()));
    let mut verdict = case.verdict(&outcome);
    verdict.notes.extend(results::weights_note(settings));
    super::optics::add(&mut verdict, tables, &stack, settings);
    Ok(case.judgement(verdict))
}

fn kept_stars(table: &StarTable) -> usize {
    table.stars.iter().filter(|s| s.refused.is_none()).count()
}

/// The change between all exposures that can be judged; those that stand in the way are put
/// aside with a code. Gives the places judged, the assessment, and whether it is on the sky.
fn assess_all(
    stack: &Stack,
    codes: &mut [Vec<&'static str>],
    confidence: f64,
) -> (Vec<usize>, Option<Assessment>, bool) {
    let mut viable: Vec<usize> = Vec::new();
    for (place, exposure) in stack.exposures.iter().enumerate() {
        match exposure.transform {
            Some(_) => viable.push(place),
            None => codes[exposure.table].push("not-registered"),
        }
    }
    let mut on = Place::Sky;
    while viable.len() >= 2 {
        match assess(stack, &viable, StarHalf::All, on, confidence) {
            Ok(found) => return (viable, Some(found), on == Place::Sky),
            Err(Obstacle::Exposure { place, code }) => {
                codes[stack.exposures[place].table].push(code);
                viable.retain(|&t| t != place);
            }
            // Nothing of the sky is common to all: only the telescope itself can be judged.
            Err(Obstacle::NothingCommon) if on == Place::Sky => on = Place::Detector,
            Err(Obstacle::NothingCommon) => break,
        }
    }
    (viable, None, true)
}

/// How well the exposures' own models predict.
#[derive(Debug, Default)]
struct OwnErrors {
    size: Option<RmsChange>,
    ellipticity: Option<RmsChange>,
    passing: Vec<usize>,
    standing: Option<Standing>,
}

/// Each exposure whose own model is not shown to fail takes part; their common error is held
/// against the limits.
fn own_model_errors(
    models: &[Option<OwnModel>],
    viable: &[usize],
    limits: &Limits,
    confidence: f64,
) -> OwnErrors {
    let error = |parts: &[HeldOut]| model_error(parts, confidence).ok().flatten();
    let parts = |places: &[usize]| {
        let known = places.iter().filter_map(|&t| models[t].as_ref());
        let size: Vec<HeldOut> = known.clone().map(|m| m.held_out_size.clone()).collect();
        let ellipticity: Vec<HeldOut> = known.flat_map(|m| m.held_out_e.clone()).collect();
        (error(&size), error(&ellipticity))
    };
    let not_failing = |place: &&usize| {
        models[**place].is_some() && {
            let (size, ellipticity) = parts(&[**place]);
            size.is_some_and(|s| s.low <= limits.size_limit)
                && ellipticity.is_some_and(|e| e.low <= limits.ellipticity_limit)
        }
    };
    let passing: Vec<usize> = viable.iter().filter(not_failing).copied().collect();
    let (size, ellipticity) = parts(&passing);
    let standing = size.zip(ellipticity).map(|(s, e)| {
        if s.high < limits.size_limit && e.high < limits.ellipticity_limit {
            Standing::Within
        } else {
            Standing::Open
        }
    });
    OwnErrors { size, ellipticity, passing, standing }
}

/// Everything the writing of a verdict looks at.
struct Case<'a> {
    tables: &'a [StarTable],
    stack: &'a Stack,
    models: &'a [Option<OwnModel>],
    limits: &'a Limits,
    confidence: f64,
    codes: &'a [Vec<&'static str>],
    unreadable: &'a [(String, String)],
    /// Places in the stack of the exposures that could be compared.
    viable: &'a [usize],
    all: Option<&'a Assessment>,
    in_sky: bool,
    instrument: Option<&'a Assessment>,
    own: &'a OwnErrors,
}

impl Case<'_> {
    fn verdict(&self, outcome: &Outcome) -> Verdict {
        let judged = outcome.judged.as_ref().or(self.all);
        Verdict {
            schema: SCHEMA.into(),
            tool: ToolInfo { version: env!("CARGO_PKG_VERSION").into(), arguments: Vec::new() },
            decision: outcome.decision,
            also_allowed: outcome.also_allowed.clone(),
            confidence: self.confidence,
            requirement: results::requirement(self.limits),
            reasons: self.reasons(outcome, judged),
            repeatability: judged.map(|a| self.repeatability(a)),
            all_exposures: self.all.map(|a| self.size_and_ellipticity(a)),
            instrument: self.instrument.map(|a| self.size_and_ellipticity(a)),
            own_model: self.own_model(),
            shear: judged.and_then(|a| results::shear(a, self.limits, self.mean_ellipticity())),
            groups: outcome.groups.iter().map(|g| g.iter().map(|&p| self.file(p)).collect()).collect(),
            size_definition: self.size_definition(),
            exposures: self.exposures(outcome),
            noise_check: NoiseCheck {
                size_pull: self.all.map(|a| a.size_change.noise_check.pull).filter(|p| p.is_finite()),
                ellipticity_pull: self.all.map(|a| a.e_change.noise_check.pull).filter(|p| p.is_finite()),
            },
            optics: None,
            undecided: (outcome.decision == Decision::Undecided).then(|| self.advice()),
            cautions: reasons::cautions(self.stack.weight),
            notes: Vec::new(),
        }
    }

    fn file(&self, place: usize) -> String {
        self.tables[self.stack.exposures[place].table].file.clone()
    }

    /// One row a table, then one an unreadable frame.
    fn exposures(&self, outcome: &Outcome) -> Vec<ExposureResult> {
        let own_psfs = outcome.decision == Decision::CombineWithOwnPsfs;
        let own_fails =
            |place: usize| own_psfs && self.viable.contains(&place) && !outcome.kept.contains(&place);
        let row = |(t, table): (usize, &StarTable)| {
            let place = self.stack.exposures.iter().position(|e| e.table == t);
            let means = place
                .and_then(|p| self.models[p].as_ref().map(|model| model.means(&self.stack.exposures[p])));
            let mut codes: Vec<String> = self.codes[t].iter().map(|&code| code.to_owned()).collect();
            if place.is_some_and(own_fails) {
                codes.push("own-model-size".into());
            }
            exposure_result(table, means, codes)
        };
        let unreadable = self.unreadable.iter().map(|(file, why)| results::unreadable(file, why));
        self.tables.iter().enumerate().map(row).chain(unreadable).collect()
    }

    fn size_and_ellipticity(&self, a: &Assessment) -> SizeAndEllipticity {
        SizeAndEllipticity {
            size: results::measured(&a.size, self.limits.size_limit, &a.size_change),
            ellipticity: results::measured(&a.ellipticity, self.limits.ellipticity_limit, &a.e_change),
        }
    }

    fn repeatability(&self, a: &Assessment) -> Repeatability {
        let SizeAndEllipticity { size, ellipticity } = self.size_and_ellipticity(a);
        let frame = if self.in_sky { "sky" } else { "detector" }.into();
        Repeatability { frame, size, ellipticity, smallest_overlap: self.smallest_overlap(a) }
    }

    fn own_model(&self) -> Option<SizeAndEllipticity> {
        let (size, ellipticity) = self.own.size.zip(self.own.ellipticity)?;
        Some(SizeAndEllipticity {
            size: results::bare(&size, self.limits.size_limit),
            ellipticity: results::bare(&ellipticity, self.limits.ellipticity_limit),
        })
    }

    fn reasons(&self, outcome: &Outcome, judged: Option<&Assessment>) -> Vec<Reason> {
        reasons::all(&reasons::Facts {
            decision: outcome.decision,
            judged,
            all: self.all,
            half: outcome.judged.is_some(),
            limits: self.limits,
            confidence: self.confidence,
            own_model: self.own_model().as_ref(),
            left_out: outcome.differing.iter().map(|&place| self.file(place)).collect(),
            judged_exposures: self.viable.len(),
            given_exposures: self.tables.len() + self.unreadable.len(),
            weight: self.stack.weight,
            unreadable: self.unreadable.len(),
            little_overlap: judged.filter(|a| a.overlap < LITTLE_OVERLAP).map(|a| a.overlap),
        })
    }

    fn size_definition(&self) -> SizeDefinition {
        let scale = self.tables.iter().find_map(|t| t.facts.pixel_arcsec);
        let (weight, sigma) = match self.stack.weight {
            Weight::Adaptive => ("adaptive", None),
            Weight::Fixed(sigma) => ("floored", Some(sigma)),
        };
        SizeDefinition {
            weight: weight.into(),
            weight_sigma_arcsec: sigma.zip(scale).map(|(sigma, scale)| sigma * scale),
            weight_sigma_pix: sigma,
        }
    }

    fn mean_ellipticity(&self) -> f64 {
        let known: Vec<_> = self
            .viable
            .iter()
            .filter_map(|&p| self.models[p].as_ref().map(|m| m.means(&self.stack.exposures[p])))
            .collect();
        let n = known.len().max(1) as f64;
        (known.iter().map(|m| m.e1).sum::<f64>() / n).hypot(known.iter().map(|m| m.e2).sum::<f64>() / n)
    }

    fn smallest_overlap(&self, a: &Assessment) -> Option<u32> {
        let n = a.keep.len();
        let size = smallest_overlap(a.size.high, self.limits.size_limit, n)?;
        let ellipticity = smallest_overlap(a.ellipticity.high, self.limits.ellipticity_limit, n)?;
        u32::try_from(size.max(ellipticity)).ok()
    }

    /// What would decide: stars of the same mix of brightness, or exposures, were the true
    /// change what it was measured to be; none where the measured value is over the limit.
    fn advice(&self) -> UndecidedAdvice {
        let Some(all) = self.all else {
            let text = if self.tables.len() < 2 {
                "one exposure cannot be compared with anything: give at least two, better three or more"
            } else {
                "fewer than two exposures could be compared: see the reasons of each exposure"
            };
            return UndecidedAdvice { stars_needed: None, exposures_needed: Some(2), text: text.into() };
        };
        let budget = |change: &Change| NoiseBudget::measured(change.modes(), all.stars, self.viable.len());
        let (size, e) = (budget(&all.size_change), budget(&all.e_change));
        let (size_limit, e_limit) = (self.limits.size_limit, self.limits.ellipticity_limit);
        // Both must decide: the larger number, and none where one of them has none.
        let both = |size: Option<usize>, e: Option<usize>| u32::try_from(size?.max(e?)).ok();
        let stars = both(
            size.stars_needed(all.size.rms, size_limit, self.confidence).ok().flatten(),
            e.stars_needed(all.ellipticity.rms, e_limit, self.confidence).ok().flatten(),
        );
        let exposures = both(
            size.exposures_needed(all.size.rms, size_limit, self.confidence).ok().flatten(),
            e.exposures_needed(all.ellipticity.rms, e_limit, self.confidence).ok().flatten(),
        );
        UndecidedAdvice {
            stars_needed: stars,
            exposures_needed: exposures,
            text: reasons::advice(stars, exposures, all.stars),
        }
    }

    fn judgement(&self, verdict: Verdict) -> Judgement {
        let kept = |file: &str| verdict.exposures.iter().any(|e| e.file == file && e.gate == Gate::Keep);
        let mut field_models = Vec::new();
        let mut pictures = Pictures::default();
        for (exposure, model) in self.stack.exposures.iter().zip(self.models) {
            let table = &self.tables[exposure.table];
            let Some(model) = model else { continue };
            if kept(&table.file) {
                field_models.extend(model.field_model(exposure, table));
            }
            pictures.width = table.width as f64;
            pictures.height = table.height as f64;
            pictures.pixel_arcsec = table.facts.pixel_arcsec;
            pictures.exposures.push(ExposurePicture {
                file: table.file.clone(),
                kept: kept(&table.file),
                stars: model.star_points(exposure),
                model: model.samples(exposure, SAMPLES),
            });
        }
        pictures.mean = results::mean_samples(&pictures.exposures);
        Judgement { verdict, field_models, pictures }
    }
}
