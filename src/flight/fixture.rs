//! Flights made up for tests: two visits of three exposures a night.

use rand::{RngExt, SeedableRng, rngs::ChaCha8Rng};
use rand_distr::StandardNormal;

use super::nights::Flight;
use super::record::{LoggedExposure, LoggedVerdict, TermValue};
use super::store::Contents;

pub const FIRST_NIGHT: f64 = 62991.85;

/// `value(term, days)` with noise of one error: of ln size, e1, e2 0.001, of the others 0.1.
pub fn flight(nights: usize, terms: &[&str], seed: u64, value: impl Fn(&str, f64) -> f64) -> Flight {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut contents = Contents::default();
    for visit in 0..2 * nights {
        let id = visit as i64 + 1;
        contents.verdicts.insert(id, verdict(id));
        for k in 0..3 {
            let days = (visit / 2) as f64 + 0.15 * (visit % 2) as f64 + 0.002 * k as f64;
            let mut e = LoggedExposure {
                frame: format!("{visit:03}-{k}"),
                file: format!("{visit:03}-{k}.fits"),
                mjd_mid: Some(FIRST_NIGHT + days),
                exposure_s: Some(120.0),
                target: Some(["Lantern field", "Harbour field"][visit % 2].into()),
                gate: "keep".into(),
                combined: true,
                ..LoggedExposure::default()
            };
            for term in terms {
                let error = if term.ends_with("nm") || term.ends_with("mas2") { 0.1 } else { 0.001 };
                let value = value(term, days) + error * rng.sample::<f64, _>(StandardNormal);
                let (name, value, error) = match *term {
                    "ln_size" => ("size_arcsec2", 0.017 * value.exp(), 0.017 * error),
                    other => (other, value, error),
                };
                e.terms.insert(name.into(), TermValue { value, error: Some(error), determined: true });
            }
            contents.exposures.push((id, e));
        }
    }
    Flight::new(contents, None)
}

fn verdict(id: i64) -> LoggedVerdict {
    LoggedVerdict {
        path: format!("{id}/verdict.json"),
        decision: "combine".into(),
        confidence: 0.95,
        size_limit: 0.0225,
        ellipticity_limit: 0.02,
        weight: "adaptive".into(),
        sign_settled: Some(false),
    }
}
