//! A planned stack, and what it is likely to show: with the numbers as planned, with more stars or
//! exposures, and with the same total time split otherwise.

use serde::{Deserialize, Serialize};

use super::plan::{Chances, PlanError, PlannedChange, chances};
use super::star_counts::{StarCounts, snr_factor};

/// The chance of "combine" that more stars or exposures are asked to reach.
pub const WANTED_CHANCE: f64 = 0.9;

/// No answer above this multiple of the stars planned, or this many exposures.
pub const MOST_STARS_FACTOR: f64 = 256.0;
pub const MOST_EXPOSURES: usize = 2048;

/// Numbers of exposures into which the total time is split for comparison.
const SPLITS: [usize; 11] = [2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64];

/// A stack not yet taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    pub counts: StarCounts,
    /// Exposure time for which the counts' SNRs hold.
    pub reference_s: f64,
    /// Share of the read noise in the noise variance of an exposure of that time.
    pub read_noise_share: f64,
    /// Field that all exposures share.
    pub area_arcmin2: f64,
    pub min_snr: f64,
    /// Brighter stars saturate.
    pub max_snr: f64,
    pub exposures: usize,
    pub exposure_s: f64,
    /// Assumed true rms change of size and ellipticity, their limits, and the confidence.
    pub true_rms: [f64; 2],
    pub limits: [f64; 2],
    pub confidence: f64,
}

/// What so many exposures of one length will show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    pub exposures: usize,
    pub exposure_s: f64,
    /// Usable stars an exposure, and the SNR of equal stars that would measure as much.
    pub stars: usize,
    pub star_snr: f64,
    /// Upper bounds to expect; none where the stars are too few.
    pub size_high: Option<f64>,
    pub ellipticity_high: Option<f64>,
    /// Chance of each decision about all exposures together.
    pub combine: f64,
    pub not_together: f64,
    pub undecided: f64,
}

/// A plan's answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    pub planned: Outlook,
    pub wanted_chance: f64,
    /// Fewest stars an exposure, of the same mix of brightness, with which "combine" has the
    /// wanted chance; none where none up to [`MOST_STARS_FACTOR`] times as many has it.
    pub stars_needed: Option<usize>,
    /// Fewest exposures of the planned length; none where none up to [`MOST_EXPOSURES`] do.
    pub exposures_needed: Option<usize>,
    /// The planned total time split into other numbers of exposures.
    pub same_total: Vec<Outlook>,
}

impl Plan {
    /// Everything that is asked of a plan. Errors: too few stars in the exposures as planned.
    pub fn answer(&self) -> Result<Answer, PlanError> {
        let planned = self.outlook(self.exposures, self.exposure_s)?;
        let total = self.exposures as f64 * self.exposure_s;
        let mut splits: Vec<usize> = SPLITS.into_iter().chain([self.exposures]).collect();
        splits.sort_unstable();
        splits.dedup();
        let same_total = splits.into_iter().map(|n| self.outlook(n, total / n as f64)).filter(|row| {
            // A split that leaves too few stars is left out of the table.
            !matches!(row, Err(PlanError::TooFewStars { .. }))
        });
        Ok(Answer {
            wanted_chance: WANTED_CHANCE,
            stars_needed: self.stars_needed()?,
            exposures_needed: self.exposures_needed()?,
            same_total: same_total.collect::<Result<_, _>>()?,
            planned,
        })
    }

    /// What `exposures` of `exposure_s` each will show.
    pub fn outlook(&self, exposures: usize, exposure_s: f64) -> Result<Outlook, PlanError> {
        let snrs = self.star_snrs(self.area_arcmin2, exposure_s)?;
        let (size, e) = planned(&snrs, exposures)?;
        let Chances { combine, not_together, undecided } = self.chances(&size, &e);
        Ok(Outlook {
            exposures,
            exposure_s,
            stars: snrs.len(),
            star_snr: (snrs.iter().map(|snr| snr * snr).sum::<f64>() / snrs.len() as f64).sqrt(),
            size_high: finite(size.expected_high(self.true_rms[0], self.confidence)?),
            ellipticity_high: finite(e.expected_high(self.true_rms[1], self.confidence)?),
            combine,
            not_together,
            undecided,
        })
    }

    fn star_snrs(&self, area: f64, exposure_s: f64) -> Result<Vec<f64>, PlanError> {
        let factor = snr_factor(exposure_s, self.reference_s, self.read_noise_share);
        self.counts.snrs(area, factor, self.min_snr, self.max_snr)
    }

    fn chances(&self, size: &PlannedChange, e: &PlannedChange) -> Chances {
        chances([size, e], self.true_rms, self.limits, self.confidence)
    }

