//! The decision, in its order of preference: combine; combine-subset; split;
//! combine-with-own-psfs; do-not-combine; undecided.
//!
//! Each positive answer needs both upper bounds under their limits (equivalence testing,
//! Schuirmann 1987, J. Pharmacokinet. Biopharm. 15, 657). Subsets and groups are chosen with
//! one half of the stars and judged with the other, so that choosing does not flatter, and only
//! one subset and one division into two and three groups are tried. Before them, one subset more: what
//! is left without the exposures that are off beyond doubt. Noise has no part in that choice, so that all
//! stars may judge it.

use super::assess::{Assessment, Place, Standing, assess};
use super::model::Decision;
use super::stack::{Stack, StarHalf};
use crate::gate::Severity;
use crate::repeat::interval::two_sided_normal;
use crate::repeat::{Change, subset::Products};
use crate::settings::CheckSettings;
use crate::shear::Requirement;

/// Smallest share of the exposure time that a subset keeps.
const MIN_SUBSET_SHARE: f64 = 0.6;

/// A subset is put to the test once its change, as the choosing half sees it, is down to this
/// share of the joint mean-square limit.
const CHOSEN_SHARE: f64 = 0.5;

/// What the stack's own assessments say, before any choice.
#[derive(Debug)]
pub struct Evidence<'a> {
    pub stack: &'a Stack,
    /// Places in the stack of the exposures that can be judged.
    pub viable: &'a [usize],
    /// Exposure time of each exposure of the stack, or equal shares where unknown.
    pub time: &'a [f64],
    pub requirement: &'a Requirement,
    pub confidence: f64,
    /// Fewest exposures of a group.
    pub smallest_group: usize,
    pub all: &'a Assessment,
    /// Exposures that belong to the stack but could not be judged.
    pub unjudged: &'a [usize],
    /// Exposures whose own model passes, and whether they together meet the requirement.
    pub own_models: OwnModels,
    /// Whether an exposure may be left out for its PSF.
    pub may_leave_out: bool,
}

/// How the exposures' own models stand.
#[derive(Debug, Clone, Default)]
pub struct OwnModels {
    pub passing: Vec<usize>,
    pub standing: Option<Standing>,
}

/// The decision with what it rests on.
#[derive(Debug)]
pub struct Outcome {
    pub decision: Decision,
    pub also_allowed: Vec<Decision>,
    /// Places in the stack of the exposures to combine together or, under split, of all in
    /// groups.
    pub kept: Vec<usize>,
    pub groups: Vec<Vec<usize>>,
    /// The assessment of the kept, where it is not that of all.
    pub judged: Option<Assessment>,
    /// The stars that assessment is from.
    pub judged_by: StarHalf,
    /// Left out because they differ.
    pub differing: Vec<usize>,
    /// Codes of the checks for which a positive answer was withheld.
    pub withheld_for: Vec<String>,
}

/// Decides.
pub fn decide(evidence: &Evidence) -> Outcome {
    let mut allowed: Vec<Outcome> = Vec::new();
    let standing = evidence.all.standing(evidence.requirement, evidence.confidence);
    allowed.extend(combine_all(evidence, standing));
    if standing != Standing::Within {
        allowed.extend(evidence.may_leave_out.then(|| subset(evidence)).flatten());
        allowed.extend(split(evidence));
    }
    allowed.extend(own_psfs(evidence));
    let mut outcomes = allowed.into_iter();
    let Some(mut first) = outcomes.next() else {
        let decision = if standing == Standing::Over { Decision::DoNotCombine } else { Decision::Undecided };
        let differing = standing_out(evidence.all, evidence.requirement, evidence.confidence);
        return Outcome { differing, ..plain(decision, evidence.viable.to_vec()) };
    };
    first.also_allowed = outcomes.map(|other| other.decision).collect();
    first
}

/// A distance from the most typical exposure over this many times the median one stands out:
/// three standard deviations, were the exposures scattered normally in a plane (a median
/// distance is 1.18 of them).
const STANDS_OUT: f64 = 2.5;

