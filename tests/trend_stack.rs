//! The time analysis of whole stacks through the binary, against what was simulated: a drift and the
//! temperature that goes with it are found in the scene that drifts, nothing in the steady one.

mod checked;

use stackworthy::synth::Scene;
use stackworthy::verdict::model::{Decision, Verdict};

fn check(name: &str) -> (Verdict, String, String) {
    let mut scene = Scene::built_in(name).unwrap();
    scene.detector.width = 640;
    scene.detector.height = 640;
    scene.stars.per_frame = 400.0;
    let run = checked::Checked::scene(&scene);
    let verdict = serde_json::from_str(&run.read("out/verdict.json")).unwrap();
    let terminal = String::from_utf8_lossy(&run.output.stdout).into_owned();
    (verdict, terminal, run.read("out/report.html"))
}

#[test]
fn a_drift_and_what_goes_with_it_are_found() {
    let (verdict, terminal, page) = check("drift");
    let time = verdict.time.unwrap();
    assert_eq!((time.unit.as_str(), time.exposures), ("hour", 8));
    // Defocus and coma grow at every exposure: size and e1 do as well, whatever the noise.
    for quantity in &time.quantities[..2] {
        let drift = quantity.drift.as_ref().unwrap();
        assert!(drift.significant && drift.low.unwrap() > 0.0, "{quantity:?}");
        // All 28 pairs rise: 2/8! by chance.
        assert!((drift.p_value - 2.0 / 40320.0).abs() < 1e-12, "{quantity:?}");
        assert_ne!(quantity.described_by.as_deref(), Some("step"));
        assert!(quantity.period.is_none() && quantity.withheld["period"].contains("12"), "{quantity:?}");
        // What changes is far over the noise, more so the more exposures are averaged.
        let stability = quantity.stability.as_ref().unwrap();
        assert!(stability[0].low > 3.0 * stability[0].noise, "{stability:?}");
        assert!(stability[1].overlapping > stability[0].overlapping, "{stability:?}");
    }
    // Only the temperature varies in the headers; it falls with time, so that it cannot be told
    // from time itself.
    assert_eq!((time.follows.values, time.follows.tests), (1, 3));
    let size = time.follows.found.iter().find(|f| f.quantity == "size").unwrap();
    assert_eq!((size.value.as_str(), size.shared_with_time, size.given_time), ("TELTEMP", true, None));
    assert!(size.correlation < -0.99 && size.high < -0.8, "{size:?}");
    for code in ["drift", "follows-housekeeping"] {
        let reason = verdict.reasons.iter().find(|r| r.code == code).unwrap();
        assert!(reason.value.is_some() && reason.low < reason.high, "{reason:?}");
        assert!(page.contains(&format!("<code>{code}</code>")));
    }
    assert!(terminal.contains("Through time") && terminal.contains("The size drifts by +"), "{terminal}");
}

#[test]
fn a_steady_telescope_shows_no_trend() {
    let (verdict, terminal, page) = check("steady");
    assert_eq!(verdict.decision, Decision::Combine);
    let time = verdict.time.unwrap();
    for quantity in &time.quantities {
        let (drift, step) = (quantity.drift.as_ref().unwrap(), quantity.step.as_ref().unwrap());
        assert!(!drift.significant && !step.significant && quantity.described_by.is_none(), "{quantity:?}");
        assert!(drift.low.unwrap() < 0.0 && drift.high.unwrap() > 0.0, "{quantity:?}");
        let stability = quantity.stability.as_ref().unwrap();
        assert!(stability[0].low < stability[0].noise, "{stability:?}");
    }
    assert!(time.follows.found.is_empty() && time.follows.withheld.is_some(), "{:?}", time.follows);
    assert!(!terminal.contains("Through time"), "{terminal}");
    assert!(page.contains("nothing that the PSF follows, stands out"));
}
