//! One cut-out to all its moments.

use nalgebra::SVector;
use ndarray::Array2;

use super::estimating::{Solution, Weight, solve_second, with_higher};
use super::grid::{Grid, PowerSums};
use super::noise::Noise;
use super::pixels::Gaussian;
use super::{HigherMoments, LADDER_SIGMA_PIXELS, MomentError, Shape};

/// Largest share of a star's weighted light on masked pixels, which are filled from the
/// fitted Gaussian. The fill is wrong by some per cent of itself for a diffraction PSF, so
/// this bounds the error of the moments to a few 1e-4.
const MAX_MASKED_SHARE: f64 = 0.01;

/// A weight must fit into its cut-out to this many sigma: `exp(-½ 3.5²) = 0.2 %` of the
/// peak weight, on wings that are themselves faint.
const REACH_SIGMAS: f64 = 3.5;

/// A square, sky-subtracted image of one star.
#[derive(Debug, Clone)]
pub struct Cutout {
    /// `[y, x]`, frame units; odd side.
    pub pixels: Array2<f32>,
    /// Noise variance of each pixel, frame units².
    pub variance: Array2<f32>,
    /// True where a pixel must not be used.
    pub mask: Array2<bool>,
}

impl StarMoments {
    /// The shape under `weight`: adaptive, or the rung of that width.
    pub fn shape_under(&self, weight: Weight) -> Option<Shape> {
        shape_under(self.adaptive, &self.ladder, weight)
    }
}

/// Of a star's shapes the one under `weight`.
pub fn shape_under(adaptive: Option<Shape>, ladder: &[Option<Shape>], weight: Weight) -> Option<Shape> {
    match weight {
        Weight::Adaptive => adaptive,
        Weight::Fixed(sigma) => {
            LADDER_SIGMA_PIXELS.iter().position(|&rung| rung == sigma).and_then(|k| *ladder.get(k)?)
        }
    }
}

/// All moments of one star. Positions are relative to the cut-out's central pixel.
#[derive(Debug, Clone)]
pub struct StarMoments {
    pub x: f64,
    pub y: f64,
    /// Error of each coordinate, pixels.
    pub position_err: f64,
    /// Flux through the matched Gaussian, `2 Σ W I`, or through the fixed weight.
    pub flux: f64,
    pub flux_err: f64,
    pub snr: f64,
    pub adaptive: Option<Shape>,
    pub ladder: [Option<Shape>; LADDER_SIGMA_PIXELS.len()],
    /// Under the primary weight.
    pub higher: Option<HigherMoments>,
}

/// Measures a star of roughly `sigma_guess` pixels at the cut-out's centre plus `offset`.
/// Flux, position and higher moments are those under the `primary` weight
/// ([`super::primary_weight`]); adaptive moments are reported wherever they exist.
///
/// Errors: [`MomentError`], when neither an adaptive nor a fixed weight gives moments.
pub fn measure(
    cutout: &Cutout,
    offset: (f64, f64),
    sigma_guess: f64,
    primary: Weight,
) -> Result<StarMoments, MomentError> {
    measure_from(cutout, &mut Grid::default(), offset, sigma_guess, primary, 0.0)
}

