//! Each exposure's own PSF over the field: the model, its field means, and how well it
//! predicts stars that took no part in it.

use nalgebra::{DMatrix, DVector};
use ndarray::Array2;

use super::products::{FieldModel, FieldSample, StarPoint, ZoneImage};
use super::stack::{Exposure, Measured, detector_basis, grid_over};
use crate::field::{Basis, FieldFit, Robustness, basis::functions_of_degree, choose_degree, fit};
use crate::repeat::held_out::{HeldOut, model_error};
use crate::table::StarTable;

/// Highest degree a field model may have.
const MAX_DEGREE: usize = 4;
const FOLDS: usize = 8;

/// Zones along each side of the field for mean star images.
const ZONES: usize = 3;

/// Field means come from a fit of at least this degree where the stars bear it: held-out stars
/// may prefer a lower one, but what it misses of the field's curvature would shift the mean.
const MEAN_DEGREE: usize = 2;

/// One exposure's model and what it tells.
#[derive(Debug, Clone)]
pub struct OwnModel {
    pub size: FieldFit,
    pub e1: FieldFit,
    pub e2: FieldFit,
    /// The fits behind the field means: size, e1, e2.
    for_means: [FieldFit; 3],
    /// What held-out stars scatter beyond their errors: size, e1, e2.
    pub excess: [f64; 3],
    /// Whether a star is an outlier of none of the three.
    pub keeps: Vec<bool>,
}

/// The stars of one exposure, each held out of the model.
#[derive(Debug, Clone)]
pub struct HeldOutStars {
    pub size: HeldOut,
    pub e: [HeldOut; 2],
}

/// Field means of an exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldMeans {
    /// T, pixels².
    pub size: f64,
    pub size_err: f64,
    pub e1: f64,
    pub e2: f64,
    pub e_err: f64,
}

impl OwnModel {
    /// Fits ln T and e of one exposure, each of the degree its held-out stars prefer. What
    /// those stars scatter beyond their errors (pairs, contamination, finer structure) is
    /// added to every star's error, so that the brightest do not count for more than they
    /// are worth. `None` where the stars do not bear even a constant.
    pub fn fit(exposure: &Exposure) -> Option<(Self, HeldOutStars)> {
        let pick = |value: fn(&Measured) -> f64| exposure.stars.iter().map(value).collect::<Vec<f64>>();
        let (xs, ys) = (pick(|s| s.x), pick(|s| s.y));
        let stars = xs.len();
        let widest = (0..=MAX_DEGREE).rev().find(|&d| 3 * functions_of_degree(d) <= stars)?;
        let folds = FOLDS.min(stars);
        let model = |values: &[f64], sigmas: &[f64]| -> Option<(FieldFit, FieldFit, f64, HeldOut)> {
            let full = detector_basis(exposure.usable, widest)?;
            let choice = choose_degree(&full, &xs, &ys, values, sigmas, folds).ok()?;
            let basis = full.truncated(choice.degree);
            let held_out = HeldOut::of(&choice.residuals, sigmas);
            let excess = model_error(&[&held_out], 0.95).ok().flatten();
            let excess = excess.map_or(0.0, |error| error.rms);
            let sigmas: Vec<f64> = sigmas.iter().map(|sigma| sigma.hypot(excess)).collect();
            let fit_on = |basis| fit(basis, &xs, &ys, values, &sigmas, Robustness::Bisquare).ok();
            let fitted = FieldFit { leverage: Vec::new(), ..fit_on(&basis)? };
            let for_mean = match choice.degree {
                MEAN_DEGREE.. => fitted.clone(),
                _ => fit_on(&full.truncated(MEAN_DEGREE))?,
            };
            Some((fitted, for_mean.without_stars(), excess, held_out))
        };
        let e_err = pick(|s| s.e_err);
        let (size, mean_size, size_excess, held_out_size) =
            model(&pick(|s| s.log_size), &pick(|s| s.log_size_err))?;
        let (e1, mean_e1, e1_excess, held_out_e1) = model(&pick(|s| s.e1), &e_err)?;
        let (e2, mean_e2, e2_excess, held_out_e2) = model(&pick(|s| s.e2), &e_err)?;
        let (for_means, excess) = ([mean_size, mean_e1, mean_e2], [size_excess, e1_excess, e2_excess]);
        let held_out = HeldOutStars { size: held_out_size, e: [held_out_e1, held_out_e2] };
        let keeps = (0..stars).map(|i| [&size, &e1, &e2].iter().all(|fit| fit.weights[i] > 0.0)).collect();
        let [size, e1, e2] = [size, e1, e2].map(|fit| FieldFit { weights: Vec::new(), ..fit });
        Some((Self { size, e1, e2, for_means, excess, keeps }, held_out))
    }

