//! Optics and jitter of a stack: the forward model fitted to each exposure's cut-outs where
//! the telescope is known, the estimate from moments beside it always.

use rayon::prelude::*;

use super::super::model::{JitterTensor, Reason, Verdict};
use super::super::optics_model::*;
use super::super::products::{OpticsPicture, OpticsZone};
use super::super::stack::Stack;
use super::sky_angle::{position_angle, sky_axes};
use super::{blur, optics_stack};
use crate::optics::fit::budget::Shapes;
use crate::optics::fit::parameters::{PATTERN, Values, name};
use crate::optics::fit::{ExposureFit, FitError, Fitter, Known, Noise, StarImage, TensorAxes, ZoneResidual};
use crate::optics::fit::{changes, degenerate};
use crate::optics::{Telescope, Vanes};
use crate::settings::Settings;
use crate::table::StarTable;

/// Trailing is tried where the jitter's long axis stands out of the short by so many errors,
/// and preferred where it lowers chi-square by so much.
const TRAILING_SIGMAS: f64 = 5.0;
const TRAILING_CHI2: f64 = 25.0;

/// One exposure of the stack as it was fitted.
pub struct Fitted {
    /// Its place in the stack.
    pub place: usize,
    pub fit: ExposureFit,
    /// With trailing, and what it wins in chi-square.
    pub trailing: Option<(ExposureFit, f64)>,
}

/// What the optics say of a stack.
#[derive(Debug, Clone)]
pub struct Found {
    pub optics: Optics,
    /// The reasons it gives.
    pub reasons: Vec<Reason>,
    pub pictures: Vec<OpticsPicture>,
}

/// `None` without exposures.
pub fn of_stack(tables: &[StarTable], stack: &Stack, settings: &Settings) -> Option<Found> {
    if stack.exposures.is_empty() {
        return None;
    }
    let members: Vec<&StarTable> = stack.exposures.iter().map(|e| &tables[e.table]).collect();
    let mut optics = Optics { method: "moments".into(), ..Optics::default() };
    optics.exposures = members
        .iter()
        .map(|t| ExposureOptics { file: t.file.clone(), blur: None, fit: None, note: None })
        .collect();
    let mut pictures = Vec::new();
    let mut reasons = match known(settings, &members) {
        Ok((known, notes)) => {
            optics.notes.extend(notes);
            optics.telescope = Some(facts(&known));
            add_fits(&mut optics, &mut pictures, &known, &members, settings.telescope.focus_nm_per_step)
        }
        Err(why) => {
            optics.notes.push(why);
            Vec::new()
        }
    };
    let asked = blur::Asked {
        reasons: optics.method == "moments",
        facts_known: optics.telescope.is_some(),
        confidence: settings.requirement.confidence,
    };
    let blurred = blur::of_stack(&members, stack, asked);
    optics.exposures.iter_mut().zip(blurred.changes).for_each(|(row, change)| row.blur = change);
    optics.summary.extend(blurred.reasons.iter().map(|r| r.text.clone()));
    reasons.extend(blurred.reasons);
    Some(Found { optics, reasons, pictures })
}

/// The forward model's part; gives its reasons.
fn add_fits(
    optics: &mut Optics,
    pictures: &mut Vec<OpticsPicture>,
    known: &Known,
    members: &[&StarTable],
    focus_nm_per_step: Option<f64>,
) -> Vec<Reason> {
    let results = match fit_all(known, members) {
        Ok(results) => results,
        Err(error) => {
            optics.notes.push(format!("the optics were not fitted: {error}"));
            return Vec::new();
        }
    };
    let mut fitted = Vec::new();
    for (place, result) in results.into_iter().enumerate() {
        match result {
            Ok((fit, trailing)) => fitted.push(Fitted { place, fit, trailing }),
            Err(error) => optics.exposures[place].note = Some(error.to_string()),
        }
    }
    if fitted.is_empty() {
        return Vec::new();
    }
    pictures.extend(worst_pictures(&fitted, members));
    optics.method = "forward-fit".into();
    optics_stack::describe(optics, fitted, known, members, focus_nm_per_step)
}