/// As [`measure`], but of a star below `least_snr`, where infinity means any, the moments under the primary weight alone, up
/// to the second. `grid` is to work in.
pub fn measure_from(
    cutout: &Cutout,
    grid: &mut Grid,
    offset: (f64, f64),
    sigma_guess: f64,
    primary: Weight,
    least_snr: f64,
) -> Result<StarMoments, MomentError> {
    let reach = (cutout.pixels.nrows() / 2) as f64;
    let guess = [offset.0, offset.1, sigma_guess * sigma_guess, 0.0, sigma_guess * sigma_guess];
    if !grid.take(&cutout.pixels, &cutout.variance) {
        return Err(MomentError::OutOfCutout);
    }
    let main = solve_with_fill(cutout, grid, primary, guess, reach)?;
    let sums = main.powers.as_deref().ok_or(MomentError::NotConverged)?;
    let higher = if main.snr() < least_snr { None } else { higher_of(grid, &main, sums) };
    let noise = match &higher {
        Some((_, noise)) => noise.of_second(),
        None => main.noise(sums).ok_or(MomentError::NotConverged)?,
    };
    let to_flux = flux_factor(&main, reach);
    let mut found = StarMoments {
        x: main.theta[0] - noise.bias[0],
        y: main.theta[1] - noise.bias[1],
        position_err: (0.5 * (noise.covariance[(0, 0)] + noise.covariance[(1, 1)])).sqrt(),
        flux: to_flux * main.weighted_flux,
        flux_err: to_flux * main.weighted_flux_variance.sqrt(),
        snr: main.snr(),
        adaptive: None,
        ladder: [None; LADDER_SIGMA_PIXELS.len()],
        higher: higher.map(|(theta, noise)| higher_moments(&theta, &noise)),
    };
    let own = shape(&main, &noise);
    match primary {
        Weight::Adaptive => found.adaptive = own,
        Weight::Fixed(sigma) => {
            for (rung, _) in found.ladder.iter_mut().zip(LADDER_SIGMA_PIXELS).filter(|(_, s)| *s == sigma) {
                *rung = own;
            }
        }
    }
    if found.snr < least_snr {
        return Ok(found);
    }
    if primary != Weight::Adaptive {
        let solved = solve_second(grid, Weight::Adaptive, guess, reach);
        found.adaptive = solved.ok().and_then(|solution| shape_with_noise(&solution));
    }
    let width = gaussian_of(&main);
    for (rung, sigma) in found.ladder.iter_mut().zip(LADDER_SIGMA_PIXELS) {
        if rung.is_none() && REACH_SIGMAS * sigma <= reach {
            let solved = solve_second(grid, Weight::Fixed(sigma), fixed_guess(width, sigma), reach);
            *rung = solved.ok().and_then(|solution| shape_with_noise(&solution));
        }
    }
    Ok(found)
}

/// The moments of all orders under the weight of a solution with these sums, which under an adaptive one are all there are.
fn higher_of(grid: &Grid, main: &Solution, sums: &PowerSums) -> Option<(SVector<f64, 10>, Noise<10>)> {
    match main.weight {
        Weight::Adaptive => with_higher(sums, main),
        Weight::Fixed(_) => with_higher(&grid.light_and_power(&main.weight.at(&main.place_of_sums())?), main),
    }
}

fn shape_with_noise(solution: &Solution) -> Option<Shape> {
    shape(solution, &solution.noise(solution.powers.as_deref()?)?)
}

/// The weighted second moment of the guessed Gaussian, as a start: `(M⁻¹ + 1/σ²)⁻¹`.
fn fixed_guess([x, y, xx, xy, yy]: [f64; 5], sigma: f64) -> [f64; 5] {
    let w2 = sigma * sigma;
    // M (M + σ²)⁻¹ σ²
    let (determinant, sum) = (xx * yy - xy * xy, (xx + w2) * (yy + w2) - xy * xy);
    let (a, b, c) = (determinant + w2 * xx, w2 * xy, determinant + w2 * yy);
    [x, y, a * w2 / sum, b * w2 / sum, c * w2 / sum]
}

/// Solves, filling masked pixels from the Gaussian of the moments until both agree.
fn solve_with_fill(
    cutout: &Cutout,
    grid: &mut Grid,
    weight: Weight,
    guess: [f64; 5],
    reach: f64,
) -> Result<Solution, MomentError> {
    let start = match weight {
        Weight::Adaptive => guess,
        Weight::Fixed(sigma) => fixed_guess(guess, sigma),
    };
    if cutout.mask.as_slice().is_some_and(|mask| !mask.contains(&true)) {
        return solve_second(grid, weight, start, reach);
    }
    let masked: Vec<usize> =
        cutout.mask.iter().enumerate().filter_map(|(k, &bad)| bad.then_some(k)).collect();
    let mut model = guess;
    let mut solution = None;
    for _ in 0..4 {
        let share = fill(grid, &masked, &model);
        if share > MAX_MASKED_SHARE {
            return Err(MomentError::Masked);
        }
        let solved = solve_second(grid, weight, start, reach)?;
        model = gaussian_of(&solved);
        solution = Some(solved);
    }
    solution.ok_or(MomentError::NotConverged)
}

