//! What the registration of the exposures adds to the size of the combined PSF.
//!
//! At a place of the sky the exposures are added with offsets d_t: the combined PSF has the mean
//! second moments of the exposures and the mean of `(d_t - d̄)(d_t - d̄)ᵀ` on top, `dT/T = (xx + yy)/T`. The
//! offsets show in the centroids of the matched stars once every exposure is laid on their mean
//! places by a linear map, less what the centroids' own noise gives.

use rayon::prelude::*;

use super::super::model::{
    Estimate, ExposureRegistration, Reason, Registration, SmearTensor, ZoneRegistration,
};
use super::super::reasons;
use super::super::stack::{Exposure, Measured, Stack, detector_basis};
use crate::field::{FieldFit, Robustness, fit, robust::median};
use crate::frame::wcs::ra_difference_deg;
use crate::moments::Weight;
use crate::shear::Requirement as Limits;
use crate::table::StarTable;

/// Zones along each side of the detector.
const ZONES: usize = 3;
/// Fewest stars for a tensor.
const MIN_STARS: usize = 4;
/// Rounds of maps and mean places.
const ROUNDS: usize = 3;
/// Kept in every star's error, pixels, so that the brightest do not rule the maps.
const CENTROID_FLOOR_PIXELS: f64 = 0.01;
/// Share of the limit on size above which the smear is spoken of: it is not part of the change
/// that is held against that limit (our choice).
pub const SPOKEN_SHARE: f64 = 0.25;

/// How the numbers came about, as reports print it.
pub const FORMULA: &str = "dT/T = (xx + yy)/T, xx, yy, xy the mean products of the centroids' residuals after a \
     linear map of each exposure onto the stars' mean places, centroid noise sqrt(2) s/snr, scaled as the faint stars show it, removed; a lower bound \
     for a registration that does not use these stars";

/// Registration of the exposures at `places`; `None` where fewer than two share stars.
pub fn of_stack(
    stack: &Stack,
    places: &[usize],
    tables: &[StarTable],
    kernel_pix2: Option<f64>,
    limits: &Limits,
) -> Option<Registration> {
    let laid = Laid::on_mean_places(stack, places)?;
    let size = mean_size(stack, places)?;
    let mut exposures: Vec<(usize, Vec<Residual>)> =
        (0..places.len()).map(|k| (places[k], laid.residuals(stack, places, k))).collect();
    let noise_factor = noise_factor(exposures.iter().flat_map(|(_, residuals)| residuals));
    exposures.iter_mut().flat_map(|(_, residuals)| residuals).for_each(|r| r.noise *= noise_factor);
    let results: Vec<ExposureRegistration> = exposures
        .iter()
        .filter_map(|(place, residuals)| {
            let exposure = &stack.exposures[*place];
            Some(ExposureRegistration {
                file: tables.get(exposure.table).map(|t| t.file.clone()).unwrap_or_default(),
                stars: residuals.len() as u32,
                tensor: tensor(residuals)?,
                zones: zones(exposure, residuals),
            })
        })
        .collect();
    if results.len() < 2 {
        return None;
    }
    let n = results.len() as f64;
    let mean = |pick: fn(&SmearTensor) -> f64| results.iter().map(|r| pick(&r.tensor)).sum::<f64>() / n;
    let err = results.iter().map(|r| r.tensor.err.powi(2)).sum::<f64>().sqrt() / n;
    let tensor = SmearTensor { xx: mean(|t| t.xx), yy: mean(|t| t.yy), xy: mean(|t| t.xy), err };
    let smear = (tensor.xx + tensor.yy) / size;
    let kernel = kernel_pix2.map(|variance| 2.0 * variance / size);
    Some(Registration {
        method: "stars".into(),
        noise_factor,
        mean: tensor,
        size_smear: Estimate { value: Some(smear), err: Some(std::f64::consts::SQRT_2 * err / size) },
        kernel_smear: kernel,
        world_coordinates_smear: world_coordinates(stack, places, tables, size, noise_factor),
        spoken_limit: SPOKEN_SHARE * limits.size_limit,
        exposures: results,
        formula: FORMULA.into(),
    })
}

