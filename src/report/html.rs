//! `report.html`: one file that needs no network and no script.

use std::collections::{BTreeMap, HashMap};

use minijinja::{Environment, Value, context};

use crate::stars::Refusal;
use crate::verdict::Verdict;
use crate::verdict::model::{CombinedPsf, ExposureResult, Gate, Reason};
use crate::verdict::optics_model::{Optics, OpticsFit};
use crate::verdict::reasons::{file_name, percent};

use super::figure_data::FigureData;
use super::numbers::{MISSING, or_missing, signed, significant, with_error, with_interval};
use super::words::{
    as_sentence, budget, count, limits_from, next_step, reasons_and_remarks, sentence, worst_first,
};
use super::{
    CAUTION, REPORT_HTML, ReportError, beside, captions, cards, exposures::gate_word, figures, through_time,
};

/// Exposures listed one by one; of longer stacks the worst.
const ROWS: usize = 120;
/// Exposures whose optics are listed.
const OPTICS_ROWS: usize = 60;

/// What the page is made from.
#[derive(Debug, Clone, Copy)]
pub struct Source<'a> {
    pub verdict: &'a Verdict,
    /// `None` where `figures.fits` is not there, or does not read.
    pub figures: Option<&'a FigureData>,
    /// The settings in force, each with where it came from; `None` where they are not there.
    pub settings: Option<&'a str>,
}

