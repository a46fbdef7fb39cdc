//! What the fits of a stack's exposures say together: which cause changes, what drifts, what
//! recurs, what alignment could win.

use super::super::model::Reason;
use super::super::optics_model::*;
use super::super::reasons::file_name;
use super::optics::{Fitted, POOR, cannot_tell, exposure_fit, jitter, mean_values};
use crate::optics::fit::budget::{FieldShape, Shapes};
use crate::optics::fit::changes::{self, Group, GroupChange, Trend};
use crate::optics::fit::parameters::{MOST, PATTERN, Values, name};
use crate::optics::fit::{ExposureFit, Known, TensorAxes};
use crate::table::StarTable;

/// A common jitter is spoken of from this many errors.
const RECURS_SIGMAS: f64 = 5.0;
/// A nulling is advised where it wins this share of the size, or this ellipticity.
const WORTH_SIZE: f64 = 0.005;
const WORTH_ELLIPTICITY: f64 = 0.002;
/// A change that is shown but does less than this to size and ellipticity stays in the table.
const SMALL_SIZE: f64 = 1e-3;
const SMALL_ELLIPTICITY: f64 = 3e-4;
/// Jitter is called round where its axes differ by less than so many errors.
const ROUND_SIGMAS: f64 = 3.0;

/// Fills the section from the fits; gives the reasons.
pub fn describe(
    optics: &mut Optics,
    mut fitted: Vec<Fitted>,
    known: &Known,
    members: &[&StarTable],
    focus_nm_per_step: Option<f64>,
) -> Vec<Reason> {
    let Ok(shapes) = Shapes::new(known) else { return Vec::new() };
    let mut fits: Vec<ExposureFit> = fitted.iter().map(|f| f.fit.clone()).collect();
    let by_pupil = known.telescope.vanes.is_some_and(|vanes| vanes.count % 2 == 1);
    if !by_pupil {
        changes::align_signs(&mut fits);
    }
    let sign_settled = by_pupil || settle(&mut fits, &fitted, members, focus_nm_per_step);
    for (slot, fit) in fitted.iter_mut().zip(&fits) {
        slot.fit = fit.clone();
    }
    let rows: Vec<OpticsFit> = {
        use rayon::prelude::*;
        fitted.par_iter().map(|f| exposure_fit(f, &shapes, members[f.place])).collect()
    };
    let common = changes::common(&fits, &[PATTERN, PATTERN + 1, PATTERN + 2]);
    for (f, mut row) in fitted.iter().zip(rows) {
        if let Some((mean, _)) = &common {
            row.jitter_change_mas2 =
                Some([0, 1, 2].map(|k| f.fit.values.jitter_mas2[k] - mean[k])).filter(|_| fits.len() > 1);
        }
        optics.exposures[f.place].fit = Some(row);
    }
    let table = members[fitted[0].place];
    optics.common_jitter = common.as_ref().map(|(mean, covariance)| {
        jitter([mean[0], mean[1], mean[2]], [0, 1, 2].map(|k: usize| covariance[(k, k)].sqrt()), table)
    });
    let mean = mean_values(&fits);
    let groups = changes::group_changes(&fits);
    let trends = shown_trends(&fits, &fitted, members);
    optics.changes = groups.iter().map(|g| term_change(g, &fits, mean.as_ref(), &shapes)).collect();
    optics.drifts = trends
        .iter()
        .map(|t| TermDrift { term: name(t.parameter).into(), per_exposure: t.slope, error: t.error })
        .collect();
    optics.advice = mean.as_ref().map(|m| advice(&shapes, m)).unwrap_or_default();
    optics.even_sign_settled = Some(sign_settled);
    optics.cannot_tell = open_questions(&fits, known, sign_settled);
    let reasons = reasons(optics, &fits, &trends);
    optics.summary = summary(optics, &reasons);
    reasons
}