/// Where smear and kernel together are over their share of the limit, a reason.
pub fn reason(found: &Registration) -> Option<Reason> {
    let (smear, err) = (found.size_smear.value?, found.size_smear.err?);
    let real = smear > 2.0 * err;
    let added = if real { smear } else { 0.0 } + found.kernel_smear.unwrap_or(0.0);
    (added > found.spoken_limit).then(|| {
        let mut causes = Vec::new();
        if real {
            causes.push(format!("the registration {}", reasons::number(smear)));
        }
        if let Some(kernel) = found.kernel_smear {
            causes.push(format!("the resampling kernel {}", reasons::number(kernel)));
        }
        Reason {
            quantity: Some("added to size, of T".into()),
            value: Some(added),
            limit: Some(found.spoken_limit),
            ..reasons::plain(
                "registration",
                format!(
                    "Combining adds to the size of the PSF, of T: {}. It is in a PSF measured on the combined \
                     image, but not in the models of the exposures; spoken of above {} of T, a quarter of the limit.",
                    causes.join(" and "),
                    reasons::number(found.spoken_limit)
                ),
            )
        }
    })
}

/// One star's residual and the variance that noise gives each coordinate of it.
struct Residual {
    x: f64,
    y: f64,
    d: [f64; 2],
    noise: f64,
}

/// Every exposure laid on the stars' mean places.
struct Laid {
    /// Sum of places and of noise variances, and number of exposures, by star.
    stars: Vec<([f64; 2], f64, usize)>,
    /// x and y on the sky over the detector, one pair an exposure.
    maps: Vec<Option<[FieldFit; 2]>>,
}

impl Laid {
    fn on_mean_places(stack: &Stack, places: &[usize]) -> Option<Self> {
        let mut laid = Self { stars: Vec::new(), maps: places.iter().map(|_| None).collect() };
        for _ in 0..ROUNDS {
            laid.gather(stack, places);
            laid.maps = places.par_iter().map(|&t| laid.map(&stack.exposures[t])).collect();
        }
        laid.gather(stack, places);
        laid.maps.iter().any(Option::is_some).then_some(laid)
    }

    fn place(&self, k: usize, exposure: &Exposure, star: &Measured) -> Option<[f64; 2]> {
        match &self.maps[k] {
            Some([x, y]) => Some([x.predict(star.x, star.y).0, y.predict(star.x, star.y).0]),
            None => exposure.transform.map(|transform| transform.apply([star.x, star.y])),
        }
    }

    fn gather(&mut self, stack: &Stack, places: &[usize]) {
        let mut stars = vec![([0.0; 2], 0.0, 0); stack.common_stars];
        for (k, &t) in places.iter().enumerate() {
            for star in &stack.exposures[t].stars {
                let Some(identity) = star.identity() else { continue };
                let Some([x, y]) = self.place(k, &stack.exposures[t], star) else { continue };
                let (sum, noise, count) = &mut stars[identity];
                *sum = [sum[0] + x, sum[1] + y];
                *noise += star.centroid_err.powi(2);
                *count += 1;
            }
        }
        self.stars = stars;
    }

    fn mean(&self, star: &Measured) -> Option<[f64; 2]> {
        let ([x, y], _, count) = *self.stars.get(star.identity()?)?;
        (count > 1).then(|| [x / count as f64, y / count as f64])
    }

