use serde_json::Value;

use super::figure_data::FigureData;
use super::{CAUTION, ecsv, exposures, field_models, figure_file, html, json, sample, terminal, write_all};
use crate::table::fits_table::{self, Data};
use crate::verdict::model::*;
use crate::verdict::{Judgement, Verdict};

fn schema() -> Value {
    serde_json::from_str(include_str!("../../schema/verdict-1.schema.json")).unwrap()
}

/// The schema with nothing allowed beyond what it names: what is written must be documented.
fn strict(mut schema: Value) -> Value {
    fn close(node: &mut Value) {
        match node {
            Value::Object(map) => {
                if map.contains_key("properties") && !map.contains_key("additionalProperties") {
                    map.insert("additionalProperties".into(), false.into());
                }
                map.values_mut().for_each(close);
            }
            Value::Array(items) => items.iter_mut().for_each(close),
            _ => {}
        }
    }
    close(&mut schema);
    schema
}

/// A verdict of which nothing optional is known.
fn bare() -> Verdict {
    let full = sample::verdict(3);
    Verdict {
        decision: Decision::Undecided,
        also_allowed: vec![],
        reasons: vec![],
        repeatability: None,
        all_exposures: None,
        instrument: None,
        own_model: None,
        residual_correlation: None,
        registration: None,
        higher_moments: None,
        brightness: None,
        shear: None,
        combined: None,
        exposures: vec![ExposureResult {
            file: "a.fits".into(),
            time: None,
            exposure_s: None,
            stars: None,
            gate: Gate::Unreadable,
            reasons: vec![],
            size_arcsec2: None,
            size_pix2: None,
            size_err: None,
            e1: None,
            e2: None,
            e_err: None,
            jitter_mas2: None,
            fwhm_pix: None,
            sky_level: None,
            sky_noise: None,
            filter: None,
            mjd_mid: None,
            altitude_deg: None,
            target: None,
            ra_deg: None,
            dec_deg: None,
            focus: None,
            housekeeping: Default::default(),
            refused: Default::default(),
            xxh3: None,
            notes: vec![],
        }],
        noise_check: NoiseCheck::default(),
        undecided: Some(UndecidedAdvice {
            stars_needed: Some(900),
            exposures_needed: None,
            star_snr: Some(60.0),
            star_snr_needed: Some(85.0),
            text: String::new(),
        }),
        time: None,
        ..full
    }
}

#[test]
fn every_written_verdict_follows_the_schema() {
    let validator = jsonschema::validator_for(&strict(schema())).unwrap();
    let mut nan = sample::verdict(3);
    nan.exposures[0].e1 = Some(f64::NAN);
    nan.noise_check.size_pull = Some(f64::INFINITY);
    for verdict in [sample::verdict(20), bare(), nan] {
        let text = json::to_text(&verdict).unwrap();
        let value: Value = serde_json::from_str(&text).unwrap();
        let faults: Vec<String> =
            validator.iter_errors(&value).map(|e| format!("{e} at {}", e.instance_path())).collect();
        assert!(faults.is_empty(), "{faults:?}");
        let back: Verdict = serde_json::from_str(&text).unwrap();
        assert_eq!(json::to_text(&back).unwrap(), text);
    }
}

#[test]
fn the_schema_refuses_what_is_wrong() {
    let validator = jsonschema::validator_for(&schema()).unwrap();
    let good = serde_json::to_value(sample::verdict(3)).unwrap();
    assert!(validator.is_valid(&good));
    for (path, wrong) in [
        ("/decision", "maybe".into()),
        ("/confidence", 1.0.into()),
        ("/exposures/0/gate", "kept".into()),
        ("/exposures/0/stars", 3.5.into()),
        ("/repeatability/size/rms", "0.1".into()),
        ("/requirement/size_limit", Value::Null),
    ] {
        let mut bad = good.clone();
        *bad.pointer_mut(path).unwrap() = wrong;
        assert!(!validator.is_valid(&bad), "{path}");
    }
}

#[test]
fn terminal_summaries() {
    insta::assert_snapshot!("terminal_subset", terminal::summary(&sample::verdict(20), "result"));
    insta::assert_snapshot!("terminal_undecided", terminal::summary(&bare(), "result"));
    let mut many = sample::verdict(30);
    many.decision = Decision::DoNotCombine;
    many.exposures.iter_mut().for_each(|e| e.gate = Gate::LeaveOut);
    insta::assert_snapshot!("terminal_many_left_out", terminal::summary(&many, "result"));
}