/// The whole page.
pub fn to_text(source: Source) -> Result<String, ReportError> {
    let make = |e: minijinja::Error| ReportError::Make { name: REPORT_HTML, message: e.to_string() };
    let mut environment = Environment::new();
    environment.add_template(REPORT_HTML, include_str!("report.html")).map_err(make)?;
    let v = source.verdict;
    let none = FigureData::default();
    let data = source.figures.unwrap_or(&none);
    let figure = |svg: Option<String>, caption: &dyn Fn() -> String| {
        svg.map(|svg| context! { svg => Value::from_safe_string(svg), caption => caption() })
    };
    let timed = |found: Option<figures::TimeFigure>,
                 caption: fn(&Verdict, &figures::TimeFigure) -> String| {
        found.map(|f| context! { caption => caption(v, &f), svg => Value::from_safe_string(f.svg) })
    };
    let page = context! {
        decision => v.decision.word(),
        sentence => as_sentence(&sentence(v)),
        also => v.also_allowed.iter().map(|d| d.word()).collect::<Vec<_>>(),
        next => next_step(v),
        requirement => v.requirement.name.clone(),
        source => v.requirement.source.clone(),
        size_limit => significant(v.requirement.size_limit, 3),
        ellipticity_limit => significant(v.requirement.ellipticity_limit, 3),
        confidence => percent(v.confidence),
        limits_from => limits_from(&v.requirement),
        reasons => reasons_and_remarks(v).0.into_iter().map(coded).collect::<Vec<_>>(),
        time => v.time.as_ref().map(|time| through_time::page(time, reasons_and_remarks(v).1)),
        budget => budget_rows(v),
        causes => causes(v),
        meaning => v.shear.as_ref().and_then(|s| s.meaning.clone()),
        formula => v.shear.as_ref().map(|s| s.formula.clone()),
        frame => v.repeatability.as_ref().map(|r| r.frame.clone()),
        overlap => v.repeatability.as_ref().and_then(|r| r.smallest_overlap),
        overlap_weights => v.repeatability.as_ref().and_then(|r| r.weights.clone()),
        overlap_rows => v.repeatability.as_ref().map(beside::overlap_rows),
        population => population_rows(v),
        combined => v.combined.as_ref().map(combined),
        pulls => (v.noise_check.size_pull.is_some() || v.noise_check.ellipticity_pull.is_some()).then(|| context! {
            size => or_missing(v.noise_check.size_pull, 3),
            ellipticity => or_missing(v.noise_check.ellipticity_pull, 3),
        }),
        no_figures => source.figures.is_none(),
        size_figure => timed(figures::size_through_time(v), captions::size_through_time),
        ellipticity_figure => timed(figures::ellipticity_through_time(v), captions::ellipticity_through_time),
        jitter_figure => timed(figures::jitter_through_time(v), captions::jitter_through_time),
        wavefront_figure => timed(figures::wavefront_through_time(v), captions::wavefront_through_time),
        mean_figure => figure(figures::mean_whiskers(data), &|| captions::mean_whiskers(data)),
        constant_size => captions::constant_size(data),
        mean_size_figure => figure(figures::mean_size(data), &|| captions::mean_size(data)),
        residual_figure => figure(figures::residual_map(data), &|| captions::residual_map(data)),
        pulls_figure => figure(figures::pulls(data), &|| captions::pulls(data)),
        census_figure => figure(figures::census(data), &|| captions::census(v, data)),
        mean_star => cards::mean_star(data),
        multiples => cards::kept(v, data),
        left_out => cards::left_out(v, data),
        groups => cards::groups(v, data),
        optics_figure => cards::optics(data),
        correlation => v.residual_correlation.as_ref().map(|c| context! {
            svg => figures::residual_correlation(c).map(Value::from_safe_string),
            table => beside::correlation_rows(c),
            unit => c.unit.clone(),
            standing => c.standing.clone(),
            limit => significant(c.additive_limit, 2),
            errors => c.errors_from.clone(),
            formula => c.formula.clone(),
        }),
        registration => v.registration.as_ref().map(|r| context! {
            line => beside::registration(r),
            rows => beside::registration_rows(r),
            formula => r.formula.clone(),
        }),
        higher => v.higher_moments.as_ref().map(|h| context! { frame => h.frame.clone(), rows => beside::higher_rows(h) }),
        brightness => v.brightness.as_ref().map(|b| context! {
            rows => beside::brightness_rows(b),
            stars => b.stars,
            formula => b.formula.clone(),
        }),
        census => census(v),
        counts => context! {
            keep => count(v, Gate::Keep),
            leave_out => count(v, Gate::LeaveOut),
            unreadable => count(v, Gate::Unreadable),
        },
        arcsec => v.exposures.iter().any(|e| e.size_arcsec2.is_some()),
        size_definition => size_definition(v),
        jitter_known => v.exposures.iter().any(|e| e.jitter_mas2.is_some()),
        all_exposures => v.exposures.len(),
        exposures => listed(v),
        optics => v.optics.as_ref().map(optics),
        settings => source.settings,
        notes => v.notes.clone(),
        remarks => remarks(v),
        caution => CAUTION,
        cautions => v.cautions.iter().filter(|c| *c != CAUTION).cloned().collect::<Vec<_>>(),
        inputs => inputs(v),
        version => v.tool.version.clone(),
        page_version => (v.tool.version != env!("CARGO_PKG_VERSION")).then_some(env!("CARGO_PKG_VERSION")),
        arguments => v.tool.arguments.join(" "),
    };
    environment.get_template(REPORT_HTML).and_then(|t| t.render(page)).map_err(make)
}

/// Every exposure in its order, or the worst of many.
fn listed(v: &Verdict) -> Vec<Value> {
    let number: HashMap<&str, usize> =
        v.exposures.iter().enumerate().map(|(k, e)| (e.file.as_str(), k + 1)).collect();
    let rows = match v.exposures.len() > ROWS {
        true => worst_first(v),
        false => v.exposures.iter().collect(),
    };
    rows.into_iter().take(ROWS).map(|e| exposure_row(e, number[e.file.as_str()])).collect()
}

/// Path and hash, a line an input.
fn inputs(v: &Verdict) -> String {
    let line = |e: &ExposureResult| {
        format!("{}  {}", e.xxh3.as_deref().filter(|s| !s.is_empty()).unwrap_or("not read"), e.file)
    };
    v.exposures.iter().map(line).collect::<Vec<String>>().join("\n")
}

/// The PSF of the combination in a line.
fn combined(c: &CombinedPsf) -> String {
    let (size, unit) = match c.size_arcsec2 {
        Some(size) => (Some(size), "arcsec²"),
        None => (c.size_pix2, "pixel²"),
    };
    format!(
        "The PSF of the {} exposures added under {} weights, field mean: T {} {unit}, e1 {}, e2 {}, each ± {}",
        c.exposures,
        c.weights,
        with_error(size, c.size_err),
        signed(c.e1),
        signed(c.e2),
        or_missing(c.e_err, 2)
    )
}