/// The Gaussian `[x, y, Mxx, Mxy, Myy]` that has these weighted moments.
fn gaussian_of(solution: &Solution) -> [f64; 5] {
    let t = &solution.theta;
    match solution.weight {
        Weight::Adaptive => [t[0], t[1], t[2], t[3], t[4]],
        Weight::Fixed(sigma) => {
            let widen = |m: f64| {
                let inverse = 1.0 / m - 1.0 / (sigma * sigma);
                if inverse > 0.0 { 1.0 / inverse } else { m }
            };
            let m = widen(0.5 * (t[2] + t[4]));
            [t[0], t[1], m, 0.0, m]
        }
    }
}

/// Fills the masked pixels from a Gaussian whose amplitude fits the others; returns the
/// masked pixels' share of `Σ W²`, the weighted light of that Gaussian.
fn fill(grid: &mut Grid, masked: &[usize], model: &[f64; 5]) -> f64 {
    let gaussian = Gaussian::new(model[0], model[1], [model[2], model[3], model[4]]);
    let mut profile = Vec::new();
    let mut values = Vec::new();
    grid.for_each(|_, x, y, value| {
        profile.push(gaussian.map_or(0.0, |g| g.at(x - model[0], y - model[1])));
        values.push(value);
    });
    let mut is_masked = vec![false; profile.len()];
    for &k in masked {
        is_masked[k] = true;
    }
    let (mut light, mut square, mut lost) = (0.0, 0.0, 0.0);
    for ((&value, &w), &bad) in values.iter().zip(&profile).zip(&is_masked) {
        if bad {
            lost += w * w;
        } else {
            light += w * value;
            square += w * w;
        }
    }
    let amplitude = if square > 0.0 { light / square } else { 0.0 };
    for &k in masked {
        if let Some(value) = grid.value_mut(k) {
            *value = amplitude * profile[k];
        }
    }
    lost / (lost + square)
}

/// The shape of solved second moments, without noise bias: for pixels that are noise-free or
/// carry no noise model.
pub(super) fn shape_of(solution: &Solution) -> Option<Shape> {
    let none = Noise { bias: SVector::zeros(), covariance: nalgebra::SMatrix::zeros() };
    shape(solution, &none)
}

/// Second moments with the noise bias taken off, from a solution and its noise.
fn shape(solution: &Solution, noise: &Noise<5>) -> Option<Shape> {
    let clean = solution.theta - noise.bias;
    let (mxx, mxy, myy) = (clean[2], clean[3], clean[4]);
    let size = mxx + myy;
    let c = &noise.covariance;
    let variance_size = c[(2, 2)] + c[(4, 4)] + 2.0 * c[(2, 4)];
    let ratio = |k1: [f64; 3]| {
        // e = A / T with A a combination of (Mxx, Mxy, Myy), to second order.
        let k = [k1[0], k1[1], k1[2]];
        let a = k[0] * mxx + k[1] * mxy + k[2] * myy;
        let pick = |i: usize, j: usize| c[(2 + i, 2 + j)];
        let mut variance_a = 0.0;
        let mut covariance_at = 0.0;
        for i in 0..3 {
            covariance_at += k[i] * (pick(i, 0) + pick(i, 2));
            for j in 0..3 {
                variance_a += k[i] * k[j] * pick(i, j);
            }
        }
        let e = a / size;
        let bias = -covariance_at / size.powi(2) + e * variance_size / size.powi(2);
        let variance = (variance_a - 2.0 * e * covariance_at + e * e * variance_size) / size.powi(2);
        (e - bias, variance)
    };
    let (e1, variance1) = ratio([1.0, 0.0, -1.0]);
    let (e2, variance2) = ratio([0.0, 2.0, 0.0]);
    let [jx, jy] = &solution.jitter_response;
    let d_size = |j: &SVector<f64, 5>| (j[2] + j[4]) / size;
    let d_e1 = |j: &SVector<f64, 5>| (j[2] - j[4]) / size - e1 * d_size(j);
    let shape = Shape {
        mxx,
        myy,
        mxy,
        size,
        size_err: variance_size.sqrt(),
        e1,
        e2,
        e_err: (0.5 * (variance1 + variance2)).sqrt(),
        size_response: 0.5 * (d_size(jx) + d_size(jy)),
        e_response: 0.5 * (d_e1(jx) - d_e1(jy)),
    };
    let sane = size > 0.0
        && [shape.size_err, shape.e1, shape.e2, shape.e_err, shape.size_response, shape.e_response]
            .iter()
            .all(|value| value.is_finite());
    sane.then_some(shape)
}

