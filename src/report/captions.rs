//! What each figure shows for this stack, in a sentence.

use crate::stars::Refusal;
use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate};
use crate::verdict::products::{FieldSample, OpticsPicture, Pulls};
use crate::verdict::reasons::file_name;

use super::figure_data::{FigureData, ResidualZone};
use super::figures::{FARTHEST, TimeFigure, mean_size as mean_size_map};
use super::numbers::significant;

/// Three names at most, the rest counted.
fn few(names: &[String]) -> String {
    const NAMED: usize = 3;
    match names.len().checked_sub(NAMED) {
        Some(more) if more > 0 => format!("{} and {more} more", names[..NAMED].join(", ")),
        _ => names.join(", "),
    }
}

fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
    (low <= high).then_some((low, high))
}

fn kept(v: &Verdict) -> impl Iterator<Item = &ExposureResult> {
    v.exposures.iter().filter(|e| e.gate == Gate::Keep)
}

/// What is beyond the axis, and how many points a mark stands for.
fn besides(figure: &TimeFigure) -> String {
    let mut text = String::new();
    if !figure.beyond.is_empty() {
        text.push_str(&format!(" Beyond the axis (arrow heads): {}.", few(&figure.beyond)));
    }
    if figure.cross_every > 1 {
        text.push_str(&format!(" Of those not kept one in {} is drawn.", figure.cross_every));
    }
    if let Some(n) = figure.stretches_of {
        text.push_str(&format!(
            " The {n} kept are drawn in stretches: median, and a bar that holds nine tenths of them."
        ));
    }
    text
}

fn crosses(v: &Verdict) -> &'static str {
    if v.exposures.iter().any(|e| e.gate == Gate::LeaveOut) { " Crosses are not kept." } else { "" }
}

pub fn size_through_time(v: &Verdict, figure: &TimeFigure) -> String {
    let arcsec = v.exposures.iter().any(|e| e.size_arcsec2.is_some());
    let sizes = || kept(v).filter_map(|e| if arcsec { e.size_arcsec2 } else { e.size_pix2 });
    let shown = range(sizes()).map_or("No kept exposure has a size.".into(), |(low, high)| {
        let spread = 100.0 * (high - low) / (0.5 * (high + low));
        format!(
            "Field-mean size of each exposure with its error: from {} to {} {} among the kept, {} % apart.",
            significant(low, 4),
            significant(high, 4),
            if arcsec { "arcsec²" } else { "pixel²" },
            significant(spread, 2)
        )
    });
    let band = 100.0 * v.requirement.size_limit;
    let band = format!(" The band is the limit, {} % on either side of their mean.", significant(band, 3));
    [shown, band, crosses(v).into(), besides(figure)].concat()
}

pub fn ellipticity_through_time(v: &Verdict, figure: &TimeFigure) -> String {
    let of = |name: &str, get: fn(&ExposureResult) -> Option<f64>| {
        range(kept(v).filter_map(get)).map(|(low, high)| format!("{name} from {low:+.4} to {high:+.4}"))
    };
    let both: Vec<String> =
        [of("e1 (discs)", |e| e.e1), of("e2 (rings)", |e| e.e2)].into_iter().flatten().collect();
    let shown = match both.is_empty() {
        true => "No kept exposure has an ellipticity.".into(),
        false => format!(
            "Field-mean ellipticity on the detector with its error: {} among the kept.",
            both.join(", ")
        ),
    };
    let limit = significant(v.requirement.ellipticity_limit, 3);
    let band = format!(" The bands are the limit, {limit} on either side of their means.");
    [shown, band, crosses(v).into(), besides(figure)].concat()
}

pub fn jitter_through_time(v: &Verdict, figure: &TimeFigure) -> String {
    let fits = || v.optics.iter().flat_map(|o| &o.exposures).filter_map(|e| e.fit.as_ref());
    let of = |(low, high): (f64, f64)| format!("{} to {} mas", significant(low, 3), significant(high, 3));
    let long = range(fits().filter_map(|f| f.jitter.major_rms_mas)).map_or(String::new(), of);
    let short = range(fits().filter_map(|f| f.jitter.minor_rms_mas)).map_or(String::new(), of);
    let shown =
        format!("Jitter by the forward fit: along its long axis (discs) {long}, across it (rings) {short}.");
    [shown, crosses(v).into(), besides(figure)].concat()
}

