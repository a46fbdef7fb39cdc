//! What to combine together, as `keep.txt` lists it.

use super::model::{Decision, Gate, Verdict};

/// Paths as given. Under split the group with the most exposure time; empty under
/// do-not-combine and undecided.
pub fn keep_list(verdict: &Verdict) -> Vec<String> {
    match verdict.decision {
        Decision::Combine | Decision::CombineSubset | Decision::CombineWithOwnPsfs => {
            verdict.exposures.iter().filter(|e| e.gate == Gate::Keep).map(|e| e.file.clone()).collect()
        }
        Decision::Split => {
            let time = |group: &[String]| -> f64 {
                let members = verdict.exposures.iter().filter(|e| group.contains(&e.file));
                members.filter_map(|e| e.exposure_s).sum()
            };
            // By time, then by number; of equals the first.
            let better = |a: &Vec<String>, b: &Vec<String>| (time(a), a.len()) >= (time(b), b.len());
            let best = verdict.groups.iter().reduce(|a, b| if better(a, b) { a } else { b });
            best.cloned().unwrap_or_default()
        }
        Decision::DoNotCombine | Decision::Undecided => vec![],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::sample;

    #[test]
    fn the_list_follows_the_decision() {
        let mut verdict = sample::verdict(12);
        let list = keep_list(&verdict);
        assert_eq!(list.len(), 10);
        assert!(!list.contains(&"night/target_005.fits".to_string()));
        for decision in [Decision::DoNotCombine, Decision::Undecided] {
            verdict.decision = decision;
            assert!(keep_list(&verdict).is_empty());
        }
        verdict.decision = Decision::Split;
        let names = |range: std::ops::Range<usize>| -> Vec<String> {
            range.map(|i| verdict.exposures[i].file.clone()).collect()
        };
        let (short, long) = (names(0..4), names(6..9));
        verdict.groups = vec![short, long.clone()];
        verdict.exposures[6].exposure_s = Some(600.0);
        assert_eq!(keep_list(&verdict), long);
        verdict.groups.clear();
        assert!(keep_list(&verdict).is_empty());
    }
}
