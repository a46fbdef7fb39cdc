//! Star tables to a judgement.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::advice::{Grounds, advice, effective_snr};
use super::assess::{Assessment, Obstacle, Place, assess};
use super::beside;
use super::decide::{Evidence, Outcome, OwnModels, decide, held_back};
use super::likeness::{like_group, repeats};
use super::model::*;
use super::own_errors::{OwnErrors, own_model_errors};
use super::own_model::{HeldOutStars, OwnModel};
use super::pictures;
use super::products::Judgement;
use super::reasons;
use super::results::{self, exposure_result};
use super::stack::{MIN_STARS, Stack, StarHalf};
use crate::moments::Weight;
use crate::repeat::RmsChange;
use crate::settings::{CheckSettings, Settings};
use crate::shear::{Requirement as Limits, ShearError};
use crate::table::StarTable;

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
    let like = like_group(tables, &settings.checks);
    let repeated = repeats(tables);
    let single = like.members.iter().filter(|t| !repeated.contains(t));
    let (members, starless): (Vec<usize>, Vec<usize>) =
        single.partition(|&&t| kept_stars(&tables[t]) >= MIN_STARS);

    let stack = Stack::prepare(tables, &members);
    let mut codes: Vec<Vec<&'static str>> = vec![Vec::new(); tables.len()];
    for &(t, code) in like.others.iter().chain(&like.remarks) {
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
    let instrument = instrument.map(|found| results::size_and_ellipticity(&found, &limits));
    let (models, held_out): (Vec<Option<OwnModel>>, Vec<Option<HeldOutStars>>) =
        stack.exposures.par_iter().map(|exposure| OwnModel::fit(exposure).unzip()).unzip();
    let own = own_model_errors(&stack, &held_out, &viable, &limits, confidence);
    drop(held_out);

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
            smallest_group: settings.combine.smallest_group,
            all,
            unjudged: &unjudged,
            own_models,
            may_leave_out: settings.checks.leaves_out("psf-differs"),
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
        own_error: own.size.zip(own.ellipticity),
        checks: &settings.checks,
    };
    let outcome = outcome.unwrap_or_else(|| Outcome::undecided(viable.clone()));
    // By far the most work, and the same for any outcome.
    let optics = beside::optics::of_stack(tables, &stack, settings);
    let written = |outcome: &Outcome| {
        let mut verdict = case.verdict(outcome);
        beside::add(&mut verdict, &case, outcome, settings, optics.as_ref());
        verdict
    };
    let verdict = written(&outcome);
    let spoken: Vec<String> = verdict.reasons.iter().map(|reason| reason.code.clone()).collect();
    let verdict = match held_back(&outcome, &spoken, &settings.checks, &viable) {
        Some(undecided) => written(&undecided),
        None => verdict,
    };
    let optics = optics.map_or_else(Vec::new, |found| found.pictures);
    Ok(pictures::judgement(verdict, tables, &stack, &models, optics))
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