pub fn wavefront_through_time(v: &Verdict, figure: &TimeFigure) -> String {
    let fits = || v.optics.iter().flat_map(|o| &o.exposures).filter_map(|e| e.fit.as_ref());
    let term = |name: &'static str| {
        let all = fits().filter_map(move |f| f.terms.iter().find(|t| t.name == name && t.determined));
        range(all.map(|t| t.value))
    };
    let defocus = term("defocus_nm").map_or("not determined".into(), |(low, high)| {
        format!("{} to {} nm", significant(low, 3), significant(high, 3))
    });
    let shown = format!(
        "Wavefront at the centre of the field: defocus (discs) {defocus}; rings are the modulus of coma."
    );
    [shown, crosses(v).into(), besides(figure)].concat()
}

fn at(s: &FieldSample) -> String {
    format!("x {:.0}, y {:.0}", s.x + 1.0, s.y + 1.0)
}

pub fn mean_whiskers(data: &FigureData) -> String {
    let modulus = |s: &FieldSample| s.e1.hypot(s.e2);
    let known = || data.mean().into_iter().flat_map(|m| &m.samples).filter(|s| modulus(s).is_finite());
    let largest = known().max_by(|a, b| modulus(a).total_cmp(&modulus(b)));
    let smallest = known().min_by(|a, b| modulus(a).total_cmp(&modulus(b)));
    let words = largest.zip(smallest).map_or(String::new(), |(largest, smallest)| {
        format!(
            " Here |e| goes from {} to {} (at {}).",
            significant(modulus(smallest), 2),
            significant(modulus(largest), 2),
            at(largest)
        )
    });
    format!(
        "Ellipticity of the kept exposures' mean: each stick lies along the long axis of the image, its length is |e|.{words}"
    )
}

pub fn mean_size(data: &FigureData) -> String {
    let known = || data.mean().into_iter().flat_map(|m| &m.samples).filter(|s| s.ln_size.is_finite());
    let largest = known().max_by(|a, b| a.ln_size.total_cmp(&b.ln_size));
    let smallest = known().min_by(|a, b| a.ln_size.total_cmp(&b.ln_size));
    let words = largest.zip(smallest).map_or(String::new(), |(largest, smallest)| {
        format!(
            " It is {} % larger at {} than at {}.",
            significant(100.0 * ((largest.ln_size - smallest.ln_size).exp() - 1.0), 2),
            at(largest),
            at(smallest)
        )
    });
    format!("Size T of the kept exposures' mean over the detector, darker or stronger is larger.{words}")
}

/// Said where the size has no map, being the same everywhere.
pub fn constant_size(data: &FigureData) -> Option<String> {
    let mean = data.mean()?.samples.first().filter(|_| mean_size_map(data).is_none())?;
    let (scale2, unit) = data.pixel_arcsec.map_or((1.0, "pixel²"), |s| (s * s, "arcsec²"));
    let size = mean.ln_size.exp() * scale2;
    size.is_finite().then(|| {
        format!(
            "The kept exposures' models hold the size constant over the field, T = {} {unit}: stars held out of the fits \
             show no change of it from place to place.",
            significant(size, 4)
        )
    })
}

pub fn residual_map(data: &FigureData) -> String {
    const SIGMAS: f64 = 3.0;
    let largest = |get: fn(&ResidualZone) -> f64| data.residual.iter().map(get).fold(0.0, f64::max);
    let out = |k: usize| data.residual.iter().filter(|z| z.mean[k].abs() > SIGMAS * z.err[k]).count();
    let zones = data.residual.len();
    format!(
        "What the exposures' own models leave, mean by zone: sticks are ellipticity (at most {}), filled discs stars \
         larger than the model, rings smaller (area by ln T, at most {}). Beyond {SIGMAS} of their errors are {} of {zones} \
         zones in size and {} in ellipticity; a pattern would be structure that the models miss.",
        significant(largest(|z| z.mean[1].hypot(z.mean[2])), 2),
        significant(largest(|z| z.mean[0].abs()), 2),
        out(0),
        data.residual.iter().filter(|z| (1..3).any(|k| z.mean[k].abs() > SIGMAS * z.err[k])).count(),
    )
}