/// Pictures of the fits that leave most.
fn worst_pictures(fitted: &[Fitted], members: &[&StarTable]) -> Vec<OpticsPicture> {
    const SHOWN: usize = 24;
    let mut worst: Vec<&Fitted> = fitted.iter().collect();
    worst.sort_by(|a, b| b.fit.chi2_per_degree().total_cmp(&a.fit.chi2_per_degree()));
    let zone = |z: &ZoneResidual| OpticsZone {
        cell: z.cell,
        stars: u32::try_from(z.stars).unwrap_or(u32::MAX),
        chi2_per_degree: z.chi2 / z.degrees_of_freedom.max(1) as f64,
        data: (&z.model + &z.residual).mapv(|v| v as f32),
        model: z.model.mapv(|v| v as f32),
        error: z.error,
    };
    let picture = |f: &Fitted| OpticsPicture {
        file: members[f.place].file.clone(),
        chi2_per_degree: f.fit.chi2_per_degree(),
        side: f.fit.zones.first().map_or(0, |z| z.side),
        zones: f.fit.zones.iter().map(zone).collect(),
    };
    worst.into_iter().take(SHOWN).map(picture).collect()
}

/// Writes it into a verdict: the section, the exposures' jitter and the reasons.
pub fn write(verdict: &mut Verdict, found: &Found) {
    let (optics, reasons) = (&found.optics, &found.reasons);
    for exposure in &optics.exposures {
        let row = verdict.exposures.iter_mut().find(|e| e.file == exposure.file);
        if let Some((row, fit)) = row.zip(exposure.fit.as_ref()) {
            let j = &fit.jitter;
            row.jitter_mas2 = Some(JitterTensor { xx: j.xx_mas2, yy: j.yy_mas2, xy: j.xy_mas2 });
        }
    }
    verdict.reasons.extend(reasons.iter().cloned());
    verdict.optics = Some(optics.clone());
}

fn facts(known: &Known) -> TelescopeFacts {
    TelescopeFacts {
        aperture_m: known.telescope.aperture_m,
        obstruction: known.telescope.obstruction,
        wavelength_nm: known.telescope.wavelength_nm,
        bandwidth_nm: known.telescope.bandwidth_nm,
        pixel_arcsec: known.pixel_arcsec,
        diffusion_pixels: known.diffusion_pixels,
    }
}

/// What is known of the telescope, with remarks; or why it cannot be modelled.
fn known(settings: &Settings, members: &[&StarTable]) -> Result<(Known, Vec<String>), String> {
    let t = &settings.telescope;
    let pixel_arcsec = t.pixel_arcsec.or(members.iter().find_map(|m| m.facts.pixel_arcsec));
    let needed = [
        ("telescope.aperture_m", t.aperture_m),
        ("telescope.obstruction", t.obstruction),
        ("telescope.wavelength_nm", t.wavelength_nm),
        ("telescope.pixel_arcsec", pixel_arcsec),
    ];
    let missing: Vec<&str> = needed.iter().filter(|(_, v)| v.is_none()).map(|(name, _)| *name).collect();
    let (Some(aperture_m), Some(obstruction), Some(wavelength_nm), Some(pixel_arcsec)) =
        (t.aperture_m, t.obstruction, t.wavelength_nm, pixel_arcsec)
    else {
        return Err(format!(
            "the telescope is not modelled, as the settings do not give {}: only the estimate from moments",
            missing.join(", ")
        ));
    };
    let mut notes = Vec::new();
    if t.bandwidth_nm.is_none() {
        notes.push("telescope.bandwidth_nm is not given: one wavelength stands for the band".into());
    }
    if members.iter().any(|m| m.facts.gain.is_none()) {
        notes.push(
            "an exposure's gain is not known: the stars' own noise is taken as 1 % of their light in each pixel"
                .into(),
        );
    }
    let bandwidth_nm = t.bandwidth_nm.unwrap_or(0.0);
    let vanes = t.vane_count.zip(t.vane_width_m).zip(t.vane_angle_deg);
    let vanes = vanes.map(|((count, width_m), angle_deg)| Vanes { count, width_m, angle_deg });
    let telescope =
        Telescope { bandwidth_nm, vanes, ..Telescope::monochromatic(aperture_m, obstruction, wavelength_nm) };
    let diffusion_pixels = settings.detector.diffusion_pixels;
    Ok((Known { telescope, pixel_arcsec, diffusion_pixels }, notes))
}