    fn shared<'a>(&self, exposure: &'a Exposure) -> Vec<(&'a Measured, [f64; 2])> {
        let usable = |star: &&Measured| star.centroid_err > 0.0 && star.centroid_err.is_finite();
        exposure.stars.iter().filter(usable).filter_map(|star| Some((star, self.mean(star)?))).collect()
    }

    fn map(&self, exposure: &Exposure) -> Option<[FieldFit; 2]> {
        let shared = self.shared(exposure);
        let basis = detector_basis(exposure.usable, 1)?;
        let pick = |value: fn(&(&Measured, [f64; 2])) -> f64| shared.iter().map(value).collect::<Vec<f64>>();
        let (xs, ys) = (pick(|s| s.0.x), pick(|s| s.0.y));
        let sigmas = pick(|s| s.0.centroid_err.hypot(CENTROID_FLOOR_PIXELS));
        let along = |values: Vec<f64>| fit(&basis, &xs, &ys, &values, &sigmas, Robustness::Bisquare).ok();
        Some([along(pick(|s| s.1[0]))?, along(pick(|s| s.1[1]))?])
    }

    /// Of the stars that the map did not reject. Noise: that of the star about the mean of
    /// its n places, `v (1 - 2/n) + Σv/n²`, less what the map takes up.
    fn residuals(&self, stack: &Stack, places: &[usize], k: usize) -> Vec<Residual> {
        let exposure = &stack.exposures[places[k]];
        let Some([x_map, y_map]) = &self.maps[k] else { return Vec::new() };
        let shared = self.shared(exposure);
        // Of the same stars as the fit, in the same order.
        (0..shared.len().min(x_map.weights.len()))
            .filter(|&i| x_map.weights[i] > 0.0 && y_map.weights[i] > 0.0)
            .filter_map(|i| {
                let (star, [x, y]) = shared[i];
                let [own_x, own_y] = self.place(k, exposure, star)?;
                let (_, total, count) = self.stars[star.identity()?];
                let n = count as f64;
                let noise = noise_about_mean(star, total, n);
                let free = (1.0 - x_map.leverage[i]).max(0.0);
                Some(Residual { x: star.x, y: star.y, d: [own_x - x, own_y - y], noise: noise * free })
            })
            .collect()
    }
}

/// Noise variance of a star's place about the mean of its n places, whose variances add up to `total`.
fn noise_about_mean(star: &Measured, total: f64, n: f64) -> f64 {
    star.centroid_err.powi(2) * (1.0 - 2.0 / n) + total / (n * n)
}

/// How the squares of the residuals grow with the stated noise variance over the whole stack, what
/// is common to all brightnesses set apart: `d² = a v + R` by weighted least squares. The formula
/// for the noise is that of a Gaussian star on white noise; real ones differ by some per cent, more
/// than a steady registration scatters. Held between a half and twice; 1 where all stars are alike.
fn noise_factor<'a>(residuals: impl Iterator<Item = &'a Residual>) -> f64 {
    let all: Vec<(f64, f64)> =
        residuals.map(|r| (r.noise, 0.5 * (r.d[0] * r.d[0] + r.d[1] * r.d[1]))).collect();
    let Some(typical) = median(&all.iter().map(|(v, _)| *v).collect::<Vec<f64>>()) else { return 1.0 };
    let weight = |v: f64| (v + typical).powi(-2);
    let total: f64 = all.iter().map(|(v, _)| weight(*v)).sum();
    let mean = |pick: fn(&(f64, f64)) -> f64| all.iter().map(|p| weight(p.0) * pick(p)).sum::<f64>() / total;
    let (v_mean, d_mean) = (mean(|p| p.0), mean(|p| p.1));
    let (spread, product) = (mean(|p| p.0 * p.0) - v_mean * v_mean, mean(|p| p.0 * p.1) - v_mean * d_mean);
    if spread > 0.01 * v_mean * v_mean { (product / spread).clamp(0.5, 2.0) } else { 1.0 }
}