fn higher_moments(theta: &SVector<f64, 10>, noise: &Noise<10>) -> HigherMoments {
    let clean = theta - noise.bias;
    let sigma = |k: usize| noise.covariance[(k, k)].sqrt();
    let pair = |k: usize| (0.5 * (noise.covariance[(k, k)] + noise.covariance[(k + 1, k + 1)])).sqrt();
    HigherMoments {
        coma1: clean[5],
        coma2: clean[6],
        coma_err: pair(5),
        trefoil1: clean[7],
        trefoil2: clean[8],
        trefoil_err: pair(7),
        kurtosis: clean[9],
        kurtosis_err: sigma(9),
    }
}

/// Flux of a Gaussian star over its weighted flux: 2 for the adaptive weight; for a fixed
/// one `(s² + σ²)/σ²` with `s` from the weighted moment.
fn flux_factor(solution: &Solution, reach: f64) -> f64 {
    match solution.weight {
        Weight::Adaptive => 2.0,
        Weight::Fixed(sigma) => {
            let s2 = gaussian_of(solution)[2].min(reach * reach);
            (s2 + sigma * sigma) / (sigma * sigma)
        }
    }
}

#[cfg(test)]
mod tests {
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    use super::*;

    fn gaussian(side: usize, x: f64, y: f64, m: [f64; 3], flux: f64) -> Array2<f32> {
        let half = (side / 2) as f64;
        let det = m[0] * m[2] - m[1] * m[1];
        Array2::from_shape_fn((side, side), |(r, c)| {
            let (dx, dy) = (c as f64 - half - x, r as f64 - half - y);
            let q = (m[2] * dx * dx - 2.0 * m[1] * dx * dy + m[0] * dy * dy) / det;
            (flux * (-0.5 * q).exp() / (2.0 * std::f64::consts::PI * det.sqrt())) as f32
        })
    }

    fn cutout(pixels: Array2<f32>, variance: f32) -> Cutout {
        let shape = pixels.raw_dim();
        Cutout { pixels, variance: Array2::from_elem(shape, variance), mask: Array2::from_elem(shape, false) }
    }

    #[test]
    fn a_noiseless_gaussian_gives_its_own_moments() {
        let image = gaussian(41, 0.3, -0.2, [4.0, 0.7, 3.0], 1e4);
        let found = measure(&cutout(image, 1e-8), (0.0, 0.0), 1.5, Weight::Adaptive).unwrap();
        let shape = found.adaptive.unwrap();
        assert!((found.x - 0.3).abs() < 1e-6 && (found.y + 0.2).abs() < 1e-6);
        assert!((shape.mxx - 4.0).abs() < 1e-5, "{shape:?}");
        assert!((shape.mxy - 0.7).abs() < 1e-5 && (shape.myy - 3.0).abs() < 1e-5);
        assert!((found.flux - 1e4).abs() < 0.01);
        let higher = found.higher.unwrap();
        assert!(higher.coma1.abs() < 1e-5 && (higher.kurtosis - 2.0).abs() < 1e-5);
    }

