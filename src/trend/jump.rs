//! One sudden change in a series that also drifts: two straight lines instead of one.

use super::chance::share_as_good;
use super::{
    TrendError, enough, finite, positive, same_length, student_deviate, varies, weighted_mean, weights,
};

pub const MIN_EXPOSURES: usize = 8;

/// Fewest values on either side: two are always on a line.
const MIN_SIDE: usize = 3;
const SEED: u64 = 0x5713_9003;

/// A jump between two drifts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Jump {
    /// Values before it.
    pub before: usize,
    /// The line after less that before, midway between the two values at the jump, with its error.
    pub size: f64,
    pub size_err: f64,
    pub interval: (f64, f64),
    pub slope_before: f64,
    pub slope_after: f64,
    /// Chance that two lines describe values about one line as well, wherever they part.
    pub p_value: f64,
}

/// The two lines that leave the least squares, at least three values on either side. `deviations`, the
/// values' standard deviations up to a common factor, weight them.
///
/// The p-value is the share of 9999 series, drawn with a fixed seed, that two lines describe as well
/// against one (smallest share of the squares left): what the one line leaves over its deviations, in
/// random order (from 12 values on), or independent normal values. A drift that bends says the same;
/// whether there is a jump is for the interval of its size to say, which is Student's with `n - 4` degrees
/// of freedom and holds for the place found. A change of regime by a supremum over places is that of
/// Andrews 1993, Econometrica 61, 821 (from memory); drawing its distribution is common practice.
pub fn jump(times: &[f64], values: &[f64], deviations: &[f64], confidence: f64) -> Result<Jump, TrendError> {
    let n = values.len();
    enough(n, MIN_EXPOSURES)?;
    same_length("times", times.len(), n)?;
    finite("times", times)?;
    finite("values", values)?;
    positive(deviations, n)?;
    if times.windows(2).any(|w| w[1] <= w[0]) {
        return Err(TrendError::NotSorted);
    }
    if !varies(values) {
        return Err(TrendError::Constant { what: "the value" });
    }
    let weights = weights(deviations);
    let parting = Parting::new(times, &weights);
    let whole = Line::new(times, &weights);
    let (at, residual) = parting.best(values);
    let total = whole.residual(values);
    // A series on one line: nothing is left to part.
    if !(total > 1e-24 * values.iter().zip(&weights).map(|(v, w)| w * v * v).sum::<f64>()) {
        return Err(TrendError::Constant { what: "what a straight line leaves" });
    }
    let bar = residual / total * (1.0 + 1e-12);
    let standard: Vec<f64> = whole.residuals(values).iter().zip(deviations).map(|(r, d)| r / d).collect();
    let is_as_good = |drawn: &[f64]| parting.best(drawn).1 / whole.residual(drawn) <= bar;
    let p_value = share_as_good(&standard, deviations, SEED, is_as_good);
    let (before, after) = (Line::new(&times[..at], &weights[..at]), Line::new(&times[at..], &weights[at..]));
    let (a, b) = (before.fit(&values[..at]), after.fit(&values[at..]));
    let middle = 0.5 * (times[at - 1] + times[at]);
    let size = b.at(middle) - a.at(middle);
    let variance = residual / (n - 4) as f64;
    let size_err = (variance * (before.leverage(middle) + after.leverage(middle))).sqrt();
    let half = student_deviate(confidence, (n - 4) as f64) * size_err;
    Ok(Jump {
        before: at,
        size,
        size_err,
        interval: (size - half, size + half),
        slope_before: a.slope,
        slope_after: b.slope,
        p_value,
    })
}

/// What the times give for every place to part at.
struct Parting<'a> {
    /// From their mean.
    times: Vec<f64>,
    weights: &'a [f64],
    /// Weighted sums over the first so many of 1, of the times, and of their squares.
    sums: Vec<[f64; 3]>,
}

impl<'a> Parting<'a> {
    fn new(times: &[f64], weights: &'a [f64]) -> Self {
        let middle = weighted_mean(times, weights);
        let times: Vec<f64> = times.iter().map(|t| t - middle).collect();
        let mut sums = vec![[0.0; 3]];
        for (t, w) in times.iter().zip(weights) {
            let [n, a, b] = sums[sums.len() - 1];
            sums.push([n + w, a + w * t, b + w * t * t]);
        }
        Self { times, weights, sums }
    }

    /// Which place leaves least, and the sum of weighted squares it leaves.
    fn best(&self, values: &[f64]) -> (usize, f64) {
        let n = values.len();
        // From their mean, so that a large level costs no digits.
        let middle = weighted_mean(values, self.weights);
        let rows = || {
            let rows = self.times.iter().zip(self.weights).zip(values);
            rows.map(|((t, w), y)| {
                let v = y - middle;
                [w * v, w * t * v, w * v * v]
            })
        };
        let less = |of: [f64; 3], part: [f64; 3]| std::array::from_fn(|i| of[i] - part[i]);
        let add = |to: [f64; 3], row: [f64; 3]| std::array::from_fn(|i| to[i] + row[i]);
        let all = rows().fold([0.0; 3], add);
        let (mut running, mut best) = ([0.0; 3], (MIN_SIDE, f64::INFINITY));
        for (k, row) in rows().enumerate().take(n - MIN_SIDE) {
            running = add(running, row);
            let before = k + 1;
            if before < MIN_SIDE {
                continue;
            }
            let left = left_by_line(self.sums[before], running)
                + left_by_line(less(self.sums[n], self.sums[before]), less(all, running));
            if left < best.1 {
                best = (before, left);
            }
        }
        best
    }
}

