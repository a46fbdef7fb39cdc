//! Star counts of a field not yet observed: how many stars of which SNR an exposure will show.

use super::plan::PlanError;

/// Most stars that are listed.
const MOST_STARS: f64 = 50_000.0;

/// Cumulative counts by the SNR of a star in one exposure of the reference time.
#[derive(Debug, Clone, PartialEq)]
pub struct StarCounts {
    /// ln SNR and ln of the number per arcmin² with at least that SNR, SNR rising.
    points: Vec<(f64, f64)>,
    /// Beyond the points the number goes as `SNR^-slope`.
    slope: f64,
}

impl StarCounts {
    /// From `(SNR, stars per arcmin² with at least this SNR)`, in any order. Between points the counts
    /// are a power law; beyond them one of the exponent `-slope`. Flux goes as SNR under sky noise,
    /// so a slope of 0.6 is `d log10 N / d magnitude = 0.24`.
    ///
    /// Errors: no points, numbers not above zero, two of one SNR, counts that rise with SNR.
    pub fn new(points: &[(f64, f64)], slope: f64) -> Result<Self, PlanError> {
        let mut sorted = points.to_vec();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        for &(snr, density) in &sorted {
            positive("SNR of the star counts", snr)?;
            positive("stars per arcmin2", density)?;
        }
        positive("slope of the star counts", slope)?;
        if sorted.is_empty() {
            return Err(PlanError::NoCounts);
        }
        if let Some(pair) = sorted.windows(2).find(|p| p[0].0 == p[1].0 || p[0].1 < p[1].1) {
            return Err(PlanError::CountsRise { bright: pair[1].0, faint: pair[0].0 });
        }
        Ok(Self { points: sorted.into_iter().map(|(snr, n)| (snr.ln(), n.ln())).collect(), slope })
    }

    /// Stars per arcmin² with at least this SNR in the reference exposure.
    pub fn above(&self, snr: f64) -> f64 {
        let s = snr.ln();
        let (first, last) = (self.points[0], self.points[self.points.len() - 1]);
        if s <= first.0 {
            return (first.1 - self.slope * (s - first.0)).exp();
        }
        if s >= last.0 {
            return (last.1 - self.slope * (s - last.0)).exp();
        }
        let right = self.points.partition_point(|p| p.0 < s);
        let (a, b) = (self.points[right - 1], self.points[right]);
        (a.1 + (b.1 - a.1) * (s - a.0) / (b.0 - a.0)).exp()
    }

    /// The SNRs of the stars in one exposure over `area_arcmin2`, each `factor` times that in the
    /// reference exposure, brightest first: the k-th is that which `k - 1/2` stars are expected to
    /// exceed. Only those from `min_snr` to `max_snr` (where they saturate).
    pub fn snrs(
        &self,
        area_arcmin2: f64,
        factor: f64,
        min_snr: f64,
        max_snr: f64,
    ) -> Result<Vec<f64>, PlanError> {
        let number = |snr: f64| area_arcmin2 * self.above(snr / factor);
        let (saturated, all) = (number(max_snr), number(min_snr));
        if all - saturated > MOST_STARS {
            return Err(PlanError::TooManyStars { stars: all - saturated });
        }
        let first = (saturated + 0.5).ceil().max(1.0);
        let ranks = (0..).map(|k| first + f64::from(k) - 0.5).take_while(|rank| *rank <= all);
        Ok(ranks.map(|rank| factor * self.exceeded_by(rank / area_arcmin2)).collect())
    }

    /// The SNR that so many stars per arcmin² have at least.
    fn exceeded_by(&self, density: f64) -> f64 {
        let n = density.ln();
        let (first, last) = (self.points[0], self.points[self.points.len() - 1]);
        if n >= first.1 {
            return (first.0 + (first.1 - n) / self.slope).exp();
        }
        if n <= last.1 {
            return (last.0 + (last.1 - n) / self.slope).exp();
        }
        let right = self.points.partition_point(|p| p.1 > n);
        let (a, b) = (self.points[right - 1], self.points[right]);
        (a.0 + (b.0 - a.0) * (a.1 - n) / (a.1 - b.1)).exp()
    }
}

/// SNR of a star in an exposure of `time` over that in one of `reference` time, the read noise
/// making up `read_noise_share` of the noise variance in the latter: `x / sqrt((1-r) x + r)`, `x` the
/// ratio of times.
pub fn snr_factor(time: f64, reference: f64, read_noise_share: f64) -> f64 {
    let x = time / reference;
    x / ((1.0 - read_noise_share) * x + read_noise_share).sqrt()
}

fn positive(name: &'static str, value: f64) -> Result<(), PlanError> {
    if value > 0.0 && value.is_finite() { Ok(()) } else { Err(PlanError::NotPositive { name, value }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_go_through_their_points_and_on_by_the_slope() {
        let counts = StarCounts::new(&[(100.0, 1.0), (30.0, 4.0)], 0.5).unwrap();
        assert!((counts.above(30.0) - 4.0).abs() < 1e-12 && (counts.above(100.0) - 1.0).abs() < 1e-12);
        assert!((counts.above(400.0) - 0.5).abs() < 1e-12 && (counts.above(7.5) - 8.0).abs() < 1e-12);
        for density in [0.1, 0.7, 2.0, 3.9, 9.0] {
            assert!((counts.above(counts.exceeded_by(density)) - density).abs() < 1e-12);
        }
    }

    #[test]
    fn as_many_stars_as_the_counts_say() {
        let counts = StarCounts::new(&[(50.0, 2.0)], 0.8).unwrap();
        let stars = counts.snrs(100.0, 1.0, 50.0, f64::INFINITY).unwrap();
        assert_eq!(stars.len(), 200);
        assert!(stars.windows(2).all(|p| p[0] >= p[1]) && stars[199] >= 50.0);
        let saturated = counts.snrs(100.0, 1.0, 50.0, 100.0).unwrap();
        assert_eq!(saturated.len() as f64, (200.0 * (1.0 - 0.5f64.powf(0.8))).round());
        assert!(saturated[0] <= 100.0);
        // Four times the time: twice the SNR, so those that had half of the least before.
        let longer = counts.snrs(100.0, snr_factor(4.0, 1.0, 0.0), 50.0, f64::INFINITY).unwrap();
        assert_eq!(longer.len() as f64, (200.0 * 2f64.powf(0.8)).round());
    }

    #[test]
    fn read_noise_makes_short_exposures_worse() {
        assert!((snr_factor(0.25, 1.0, 0.0) - 0.5).abs() < 1e-12);
        assert!((snr_factor(0.25, 1.0, 1.0) - 0.25).abs() < 1e-12);
        assert!((snr_factor(1.0, 1.0, 0.4) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn faults_are_named() {
        assert_eq!(StarCounts::new(&[], 0.6), Err(PlanError::NoCounts));
        assert!(StarCounts::new(&[(30.0, 1.0), (60.0, 2.0)], 0.6).is_err());
        assert!(StarCounts::new(&[(30.0, 1.0), (30.0, 1.0)], 0.6).is_err());
        assert!(StarCounts::new(&[(-1.0, 1.0)], 0.6).is_err());
        assert!(StarCounts::new(&[(30.0, f64::NAN)], 0.6).is_err());
        let counts = StarCounts::new(&[(30.0, 1e4)], 0.6).unwrap();
        assert!(matches!(counts.snrs(100.0, 1.0, 30.0, 1e9), Err(PlanError::TooManyStars { .. })));
    }
}