/// Exposures that stand out where no positive answer was found: farther from the most typical
/// exposure (that with the least median distance to the others) than the limit itself and
/// than [`STANDS_OUT`] times the median. Places in the stack.
///
/// Of three, any may be the good one: one is named only where the other two agree and it does not, both
/// beyond the errors.
pub fn standing_out(all: &Assessment, requirement: &Requirement, confidence: f64) -> Vec<usize> {
    let n = all.keep.len();
    if n == 3 {
        let far = two_sided_normal(confidence);
        let agree = |(square, error): (f64, f64)| square + far * error < 1.0;
        let differ = |(square, error): (f64, f64)| square - far * error > 1.0;
        let apart = |t: usize, u: usize| apart(all, requirement, t % 3, u % 3);
        let is_odd =
            |t: usize| agree(apart(t + 1, t + 2)) && differ(apart(t, t + 1)) && differ(apart(t, t + 2));
        return (0..n).filter(|&t| is_odd(t)).map(|t| all.keep[t]).collect();
    }
    // Coefficients over the limit, exposure after exposure, and the noise of their squares.
    let scaled = |t: usize| -> (Vec<f64>, f64) {
        let parts =
            [(&all.size_change, requirement.size_limit), (&all.e_change, requirement.ellipticity_limit)];
        let (mut coefficients, mut noise) = (Vec::new(), 0.0);
        for (change, limit) in parts {
            let to_limit = 1.0 / (limit * (change.components as f64).sqrt());
            coefficients.extend(
                change
                    .coefficients
                    .iter()
                    .flat_map(|c| c.row(t).iter().map(|v| v * to_limit).collect::<Vec<_>>()),
            );
            noise += change.exposure_covariance[t].trace() / (limit * limit);
        }
        (coefficients, noise)
    };
    let exposures: Vec<(Vec<f64>, f64)> = (0..all.keep.len()).map(scaled).collect();
    let square = |t: usize, u: usize| -> f64 {
        let ((a, noise_a), (b, noise_b)) = (&exposures[t], &exposures[u]);
        let apart: f64 = a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum();
        (apart - noise_a - noise_b).max(0.0)
    };
    let from = |t: usize| (0..n).map(|u| square(t, u).sqrt()).collect::<Vec<f64>>();
    let with_median = |distances: Vec<f64>| (median(distances.clone()), distances);
    let typical = (0..n).map(from).map(with_median).min_by(|a, b| a.0.total_cmp(&b.0));
    let typical = typical.map_or_else(Vec::new, |(_, distances)| distances);
    let threshold = (STANDS_OUT * median(typical.clone())).max(1.0);
    all.keep.iter().zip(typical).filter(|(_, d)| *d > threshold).map(|(&place, _)| place).collect()
}