/// Everything the writing of a verdict looks at.
pub(super) struct Case<'a> {
    pub(super) tables: &'a [StarTable],
    pub(super) stack: &'a Stack,
    pub(super) models: &'a [Option<OwnModel>],
    pub(super) limits: &'a Limits,
    pub(super) confidence: f64,
    pub(super) codes: &'a [Vec<&'static str>],
    pub(super) unreadable: &'a [(String, String)],
    /// Places in the stack of the exposures that could be compared.
    pub(super) viable: &'a [usize],
    pub(super) all: Option<&'a Assessment>,
    pub(super) in_sky: bool,
    /// All that could be compared, on the detector.
    pub(super) instrument: Option<&'a SizeAndEllipticity>,
    own: &'a OwnErrors,
    /// Error of the own models that are not shown to fail: size, ellipticity.
    pub(super) own_error: Option<(RmsChange, RmsChange)>,
    pub(super) checks: &'a CheckSettings,
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
            all_exposures: self.all.map(|a| results::size_and_ellipticity(a, self.limits)),
            instrument: self.instrument.cloned(),
            own_model: self.own_model(),
            shear: None,
            combined: None,
            residual_correlation: None,
            registration: None,
            higher_moments: None,
            brightness: None,
            groups: outcome.groups.iter().map(|g| g.iter().map(|&p| self.file(p)).collect()).collect(),
            size_definition: self.size_definition(),
            exposures: self.exposures(outcome),
            noise_check: NoiseCheck {
                size_pull: self.all.map(|a| a.size_change.noise_check.pull).filter(|p| p.is_finite()),
                ellipticity_pull: self.all.map(|a| a.e_change.noise_check.pull).filter(|p| p.is_finite()),
            },
            optics: None,
            undecided: (outcome.decision == Decision::Undecided).then(|| self.advice(outcome)),
            time: None,
            cautions: reasons::cautions(self.stack.weight),
            notes: Vec::new(),
        }
    }

    fn file(&self, place: usize) -> String {
        self.table(place).file.clone()
    }

    fn table(&self, place: usize) -> &StarTable {
        &self.tables[self.stack.exposures[place].table]
    }

    /// Checks that only remark on some exposures, with these.
    fn remarks(&self) -> BTreeMap<&'static str, Vec<String>> {
        let mut found: BTreeMap<&'static str, Vec<String>> = BTreeMap::new();
        for (table, codes) in self.tables.iter().zip(self.codes) {
            for code in codes.iter().filter(|code| !self.checks.leaves_out(code)) {
                found.entry(code).or_default().push(table.file.clone());
            }
        }
        found
    }

    /// One row a table, then one an unreadable frame.
    fn exposures(&self, outcome: &Outcome) -> Vec<ExposureResult> {
        let row = |(t, table): (usize, &StarTable)| {
            let place = self.stack.exposures.iter().position(|e| e.table == t);
            let means = place
                .and_then(|p| self.models[p].as_ref().map(|model| model.means(&self.stack.exposures[p])));
            let mut codes: Vec<String> = self.codes[t].iter().map(|&code| code.to_owned()).collect();
            codes.extend(place.and_then(|p| self.own_failure(outcome, p)).map(str::to_owned));
            exposure_result(table, means, codes, self.checks)
        };
        let unreadable = self.unreadable.iter().map(|(file, why)| results::unreadable(file, why));
        self.tables.iter().enumerate().map(row).chain(unreadable).collect()
    }

    /// What keeps an exposure from being combined with its own PSF, where that was decided.
    fn own_failure(&self, outcome: &Outcome, place: usize) -> Option<&'static str> {
        let fails = outcome.decision == Decision::CombineWithOwnPsfs
            && self.viable.contains(&place)
            && !outcome.kept.contains(&place);
        let of_size = !self.own.failing_ellipticity.contains(&place);
        fails.then_some(if of_size { "own-model-size" } else { "own-model-ellipticity" })
    }

    fn repeatability(&self, a: &Assessment) -> Repeatability {
        let SizeAndEllipticity { size, ellipticity } = results::size_and_ellipticity(a, self.limits);
        let frame = if self.in_sky { "sky" } else { "detector" }.into();
        Repeatability { frame, size, ellipticity, ..Repeatability::default() }
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
            instrument: self.instrument.filter(|_| self.in_sky),
            chosen: outcome.judged.is_some().then_some(outcome.judged_by),
            limits: self.limits,
            confidence: self.confidence,
            own_model: self.own_model().as_ref(),
            left_out: outcome.differing.iter().map(|&place| self.file(place)).collect(),
            judged_exposures: self.viable.len(),
            given_exposures: self.tables.len() + self.unreadable.len(),
            weight: self.stack.weight,
            unreadable: self.unreadable.len(),
            no_gain: self.viable.iter().filter(|&&p| self.table(p).facts.gain.is_none()).count(),
            remarks: self.remarks(),
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

    /// Modulus of the stack's mean ellipticity.
    pub(super) fn mean_ellipticity(&self) -> f64 {
        let known: Vec<_> = self
            .viable
            .iter()
            .filter_map(|&p| self.models[p].as_ref().map(|m| m.means(&self.stack.exposures[p])))
            .collect();
        let n = known.len().max(1) as f64;
        (known.iter().map(|m| m.e1).sum::<f64>() / n).hypot(known.iter().map(|m| m.e2).sum::<f64>() / n)
    }

    fn advice(&self, outcome: &Outcome) -> UndecidedAdvice {
        let stars = self.viable.iter().flat_map(|&p| &self.table(p).stars);
        advice(&Grounds {
            all: self.all,
            exposures: self.viable.len(),
            given: self.tables.len(),
            limits: self.limits,
            confidence: self.confidence,
            star_snr: effective_snr(stars, self.stack.weight),
            withheld_for: &outcome.withheld_for,
        })
    }
}