    /// Means over the whole usable field.
    pub fn means(&self, exposure: &Exposure) -> FieldMeans {
        let [ln_size, e1, e2] = &self.for_means;
        let grid = grid_over(exposure.usable);
        let size = grid.iter().map(|[x, y]| ln_size.value(*x, *y).exp()).sum::<f64>() / grid.len() as f64;
        let ((e1, err1), (e2, err2)) = (e1.field_mean(), e2.field_mean());
        FieldMeans {
            size,
            size_err: size * ln_size.field_mean().1,
            e1,
            e2,
            e_err: (0.5 * (err1 * err1 + err2 * err2)).sqrt(),
        }
    }

    /// The model at evenly spaced places, for figures.
    pub fn samples(&self, exposure: &Exposure, side: usize) -> Vec<FieldSample> {
        let u = exposure.usable;
        let at = |start: usize, length: usize, k: usize| {
            start as f64 - 0.5 + (k as f64 + 0.5) / side as f64 * length as f64
        };
        (0..side * side)
            .map(|k| {
                let (x, y) = (at(u.x0, u.width(), k % side), at(u.y0, u.height(), k / side));
                FieldSample {
                    x,
                    y,
                    ln_size: self.size.value(x, y),
                    e1: self.e1.value(x, y),
                    e2: self.e2.value(x, y),
                }
            })
            .collect()
    }

    /// The stars with what the model leaves of them, for figures.
    pub fn star_points(&self, exposure: &Exposure) -> Vec<StarPoint> {
        exposure
            .stars
            .iter()
            .enumerate()
            .map(|(k, s)| StarPoint {
                x: s.x,
                y: s.y,
                ln_size: s.log_size,
                e1: s.e1,
                e2: s.e2,
                kept: self.keeps[k],
                residual: Some([self.size.residuals[k], self.e1.residuals[k], self.e2.residuals[k]]),
            })
            .collect()
    }

    /// The model as plain polynomials, with mean star images by zone.
    pub fn field_model(&self, exposure: &Exposure, table: &StarTable) -> Option<FieldModel> {
        let u = exposure.usable;
        let degree = self.size.basis.degree().max(self.e1.basis.degree()).max(self.e2.basis.degree());
        let powers: Vec<(u32, u32)> =
            (0..=degree as u32).flat_map(|d| (0..=d).map(move |j| (d - j, j))).collect();
        let (x_half, y_half) = (0.5 * u.width() as f64, 0.5 * u.height() as f64);
        let (x_middle, y_middle) = (u.x0 as f64 - 0.5 + x_half, u.y0 as f64 - 0.5 + y_half);
        let frame = Monomials { powers: &powers, x_middle, x_half, y_middle, y_half };
        let (ln_size, ln_size_covariance) = frame.of(&self.size)?;
        let (e1, e1_covariance) = frame.of(&self.e1)?;
        let (e2, e2_covariance) = frame.of(&self.e2)?;
        Some(FieldModel {
            file: table.file.clone(),
            pixel_arcsec: table.facts.pixel_arcsec,
            x_middle,
            x_half,
            y_middle,
            y_half,
            degree: degree as u32,
            zones: zone_images(table),
            ln_size,
            e1,
            e2,
            ln_size_covariance,
            e1_covariance,
            e2_covariance,
            powers,
        })
    }
}

/// Powers of the scaled coordinates `u = (x - x_middle)/x_half`, `v` likewise.
struct Monomials<'a> {
    powers: &'a [(u32, u32)],
    x_middle: f64,
    x_half: f64,
    y_middle: f64,
    y_half: f64,
}