#[test]
fn exposures_as_ecsv() {
    insta::assert_snapshot!(ecsv::to_text(&exposures::table(&sample::verdict(7))));
}

#[test]
fn exposures_as_fits_keep_what_is_missing() {
    let table = exposures::table(&sample::verdict(7));
    let back = fits_table::from_bytes(&fits_table::to_bytes(&[table]).unwrap()).unwrap();
    let stars = &back[0].column("stars").unwrap().data;
    assert!(matches!(stars, Data::I32(v) if v[4] == Some(184) && v[5].is_none()));
    assert!(matches!(&back[0].column("e1").unwrap().data, Data::F64(v) if v[4].is_finite() && v[5].is_nan()));
}

/// The documented evaluation, on what stands in the file, against the model itself.
#[test]
fn field_models_evaluate_to_the_model_from_the_file_alone() {
    let models = sample::judgement(4).field_models;
    let bytes = fits_table::to_bytes(&field_models::tables(&models, &sample::verdict(4))).unwrap();
    let back = fits_table::from_bytes(&bytes).unwrap();
    let numbers = |table: usize, name: &str| match &back[table].column(name).unwrap().data {
        Data::F64(v) => v.clone(),
        Data::I32(v) => v.iter().map(|i| f64::from(i.unwrap())).collect(),
        other => panic!("{name}: {other:?}"),
    };
    let (i, j) = (numbers(0, "u_power"), numbers(0, "v_power"));
    let (x, y) = (100.0, 2000.0);
    for (row, model) in models.iter().enumerate() {
        let u = (x + 1.0 - numbers(1, "x_middle")[row]) / numbers(1, "x_half")[row];
        let v = (y + 1.0 - numbers(1, "y_middle")[row]) / numbers(1, "y_half")[row];
        let coefficients = numbers(1, "e1");
        let from_file: f64 =
            (0..i.len()).map(|k| coefficients[row * i.len() + k] * u.powf(i[k]) * v.powf(j[k])).sum();
        let direct: f64 = model
            .powers
            .iter()
            .zip(&model.e1)
            .map(|((i, j), c)| {
                let u = (x - model.x_middle) / model.x_half;
                let v = (y - model.y_middle) / model.y_half;
                c * u.powi(*i as i32) * v.powi(*j as i32)
            })
            .sum();
        assert!((from_file - direct).abs() < 1e-14);
    }
}

#[test]
fn no_models_make_an_empty_file_not_an_error() {
    let bytes = fits_table::to_bytes(&field_models::tables(&[], &bare())).unwrap();
    assert_eq!(fits_table::from_bytes(&bytes).unwrap().len(), 3);
}

fn page_of(judgement: &Judgement) -> String {
    let figures = FigureData::of(judgement);
    html::to_text(html::Source { verdict: &judgement.verdict, figures: Some(&figures), settings: None })
        .unwrap()
}

/// What is drawn is what is read back from the file.
#[test]
fn figures_come_back_from_their_file() {
    for n in [1, 7, 36] {
        let figures = FigureData::of(&sample::judgement(n));
        let bytes = fits_table::to_bytes(&figure_file::tables(&figures)).unwrap();
        let back = figure_file::read(&bytes).unwrap();
        let again = fits_table::to_bytes(&figure_file::tables(&back)).unwrap();
        assert_eq!(figure_file::read(&again).unwrap(), back);
        assert_eq!(
            (back.fields.len(), back.kept, back.left_out),
            (figures.fields.len(), figures.kept, figures.left_out)
        );
        assert_eq!(
            (&back.pulls, &back.detections, &back.optics),
            (&figures.pulls, &figures.detections, &figures.optics)
        );
        assert_eq!(back.residual.len(), figures.residual.len());
        for (a, b) in back.fields.iter().zip(&figures.fields) {
            assert_eq!((a.role, &a.name, a.samples.len()), (b.role, &b.name, b.samples.len()));
            assert!(
                a.images.iter().zip(&b.images).all(|(a, b)| a.image == b.image && (a.x - b.x).abs() < 1e-9)
            );
        }
    }
}

#[test]
fn a_file_that_holds_no_figures_is_refused_with_its_reason() {
    let other = fits_table::to_bytes(&[exposures::table(&sample::verdict(3))]).unwrap();
    for bytes in [&b"nothing"[..], &other, &other[..other.len() / 2]] {
        assert!(figure_file::read(bytes).is_err());
    }
}