type FitResult = Result<(ExposureFit, Option<(ExposureFit, f64)>), FitError>;

/// Fits all exposures: the one with most stars from nothing, the others from it. So the stack's other
/// exposures enter each fit, by where it starts: a watch cannot keep the fits of an exposure by its star
/// table, and give what `check` gives of the same frames.
fn fit_all(known: &Known, members: &[&StarTable]) -> Result<Vec<FitResult>, FitError> {
    let fitter = Fitter::new(known)?;
    let images: Vec<Vec<StarImage>> = members.iter().map(|t| star_images(t)).collect();
    let mut order: Vec<usize> = (0..members.len()).collect();
    order.sort_by_key(|&k| std::cmp::Reverse(images[k].len()));
    let start = order
        .iter()
        .take(3)
        .find_map(|&k| fitter.fit(&images[k], noise(members[k]), None).ok())
        .map(|fit| fit.values);
    let one = |(stars, table): (&Vec<StarImage>, &&StarTable)| -> FitResult {
        let noise = noise(table);
        let fit = fitter.fit(stars, noise, start.as_ref())?;
        // Far from its neighbours an exposure may end in a wrong valley: try from nothing too.
        let fit = match fit.chi2_per_degree() > POOR {
            true => match fitter.fit(stars, noise, None) {
                Ok(other) if other.chi2_per_degree() < fit.chi2_per_degree() => other,
                _ => fit,
            },
            false => fit,
        };
        let trailing = looks_trailed(&fit).then(|| fitter.fit_trailing(stars, noise, &fit).ok()).flatten();
        Ok((fit, trailing))
    };
    Ok(images.par_iter().zip(members).map(one).collect())
}

/// A chi-square per degree of freedom over which a fit is called poor.
pub const POOR: f64 = 1.15;

fn looks_trailed(fit: &ExposureFit) -> bool {
    let axes = TensorAxes::of(fit.values.jitter_mas2);
    let error = fit.error(PATTERN).hypot(fit.error(PATTERN + 1));
    axes.major_mas2 - axes.minor_mas2.max(0.0) > TRAILING_SIGMAS * error
}

fn noise(table: &StarTable) -> Noise {
    Noise { sky_noise: table.sky_noise, gain: table.facts.gain }
}

/// The kept stars with cut-outs, places in half-diagonals from the middle of the frame.
fn star_images(table: &StarTable) -> Vec<StarImage> {
    let (width, height) = (table.width as f64, table.height as f64);
    let half = 0.5 * width.hypot(height);
    let kept = table.stars.iter().filter(|s| s.refused.is_none());
    kept.filter_map(|star| {
        let place = [(star.x - 0.5 * (width - 1.0)) / half, (star.y - 0.5 * (height - 1.0)) / half];
        Some(StarImage {
            place,
            pixels: star.cutout.as_deref()?.clone(),
            mask: star.cutout_mask.as_deref()?.clone(),
            centre: [star.x - star.x.round(), star.y - star.y.round()],
            flux: star.flux,
        })
    })
    .collect()
}

