//! Stars: found, refused with a reason or kept, and matched between exposures.
//!
//! - [`width`]: how wide the stars of a frame are
//! - [`detect`]: matched-filter peaks
//! - [`clean`]: saturation, trails, bad lines
//! - [`wings`], [`isolate`]: what neighbours and diffraction rings do
//! - [`locus`]: point sources told from everything else
//! - [`select`]: all of these in order, for one frame
//! - [`matching`], [`pattern`], [`affine`]: the same stars in every exposure

pub mod affine;
pub mod clean;
pub mod detect;
pub mod isolate;
pub mod locus;
pub mod matching;
pub mod pattern;
pub mod select;
pub mod width;
pub mod wings;

use ndarray::Array2;

use crate::moments::{HigherMoments, LADDER_SIGMA_PIXELS, Rungs, Shape, Weight};

/// Why a detection is not used as a star.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Refusal {
    Edge,
    Saturated,
    Bleeding,
    BadPixels,
    CosmicRay,
    HotPixel,
    Faint,
    Crowded,
    Extended,
    Sharp,
    Unlike,
    NoFit,
}

impl Refusal {
    pub const ALL: [Refusal; 12] = [
        Refusal::Edge,
        Refusal::Saturated,
        Refusal::Bleeding,
        Refusal::BadPixels,
        Refusal::CosmicRay,
        Refusal::HotPixel,
        Refusal::Faint,
        Refusal::Crowded,
        Refusal::Extended,
        Refusal::Sharp,
        Refusal::Unlike,
        Refusal::NoFit,
    ];

    /// The word of the `refused` column.
    pub fn word(self) -> &'static str {
        match self {
            Refusal::Edge => "edge",
            Refusal::Saturated => "saturated",
            Refusal::Bleeding => "bleeding",
            Refusal::BadPixels => "bad-pixels",
            Refusal::CosmicRay => "cosmic-ray",
            Refusal::HotPixel => "hot-pixel",
            Refusal::Faint => "faint",
            Refusal::Crowded => "crowded",
            Refusal::Extended => "extended",
            Refusal::Sharp => "sharp",
            Refusal::Unlike => "unlike",
            Refusal::NoFit => "no-fit",
        }
    }

    /// What the word means, for a person.
    pub fn meaning(self) -> &'static str {
        match self {
            Refusal::Edge => "too near the edge of the usable region for its cut-out",
            Refusal::Saturated => "a pixel at or above the saturation level",
            Refusal::Bleeding => "charge trail or bad column through the image",
            Refusal::BadPixels => "masked pixels carry too much of the weight",
            Refusal::CosmicRay => "narrower along one axis than the PSF permits",
            Refusal::HotPixel => "a single bright pixel, sharper than the PSF permits",
            Refusal::Faint => "below the smallest signal-to-noise ratio used",
            Refusal::Crowded => "a neighbour adds more light than allowed",
            Refusal::Extended => "larger than the point-source locus",
            Refusal::Sharp => "smaller than the point-source locus",
            Refusal::Unlike => "size fits, but the image differs from the local PSF",
            Refusal::NoFit => "the moments did not converge",
        }
    }

    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.word() == word)
    }
}

/// One detection with everything measured on it; a faint one has the moments under its frame's own weight alone.
#[derive(Debug, Clone)]
pub struct Star {
    /// Centroid, pixels, 0-based.
    pub x: f64,
    pub y: f64,
    /// Right ascension and declination, degrees, where the frame has world coordinates.
    pub sky: Option<[f64; 2]>,
    /// Frame units.
    pub flux: f64,
    pub flux_err: f64,
    /// Flux over its error by matched filter.
    pub snr: f64,
    pub adaptive: Option<Shape>,
    pub ladder: Ladder,
    pub higher: Option<Box<HigherMoments>>,
    /// Bound on the light that neighbours add under the weight, as a share of the flux.
    pub contamination: f64,
    pub refused: Option<Refusal>,
    /// Sky-subtracted pixels `[y, x]`, frame units, centred on the pixel nearest
    /// the centroid; only for stars that are kept.
    pub cutout: Option<Box<Array2<f32>>>,
    /// True where a cut-out pixel must not be used.
    pub cutout_mask: Option<Box<Array2<bool>>>,
}

impl Star {
    /// Second moments under the given weight, if it was measured.
    pub fn shape_under(&self, weight: Weight) -> Option<Shape> {
        match weight {
            Weight::Adaptive => self.adaptive,
            Weight::Fixed(_) => self.ladder.get(Rungs::of_weight(weight).iter().next()?).copied(),
        }
    }
}

/// A star's shapes under some of the fixed weights of [`LADDER_SIGMA_PIXELS`]. Only those that are held take memory.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ladder {
    held: Rungs,
    /// One a rung held, from the narrowest on.
    shapes: Box<[Shape]>,
}

impl Ladder {
    pub fn held(&self) -> Rungs {
        self.held
    }

    pub fn get(&self, rung: usize) -> Option<&Shape> {
        self.held.contains(rung).then(|| self.shapes.get(self.held.before(rung)))?
    }

    pub fn shapes_mut(&mut self) -> impl Iterator<Item = &mut Shape> {
        self.shapes.iter_mut()
    }

    /// Forgets all rungs but these.
    pub fn keep(&mut self, rungs: Rungs) {
        let kept = self.held.and(rungs);
        if kept != self.held {
            *self = Self { held: kept, shapes: kept.iter().filter_map(|k| self.get(k).copied()).collect() };
        }
    }
}

impl From<[Option<Shape>; LADDER_SIGMA_PIXELS.len()]> for Ladder {
    fn from(rungs: [Option<Shape>; LADDER_SIGMA_PIXELS.len()]) -> Self {
        let held = (0..rungs.len()).filter(|&k| rungs[k].is_some()).collect();
        Self { held, shapes: rungs.into_iter().flatten().collect() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ladder_gives_what_it_was_given_or_keeps() {
        let shape = |size: f64| Shape {
            mxx: 0.0,
            myy: 0.0,
            mxy: 0.0,
            size,
            size_err: 0.0,
            e1: 0.0,
            e2: 0.0,
            e_err: 0.0,
            size_response: 0.0,
            e_response: 0.0,
        };
        let given = [Some(shape(1.0)), None, Some(shape(3.0)), Some(shape(4.0)), None, Some(shape(6.0))];
        let mut ladder = Ladder::from(given);
        let sizes = |ladder: &Ladder| (0..7).map(|k| ladder.get(k).map(|s| s.size)).collect::<Vec<_>>();
        assert_eq!(sizes(&ladder), [Some(1.0), None, Some(3.0), Some(4.0), None, Some(6.0), None]);
        ladder.keep([1, 3, 5].into_iter().collect());
        assert_eq!(sizes(&ladder), [None, None, None, Some(4.0), None, Some(6.0), None]);
        assert_eq!(ladder.held(), [3, 5].into_iter().collect());
    }
}
