//! Stars: found, refused with a reason or kept, and matched between exposures.
//!
//! - [`width`]: how wide the stars of a frame are
//! - [`detect`]: matched-filter peaks; `smoothing`: the filter
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
mod smoothing;
pub mod width;
pub mod wings;

use ndarray::Array2;

use crate::moments::{Asked, Ellipse, HigherMoments, LADDER_SIGMA_PIXELS, Rungs, Shape, Weight};

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

/// One detection with everything measured on it; a faint or crowded one has the moments under its frame's own weight alone.
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
    /// Second moments under the given weight, if it was measured and is held whole.
    pub fn shape_under(&self, weight: Weight) -> Option<Shape> {
        match weight {
            Weight::Adaptive => self.adaptive,
            Weight::Fixed(_) => self.ladder.get(Rungs::of_weight(weight).iter().next()?).copied(),
        }
    }

    /// Size and ellipticity under the given weight, if it was measured.
    pub fn ellipse_under(&self, weight: Weight) -> Option<Ellipse> {
        match weight {
            Weight::Adaptive => self.adaptive.map(|shape| shape.ellipse()),
            Weight::Fixed(_) => self.ladder.ellipse(Rungs::of_weight(weight).iter().next()?),
        }
    }
}

/// A star's shapes under some of the fixed weights of [`LADDER_SIGMA_PIXELS`]. Only those that are held take memory,
/// and half of it where only ellipses are.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Ladder {
    whole: Rungs,
    /// Of which the ellipses alone are held.
    outlined: Rungs,
    /// One a rung held, from the narrowest on.
    shapes: Box<[Shape]>,
    ellipses: Box<[Ellipse]>,
}

impl Ladder {
    pub fn held(&self) -> Rungs {
        self.whole.or(self.outlined)
    }

    /// A rung that is held whole.
    pub fn get(&self, rung: usize) -> Option<&Shape> {
        self.whole.contains(rung).then(|| self.shapes.get(self.whole.before(rung)))?
    }

    pub fn ellipse(&self, rung: usize) -> Option<Ellipse> {
        match self.get(rung) {
            Some(shape) => Some(shape.ellipse()),
            None => self
                .outlined
                .contains(rung)
                .then(|| self.ellipses.get(self.outlined.before(rung)).copied())?,
        }
    }

    pub fn shapes_mut(&mut self) -> impl Iterator<Item = &mut Shape> {
        self.shapes.iter_mut()
    }

    /// Forgets of all rungs what was not asked for.
    pub fn keep(&mut self, asked: Asked) {
        let whole = self.whole.and(asked.whole);
        let outlined: Rungs = self.held().and(asked.all()).iter().filter(|&k| !whole.contains(k)).collect();
        if (whole, outlined) != (self.whole, self.outlined) {
            let shapes = whole.iter().filter_map(|k| self.get(k).copied()).collect();
            let ellipses = outlined.iter().filter_map(|k| self.ellipse(k)).collect();
            *self = Self { whole, outlined, shapes, ellipses };
        }
    }
}

impl From<[Option<Shape>; LADDER_SIGMA_PIXELS.len()]> for Ladder {
    fn from(rungs: [Option<Shape>; LADDER_SIGMA_PIXELS.len()]) -> Self {
        let held = (0..rungs.len()).filter(|&k| rungs[k].is_some()).collect();
        Self { whole: held, shapes: rungs.into_iter().flatten().collect(), ..Self::default() }
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
        let rungs = |some: &[usize]| -> Rungs { some.iter().copied().collect() };
        ladder.keep(Asked { whole: rungs(&[1, 3, 5]), ellipses: rungs(&[2, 3, 4]) });
        assert_eq!(sizes(&ladder), [None, None, None, Some(4.0), None, Some(6.0), None]);
        assert_eq!(ladder.held(), rungs(&[2, 3, 5]));
        let of_ellipses = |ladder: &Ladder| (0..7).map(|k| Some(ladder.ellipse(k)?.size)).collect::<Vec<_>>();
        assert_eq!(of_ellipses(&ladder), [None, None, Some(3.0), Some(4.0), None, Some(6.0), None]);
        // What is gone is not asked for again.
        ladder.keep(Asked { whole: rungs(&[2, 3]), ellipses: rungs(&[0]) });
        assert_eq!(sizes(&ladder), [None, None, None, Some(4.0), None, None, None]);
        assert_eq!(of_ellipses(&ladder), [None, None, Some(3.0), Some(4.0), None, None, None]);
    }
}
