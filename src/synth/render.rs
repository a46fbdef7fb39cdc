//! Noise-free electrons of one exposure.

use ndarray::{Array2, s};

use super::SynthError;
use super::scene::Scene;
use super::sequence::Exposure;
use super::sources::{Kind, Source};
use crate::optics::{Propagator, Psf};

/// A source as it falls on one exposure.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed {
    pub id: usize,
    pub kind: &'static str,
    /// Where the optical axis point falls, 0-based pixels.
    pub x: f64,
    pub y: f64,
    pub flux_electrons: f64,
}

/// Smallest half-side of a star's stamp, pixels.
const SMALLEST_REACH: f64 = 12.0;
/// A stamp ends where the wings' mean brightness is this share of the pixel noise.
const WING_SHARE_OF_NOISE: f64 = 0.02;

/// Expected electrons per pixel, `[y, x]`, and the sources that fall on the frame.
pub(super) fn render(
    scene: &Scene,
    exposure: &Exposure,
    sources: &[Source],
    propagator: &Propagator,
) -> Result<(Array2<f64>, Vec<Placed>), SynthError> {
    let mut electrons = sky(scene, exposure);
    let mut placed = Vec::new();
    let psf_at = |pixel: [f64; 2]| {
        propagator
            .psf(&exposure.wavefront(pixel), &exposure.blur)
            .map_err(|source| SynthError::Optics { number: exposure.index + 1, source })
    };
    let uniform = if exposure.pattern.is_uniform() { Some(psf_at([0.0; 2])?) } else { None };

    let noise = (exposure.sky_electrons + scene.detector.read_noise.powi(2)).sqrt().max(1.0);
    for source in sources {
        let [x, y] = exposure.geometry.to_pixel(source.place);
        let flux = source.flux * exposure.transparency;
        let mut reach = wing_reach(scene, flux, noise);
        if let Kind::Galaxy { scale_pixels, .. } = source.kind {
            reach += 8.0 * scale_pixels;
        }
        let (width, height) = (scene.detector.width as f64, scene.detector.height as f64);
        if flux <= 0.0 || x < -reach || y < -reach || x > width + reach || y > height + reach {
            continue;
        }
        let own;
        let psf = match &uniform {
            Some(psf) => psf,
            None => {
                own = psf_at([x, y])?;
                &own
            }
        };
        let kind = match source.kind {
            Kind::Star => "star",
            Kind::Companion => "companion",
            Kind::Galaxy { .. } => "galaxy",
        };
        if let Kind::Galaxy { scale_pixels, e1, e2 } = source.kind {
            // Turned with the sky: ellipticity goes round by twice the angle.
            let (sin, cos) = (2.0 * exposure.geometry.rotation_deg.to_radians()).sin_cos();
            let (e1, e2) = (e1 * cos - e2 * sin, e1 * sin + e2 * cos);
            let galaxy = psf.convolved_with_exponential(scale_pixels, e1, e2);
            add_stamp(&mut electrons, &galaxy, x, y, flux, reach);
        } else {
            add_stamp(&mut electrons, psf, x, y, flux, reach);
        }
        if x > -0.5 && y > -0.5 && x < width - 0.5 && y < height - 0.5 {
            placed.push(Placed { id: source.id, kind, x, y, flux_electrons: flux });
        }
    }
    Ok((electrons, placed))
}

/// Sky with its gradient, and the nebula.
fn sky(scene: &Scene, exposure: &Exposure) -> Array2<f64> {
    let geometry = exposure.geometry;
    let [gx, gy] = scene.stars.sky_gradient;
    Array2::from_shape_fn((geometry.height, geometry.width), |(row, column)| {
        let pixel = [column as f64, row as f64];
        let [x, y] = geometry.unit(pixel);
        let mut electrons = exposure.sky_electrons * (1.0 + gx * x + gy * y).max(0.0);
        if let Some(nebula) = &scene.stars.nebula {
            let [u, v] = geometry.to_sky(pixel);
            let (du, dv) = (u - nebula.offset_pixels[0], v - nebula.offset_pixels[1]);
            let r2 = (du * du + dv * dv) / (nebula.sigma_pixels * nebula.sigma_pixels);
            electrons += exposure.transparency * nebula.peak_electrons * (-0.5 * r2).exp();
        }
        electrons
    })
}

/// Distance at which a star's wings, on the mean over the rings
/// `flux (lambda / D) / (pi^3 (1 - obstruction) r^3)`, sink in the noise, pixels.
fn wing_reach(scene: &Scene, flux: f64, noise: f64) -> f64 {
    let width = scene.optics.telescope().lambda_over_d_arcsec() / scene.detector.pixel_arcsec;
    let limit = WING_SHARE_OF_NOISE * noise;
    let cube = flux * width / (std::f64::consts::PI.powi(3) * (1.0 - scene.optics.obstruction) * limit);
    cube.cbrt().max(SMALLEST_REACH)
}

/// Adds a source to the image where its stamp and the image overlap.
fn add_stamp(electrons: &mut Array2<f64>, psf: &Psf, x: f64, y: f64, flux: f64, reach: f64) {
    let half = reach.min(0.5 * psf.period_pixels() - 1.0).floor();
    let side = 2 * half as usize + 1;
    let (left, bottom) = (x.round() - half, y.round() - half);
    let (rows, columns) = electrons.dim();
    let overlap = |start: f64, length: usize| {
        let first = (-start).max(0.0).min(side as f64) as usize;
        let last = (length as f64 - start).max(0.0).min(side as f64) as usize;
        (first, last.max(first))
    };
    let ((x0, x1), (y0, y1)) = (overlap(left, columns), overlap(bottom, rows));
    if x0 == x1 || y0 == y1 {
        return;
    }
    let stamp = psf.image(side, x - left, y - bottom);
    let (column, row) = ((left + x0 as f64) as usize, (bottom + y0 as f64) as usize);
    electrons
        .slice_mut(s![row..row + (y1 - y0), column..column + (x1 - x0)])
        .scaled_add(flux, &stamp.slice(s![y0..y1, x0..x1]));
}