pub fn pulls(data: &FigureData) -> String {
    let described = |name: &str, counts: &[u32]| {
        let n: f64 = counts.iter().map(|c| f64::from(*c)).sum();
        let square: f64 =
            counts.iter().enumerate().map(|(k, c)| f64::from(*c) * Pulls::middle(k).powi(2)).sum();
        // The width of a bin adds its own variance.
        let rms = (square / n - Pulls::BIN.powi(2) / 12.0).max(0.0).sqrt();
        let far: u32 =
            counts.iter().enumerate().filter(|(k, _)| Pulls::middle(*k).abs() > 3.0).map(|(_, c)| c).sum();
        format!(
            "{name} scatter by {} of their errors, {} % of {n} lie beyond 3",
            significant(rms, 3),
            significant(100.0 * f64::from(far) / n, 2)
        )
    };
    format!(
        "Repeats of stars in the kept exposures about their own mean, each exposure's model taken off, over their stated \
         errors: {} (solid), {} (dashed). The smooth curve is a unit Gaussian, of which 0.27 % lie beyond 3; wings are \
         stars whose image changes in another way than the field's, such as pairs.",
        described("sizes", &data.pulls.size),
        described("ellipticities", &data.pulls.ellipticity)
    )
}

pub fn census(v: &Verdict, data: &FigureData) -> String {
    let used: Vec<f64> =
        data.detections.iter().filter(|d| d.refused.is_none()).map(|d| d.off_locus).collect();
    let mut distances: Vec<f64> = used.iter().map(|d| d.abs()).collect();
    distances.sort_by(f64::total_cmp);
    let half = distances.get(distances.len() / 2).copied().unwrap_or(f64::NAN);
    let refused = |r: Refusal| data.detections.iter().filter(|d| d.refused == Some(r)).count();
    let mut kinds: Vec<(usize, Refusal)> =
        Refusal::ALL.into_iter().map(|r| (refused(r), r)).filter(|(n, _)| *n > 0).collect();
    kinds.sort_by_key(|(n, _)| std::cmp::Reverse(*n));
    let kinds: Vec<String> = kinds.iter().map(|(n, r)| format!("{n} {}", r.word())).collect();
    let all: u64 = v
        .exposures
        .iter()
        .map(|e| u64::from(e.stars.unwrap_or(0)) + e.refused.values().map(|n| u64::from(*n)).sum::<u64>())
        .sum();
    let squares = match kinds.is_empty() {
        true => String::new(),
        false => format!(" Open squares are refused ({}).", kinds.join(", ")),
    };
    format!(
        "Distance from the locus of point sources against SNR, {} of {all} detections, evenly taken from those that have a \
         size; half of the used (discs) lie within {} in ln T.{squares} What is farther than {FARTHEST} stands at the edge.",
        data.detections.len(),
        significant(half, 2),
    )
}

/// Of the worst fit: what it leaves.
pub fn optics(worst: &OpticsPicture) -> String {
    let left = |z: &crate::verdict::products::OpticsZone| {
        (&z.data - &z.model).iter().map(|r| f64::from(r.abs())).fold(0.0, f64::max)
    };
    let most = worst.zones.iter().map(left).fold(0.0, f64::max);
    let error = worst.zones.iter().map(|z| z.error).filter(|e| e.is_finite()).fold(0.0, f64::max);
    format!(
        "Mean stars of {} by zone of the field, as measured, as modelled, and data minus model: the fit that leaves most, \
         chi-square {:.2} per degree of freedom. The largest residual is {} % of a star's light in a pixel, where the noise \
         of such a mean is {} % or less. Stars are averaged as they fall on the pixels, not centred.",
        file_name(&worst.file),
        worst.chi2_per_degree,
        significant(100.0 * most, 2),
        significant(100.0 * error, 2),
    )
}