fn plain(page: &str) -> String {
    page.replace("&#x27;", "'").replace("&#x2f;", "/")
}

/// Everything that is shown, in a form that needs nothing from outside. The page stays
/// in `target/sample-report` to be looked at.
#[test]
fn the_page_stands_alone_and_says_it_all() {
    let settings = crate::settings::to_annotated_toml(&Default::default());
    let mut judgement = sample::judgement(36);
    judgement.verdict.notes.push("<script>alert(1)</script> & \"quotes\"".into());
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("target/sample-report");
    std::fs::create_dir_all(&folder).unwrap();
    write_all(&judgement, &["night/target_000.fits".into()], &settings, &folder).unwrap();
    let page = plain(&std::fs::read_to_string(folder.join("report.html")).unwrap());
    let page_without_images = page.replace("src=\"data:image/png;base64,", "");
    for outside in ["<script", "src=", "href=", "@import", "url("] {
        assert!(!page_without_images.contains(outside), "{outside}");
    }
    let shown =
        [CAUTION, "combine-subset", "night/target_014.fits", "size-change", "min_snr = 30.0", "cosmic-ray"];
    for text in shown {
        assert!(page.contains(text), "{text}");
    }
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    assert_eq!(page.matches("class=\"figure\"").count(), 10);
    assert!(!page.contains("NaN") && !page.contains("inf"), "a number that is none");
}

/// The page of a hundred exposures is under 2 MB, and thousands take no more: what is many is summarised, and
/// the worst come first.
#[test]
fn pages_of_long_stacks_stay_small() {
    let settings = crate::settings::to_annotated_toml(&Default::default());
    for n in [100, 3000] {
        let judgement = sample::judgement(n);
        let start = std::time::Instant::now();
        let figures = FigureData::of(&judgement);
        let verdict = &judgement.verdict;
        let source = html::Source { verdict, figures: Some(&figures), settings: Some(&settings) };
        let page = plain(&html::to_text(source).unwrap());
        let file = fits_table::to_bytes(&figure_file::tables(&figures)).unwrap();
        println!(
            "{n}: page {} kB, figures {} kB, {:?}",
            page.len() / 1000,
            file.len() / 1000,
            start.elapsed()
        );
        assert!(page.len() < 2_000_000 && file.len() < 10_000_000, "{n}: {} {}", page.len(), file.len());
        let rows = page.matches("<td class=\"w\">target_").count();
        assert!(rows < 400, "{n}: {rows} rows");
        // The inputs are all there.
        assert_eq!(page.matches("  night/target_").count(), n);
    }
}

#[test]
fn a_page_of_nothing_is_still_a_page() {
    let judgement = Judgement { verdict: bare(), field_models: vec![], pictures: Default::default() };
    let page = plain(&page_of(&judgement));
    assert!(page.contains("undecided") && page.contains(CAUTION) && !page.contains("<figure"));
}

/// Whatever the numbers are, the page is made and shows no NaN.
#[test]
fn numbers_that_are_none_do_not_break_the_page() {
    let mut judgement = sample::judgement(8);
    let pictures = &mut judgement.pictures;
    pictures.mean[0].e1 = f64::NAN;
    pictures.exposures[0].model.iter_mut().for_each(|s| s.ln_size = f64::NAN);
    pictures.exposures[1].model.iter_mut().for_each(|s| s.e2 = f64::INFINITY);
    pictures.exposures[2].model.clear();
    pictures.exposures[3].stars.iter_mut().for_each(|s| s.residual = Some([f64::NAN; 3]));
    pictures.exposures[4].stars.iter_mut().for_each(|s| s.x = -1e300);
    for e in &mut judgement.verdict.exposures {
        (e.size_err, e.e1, e.mjd_mid) = (Some(f64::NAN), Some(f64::NAN), Some(60000.0));
    }
    judgement.verdict.repeatability.as_mut().unwrap().size.high = Some(f64::INFINITY);
    for (width, height) in [(4096.0, 3072.0), (0.0, 0.0), (f64::NAN, 1.0), (1.0, 1e9)] {
        (judgement.pictures.width, judgement.pictures.height) = (width, height);
        let page = page_of(&judgement);
        assert!(!page.contains("NaN") && !page.contains(">inf"), "{width} x {height}");
    }
}
