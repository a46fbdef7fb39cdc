//! A sine wave on uneven times.

use nalgebra::{DMatrix, DVector};
use statrs::function::gamma::ln_gamma;

use super::{TrendError, enough, finite, median, same_length, varies};

pub const MIN_EXPOSURES: usize = 12;

/// Trial frequencies per `1/span`: a peak has a width of about one.
const PER_PEAK: f64 = 8.0;
/// Trial frequencies at most, over which the shortest period is raised.
const MOST_FREQUENCIES: f64 = 40_000.0;

/// Least that cosine and sine must differ on the times, as a share of what they do on many even
/// ones: near twice the interval of even times they become one function.
const LEAST_DIFFERENCE: f64 = 0.05;

/// What the series is held to be without the wave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Base {
    Constant,
    /// A constant and a straight line.
    Line,
    /// Two constants, the second from this exposure on (counted from 0).
    StepAt(usize),
}

/// The strongest wave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    /// In the unit of the times, with its error (normal, from the fit of all at once, the errors
    /// scaled to the scatter left).
    pub period: f64,
    pub period_err: f64,
    /// Half of the range, in the unit of the values.
    pub amplitude: f64,
    pub amplitude_err: f64,
    /// Share of the (weighted) sum of squares about the base that the wave takes away.
    pub power: f64,
    /// Bound on the chance that noise alone shows such a power anywhere in the range.
    pub false_alarm: f64,
    /// Range that was searched.
    pub shortest: f64,
    pub longest: f64,
}