pub(super) fn coded(reason: &Reason) -> Value {
    context! { code => reason.code.clone(), text => reason.text.clone() }
}

/// Rows of the optics section.
fn optics(o: &Optics) -> Value {
    let share = |f: &OpticsFit, cause: &str| {
        let found = f.size_shares.iter().find(|s| s.cause == cause);
        found.map_or(MISSING.into(), |s| format!("{:.1}", 100.0 * s.share))
    };
    let term = |f: &OpticsFit, name: &str| {
        let found = f.terms.iter().find(|t| t.name == name);
        found.map_or(MISSING.into(), |t| match t.determined {
            true => format!("{:.2} ± {:.2}", t.value, t.error),
            false => "not determined".into(),
        })
    };
    let rms = |r: Option<f64>| r.map_or(MISSING.into(), |r| format!("{r:.1}"));
    let mut fits: Vec<_> = o.exposures.iter().filter_map(|e| e.fit.as_ref().map(|f| (e, f))).collect();
    let mut blurs: Vec<_> = o.exposures.iter().filter_map(|e| e.blur.as_ref().map(|b| (e, b))).collect();
    let (all_fits, all_blurs) = (fits.len(), blurs.len());
    if all_fits > OPTICS_ROWS {
        fits.sort_by(|a, b| b.1.chi2_per_degree.total_cmp(&a.1.chi2_per_degree));
    }
    if all_blurs > OPTICS_ROWS {
        blurs.sort_by(|a, b| (b.1.xx + b.1.yy).total_cmp(&(a.1.xx + a.1.yy)));
    }
    let (fits, blurs) = (fits.into_iter().take(OPTICS_ROWS), blurs.into_iter().take(OPTICS_ROWS));
    context! {
        all_fits => all_fits,
        all_blurs => all_blurs,
        summary => o.summary.iter().map(|line| as_sentence(line)).collect::<Vec<_>>(),
        notes => o.notes.iter().map(|note| as_sentence(note)).collect::<Vec<_>>(),
        cannot_tell => o.cannot_tell.clone(),
        fits => fits.map(|(e, f)| context! {
            file => file_name(&e.file),
            jitter => format!("{} × {}", rms(f.jitter.major_rms_mas), rms(f.jitter.minor_rms_mas)),
            angle => format!("{:.0}", f.jitter.angle_deg),
            defocus => term(f, "defocus_nm"),
            coma_x => term(f, "coma_x_nm"),
            coma_y => term(f, "coma_y_nm"),
            strehl => or_missing(f.strehl, 2),
            chi2 => format!("{:.2}", f.chi2_per_degree),
            whole => f.size_mas2.map_or(MISSING.into(), |s| format!("{s:.0}")),
            shares => ["diffraction", "pixel", "jitter", "defocus", "astigmatism", "coma"].map(|c| share(f, c)).to_vec(),
        }).collect::<Vec<_>>(),
        blurs => blurs.map(|(e, b)| context! {
            file => file_name(&e.file),
            major => or_missing(b.major_rms, 3),
            minor => or_missing(b.minor_rms, 3),
            angle => format!("{:.0}", b.angle_deg),
            unit => b.unit.trim_end_matches('2'),
        }).collect::<Vec<_>>(),
    }
}

fn budget_rows(v: &Verdict) -> Vec<Value> {
    let mut last = "";
    budget(v)
        .into_iter()
        .map(|line| {
            let heading = (line.group != last).then_some(line.group);
            last = line.group;
            context! {
                heading => heading,
                name => line.name,
                unit => line.unit,
                value => with_interval(line.value, line.low, line.high),
                limit => or_missing(line.limit, 3),
                standing => line.standing(),
                bar => figures::interval_bar(line.value, line.low, line.high, line.limit).map(Value::from_safe_string),
            }
        })
        .collect()
}