/// Weighted mean products less the noise; a star counts by the inverse square of its noise
/// variance, that of the typical star added.
fn tensor(residuals: &[Residual]) -> Option<SmearTensor> {
    if residuals.len() < MIN_STARS {
        return None;
    }
    let typical = median(&residuals.iter().map(|r| r.noise).collect::<Vec<f64>>())?;
    let weight = |r: &Residual| (r.noise + typical.max(CENTROID_FLOOR_PIXELS.powi(2))).powi(-2);
    let total: f64 = residuals.iter().map(weight).sum();
    let mean = |value: &dyn Fn(&Residual) -> f64| {
        residuals.iter().map(|r| weight(r) * value(r)).sum::<f64>() / total
    };
    let error = |value: &dyn Fn(&Residual) -> f64| {
        let middle = mean(value);
        let square: f64 = residuals.iter().map(|r| (weight(r) * (value(r) - middle)).powi(2)).sum();
        square.sqrt() / total
    };
    let xx = |r: &Residual| r.d[0] * r.d[0] - r.noise;
    let yy = |r: &Residual| r.d[1] * r.d[1] - r.noise;
    let found = SmearTensor {
        xx: mean(&xx),
        yy: mean(&yy),
        xy: mean(&|r: &Residual| r.d[0] * r.d[1]),
        err: (0.5 * (error(&xx).powi(2) + error(&yy).powi(2))).sqrt(),
    };
    [found.xx, found.yy, found.xy, found.err].iter().all(|v| v.is_finite()).then_some(found)
}

fn zones(exposure: &Exposure, residuals: &[Residual]) -> Vec<ZoneRegistration> {
    let u = exposure.usable;
    let middle = |start: usize, length: usize, z: usize| {
        start as f64 + 0.5 + (z as f64 + 0.5) / ZONES as f64 * length as f64
    };
    (0..ZONES * ZONES)
        .filter_map(|z| {
            let own: Vec<Residual> = residuals
                .iter()
                .filter(|r| u.zone(r.x, r.y, ZONES) == z)
                .map(|r| Residual { x: r.x, y: r.y, d: r.d, noise: r.noise })
                .collect();
            Some(ZoneRegistration {
                x: middle(u.x0, u.width(), z % ZONES),
                y: middle(u.y0, u.height(), z / ZONES),
                stars: own.len() as u32,
                tensor: tensor(&own)?,
            })
        })
        .collect()
}

/// T of the typical star, pixels²; under a fixed weight of width w from its weighted moment m per
/// axis, `m w² / (w² - m)` each.
fn mean_size(stack: &Stack, places: &[usize]) -> Option<f64> {
    let sizes = places.iter().flat_map(|&t| stack.exposures[t].stars.iter().map(|s| s.log_size));
    let size = median(&sizes.collect::<Vec<f64>>())?.exp();
    match stack.weight {
        Weight::Adaptive => Some(size),
        Weight::Fixed(w) => {
            let m = 0.5 * size;
            Some(2.0 * m * w * w / (w * w - m)).filter(|t| *t > 0.0 && t.is_finite())
        }
    }
}

/// The same from the frames' own world coordinates, where all have them: scatter of each star's
/// sky position between the exposures, centroid noise removed. The error is the scatter between
/// the exposures.
fn world_coordinates(
    stack: &Stack,
    places: &[usize],
    tables: &[StarTable],
    size: f64,
    noise_factor: f64,
) -> Option<Estimate> {
    let scale = places.iter().find_map(|&t| tables.get(stack.exposures[t].table)?.facts.pixel_arcsec)?;
    let pixels_per_degree = 3600.0 / scale;
    let mut sums = vec![([0.0; 2], 0.0, 0usize); stack.common_stars];
    // Offsets from the star's first position, so that right ascension may pass 360.
    let mut first: Vec<Option<[f64; 2]>> = vec![None; stack.common_stars];
    let offset = |first: [f64; 2], [ra, dec]: [f64; 2]| {
        [
            ra_difference_deg(ra, first[0]) * first[1].to_radians().cos() * pixels_per_degree,
            (dec - first[1]) * pixels_per_degree,
        ]
    };
    let sky_of =
        |t: usize, star: &Measured| tables.get(stack.exposures[t].table)?.stars.get(star.place as usize)?.sky;
    for &t in places {
        for star in &stack.exposures[t].stars {
            let (Some(identity), Some(sky)) = (star.identity(), sky_of(t, star)) else { continue };
            let [x, y] = offset(*first[identity].get_or_insert(sky), sky);
            let (sum, noise, count) = &mut sums[identity];
            (*sum, *noise, *count) =
                ([sum[0] + x, sum[1] + y], *noise + star.centroid_err.powi(2), *count + 1);
        }
    }
    let of_exposure = |t: usize| {
        let residual = |star: &Measured| {
            let (identity, sky) = (star.identity()?, sky_of(t, star)?);
            let ([x, y], total, count) = sums[identity];
            let n = count as f64;
            let [own_x, own_y] = offset(first[identity]?, sky);
            let noise = noise_factor * noise_about_mean(star, total, n);
            (count > 1).then(|| Residual { x: star.x, y: star.y, d: [own_x - x / n, own_y - y / n], noise })
        };
        let residuals: Vec<Residual> = stack.exposures[t].stars.iter().filter_map(residual).collect();
        tensor(&residuals).map(|found| (found.xx + found.yy) / size)
    };
    let traces: Vec<f64> = places.iter().map(|&t| of_exposure(t)).collect::<Option<_>>()?;
    let n = traces.len() as f64;
    let mean = traces.iter().sum::<f64>() / n;
    let scatter = traces.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    Some(Estimate { value: Some(mean), err: Some((scatter / n).sqrt()) })
}