/// Weighted least squares of a wave with a floating base (Lomb-Scargle: Scargle 1982, ApJ 263, 835;
/// VanderPlas 2018, ApJS 236, 16; floating mean: Zechmeister & Kürster 2009, A&A 496, 577, from
/// memory), and its false-alarm probability (Baluev 2008, MNRAS 385, 1279).
///
/// Only the ratios of `errors` matter. Searched are periods from the span of the times down to
/// twice the median interval between them: shorter ones are not told from longer on even times.
pub fn period(times: &[f64], values: &[f64], errors: &[f64], base: Base) -> Result<Period, TrendError> {
    let n = values.len();
    enough(n, MIN_EXPOSURES)?;
    same_length("times", times.len(), n)?;
    same_length("errors", errors.len(), n)?;
    finite("times", times)?;
    finite("values", values)?;
    if !errors.iter().all(|e| e.is_finite() && *e > 0.0) {
        return Err(TrendError::NotUsable { what: "errors" });
    }
    if times.windows(2).any(|w| w[1] < w[0]) {
        return Err(TrendError::NotSorted);
    }
    let gaps: Vec<f64> = times.windows(2).map(|w| w[1] - w[0]).filter(|gap| *gap > 0.0).collect();
    let span = times[n - 1] - times[0];
    if gaps.len() + 1 < MIN_EXPOSURES || !varies(values) {
        return Err(TrendError::Constant { what: "the time or the value" });
    }
    let series = Whitened::new(times, values, errors, base);
    let lowest = 1.0 / span;
    let step = 1.0 / (PER_PEAK * span);
    let highest = (0.5 / median(&gaps)).min(lowest + MOST_FREQUENCIES * step);
    let (shortest, longest) = (1.0 / highest, span);
    let none = TrendError::NoPeriod { shortest, longest };
    if !(highest > lowest) {
        return Err(none);
    }
    let trials = ((highest - lowest) / step).floor() as usize + 1;
    let power = |f: f64| series.power(f).unwrap_or(0.0);
    let best = (0..trials)
        .map(|k| lowest + k as f64 * step)
        .chain([highest])
        .map(|f| (f, power(f)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .filter(|(_, p)| *p > 0.0)
        .ok_or(none.clone())?;
    let frequency = refined(power, best.0, step, lowest, highest);
    let power = power(frequency);
    let fit = series.uncertainty(frequency).ok_or(none)?;
    Ok(Period {
        period: 1.0 / frequency,
        period_err: fit.frequency_err / (frequency * frequency),
        amplitude: fit.amplitude,
        amplitude_err: fit.amplitude_err,
        power,
        false_alarm: false_alarm(power, highest, series.time_variance, n, series.base_functions()),
        shortest,
        longest,
    })
}

/// Golden-section search for the top of the peak within one step on either side.
fn refined(power: impl Fn(f64) -> f64, around: f64, step: f64, lowest: f64, highest: f64) -> f64 {
    const RATIO: f64 = 0.618_033_988_75;
    let (mut a, mut b) = ((around - step).max(lowest), (around + step).min(highest));
    let (mut c, mut d) = (b - RATIO * (b - a), a + RATIO * (b - a));
    let (mut pc, mut pd) = (power(c), power(d));
    for _ in 0..60 {
        if pc > pd {
            (b, d, pd) = (d, c, pc);
            c = b - RATIO * (b - a);
            pc = power(c);
        } else {
            (a, c, pc) = (c, d, pd);
            d = a + RATIO * (b - a);
            pd = power(d);
        }
    }
    let top = 0.5 * (a + b);
    if power(top) >= power(around) { top } else { around }
}

/// Bound on the false-alarm probability of the largest power of noise of unknown variance, from
/// frequency 0 up to `highest` (Baluev 2008, MNRAS 385, 1279, for the residual power; weights enter
/// by the weighted variance of the times).
///
/// `power` is the share of the sum of squares about the base (of `base_functions` functions) that
/// two more functions take away, of `n` values.
pub fn false_alarm(power: f64, highest: f64, time_variance: f64, n: usize, base_functions: usize) -> f64 {
    let about_base = (n - base_functions) as f64;
    let left = about_base - 2.0;
    let single = (1.0 - power).max(0.0).powf(0.5 * left);
    let gamma = (0.5 * (2.0 / about_base).ln() + ln_gamma(0.5 * about_base)
        - ln_gamma(0.5 * (about_base - 1.0)))
    .exp();
    let cycles = highest * (4.0 * std::f64::consts::PI * time_variance).sqrt();
    let rate =
        gamma * cycles * (1.0 - power).max(0.0).powf(0.5 * (left - 1.0)) * (0.5 * about_base * power).sqrt();
    // 1 - (1 - single) exp(-rate), without loss where both are small.
    (-(-rate).exp_m1() + single * (-rate).exp()).clamp(0.0, 1.0)
}

/// The series divided by its errors, the base taken out.
struct Whitened {
    /// From their weighted mean.
    times: Vec<f64>,
    weights: DVector<f64>,
    /// Orthonormal columns that span the base.
    base: DMatrix<f64>,
    /// Values over errors, without their part along the base.
    values: DVector<f64>,
    time_variance: f64,
}

struct Fit {
    frequency_err: f64,
    amplitude: f64,
    amplitude_err: f64,
}

impl Whitened {
    fn new(times: &[f64], values: &[f64], errors: &[f64], base: Base) -> Self {
        let n = values.len();
        let smallest = errors.iter().copied().fold(f64::INFINITY, f64::min);
        let weights = DVector::from_iterator(n, errors.iter().map(|e| smallest / e));
        let total: f64 = weights.iter().map(|w| w * w).sum();
        let moment = |centre: f64, power: i32| -> f64 {
            times.iter().zip(weights.iter()).map(|(t, w)| w * w * (t - centre).powi(power)).sum::<f64>()
                / total
        };
        let middle = moment(0.0, 1);
        let time_variance = moment(middle, 2);
        let times: Vec<f64> = times.iter().map(|t| t - middle).collect();
        let second = |i: usize| match base {
            Base::Constant => 0.0,
            Base::Line => times[i] / time_variance.sqrt(),
            Base::StepAt(first) => f64::from(u8::from(i >= first)),
        };
        let columns = if base == Base::Constant { 1 } else { 2 };
        let design = DMatrix::from_fn(n, columns, |i, j| weights[i] * if j == 0 { 1.0 } else { second(i) });
        let base = design.qr().q();
        let mut whitened = Self {
            times,
            values: DVector::from_iterator(n, values.iter().zip(weights.iter()).map(|(y, w)| y * w)),
            weights,
            base,
            time_variance,
        };
        whitened.values = whitened.beside_base(whitened.values.clone());
        whitened
    }

    fn base_functions(&self) -> usize {
        self.base.ncols()
    }

    fn beside_base(&self, vector: DVector<f64>) -> DVector<f64> {
        let along = &self.base * (self.base.transpose() * &vector);
        vector - along
    }

    fn function(&self, f: impl Fn(f64) -> f64) -> DVector<f64> {
        let values = self.times.iter().zip(self.weights.iter()).map(|(t, w)| w * f(*t));
        self.beside_base(DVector::from_iterator(self.times.len(), values))
    }

    fn wave(&self, frequency: f64) -> (DVector<f64>, DVector<f64>) {
        let phase = std::f64::consts::TAU * frequency;
        (self.function(|t| (phase * t).cos()), self.function(|t| (phase * t).sin()))
    }

    /// Share of the squares that the wave takes away; `None` where cosine and sine are not two
    /// different functions on these times.
    fn power(&self, frequency: f64) -> Option<f64> {
        let (cos, sin) = self.wave(frequency);
        let (cc, cs, ss) = (cos.dot(&cos), cos.dot(&sin), sin.dot(&sin));
        let determinant = cc * ss - cs * cs;
        let scale = self.weights.norm_squared();
        if !(determinant > LEAST_DIFFERENCE * 0.25 * scale * scale) {
            return None;
        }
        let (yc, ys) = (self.values.dot(&cos), self.values.dot(&sin));
        let taken = (yc * yc * ss - 2.0 * yc * ys * cs + ys * ys * cc) / determinant;
        Some((taken / self.values.norm_squared()).clamp(0.0, 1.0))
    }

    /// Amplitude and the errors of frequency and amplitude: Gauss-Newton covariance of base,
    /// cosine, sine and frequency together, at the scatter left.
    fn uncertainty(&self, frequency: f64) -> Option<Fit> {
        let tau = std::f64::consts::TAU;
        let (cos, sin) = self.wave(frequency);
        let design = DMatrix::from_columns(&[cos, sin]);
        let solution = design.clone().svd(true, true).solve(&self.values, 1e-12).ok()?;
        let (a, b) = (solution[0], solution[1]);
        let slope =
            self.function(|t| tau * t * (b * (tau * frequency * t).cos() - a * (tau * frequency * t).sin()));
        let dof = self.times.len() as f64 - self.base_functions() as f64 - 3.0;
        let left = (&self.values - &design * &solution).norm_squared() / dof;
        let whole = DMatrix::from_columns(&[design.column(0).into(), design.column(1).into(), slope]);
        let covariance = (whole.transpose() * &whole).try_inverse()? * left;
        let amplitude = a.hypot(b);
        let (u, v) = (a / amplitude, b / amplitude);
        let variance =
            u * u * covariance[(0, 0)] + 2.0 * u * v * covariance[(0, 1)] + v * v * covariance[(1, 1)];
        let fit = Fit {
            frequency_err: covariance[(2, 2)].max(0.0).sqrt(),
            amplitude,
            amplitude_err: variance.max(0.0).sqrt(),
        };
        [fit.frequency_err, fit.amplitude, fit.amplitude_err].iter().all(|v| v.is_finite()).then_some(fit)
    }
}