/// The shear bias, were the change that of one cause.
fn causes(v: &Verdict) -> Vec<Value> {
    let rows = v.shear.iter().flat_map(|s| &s.per_cause);
    rows.map(|row| {
        let c = row.c.as_ref().map_or(MISSING.into(), |c| with_interval(c.value, c.low, c.high));
        context! {
            cause => row.cause.clone(),
            m => with_interval(row.m.value, row.m.low, row.m.high),
            c => c,
        }
    })
    .collect()
}

/// What the exposures were drawn from, where it was estimated.
fn population_rows(v: &Verdict) -> Vec<String> {
    let Some(r) = &v.repeatability else { return vec![] };
    [("size", &r.size), ("ellipticity", &r.ellipticity)]
        .into_iter()
        .filter_map(|(name, m)| m.population.as_ref().map(|p| (name, p)))
        .map(|(name, p)| format!("{name} {}", with_interval(p.tau, p.low, p.high)))
        .collect()
}

fn size_definition(v: &Verdict) -> String {
    let d = &v.size_definition;
    let sigma = match (d.weight_sigma_arcsec, d.weight_sigma_pix) {
        (Some(s), _) => format!(", sigma {} arcsec", significant(s, 3)),
        (None, Some(s)) => format!(", sigma {} pixels", significant(s, 3)),
        (None, None) => String::new(),
    };
    format!("{} weight{sigma}", d.weight)
}

/// Used and refused detections over all exposures, most first after the used.
fn census(v: &Verdict) -> Vec<Value> {
    let used: u64 = v.exposures.iter().filter_map(|e| e.stars).map(u64::from).sum();
    let mut refused: Vec<(Refusal, u64)> = Refusal::ALL
        .into_iter()
        .map(|r| (r, v.exposures.iter().filter_map(|e| e.refused.get(r.word())).map(|n| u64::from(*n)).sum()))
        .filter(|(_, n)| *n > 0)
        .collect();
    refused.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let largest = refused.iter().map(|(_, n)| *n).chain([used]).max().unwrap_or(0);
    if largest == 0 {
        return vec![];
    }
    let row = |word: &str, meaning: &str, n: u64| {
        context! { word => word, meaning => meaning, count => n,
        bar => Value::from_safe_string(figures::share_bar(n, largest)) }
    };
    let used = row("used", "isolated point-like stars that carry the result", used);
    std::iter::once(used).chain(refused.into_iter().map(|(r, n)| row(r.word(), r.meaning(), n))).collect()
}

fn exposure_row(e: &ExposureResult, number: usize) -> Value {
    let size = e.size_arcsec2.or(e.size_pix2);
    context! {
        number => number,
        name => file_name(&e.file),
        time => e.time.clone().unwrap_or(MISSING.into()),
        exposure_s => or_missing(e.exposure_s, 4),
        gate => gate_word(e.gate),
        reasons => e.reasons.join(", "),
        stars => e.stars.map_or(MISSING.into(), |n| n.to_string()),
        size => with_error(size, e.size_err),
        e1 => signed(e.e1),
        e2 => signed(e.e2),
        jitter => e.jitter_mas2.map_or(MISSING.into(), |j| format!("{:.0}, {:.0}, {:.0}", j.xx, j.yy, j.xy)),
        // What was noted of a frame that was read stands once below the table.
        notes => if e.gate == Gate::Unreadable { e.notes.clone() } else { Vec::new() },
    }
}

/// Remarks on the frames, each once with the number of frames it holds for, the commonest
/// first.
fn remarks(v: &Verdict) -> Vec<String> {
    const SHOWN: usize = 12;
    let mut frames: BTreeMap<&str, usize> = BTreeMap::new();
    let read = v.exposures.iter().filter(|e| e.gate != Gate::Unreadable);
    for note in read.flat_map(|e| &e.notes) {
        *frames.entry(note).or_default() += 1;
    }
    let mut list: Vec<(&str, usize)> = frames.into_iter().collect();
    list.sort_by_key(|(_, count)| std::cmp::Reverse(*count));
    list.truncate(SHOWN);
    list.into_iter()
        .map(|(note, count)| format!("{note} ({count} {})", if count == 1 { "frame" } else { "frames" }))
        .collect()
}