#[cfg(test)]
mod tests {
    use rand::RngExt;
    use rand_distr::StandardNormal;

    use super::*;
    use crate::shear::RequirementWish;
    use crate::verdict::fixture;

    /// Ten exposures of 150 stars of T = 2, `scatter` on top of the centroids' noise.
    fn found(scatter: f64, kernel: Option<f64>) -> Registration {
        let stack = fixture::stack(10, 150, |_, star, rng| {
            star.log_size = 2.0f64.ln();
            // From 0.03 to 0.003 pixel; a tenth more noise than stated.
            star.centroid_err = 0.03 * (star.flux / 1e3).powf(-0.5);
            let noise = 1.1 * star.centroid_err;
            let mut draw = || rng.sample::<f64, _>(StandardNormal);
            star.x += draw() * noise.hypot(scatter);
            star.y += draw() * noise.hypot(scatter);
        });
        let limits = Limits::resolve(&RequirementWish::default()).unwrap();
        of_stack(&stack, &(0..10).collect::<Vec<_>>(), &[], kernel, &limits).unwrap()
    }

    #[test]
    fn centroid_noise_alone_smears_nothing() {
        let found = found(0.0, None);
        let (value, err) = (found.size_smear.value.unwrap(), found.size_smear.err.unwrap());
        assert!(value.abs() < 3.5 * err && err < 1e-5, "{value} {err}");
        assert!((found.noise_factor - 1.21).abs() < 0.1, "{}", found.noise_factor);
        assert_eq!((found.exposures.len(), found.exposures[0].zones.len()), (10, 9));
        assert!(reason(&found).is_none());
    }

    /// A scatter of 0.034 pixel rms per axis adds 2 x 0.034^2 / 2 = 1.16e-3 to T = 2 (sigma 1 pixel); about
    /// the mean of ten exposures, nine tenths of it.
    #[test]
    fn a_scatter_adds_what_it_should() {
        let found = found(0.034, None);
        let (value, err) = (found.size_smear.value.unwrap(), found.size_smear.err.unwrap());
        let expected = 0.9 * 2.0 * 0.034f64.powi(2) / 2.0;
        // The linear maps take up 3 of 150 degrees of freedom.
        assert!((value - expected * 0.98).abs() < 3.5 * err && err < 0.1 * value, "{value} {err} {expected}");
        assert!(reason(&found).is_none(), "a twentieth of the limit");
    }

    #[test]
    fn smear_and_kernel_over_a_quarter_of_the_limit_are_spoken_of() {
        let by_scatter = reason(&found(0.1, None)).expect("0.009 of T");
        assert_eq!(by_scatter.code, "registration");
        let by_kernel = reason(&found(0.0, Some(0.05))).expect("0.05 of T");
        assert!(
            (by_kernel.value.unwrap() - 0.05).abs() < 1e-4 && by_kernel.text.contains("kernel"),
            "{by_kernel:?}"
        );
    }
}