/// One exposure's fit in the words of the result.
pub fn exposure_fit(fitted: &Fitted, shapes: &Shapes, table: &StarTable) -> OpticsFit {
    let fit = &fitted.fit;
    let errors = [0, 1, 2].map(|k| fit.error(PATTERN + k));
    let list = fit.values.to_list();
    let budget = shapes.budget(&fit.values);
    let mut size_shares: Vec<Share> = Vec::new();
    if let Some(budget) = &budget {
        size_shares.push(Share { cause: "diffraction".into(), share: budget.diffraction });
        size_shares
            .extend(budget.shares.iter().map(|(c, share)| Share { cause: c.word().into(), share: *share }));
    }
    OpticsFit {
        stars: u32::try_from(fit.stars).unwrap_or(u32::MAX),
        chi2_per_degree: fit.chi2_per_degree(),
        jitter: jitter(fit.values.jitter_mas2, errors, table),
        jitter_change_mas2: None,
        trailing: fitted.trailing.as_ref().map(|(with, gain)| trailing(with, *gain)),
        terms: (0..PATTERN)
            .map(|k| Term {
                name: name(k).into(),
                value: list[k],
                error: fit.error(k),
                determined: fit.is_determined(k),
            })
            .collect(),
        wavefront_rms_nm: fit.values.pattern.wavefront(0.0, 0.0).rms_nm(),
        strehl_wavefront: budget.as_ref().map(|b| b.strehl_wavefront),
        strehl: budget.as_ref().map(|b| b.strehl),
        size_mas2: budget.as_ref().map(|b| b.whole.size_mas2),
        size_shares,
        zones: fit
            .zones
            .iter()
            .map(|z| ZoneFit {
                x: z.place[0],
                y: z.place[1],
                stars: u32::try_from(z.stars).unwrap_or(u32::MAX),
                chi2_per_degree: z.chi2 / z.degrees_of_freedom.max(1) as f64,
                worst_residual: z.residual.iter().map(|r| r.abs()).fold(0.0, f64::max),
            })
            .collect(),
    }
}

fn trailing(with: &ExposureFit, chi2_gain: f64) -> Trailing {
    let [x, y] = with.values.drift_mas;
    let length_mas = x.hypot(y);
    let c = |a: usize, b: usize| with.covariance[(PATTERN + 3 + a, PATTERN + 3 + b)];
    let along = [x / length_mas, y / length_mas];
    let variance =
        along[0] * along[0] * c(0, 0) + 2.0 * along[0] * along[1] * c(0, 1) + along[1] * along[1] * c(1, 1);
    let length_err = variance.max(0.0).sqrt();
    Trailing {
        length_mas,
        length_err,
        angle_deg: y.atan2(x).to_degrees().rem_euclid(180.0),
        chi2_gain,
        preferred: chi2_gain > TRAILING_CHI2 && length_mas > TRAILING_SIGMAS * length_err,
    }
}

/// Jitter as axes and angles.
pub fn jitter(tensor: [f64; 3], errors: [f64; 3], table: &StarTable) -> Jitter {
    let axes = TensorAxes::of(tensor);
    let position_angle_deg = position_angle(sky_axes(table), axes.angle_deg);
    let parallactic = ["PARANG", "PARANGLE", "PARALLAC"]
        .iter()
        .find_map(|card| table.facts.housekeeping.get(*card).copied());
    let rms = |variance: f64| (variance > 0.0).then(|| variance.sqrt());
    Jitter {
        xx_mas2: tensor[0],
        yy_mas2: tensor[1],
        xy_mas2: tensor[2],
        xx_err: errors[0],
        yy_err: errors[1],
        xy_err: errors[2],
        major_rms_mas: rms(axes.major_mas2),
        minor_rms_mas: rms(axes.minor_mas2),
        angle_deg: axes.angle_deg,
        position_angle_deg,
        // The zenith lies at the parallactic angle from north.
        angle_from_elevation_deg: position_angle_deg
            .zip(parallactic)
            .map(|(angle, zenith)| (angle - zenith).rem_euclid(180.0)),
    }
}