fn settle(
    fits: &mut [ExposureFit],
    fitted: &[Fitted],
    members: &[&StarTable],
    nm_per_step: Option<f64>,
) -> bool {
    let readings: Option<Vec<f64>> = fitted.iter().map(|f| members[f.place].facts.focus).collect();
    match readings.zip(nm_per_step) {
        Some((readings, step)) => changes::settle_sign(fits, &readings, step),
        None => false,
    }
}

/// Trends with time, where all exposures have one, otherwise with their number; slopes are
/// given per exposure.
fn shown_trends(fits: &[ExposureFit], fitted: &[Fitted], members: &[&StarTable]) -> Vec<Trend> {
    let times: Option<Vec<f64>> = fitted.iter().map(|f| members[f.place].facts.mjd_mid).collect();
    let numbers: Vec<f64> = (0..fits.len()).map(|k| k as f64).collect();
    let times = times.unwrap_or_else(|| numbers.clone());
    let (first, last) =
        times.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), &t| (a.min(t), b.max(t)));
    let step = (last - first) / (fits.len().max(2) - 1) as f64;
    let times = if step > 0.0 { times.iter().map(|t| (t - first) / step).collect() } else { numbers };
    changes::trends(fits, &times).into_iter().filter(Trend::is_shown).collect()
}