/// Squared change between two exposures over the squared limit, size and ellipticity added, noise removed;
/// and its standard error.
fn apart(all: &Assessment, requirement: &Requirement, t: usize, u: usize) -> (f64, f64) {
    let parts = [(&all.size_change, requirement.size_limit), (&all.e_change, requirement.ellipticity_limit)];
    let of_part = |(change, limit): (&Change, f64)| {
        let covariance = &change.exposure_covariance[t] + &change.exposure_covariance[u];
        let components = change.components as f64;
        let (mut square, mut along) = (0.0, 0.0);
        for c in &change.coefficients {
            let difference = (c.row(t) - c.row(u)).transpose();
            square += difference.norm_squared();
            along += difference.dot(&(&covariance * &difference));
        }
        let noise2 = covariance.norm_squared();
        // Var |d|² = 4 d'Cd + 2 tr C² for the true d; of the measured one, whose d'Cd is larger by tr C².
        let variance = (4.0 * along - 2.0 * components * noise2).max(2.0 * components * noise2);
        let unit = components * limit * limit;
        ((square - components * covariance.trace()) / unit, variance / (unit * unit))
    };
    let (square, variance) =
        parts.into_iter().map(of_part).fold((0.0, 0.0), |sum, part| (sum.0 + part.0, sum.1 + part.1));
    (square, variance.sqrt())
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

impl Outcome {
    /// What is left where nothing could be compared.
    pub fn undecided(kept: Vec<usize>) -> Self {
        plain(Decision::Undecided, kept)
    }
}

/// "Undecided" in place of a positive answer, where one of the checks `spoken` may not be passed
/// over by the settings; `None` where the outcome stands.
pub fn held_back(
    outcome: &Outcome,
    spoken: &[String],
    checks: &CheckSettings,
    viable: &[usize],
) -> Option<Outcome> {
    let mut withheld_for: Vec<String> =
        spoken.iter().filter(|code| checks.severity(code) == Severity::Undecided).cloned().collect();
    withheld_for.dedup();
    let positive = !matches!(outcome.decision, Decision::DoNotCombine | Decision::Undecided);
    if !positive || withheld_for.is_empty() {
        return None;
    }
    let differing = outcome.differing.clone();
    Some(Outcome { differing, withheld_for, ..plain(Decision::Undecided, viable.to_vec()) })
}

fn plain(decision: Decision, kept: Vec<usize>) -> Outcome {
    Outcome {
        decision,
        also_allowed: Vec::new(),
        kept,
        groups: Vec::new(),
        judged: None,
        judged_by: StarHalf::All,
        differing: Vec::new(),
        withheld_for: Vec::new(),
    }
}

impl Evidence<'_> {
    fn share(&self, members: &[usize]) -> f64 {
        let sum = |places: &[usize]| places.iter().map(|&t| self.time[t]).sum::<f64>();
        let all = sum(self.viable) + sum(self.unjudged);
        if all > 0.0 { sum(members) / all } else { 0.0 }
    }

    fn judged(&self, members: &[usize], stars: StarHalf) -> Option<Assessment> {
        assess(self.stack, members, stars, Place::Sky, self.confidence)
            .ok()
            .filter(|a| a.standing(self.requirement, self.confidence) == Standing::Within)
    }

    /// Size and ellipticity as one measure of likeness, by the half of the stars that chooses.
    fn products(&self) -> Option<Products> {
        let chosen = assess(self.stack, self.viable, StarHalf::Choosing, Place::Sky, self.confidence).ok()?;
        Products::joined(&[
            (&Products::new(&chosen.size_change), self.requirement.size_limit),
            (&Products::new(&chosen.e_change), self.requirement.ellipticity_limit),
        ])
    }
}

/// All judged exposures; a subset where some of the stack could not be judged.
fn combine_all(evidence: &Evidence, standing: Standing) -> Option<Outcome> {
    if standing != Standing::Within {
        return None;
    }
    let decision = match evidence.unjudged.is_empty() {
        true => Decision::Combine,
        false if evidence.share(evidence.viable) >= MIN_SUBSET_SHARE => Decision::CombineSubset,
        false => return None,
    };
    Some(plain(decision, evidence.viable.to_vec()))
}

/// By this many standard errors over the limit an exposure is off beyond doubt: by chance it is so once
/// in some millions.
const BEYOND_DOUBT: f64 = 5.0;

fn subset(evidence: &Evidence) -> Option<Outcome> {
    without_those_plainly_off(evidence).or_else(|| chosen_subset(evidence))
}

/// All but those that stand out and differ beyond doubt from each that does not. What is left is the same
/// set whatever the noise, or lacks an exposure that is truly over the limit and would show it; so its
/// bounds keep their error rate with all stars.
fn without_those_plainly_off(evidence: &Evidence) -> Option<Outcome> {
    let all = evidence.all;
    let standing_out = standing_out(all, evidence.requirement, evidence.confidence);
    let (out, ordinary): (Vec<usize>, Vec<usize>) =
        (0..all.keep.len()).partition(|&t| standing_out.contains(&all.keep[t]));
    let differs = |t: usize, u: usize| {
        let (square, error) = apart(all, evidence.requirement, t, u);
        square - BEYOND_DOUBT * error > 1.0
    };
    let is_plain = |t: &usize| ordinary.iter().all(|&u| differs(*t, u));
    let differing: Vec<usize> = out.into_iter().filter(is_plain).map(|t| all.keep[t]).collect();
    let places: Vec<usize> = all.keep.iter().copied().filter(|t| !differing.contains(t)).collect();
    if differing.is_empty() || places.len() < 2 || evidence.share(&places) < MIN_SUBSET_SHARE {
        return None;
    }
    let judged = Some(evidence.judged(&places, StarHalf::All)?);
    Some(Outcome { judged, differing, ..plain(Decision::CombineSubset, places) })
}