    /// Whether any number can do: a true change over its limit can't be called within.
    fn is_hopeless(&self) -> bool {
        self.true_rms.iter().zip(self.limits).any(|(rms, limit)| *rms >= limit)
    }

    /// Over a larger field, or as many more stars of every brightness.
    fn stars_needed(&self) -> Result<Option<usize>, PlanError> {
        if self.is_hopeless() {
            return Ok(None);
        }
        let combine = |factor: f64| -> Result<(usize, f64), PlanError> {
            let snrs = self.star_snrs(factor * self.area_arcmin2, self.exposure_s)?;
            let (size, e) = match planned(&snrs, self.exposures) {
                Err(PlanError::TooFewStars { stars }) => return Ok((stars, 0.0)),
                other => other?,
            };
            Ok((snrs.len(), self.chances(&size, &e).combine))
        };
        let (mut low, mut enough) = (0.0f64, 1.0f64);
        while combine(enough)?.1 < WANTED_CHANCE {
            (low, enough) = (enough, 2.0 * enough);
            if enough > MOST_STARS_FACTOR {
                return Ok(None);
            }
        }
        while enough - low > 0.01 * enough {
            let middle = 0.5 * (low + enough);
            if combine(middle)?.1 < WANTED_CHANCE { low = middle } else { enough = middle }
        }
        Ok(Some(combine(enough)?.0))
    }

    fn exposures_needed(&self) -> Result<Option<usize>, PlanError> {
        if self.is_hopeless() {
            return Ok(None);
        }
        let snrs = self.star_snrs(self.area_arcmin2, self.exposure_s)?;
        let combine = |exposures: usize| -> Result<f64, PlanError> {
            let (size, e) = planned(&snrs, exposures)?;
            Ok(self.chances(&size, &e).combine)
        };
        let (mut low, mut enough) = (1, 2);
        while combine(enough)? < WANTED_CHANCE {
            (low, enough) = (enough, 2 * enough);
            if enough > MOST_EXPOSURES {
                return Ok(None);
            }
        }
        while enough - low > 1 {
            let middle = (low + enough) / 2;
            if combine(middle)? < WANTED_CHANCE { low = middle } else { enough = middle }
        }
        Ok(Some(enough))
    }
}

fn planned(snrs: &[f64], exposures: usize) -> Result<(PlannedChange, PlannedChange), PlanError> {
    Ok((PlannedChange::new(snrs, exposures, 1)?, PlannedChange::new(snrs, exposures, 2)?))
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> Plan {
        Plan {
            counts: StarCounts::new(&[(30.0, 0.8), (300.0, 0.1)], 0.6).unwrap(),
            reference_s: 60.0,
            read_noise_share: 0.0,
            area_arcmin2: 100.0,
            min_snr: 30.0,
            max_snr: 800.0,
            exposures: 10,
            exposure_s: 60.0,
            true_rms: [0.0, 0.0],
            limits: [0.0225, 0.0041],
            confidence: 0.95,
        }
    }

    #[test]
    fn what_is_needed_is_enough_and_a_little_less_is_not() {
        let plan = Plan { limits: [0.012, 0.006], ..plan() };
        let answer = plan.answer().unwrap();
        let n = answer.exposures_needed.unwrap();
        assert!(plan.outlook(n, 60.0).unwrap().combine >= WANTED_CHANCE);
        assert!(n == 2 || plan.outlook(n - 1, 60.0).unwrap().combine < WANTED_CHANCE);
        let stars = answer.stars_needed.unwrap();
        let with = |share: f64| {
            let area = plan.area_arcmin2 * share * stars as f64 / answer.planned.stars as f64;
            Plan { area_arcmin2: area, ..plan.clone() }.outlook(10, 60.0).unwrap().combine
        };
        assert!(with(1.05) > 0.87 && with(0.85) < WANTED_CHANCE, "{} {}", with(1.05), with(0.85));
    }

    #[test]
    fn longer_exposures_show_more_stars_and_tighter_bounds() {
        let plan = plan();
        let (short, long) = (plan.outlook(10, 60.0).unwrap(), plan.outlook(10, 240.0).unwrap());
        assert!(long.stars > short.stars && long.size_high < short.size_high && long.combine > short.combine);
    }

    #[test]
    fn a_true_change_over_its_limit_needs_no_number() {
        let answer = Plan { true_rms: [0.03, 0.0], ..plan() }.answer().unwrap();
        assert_eq!((answer.stars_needed, answer.exposures_needed), (None, None));
        assert!(answer.planned.not_together > 0.5, "{answer:?}");
    }
}
