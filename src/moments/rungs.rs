//! Some of the ladder's fixed weights, and which of them a stack may ask for.

use super::{LADDER_SIGMA_PIXELS, Weight};

/// Some rungs of [`LADDER_SIGMA_PIXELS`], by their place.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Rungs(u8);

impl Rungs {
    pub const ALL: Rungs = Rungs((1 << LADDER_SIGMA_PIXELS.len()) - 1);

    /// The first so many.
    pub fn first(count: usize) -> Self {
        (0..count.min(LADDER_SIGMA_PIXELS.len())).collect()
    }

    /// The rung of a weight; none where that is adaptive.
    pub fn of_weight(weight: Weight) -> Self {
        let rung = |sigma: f64| LADDER_SIGMA_PIXELS.iter().position(|&rung| rung == sigma);
        match weight {
            Weight::Adaptive => Self::default(),
            Weight::Fixed(sigma) => rung(sigma).into_iter().collect(),
        }
    }

    pub fn contains(self, rung: usize) -> bool {
        rung < LADDER_SIGMA_PIXELS.len() && self.0 & 1 << rung != 0
    }

    pub fn len(self) -> usize {
        self.0.count_ones() as usize
    }

    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Those that both have.
    pub fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// Those that either has.
    pub fn or(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Places from the narrowest on.
    pub fn iter(self) -> impl Iterator<Item = usize> {
        (0..LADDER_SIGMA_PIXELS.len()).filter(move |&rung| self.contains(rung))
    }

    /// How many of these are narrower than this one.
    pub fn before(self, rung: usize) -> usize {
        self.and(Self::first(rung)).len()
    }
}

/// What a stack asks of the ladder.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Asked {
    /// Under which size and ellipticity may be defined: whole shapes.
    pub whole: Rungs,
    /// Under which a change may be looked at besides: ellipses are enough.
    pub ellipses: Rungs,
}

impl Asked {
    pub fn all(self) -> Rungs {
        self.whole.or(self.ellipses)
    }
}

impl FromIterator<usize> for Rungs {
    fn from_iter<I: IntoIterator<Item = usize>>(rungs: I) -> Self {
        let known = rungs.into_iter().filter(|rung| *rung < LADDER_SIGMA_PIXELS.len());
        known.fold(Self::default(), |sum, rung| Self(sum.0 | 1 << rung))
    }
}

/// Rungs of the ladder, from the first on, that a stack may be judged by.
const PRIMARY_RUNGS: usize = 2;

/// The widest weight that shear is looked at under, over the width of the stars: the one under which causes of change
/// differ least is 1.2 to 2 times as wide, the wider the larger the galaxies (`shear::best_width`).
const WIDEST_USED: f64 = 2.0;

/// Rungs, from the first on, that judging may ask for of stars of this width, whatever the other exposures are like.
pub fn rungs_used(sigma_pixels: Option<f64>) -> Rungs {
    let wanted = WIDEST_USED * sigma_pixels.unwrap_or(0.0);
    let wide = LADDER_SIGMA_PIXELS.iter().position(|rung| *rung >= wanted);
    Rungs::first(wide.map_or(LADDER_SIGMA_PIXELS.len(), |k| k + 1).max(PRIMARY_RUNGS))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rungs_are_a_set() {
        let some: Rungs = [3, 0, 9].into_iter().collect();
        assert_eq!(some.iter().collect::<Vec<_>>(), [0, 3]);
        assert_eq!((some.len(), some.before(0), some.before(3), some.before(6)), (2, 0, 1, 2));
        assert!(some.contains(3) && !some.contains(1) && !some.contains(9));
        assert_eq!(some.and(Rungs::first(3)), Rungs::first(1));
        assert_eq!(some.or(Rungs::first(9)), Rungs::ALL);
        assert_eq!(Rungs::of_weight(Weight::Fixed(2.5)), [2].into_iter().collect());
        assert!(Rungs::of_weight(Weight::Adaptive).is_empty());
    }
}