/// Sum of weighted squares about the line of least squares, from the weighted sums of 1, t and t², and of
/// y, ty and y².
fn left_by_line([n, t, tt]: [f64; 3], [y, ty, yy]: [f64; 3]) -> f64 {
    let (stt, sty, syy) = (tt - t * t / n, ty - t * y / n, yy - y * y / n);
    (syy - sty * sty / stt).max(0.0)
}

/// Weighted least squares on fixed times.
struct Line<'a> {
    /// From their mean.
    times: Vec<f64>,
    weights: &'a [f64],
    mean: f64,
    square: f64,
}

#[derive(Clone, Copy)]
struct Fit {
    level: f64,
    slope: f64,
    mean_time: f64,
}

impl Fit {
    fn at(&self, time: f64) -> f64 {
        self.level + self.slope * (time - self.mean_time)
    }
}

impl<'a> Line<'a> {
    fn new(times: &[f64], weights: &'a [f64]) -> Self {
        let middle = weighted_mean(times, weights);
        let times: Vec<f64> = times.iter().map(|t| t - middle).collect();
        let square = times.iter().zip(weights).map(|(t, w)| w * t * t).sum();
        Self { times, weights, mean: middle, square }
    }

    fn fit(&self, values: &[f64]) -> Fit {
        let products = self.times.iter().zip(self.weights).zip(values).map(|((t, w), y)| w * t * y);
        let slope = products.sum::<f64>() / self.square;
        Fit { level: weighted_mean(values, self.weights), slope, mean_time: self.mean }
    }

    fn residuals(&self, values: &[f64]) -> Vec<f64> {
        let fit = self.fit(values);
        self.times.iter().zip(values).map(|(t, y)| y - fit.level - fit.slope * t).collect()
    }

    fn residual(&self, values: &[f64]) -> f64 {
        let fit = self.fit(values);
        let rows = self.times.iter().zip(self.weights).zip(values);
        rows.map(|((t, w), y)| w * (y - fit.level - fit.slope * t).powi(2)).sum()
    }

    /// Variance of the line at a time, over that of a value of weight 1.
    fn leverage(&self, time: f64) -> f64 {
        1.0 / self.weights.iter().sum::<f64>() + (time - self.mean).powi(2) / self.square
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::ChaCha8Rng;
    use rand::{RngExt, SeedableRng};
    use rand_distr::StandardNormal;

    fn noise(rng: &mut ChaCha8Rng) -> f64 {
        rng.sample(StandardNormal)
    }

    /// Before 2 t, after 5 + 0 t: a drop of 5 - 11 midway, exactly.
    #[test]
    fn a_drop_back_is_found_where_one_line_hides_it() {
        let times: Vec<f64> = (0..12).map(f64::from).collect();
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let values: Vec<f64> =
            times.iter().map(|t| if *t < 6.0 { 2.0 * t } else { 5.0 } + 0.05 * noise(&mut rng)).collect();
        let found = jump(&times, &values, &vec![1.0; times.len()], 0.95).unwrap();
        assert_eq!((found.before, found.p_value), (6, 1e-4));
        // Midway at 5.5 the first line stands at 11.
        assert!((found.size + 6.0).abs() < 4.0 * found.size_err && found.size_err < 0.1, "{found:?}");
        assert!((found.slope_before - 2.0).abs() < 0.1 && found.slope_after.abs() < 0.1, "{found:?}");
        // A single step of the mean sees far less.
        assert!(super::super::step::step(&values, 0.95).unwrap().p_value > 1e-3);
    }

    /// White noise about a line: called a jump as often as stated; counting error of 200 is 1.5 %, three of them.
    #[test]
    fn noise_about_a_drift_is_called_a_jump_as_often_as_stated() {
        for n in [9, 16] {
            let times: Vec<f64> = (0..n).map(|k| f64::from(k) + 0.3 * f64::from(k % 3)).collect();
            let mut rng = ChaCha8Rng::seed_from_u64(7);
            let called = (0..200)
                .filter(|_| {
                    let values: Vec<f64> = times.iter().map(|t| 0.7 * t + noise(&mut rng)).collect();
                    jump(&times, &values, &vec![1.0; times.len()], 0.95).unwrap().p_value <= 0.05
                })
                .count();
            assert!((1..=20).contains(&called), "{n}: {called} of 200");
        }
    }

    #[test]
    fn what_cannot_be_asked_is_refused() {
        let times: Vec<f64> = (0..9).map(f64::from).collect();
        assert!(matches!(jump(&times[..7], &times[..7], &[1.0; 7], 0.95), Err(TrendError::TooFew { .. })));
        assert!(matches!(jump(&times, &[1.0; 9], &[1.0; 9], 0.95), Err(TrendError::Constant { .. })));
        assert!(matches!(jump(&times, &times, &[1.0; 9], 0.95), Err(TrendError::Constant { .. })));
        assert_eq!(jump(&[1.0; 9], &times, &[1.0; 9], 0.95), Err(TrendError::NotSorted));
    }
}