impl Monomials<'_> {
    /// Coefficients and covariance of a fit in monomials: with `φ_k = Σ_j A_kj u^i v^j`, found
    /// exactly from as many points as are needed, `c' = Aᵀ c` and `C' = Aᵀ C A`.
    fn of(&self, fit: &FieldFit) -> Option<(Vec<f64>, Array2<f64>)> {
        let a = self.of_basis(&fit.basis)?;
        let coefficients: DVector<f64> = a.transpose() * &fit.coefficients;
        let covariance: DMatrix<f64> = a.transpose() * &fit.covariance * &a;
        let terms = self.powers.len();
        let covariance = Array2::from_shape_fn((terms, terms), |(i, j)| covariance[(i, j)]);
        Some((coefficients.iter().copied().collect(), covariance))
    }

    /// `A`, functions by monomials.
    fn of_basis(&self, basis: &Basis) -> Option<DMatrix<f64>> {
        let side = basis.degree() + 2;
        let node = |k: usize| 2.0 * (k as f64 + 0.5) / side as f64 - 1.0;
        let points: Vec<(f64, f64)> = (0..side * side).map(|k| (node(k % side), node(k / side))).collect();
        let used: Vec<usize> = (0..self.powers.len())
            .filter(|&j| (self.powers[j].0 + self.powers[j].1) as usize <= basis.degree())
            .collect();
        let monomial =
            |(u, v): (f64, f64), j: usize| u.powi(self.powers[j].0 as i32) * v.powi(self.powers[j].1 as i32);
        let design = DMatrix::from_fn(points.len(), used.len(), |i, j| monomial(points[i], used[j]));
        let values = DMatrix::from_fn(points.len(), basis.functions(), |i, k| {
            let (u, v) = points[i];
            basis.evaluate(self.x_middle + u * self.x_half, self.y_middle + v * self.y_half)[k]
        });
        let solved = design.svd(true, true).solve(&values, 1e-12).ok()?;
        let mut a = DMatrix::zeros(basis.functions(), self.powers.len());
        for (row, &j) in used.iter().enumerate() {
            for k in 0..basis.functions() {
                a[(k, j)] = solved[(row, k)];
            }
        }
        Some(a)
    }
}

/// Mean star images by zone of the field, each star moved onto the pixel grid and all
/// weighted by their flux.
pub(super) fn zone_images(table: &StarTable) -> Vec<ZoneImage> {
    (0..ZONES * ZONES)
        .filter_map(|z| {
            let members: Vec<_> = table
                .stars
                .iter()
                .filter(|s| s.refused.is_none())
                .filter(|s| table.usable.zone(s.x, s.y, ZONES) == z)
                .filter_map(|s| Some((s, s.cutout.as_deref()?, s.cutout_mask.as_deref()?)))
                .collect();
            let side = members.first()?.1.nrows();
            let (mut sum, mut weight) =
                (Array2::<f64>::zeros((side, side)), Array2::<f64>::zeros((side, side)));
            for (star, pixels, mask) in &members {
                add_centred(
                    &mut sum,
                    &mut weight,
                    pixels,
                    mask,
                    star.x - star.x.round(),
                    star.y - star.y.round(),
                );
            }
            let mut image = sum;
            image.zip_mut_with(&weight, |value, w| *value = if *w > 0.0 { *value / w } else { 0.0 });
            let total = image.sum();
            let n = members.len() as f64;
            (total > 0.0).then(|| ZoneImage {
                x: members.iter().map(|m| m.0.x).sum::<f64>() / n,
                y: members.iter().map(|m| m.0.y).sum::<f64>() / n,
                stars: members.len() as u32,
                image: image.mapv(|value| (value / total) as f32),
            })
        })
        .collect()
}

/// Adds a cut-out moved by minus its sub-pixel offset, by cubic convolution (Keys 1981, IEEE
/// Trans. Acoust. Speech Signal Process. 29, 1153; reference from memory). Not divided by the
/// flux: bright stars count most.
fn add_centred(
    sum: &mut Array2<f64>,
    weight: &mut Array2<f64>,
    pixels: &Array2<f32>,
    mask: &Array2<bool>,
    dx: f64,
    dy: f64,
) {
    let (height, width) = pixels.dim();
    let kernel = |t: f64| {
        let t = t.abs();
        if t < 1.0 {
            1.5 * t.powi(3) - 2.5 * t.powi(2) + 1.0
        } else if t < 2.0 {
            -0.5 * t.powi(3) + 2.5 * t.powi(2) - 4.0 * t + 2.0
        } else {
            0.0
        }
    };
    let flux: f64 = pixels.iter().map(|&value| f64::from(value)).sum::<f64>().max(0.0);
    for y in 2..height.saturating_sub(2) {
        for x in 2..width.saturating_sub(2) {
            let (px, py) = (x as f64 + dx, y as f64 + dy);
            let (x0, y0) = (px.floor() as usize, py.floor() as usize);
            let near = (y0 - 1..=y0 + 2).flat_map(|j| (x0 - 1..=x0 + 2).map(move |i| (j, i)));
            let (mut value, mut whole) = (0.0, true);
            for (j, i) in near {
                match (pixels.get((j, i)), mask.get((j, i))) {
                    (Some(&pixel), Some(false)) => {
                        value += f64::from(pixel) * kernel(px - i as f64) * kernel(py - j as f64);
                    }
                    _ => whole = false,
                }
            }
            if whole {
                sum[(y, x)] += value;
                weight[(y, x)] += flux;
            }
        }
    }
}
