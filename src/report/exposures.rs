//! A row an exposure: one table, written as FITS and as ECSV.

use std::collections::BTreeMap;

use super::provenance;
use crate::stars::Refusal;
use crate::table::fits_table::{Column, Data, Table};
use crate::verdict::Verdict;
use crate::verdict::model::{ExposureResult, Gate};
use crate::verdict::optics_model::{ExposureOptics, OpticsFit};

/// The word of the `gate` column.
pub fn gate_word(gate: Gate) -> &'static str {
    match gate {
        Gate::Keep => "keep",
        Gate::LeaveOut => "leave-out",
        Gate::Unreadable => "unreadable",
    }
}

pub fn table(verdict: &Verdict) -> Table {
    let rows = &verdict.exposures;
    let size_error_unit = if rows.iter().any(|r| r.size_arcsec2.is_some()) { "arcsec2" } else { "pix2" };
    let blurs = verdict.optics.iter().flat_map(|o| &o.exposures).filter_map(|e| e.blur.as_ref());
    let blur_unit = if blurs.clone().any(|b| b.unit == "mas2") { "mas2" } else { "pix2" };
    let mut table = provenance::table("exposures", "stackworthy/exposures/1", verdict);
    table.columns = vec![
        text(rows, "file", "meta.id;meta.file", "path as given", |r| r.file.clone()),
        text(rows, "gate", "meta.code", "keep, leave-out or unreadable", |r| gate_word(r.gate).into()),
        text(rows, "reasons", "meta.code", "codes of the checks that speak of it, by blanks", |r| {
            r.reasons.join(" ")
        }),
        text(rows, "time", "time.epoch", "middle of the exposure, UTC", |r| {
            r.time.clone().unwrap_or_default()
        }),
        float(rows, "mjd_mid", "d", "time.epoch", "middle of the exposure, MJD, UTC", |r| r.mjd_mid),
        float(rows, "exposure_s", "s", "time.duration;obs.exposure", "exposure time", |r| r.exposure_s),
        text(rows, "filter", "meta.id;instr.filter", "filter", |r| r.filter.clone().unwrap_or_default()),
        float(rows, "altitude_deg", "deg", "pos.az.alt", "altitude of the pointing", |r| r.altitude_deg),
        count(rows, "stars", "stars used", |r| r.stars),
        float(rows, "size_arcsec2", "arcsec2", "phys.angSize", "field-mean size T", |r| r.size_arcsec2),
        float(rows, "size_pix2", "pix2", "phys.angSize", "field-mean size T", |r| r.size_pix2),
        float(rows, "size_err", size_error_unit, "stat.error;phys.angSize", "error of the size", |r| {
            r.size_err
        }),
        float(rows, "fwhm_pix", "pix", "phys.angSize", "FWHM of the equivalent Gaussian", |r| r.fwhm_pix),
        float(rows, "e1", "", "src.ellipticity", "field-mean ellipticity along x, detector", |r| r.e1),
        float(rows, "e2", "", "src.ellipticity", "field-mean ellipticity at 45 deg, detector", |r| r.e2),
        float(rows, "e_err", "", "stat.error;src.ellipticity", "error of e1 and of e2", |r| r.e_err),
        float(rows, "jitter_xx", "mas2", "stat.variance", "jitter tensor xx, detector", |r| {
            r.jitter_mas2.map(|j| j.xx)
        }),
        float(rows, "jitter_yy", "mas2", "stat.variance", "jitter tensor yy, detector", |r| {
            r.jitter_mas2.map(|j| j.yy)
        }),
        float(rows, "jitter_xy", "mas2", "stat.covariance", "jitter tensor xy, detector", |r| {
            r.jitter_mas2.map(|j| j.xy)
        }),
        of_fit(verdict, "jitter_major_mas", "mas", "stat.stdev", "jitter rms, long axis", |f| {
            f.jitter.major_rms_mas
        }),
        of_fit(verdict, "jitter_angle_deg", "deg", "pos.posAng", "jitter's long axis, x to y", |f| {
            Some(f.jitter.angle_deg)
        }),
        of_fit(verdict, "defocus_nm", "nm", "stat.fit.param;instr.tel", "defocus, field centre, rms", |f| {
            term(f, "defocus_nm")
        }),
        of_fit(verdict, "coma_x_nm", "nm", "stat.fit.param;instr.tel", "constant coma along x, rms", |f| {
            term(f, "coma_x_nm")
        }),
        of_fit(verdict, "coma_y_nm", "nm", "stat.fit.param;instr.tel", "constant coma along y, rms", |f| {
            term(f, "coma_y_nm")
        }),
        of_fit(
            verdict,
            "wavefront_nm",
            "nm",
            "stat.fit.param;instr.tel",
            "wavefront rms, field centre",
            |f| Some(f.wavefront_rms_nm),
        ),
        of_fit(verdict, "strehl", "", "instr.det.psf", "Strehl ratio, field mean", |f| f.strehl),
        of_fit(verdict, "optics_chi2", "", "stat.fit.chi2", "chi-square per degree of freedom", |f| {
            Some(f.chi2_per_degree)
        }),
        of_optics(verdict, "blur_xx", blur_unit, "stat.variance", "added to the sharpest, xx", |e| {
            e.blur.as_ref().map(|b| b.xx)
        }),
        of_optics(verdict, "blur_yy", blur_unit, "stat.variance", "added to the sharpest, yy", |e| {
            e.blur.as_ref().map(|b| b.yy)
        }),
        of_optics(verdict, "blur_xy", blur_unit, "stat.covariance", "added to the sharpest, xy", |e| {
            e.blur.as_ref().map(|b| b.xy)
        }),
        float(rows, "sky_level", "adu", "instr.skyLevel", "median sky, frame units", |r| r.sky_level),
        float(rows, "sky_noise", "adu", "stat.stdev;instr.skyLevel", "noise per pixel, frame units", |r| {
            r.sky_noise
        }),
    ];
    for refusal in Refusal::ALL {
        let name = format!("refused_{}", refusal.word().replace('-', "_"));
        let description = format!("detections refused: {}", refusal.meaning());
        let readable = |r: &ExposureResult| r.stars.map(|_| *r.refused.get(refusal.word()).unwrap_or(&0));
        table.columns.push(count(rows, &name, &description, readable));
    }
    table.columns.push(text(rows, "xxh3", "meta.checksum", "XXH3 hash of the frame, 128 bits", |r| {
        r.xxh3.clone().unwrap_or_default()
    }));
    table.columns.push(text(rows, "notes", "meta.note", "remarks", |r| r.notes.join("; ")));
    table
}

