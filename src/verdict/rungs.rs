//! Which of the ladder's weights a stack will be looked at under, from the widths of its stars alone: so that
//! each table need only hold those.

use super::results;
use crate::moments::{Asked, LADDER_SIGMA_PIXELS, Rungs, primary_weight};
use crate::settings::Settings;
use crate::shear::{Reference, best_width};
use crate::table::Widths;

/// Factor by which the mean star, measured on the brightest of the stack, may be narrower than the narrowest of the
/// frames' own widths, or wider than the widest.
const WIDTH_DOUBT: f64 = 1.05;

/// Relative steps in which widths in between are looked at.
const STEP: f64 = 0.005;

/// No star is narrower or wider, pixels: a header may claim any width.
const NARROWEST: f64 = 0.2;
const WIDEST: f64 = 60.0;

/// The mean star can be measured under weights of up to so many widths of the stars: cut-outs reach 3.5 times as far.
const MEASURED_WIDTHS: f64 = 2.0;

/// The rungs that may define size and ellipticity, whichever of the exposures are judged in the end, and those under
/// which shear may be looked at. `None` where no requirement can be made of the settings.
pub fn rungs_needed(widths: &[Widths], settings: &Settings) -> Option<Asked> {
    let limits = results::limits(settings).ok()?;
    let narrowest = widths.iter().filter_map(|w| w.narrowest_sigma_pixels);
    let primary = narrowest.map(|sigma| Rungs::of_weight(primary_weight(sigma)));
    let asked = Asked { whole: primary.fold(Rungs::default(), Rungs::or), ..Asked::default() };
    let Some(size_ratio) = limits.size_ratio else { return Some(asked) };
    let reference = Reference { size_ratio, obstruction: settings.telescope.obstruction };
    let known = || widths.iter().filter_map(|w| w.sigma_pixels).map(|sigma| sigma.clamp(NARROWEST, WIDEST));
    let (low, high) = (known().fold(f64::INFINITY, f64::min), known().fold(0.0, f64::max));
    let (from, to) = (low / WIDTH_DOUBT, high * WIDTH_DOUBT);
    let steps = ((to / from).ln() / STEP).ceil().max(0.0) as usize;
    // Of wider weights it depends on the cut-outs whether the mean star could be measured under them.
    let surely = LADDER_SIGMA_PIXELS.iter().take_while(|rung| **rung <= MEASURED_WIDTHS * low).count();
    let best = |sigma: f64| {
        [surely, LADDER_SIGMA_PIXELS.len()].into_iter().filter_map(move |rungs| {
            let widths: Vec<f64> = LADDER_SIGMA_PIXELS[..rungs].iter().map(|rung| rung / sigma).collect();
            best_width(reference, &widths)
        })
    };
    let ellipses = (0..=steps).flat_map(|step| best(from * (STEP * step as f64).exp())).collect();
    Some(Asked { ellipses, ..asked })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn needed(widths: &[f64]) -> Vec<usize> {
        let known = |&sigma: &f64| Widths { sigma_pixels: Some(sigma), narrowest_sigma_pixels: Some(sigma) };
        let widths: Vec<Widths> = widths.iter().map(known).collect();
        rungs_needed(&widths, &Settings::default()).unwrap().all().iter().collect()
    }

    #[test]
    fn a_stack_needs_its_own_weight_and_that_of_a_small_galaxy() {
        // Judged by adaptive moments; the default galaxy is looked at under some 1.5 widths.
        for sigma in [1.2, 1.5, 2.0, 3.0] {
            let held = needed(&[sigma, 1.01 * sigma]);
            // Widths within 11 % touch two neighbouring rungs at most, and one more where the best one jumps.
            assert!((1..=3).contains(&held.len()), "{sigma}: {held:?}");
            let near = |&rung: &usize| (1.0..2.2).contains(&(LADDER_SIGMA_PIXELS[rung] / sigma));
            assert!(held.iter().all(near), "{sigma}: {held:?}");
        }
        // Narrow stars of one exposure ask all for the weight that they are judged by.
        assert!(needed(&[0.9, 3.0]).contains(&0) && needed(&[0.7, 3.0]).contains(&1));
        assert!(needed(&[0.9, 3.0]).contains(&4));
        assert!(needed(&[]).is_empty());
        // A claim that no star can hold takes no time.
        assert_eq!(needed(&[1e-300, 1e300]), needed(&[NARROWEST, WIDEST]));
    }

    #[test]
    fn limits_given_directly_ask_for_no_shear() {
        let mut settings = Settings::default();
        (settings.requirement.size_limit, settings.requirement.ellipticity_limit) = (Some(0.01), Some(0.01));
        let widths = [Widths { sigma_pixels: Some(1.5), narrowest_sigma_pixels: Some(1.4) }];
        assert_eq!(rungs_needed(&widths, &settings), Some(Asked::default()));
        settings.requirement.size_ratio = Some(1.5);
        assert!(!rungs_needed(&widths, &settings).unwrap().ellipses.is_empty());
        settings.requirement.size_ratio = Some(-1.0);
        assert_eq!(rungs_needed(&widths, &settings), None);
    }
}