fn term_change(
    change: &GroupChange,
    fits: &[ExposureFit],
    mean: Option<&Values>,
    shapes: &Shapes,
) -> TermChange {
    // What this group alone does to size and ellipticity, all else at the stack's mean.
    let effect = mean.filter(|_| change.is_shown()).and_then(|mean| {
        let shapes: Vec<FieldShape> = fits
            .iter()
            .map(|fit| {
                let mut list: [f64; MOST] = mean.to_list();
                let own = fit.values.to_list();
                change.group.parameters().iter().for_each(|&k| list[k] = own[k]);
                shapes.shape(&Values::from_list(&list))
            })
            .collect::<Option<_>>()?;
        let rms = |pick: fn(&FieldShape) -> f64| {
            let n = shapes.len() as f64;
            let mean = shapes.iter().map(pick).sum::<f64>() / n;
            (shapes.iter().map(|s| (pick(s) - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
        };
        Some((rms(|s| s.ln_size), (0.5 * (rms(|s| s.e1).powi(2) + rms(|s| s.e2).powi(2))).sqrt()))
    });
    TermChange {
        group: change.group.word().into(),
        chi2: change.chi2,
        degrees_of_freedom: u32::try_from(change.degrees_of_freedom).unwrap_or(u32::MAX),
        chance: change.chance,
        shown: change.is_shown(),
        size_rms: effect.map(|e| e.0),
        ellipticity_rms: effect.map(|e| e.1),
    }
}

fn advice(shapes: &Shapes, mean: &Values) -> Vec<NullingAdvice> {
    let mut all: Vec<NullingAdvice> = shapes
        .nulled(mean)
        .into_iter()
        .map(|n| NullingAdvice {
            term: n.term.into(),
            amplitude_nm: n.amplitude_nm,
            size_gain: 1.0 - n.after.size_mas2 / n.before.size_mas2,
            ellipticity_before: n.before.e_rms,
            ellipticity_after: n.after.e_rms,
        })
        .collect();
    all.sort_by(|a, b| b.size_gain.total_cmp(&a.size_gain));
    all
}

fn open_questions(fits: &[ExposureFit], known: &Known, sign_settled: bool) -> Vec<String> {
    let mut out = Vec::new();
    if sign_settled {
        out.push(
            "the joint sign of the even terms is settled, by a known move of the focus or by an odd number of vanes"
                .into(),
        );
    } else {
        out.push(
            "the joint sign of the even terms (defocus, astigmatism, spherical): flipping all of them leaves every \
             image the same; mean defocus is shown as positive. A known move of the focus settles it \
             (telescope.focus_nm_per_step and readings of the focus in the headers)"
                .into(),
        );
    }
    if known.diffusion_pixels.is_none() {
        out.push(
            "round jitter and the detector's diffusion: detector.diffusion_pixels is not given, so the jitter shown \
             is the sum of both, which is what is measured"
                .into(),
        );
    }
    let widest = fits.iter().max_by(|a, b| a.stars.cmp(&b.stars));
    out.extend(widest.map(cannot_tell).unwrap_or_default());
    out
}

fn reason(code: &str, text: String) -> Reason {
    Reason { code: code.into(), text, ..Reason::default() }
}

fn reasons(optics: &Optics, fits: &[ExposureFit], trends: &[Trend]) -> Vec<Reason> {
    let mut out = Vec::new();
    let drifting = |group: Group| trends.iter().any(|t| Group::of(t.parameter) == Some(group));
    let carried = |c: &TermChange| match (c.size_rms, c.ellipticity_rms) {
        (Some(size), Some(e)) => {
            format!("; alone it changes the size by an rms of {size:.4} of T and the ellipticity by {e:.4}")
        }
        _ => String::new(),
    };
    for trend in trends {
        let Some(group) = Group::of(trend.parameter) else { continue };
        let code = match group {
            Group::Jitter => "jitter-drifts",
            Group::Focus | Group::Tilt => "focus-drifts",
            _ => "alignment-drifts",
        };
        let (term, unit) = split_unit(name(trend.parameter));
        let text = format!(
            "{term} drifts steadily by {:+.2} ± {:.2} {unit} an exposure ({:.0} standard deviations).",
            trend.slope,
            trend.error,
            trend.significance()
        );
        out.push(Reason {
            quantity: Some(format!("{term}, {unit} per exposure")),
            value: Some(trend.slope),
            ..reason(code, text)
        });
    }
    for group in Group::ALL {
        let Some(change) = optics.changes.iter().find(|c| c.group == group.word() && c.shown) else {
            continue;
        };
        let matters = |rms: Option<f64>, least: f64| rms.is_none_or(|rms| rms > least);
        let small =
            !matters(change.size_rms, SMALL_SIZE) && !matters(change.ellipticity_rms, SMALL_ELLIPTICITY);
        if drifting(group) || small {
            continue;
        }
        let code = match group {
            Group::Jitter => "jitter-changes",
            Group::Focus | Group::Tilt => "focus-changes",
            _ => "alignment-changes",
        };
        let text = format!(
            "{} changes between exposures (chi-square {:.0} for {} degrees of freedom){}.",
            capital(group.word()),
            change.chi2,
            change.degrees_of_freedom,
            carried(change)
        );
        out.push(reason(code, text));
    }
    if let Some(j) = optics.common_jitter.filter(|_| fits.len() > 1) {
        let axes = TensorAxes::of([j.xx_mas2, j.yy_mas2, j.xy_mas2]);
        let steady = !optics.changes.iter().any(|c| c.group == "jitter" && c.shown);
        if steady && axes.major_mas2 > RECURS_SIGMAS * j.xx_err.hypot(j.yy_err) {
            let text = format!(
                "The same jitter recurs in every exposure: {}; no change of it is shown.",
                in_words(&j)
            );
            out.push(reason("jitter-recurs", text));
        }
    }
    let trailed: Vec<&ExposureOptics> = optics
        .exposures
        .iter()
        .filter(|e| e.fit.as_ref().and_then(|f| f.trailing.as_ref()).is_some_and(|t| t.preferred))
        .collect();
    let longest = trailed
        .iter()
        .filter_map(|e| Some((e, e.fit.as_ref()?.trailing.as_ref()?)))
        .max_by(|a, b| a.1.length_mas.total_cmp(&b.1.length_mas));
    if let Some((exposure, t)) = longest {
        let text = format!(
            "{} of {} exposures are trailed, by up to {:.0} ± {:.0} mas end to end at {:.0} degrees from the detector's x \
             towards y in {}: uniform motion fits better than jitter.",
            trailed.len(),
            fits.len(),
            t.length_mas,
            t.length_err,
            t.angle_deg,
            file_name(&exposure.file)
        );
        out.push(reason("trailing", text));
    }
    let mut quality: Vec<f64> = fits.iter().map(ExposureFit::chi2_per_degree).collect();
    quality.sort_by(f64::total_cmp);
    let middle = quality[quality.len() / 2];
    if middle > POOR {
        let text = format!(
            "The model of the telescope does not fit the stars (chi-square per degree of freedom {middle:.2}): check the \
             facts of the telescope and detector in the settings; its terms are to be taken with care."
        );
        out.push(Reason {
            quantity: Some("chi-square per degree of freedom".into()),
            value: Some(middle),
            limit: Some(POOR),
            ..reason("optics-misfit", text)
        });
    }
    out
}

/// A jitter by its axes, or as round where they do not differ by more than their errors.
fn in_words(j: &Jitter) -> String {
    let axes = TensorAxes::of([j.xx_mas2, j.yy_mas2, j.xy_mas2]);
    let rms = |variance: f64| variance.max(0.0).sqrt();
    if axes.major_mas2 - axes.minor_mas2 < ROUND_SIGMAS * j.xx_err.hypot(j.yy_err) {
        return format!("{:.1} mas rms an axis, round within its errors", rms(0.5 * (j.xx_mas2 + j.yy_mas2)));
    }
    format!(
        "{:.1} mas rms along its long axis, {:.0} degrees from the detector's x towards y, and {:.1} mas across it",
        rms(axes.major_mas2),
        axes.angle_deg,
        rms(axes.minor_mas2)
    )
}

/// `coma_x_nm` as `Coma x` and `nm`.
fn split_unit(name: &str) -> (String, String) {
    let (term, unit) = name.rsplit_once('_').unwrap_or((name, ""));
    (capital(&term.replace('_', " ")), unit.into())
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().collect::<String>() + letters.as_str())
}

/// A few lines for the terminal.
fn summary(optics: &Optics, reasons: &[Reason]) -> Vec<String> {
    let mut out = Vec::new();
    if let Some(j) = &optics.common_jitter {
        out.push(format!("Jitter in common: {}", in_words(j)));
    }
    let fits = || optics.exposures.iter().filter_map(|e| e.fit.as_ref());
    let n = fits().count().max(1) as f64;
    let strehl: Vec<f64> = fits().filter_map(|f| f.strehl).collect();
    if strehl.len() as f64 == n {
        out.push(format!(
            "Strehl ratio {:.2} in the mean, {:.2} for the wavefront alone; wavefront {:.0} nm rms at the centre",
            strehl.iter().sum::<f64>() / n,
            fits().filter_map(|f| f.strehl_wavefront).sum::<f64>() / n,
            fits().map(|f| f.wavefront_rms_nm).sum::<f64>() / n
        ));
    }
    let carrier = |pick: fn(&TermChange) -> Option<f64>| {
        let most = optics.changes.iter().filter_map(|c| Some((pick(c)?, &c.group)));
        most.max_by(|a, b| a.0.total_cmp(&b.0))
    };
    if let Some((size, e)) = carrier(|c| c.size_rms).zip(carrier(|c| c.ellipticity_rms)) {
        out.push(format!(
            "Most of the change of size comes from {} (alone an rms of {:.4} of T), most of that of ellipticity from {} \
             (alone {:.4})",
            size.1, size.0, e.1, e.0
        ));
    }
    let of_change = |r: &Reason| ["changes", "drifts"].iter().any(|end| r.code.ends_with(end));
    if !reasons.iter().any(of_change) {
        out.push("No change of jitter, focus or alignment is shown at five standard deviations".into());
    }
    let worth = |a: &&NullingAdvice| {
        a.size_gain > WORTH_SIZE || a.ellipticity_before - a.ellipticity_after > WORTH_ELLIPTICITY
    };
    for a in optics.advice.iter().filter(worth) {
        out.push(format!(
            "Nulling the {} ({:.0} nm) would make stars {:.1} % smaller and take the ellipticity from {:.3} to {:.3}",
            a.term,
            a.amplitude_nm,
            100.0 * a.size_gain,
            a.ellipticity_before,
            a.ellipticity_after
        ));
    }
    if optics.advice.iter().any(|a| worth(&a)) {
        out.push(
            "This is information: any actuation follows the flight team's own procedures and limits".into(),
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use nalgebra::DMatrix;

    use super::*;
    use crate::optics::Telescope;
    use crate::optics::fit::parameters::JITTER;

    const FITTED: usize = PATTERN + JITTER;

    fn known() -> Known {
        Known {
            telescope: Telescope::monochromatic(0.6, 0.3, 600.0),
            pixel_arcsec: 0.08,
            diffusion_pixels: Some(0.2),
        }
    }

    /// A fit with errors of 1 nm and 20 mas2.
    fn fit(values: Values, chi2_per_degree: f64) -> ExposureFit {
        ExposureFit {
            values,
            covariance: DMatrix::from_fn(FITTED, FITTED, |a, b| match (a == b, a < PATTERN) {
                (true, true) => 1.0,
                (true, false) => 400.0,
                _ => 0.0,
            }),
            prior: [150.0; MOST],
            with_drift: false,
            chi2: 1e4 * chi2_per_degree,
            degrees_of_freedom: 10_000,
            stars: 100,
            zones: Vec::new(),
            evaluations: 0,
        }
    }

    fn base() -> Values {
        let mut list = [0.0; MOST];
        list[0] = 20.0;
        list[PATTERN] = 900.0;
        list[PATTERN + 1] = 900.0;
        Values::from_list(&list)
    }

    fn describe_stack(change: impl Fn(usize, &mut [f64; MOST]), chi2: f64) -> (Optics, Vec<String>) {
        let table = crate::verdict::fixture::empty_table();
        let members: Vec<&StarTable> = vec![&table; 8];
        let fitted = (0..8)
            .map(|place| {
                let mut list = base().to_list();
                change(place, &mut list);
                Fitted { place, fit: fit(Values::from_list(&list), chi2), trailing: None }
            })
            .collect();
        let row = |k| ExposureOptics { file: format!("{k}.fits"), blur: None, fit: None, note: None };
        let mut optics = Optics { exposures: (0..8).map(row).collect(), ..Optics::default() };
        let reasons = describe(&mut optics, fitted, &known(), &members, None);
        (optics, reasons.into_iter().map(|r| r.code).collect())
    }

    #[test]
    fn every_cause_is_called_by_its_name() {
        let uneven = |k: usize| [0.0, 3.0, -2.0, 1.0, -3.0, 2.5, -1.0, 0.5][k];
        type Change<'a> = &'a dyn Fn(usize, &mut [f64; MOST]);
        let cases: [(Change, &[&str]); 7] = [
            (&|_, _| {}, &["jitter-recurs"]),
            (&|k, list| list[4] += 5.0 * k as f64, &["alignment-drifts", "jitter-recurs"]),
            (&|k, list| list[0] += 4.0 * k as f64, &["focus-drifts", "jitter-recurs"]),
            (&|k, list| list[PATTERN] += 200.0 * k as f64, &["jitter-drifts"]),
            (&|k, list| list[PATTERN + 2] += 100.0 * uneven(k), &["jitter-changes"]),
            (&|k, list| list[8] += 4.0 * uneven(k), &["alignment-changes", "jitter-recurs"]),
            (&|k, list| list[1] += 15.0 * uneven(k), &["focus-changes", "jitter-recurs"]),
        ];
        for (change, codes) in cases {
            let (optics, found) = describe_stack(change, 1.0);
            assert_eq!(found, codes);
            assert!(optics.cannot_tell.iter().any(|text| text.contains("joint sign")));
        }
        assert!(describe_stack(|_, _| {}, 1.3).1.contains(&"optics-misfit".to_owned()));
    }

    /// An exposure fitted with the other sign of its even terms is no change.
    #[test]
    fn a_flip_of_all_even_terms_is_no_change() {
        let flip = |k: usize, list: &mut [f64; MOST]| {
            if k % 2 == 1 {
                *list = Values::from_list(list).flipped().to_list();
            }
        };
        assert_eq!(describe_stack(flip, 1.0).1, ["jitter-recurs"]);
    }
}