fn text(
    rows: &[ExposureResult],
    name: &str,
    ucd: &str,
    what: &str,
    get: impl Fn(&ExposureResult) -> String,
) -> Column {
    Column::new(name, "", ucd, what, Data::Text(rows.iter().map(get).collect()))
}

fn float(
    rows: &[ExposureResult],
    name: &str,
    unit: &str,
    ucd: &str,
    what: &str,
    get: impl Fn(&ExposureResult) -> Option<f64>,
) -> Column {
    let values = rows.iter().map(|r| get(r).unwrap_or(f64::NAN)).collect();
    Column::new(name, unit, ucd, what, Data::F64(values))
}

/// A column of the optics section, found by the exposure's file.
fn of_optics(
    verdict: &Verdict,
    name: &str,
    unit: &str,
    ucd: &str,
    what: &str,
    get: impl Fn(&ExposureOptics) -> Option<f64>,
) -> Column {
    let all = verdict.optics.iter().flat_map(|o| &o.exposures);
    let known: BTreeMap<&str, &ExposureOptics> = all.map(|e| (e.file.as_str(), e)).collect();
    float(&verdict.exposures, name, unit, ucd, what, |r| known.get(r.file.as_str()).copied().and_then(&get))
}

fn of_fit(
    verdict: &Verdict,
    name: &str,
    unit: &str,
    ucd: &str,
    what: &str,
    get: impl Fn(&OpticsFit) -> Option<f64>,
) -> Column {
    of_optics(verdict, name, unit, ucd, what, |e| e.fit.as_ref().and_then(&get))
}

/// A fitted term that the images determine.
fn term(fit: &OpticsFit, name: &str) -> Option<f64> {
    fit.terms.iter().find(|t| t.name == name && t.determined).map(|t| t.value)
}

fn count(
    rows: &[ExposureResult],
    name: &str,
    what: &str,
    get: impl Fn(&ExposureResult) -> Option<u32>,
) -> Column {
    let values = rows.iter().map(|r| get(r).and_then(|n| i32::try_from(n).ok())).collect();
    Column::new(name, "", "meta.number", what, Data::I32(values))
}