/// Chosen with one half of the stars, judged with the other.
fn chosen_subset(evidence: &Evidence) -> Option<Outcome> {
    let products = evidence.products()?;
    let all: Vec<usize> = (0..evidence.viable.len()).collect();
    let mut left = products.left(all.clone());
    // Greedy: each time the exposure whose removal lowers the joint change most.
    while left.mean_square()? > CHOSEN_SHARE {
        left.remove(left.worst()?);
        let places: Vec<usize> = left.exposures().iter().map(|&k| evidence.viable[k]).collect();
        if places.len() < 2 || evidence.share(&places) < MIN_SUBSET_SHARE {
            return None;
        }
    }
    let kept = left.exposures();
    if kept.len() == all.len() {
        return None;
    }
    let places: Vec<usize> = kept.iter().map(|&k| evidence.viable[k]).collect();
    let judged = Some(evidence.judged(&places, StarHalf::Judging)?);
    let differing = evidence.viable.iter().copied().filter(|t| !places.contains(t)).collect();
    let judged_by = StarHalf::Judging;
    Some(Outcome { judged, judged_by, differing, ..plain(Decision::CombineSubset, places) })
}

fn split(evidence: &Evidence) -> Option<Outcome> {
    let products = evidence.products()?;
    (2..=3).find_map(|count| {
        let groups = products.groups(count, evidence.smallest_group)?;
        let places: Vec<Vec<usize>> =
            groups.iter().map(|g| g.iter().map(|&k| evidence.viable[k]).collect()).collect();
        let of_group = |group: &Vec<usize>| evidence.judged(group, StarHalf::Judging);
        let judged: Vec<Assessment> = places.iter().map(of_group).collect::<Option<_>>()?;
        let largest = (0..places.len()).max_by(|&a, &b| {
            evidence.share(&places[a]).total_cmp(&evidence.share(&places[b])).then(b.cmp(&a))
        })?;
        let (judged, judged_by) = (judged.into_iter().nth(largest), StarHalf::Judging);
        Some(Outcome {
            judged,
            judged_by,
            groups: places,
            ..plain(Decision::Split, evidence.viable.to_vec())
        })
    })
}

fn own_psfs(evidence: &Evidence) -> Option<Outcome> {
    let passing = &evidence.own_models.passing;
    let good = evidence.own_models.standing == Some(Standing::Within)
        && evidence.share(passing) >= MIN_SUBSET_SHARE
        && passing.len() >= 2;
    good.then(|| plain(Decision::CombineWithOwnPsfs, passing.clone()))
}

#[cfg(test)]
mod tests {
    use super::super::fixture::stack;
    use super::*;
    use crate::shear::requirement::RequirementWish;

    /// Of exposures whose sizes are off by so much; the limit is 0.0225, the error of a mean 0.0003.
    fn named(off: &[f64]) -> Vec<usize> {
        let stack = stack(off.len(), 100, |t, star, _| star.log_size += off[t]);
        let all: Vec<usize> = (0..off.len()).collect();
        let all = assess(&stack, &all, StarHalf::All, Place::Sky, 0.95).unwrap();
        let wish = RequirementWish {
            size_limit: Some(0.0225),
            ellipticity_limit: Some(0.02),
            ..RequirementWish::default()
        };
        standing_out(&all, &Requirement::resolve(&wish).unwrap(), 0.95)
    }

    #[test]
    fn of_three_one_is_named_only_where_the_others_agree() {
        assert_eq!(named(&[0.0, 0.0, 0.1]), [2]);
        assert_eq!(named(&[-0.1, 0.0, 0.005]), [0]);
        // The last is farthest, yet the first two do not agree either.
        assert!(named(&[0.0, 0.03, 0.1]).is_empty());
        // The first two are at the limit itself, and the last hardly over it from one of them.
        assert!(named(&[0.0, 0.0225, 0.1]).is_empty());
        assert!(named(&[0.0, 0.0, 0.0225]).is_empty());
        // Of more the typical ones stand for the stack.
        assert_eq!(named(&[0.0, 0.03, 0.01, 0.1]), [3]);
    }
}