    #[test]
    fn a_gaussian_responds_to_jitter_as_its_inverse_size() {
        let image = gaussian(61, 0.0, 0.0, [4.0, 0.0, 4.0], 1e4);
        let shape =
            measure(&cutout(image, 1e-8), (0.0, 0.0), 1.5, Weight::Adaptive).unwrap().adaptive.unwrap();
        assert!((shape.size_response * 8.0 - 1.0).abs() < 1e-3, "{}", shape.size_response);
        assert!((shape.e_response * 8.0 - 1.0).abs() < 1e-3, "{}", shape.e_response);
    }

    #[test]
    fn a_masked_pixel_in_the_wing_is_filled_and_one_in_the_core_refused() {
        let mut wing = cutout(gaussian(31, 0.1, 0.0, [4.0, 0.0, 4.0], 1e4), 1.0);
        wing.pixels[(15, 20)] = 5e4;
        wing.mask[(15, 20)] = true;
        let shape = measure(&wing, (0.0, 0.0), 2.0, Weight::Adaptive).unwrap().adaptive.unwrap();
        assert!((shape.size - 8.0).abs() < 1e-3, "{shape:?}");
        let mut core = wing.clone();
        core.mask[(15, 15)] = true;
        assert_eq!(measure(&core, (0.0, 0.0), 2.0, Weight::Adaptive).unwrap_err(), MomentError::Masked);
    }

    /// White noise on a Gaussian star, reference.md section 1: σ(e) = σ(T)/T = 2/ν,
    /// σ(x) = √2 s/ν; section 4: σ(coma) = 1/ν, σ(trefoil) = √3/ν, σ(kurtosis) = 2/ν per
    /// component. Both the stated errors and the scatter must agree with it, and the
    /// means show no bias once it is removed.
    #[test]
    fn errors_and_bias_follow_the_published_noise_propagation() {
        let (s, nu, stars) = (2.0_f64, 40.0, 2000);
        let flux = nu * (4.0 * std::f64::consts::PI).sqrt() * s;
        let clean = gaussian(33, 0.2, -0.4, [s * s, 0.0, s * s], flux);
        let mut rng = rand::rngs::StdRng::seed_from_u64(11);
        let normal = Normal::new(0.0, 1.0).unwrap();
        let (mut sum, mut square) = ([0.0; 5], [0.0; 5]);
        let mut stated = [0.0; 5];
        for _ in 0..stars {
            let noisy = clean.mapv(|value| value + normal.sample(&mut rng) as f32);
            let found = measure(&cutout(noisy, 1.0), (0.0, 0.0), 1.8, Weight::Adaptive).unwrap();
            let (shape, higher) = (found.adaptive.unwrap(), found.higher.unwrap());
            let values = [shape.size / (2.0 * s * s), shape.e1, found.x, higher.coma1, higher.kurtosis];
            let errors = [
                shape.size_err / (2.0 * s * s),
                shape.e_err,
                found.position_err,
                higher.coma_err,
                higher.kurtosis_err,
            ];
            for k in 0..5 {
                sum[k] += values[k];
                square[k] += values[k] * values[k];
                stated[k] += errors[k];
            }
        }
        let n = f64::from(stars);
        let expected_mean = [1.0, 0.0, 0.2, 0.0, 2.0];
        let expected_sigma = [2.0 / nu, 2.0 / nu, 2_f64.sqrt() * s / nu, 1.0 / nu, 2.0 / nu];
        for k in 0..5 {
            let mean = sum[k] / n;
            let sigma = (square[k] / n - mean * mean).sqrt();
            // The scatter of a scatter is 1/√(2n) = 1.6 %; 3 sigma of it plus O(1/ν²).
            assert!((sigma / expected_sigma[k] - 1.0).abs() < 0.05, "{k}: {sigma} {}", expected_sigma[k]);
            assert!((stated[k] / n / sigma - 1.0).abs() < 0.05, "{k}: stated {} {sigma}", stated[k] / n);
            let tolerance = 4.0 * sigma / n.sqrt() + 0.3 / (nu * nu) * 0.2;
            assert!((mean - expected_mean[k]).abs() < tolerance, "{k}: {mean} +- {tolerance}");
        }
    }
}