/// Sentences on what one exposure's images cannot tell.
pub fn cannot_tell(fit: &ExposureFit) -> Vec<String> {
    let mut out = Vec::new();
    for trade in degenerate::trades(fit).into_iter().take(3) {
        out.push(format!(
            "{} and {} trade (correlation {:.2}): measured is {} {:+.3} times {} = {:.2} ± {:.2}",
            trade.first,
            trade.second,
            trade.correlation,
            trade.first,
            trade.factor,
            trade.second,
            trade.value,
            trade.error
        ));
    }
    let open = degenerate::undetermined(fit);
    if !open.is_empty() {
        out.push(format!("not determined by the images: {}", open.join(", ")));
    }
    out
}

/// Values of the fits at one place of the list, for means over a stack.
pub fn mean_values(fits: &[ExposureFit]) -> Option<Values> {
    let all: Vec<usize> = (0..fits.first()?.parameters()).collect();
    changes::common(fits, &all).map(|(mean, _)| Values::from_list(mean.as_slice()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stars::Star;
    use crate::verdict::fixture::{bare_star, empty_table};

    #[test]
    fn without_the_facts_of_the_telescope_the_note_names_them() {
        let table = empty_table();
        let why = known(&Settings::default(), &[&table]).unwrap_err();
        assert!(why.contains("telescope.aperture_m") && why.contains("telescope.obstruction"), "{why}");
    }

    /// Elevation rises fastest towards the zenith. Spherical triangle: Meeus 1998, Astronomical Algorithms,
    /// eq. 13.6 and 14.1, from memory.
    #[test]
    fn jitter_towards_the_zenith_lies_at_no_angle_from_elevation() {
        let (latitude, dec0, hour_angle) = (-23f64.to_radians(), 11f64.to_radians(), 38f64.to_radians());
        // 0.3 arcsec a pixel, y 25 degrees from north through east.
        let (scale, (sin, cos)) = (0.3 / 3600.0, 25f64.to_radians().sin_cos());
        let sky = |x: f64, y: f64| {
            let (east, north) = (scale * (-x * cos + y * sin), scale * (x * sin + y * cos));
            (150.0 + east / dec0.cos(), dec0.to_degrees() + north)
        };
        let elevation = |x: f64, y: f64| {
            let (ra, dec) = sky(x, y);
            let (h, dec) = (hour_angle - (ra - 150.0).to_radians(), dec.to_radians());
            (latitude.sin() * dec.sin() + latitude.cos() * dec.cos() * h.cos()).asin()
        };
        let mut table = empty_table();
        for (x, y) in [(-50.0, -40.0), (60.0, -30.0), (10.0, 70.0), (-20.0, 20.0)] {
            let (ra, dec) = sky(x, y);
            table.stars.push(Star { x, y, sky: Some([ra, dec]), ..bare_star() });
        }
        let parallactic =
            hour_angle.sin().atan2(latitude.tan() * dec0.cos() - dec0.sin() * hour_angle.cos()).to_degrees();
        table.facts.housekeeping.insert("PARANG".into(), parallactic);
        let rise = (elevation(1.0, 0.0) - elevation(-1.0, 0.0), elevation(0.0, 1.0) - elevation(0.0, -1.0));
        for away_deg in [0.0f64, 30.0, 90.0] {
            // From x towards y is from north through east here, where east lies towards -x.
            let along = rise.1.atan2(rise.0) + away_deg.to_radians();
            let tensor = [
                100.0 + 800.0 * along.cos().powi(2),
                100.0 + 800.0 * along.sin().powi(2),
                800.0 * along.cos() * along.sin(),
            ];
            let found = jitter(tensor, [1.0; 3], &table);
            let off = found.angle_from_elevation_deg.unwrap() - away_deg;
            let off = (off + 90.0).rem_euclid(180.0) - 90.0;
            assert!(off.abs() < 0.01, "{away_deg}: {off}");
        }
        table.facts.housekeeping.clear();
        assert_eq!(jitter([2.0, 1.0, 0.0], [1.0; 3], &table).angle_from_elevation_deg, None);
    }
}
