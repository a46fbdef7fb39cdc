use super::*;
use crate::verdict::results::unreadable;

/// A fixed sequence of numbers in -1 .. 1.
fn noise(seed: usize) -> f64 {
    let x = (seed as f64 * 12.9898 + 4.1414).sin() * 43758.5453;
    2.0 * (x - x.floor()) - 1.0
}

/// Exposures every six minutes whose ln T goes as `change`, with a scatter of 0.002.
fn rows(n: usize, change: impl Fn(usize) -> f64) -> Vec<ExposureResult> {
    (0..n)
        .map(|k| ExposureResult {
            size_pix2: Some(5.0 * (change(k) + 0.002 * noise(k)).exp()),
            size_err: Some(0.01),
            e1: Some(0.01 + 0.002 * noise(k + 100)),
            e2: Some(0.002 * noise(k + 200)),
            e_err: Some(0.001),
            mjd_mid: Some(62991.9 + 0.1 * k as f64 / 24.0),
            ..unreadable(&format!("a/{k:02}.fits"), "")
        })
        .collect()
}

fn with_values(n: usize, name: &str, value: impl Fn(usize) -> f64) -> Vec<ExposureFacts> {
    (0..n)
        .map(|k| ExposureFacts { housekeeping: [(name.to_owned(), value(k))].into(), ..Default::default() })
        .collect()
}

fn analysed(rows: &[ExposureResult], facts: &[ExposureFacts]) -> (TimeAnalysis, Vec<Reason>) {
    let facts: Vec<&ExposureFacts> = facts.iter().collect();
    let time = analyse(rows, &facts, (1.0, 1.0), 0.95).unwrap();
    let reasons = time_reasons::all(&time, 0.95);
    (time, reasons)
}

fn nothing(n: usize) -> Vec<ExposureFacts> {
    vec![ExposureFacts::default(); n]
}

fn codes(reasons: &[Reason]) -> Vec<&str> {
    reasons.iter().map(|r| r.code.as_str()).collect()
}

#[test]
fn a_step_is_spoken_of_as_a_step() {
    let (time, reasons) = analysed(&rows(16, |k| if k < 9 { 0.0 } else { 0.05 }), &nothing(16));
    assert_eq!(codes(&reasons), ["step"]);
    let step = time.quantities[0].step.as_ref().unwrap();
    assert_eq!((step.last_before.as_str(), step.first_after.as_str()), ("a/08.fits", "a/09.fits"));
    assert!(step.low < 0.05 && 0.05 < step.high, "{step:?}");
    assert!(reasons[0].text.contains("between 08.fits and 09.fits"), "{}", reasons[0].text);
    assert_eq!(time.quantities[0].described_by.as_deref(), Some("step"));
}

#[test]
fn a_drift_is_spoken_of_as_a_drift() {
    let (_, reasons) = analysed(&rows(16, |k| -0.004 * k as f64), &nothing(16));
    assert_eq!(codes(&reasons), ["drift"]);
    // 0.004 an exposure, ten exposures an hour.
    let (low, high) = (reasons[0].low.unwrap(), reasons[0].high.unwrap());
    assert!(low < -0.04 && -0.04 < high && high < -0.03, "{:?}", reasons[0]);
    assert!(reasons[0].text.contains("1.5 hours"), "{}", reasons[0].text);
}

#[test]
fn a_swing_is_spoken_of_with_its_period() {
    let wave = |k: usize| 0.02 * (std::f64::consts::TAU * k as f64 / 7.3).sin();
    let (time, reasons) = analysed(&rows(24, wave), &nothing(24));
    assert_eq!(codes(&reasons), ["period"]);
    let period = time.quantities[0].period.as_ref().unwrap();
    assert!((period.period - 0.73).abs() < 4.0 * period.period_err && period.period_err < 0.01, "{period:?}");
    assert!((period.amplitude - 0.02).abs() < 4.0 * period.amplitude_err, "{period:?}");
    assert!(reasons[0].text.contains("false-alarm probability"), "{}", reasons[0].text);
}

#[test]
fn what_is_followed_apart_from_time_is_told_from_what_is_shared_with_it() {
    let bump = |k: usize| 0.01 * noise(k + 900);
    let (time, reasons) = analysed(&rows(12, bump), &with_values(12, "STRUT", |k| 100.0 * bump(k)));
    assert_eq!(codes(&reasons), ["follows-housekeeping"]);
    let found = &time.follows.found[0];
    assert!(!found.shared_with_time && found.given_time.unwrap() > 0.8, "{found:?}");
    assert!(
        reasons[0].text.contains("STRUT") && reasons[0].text.contains("candidate"),
        "{}",
        reasons[0].text
    );

    let uneasy = |k: usize| k as f64 + 2.5 * noise(k + 50);
    let (time, reasons) = analysed(&rows(12, |k| 0.01 * k as f64), &with_values(12, "STRUT", uneasy));
    let found = time.follows.found.iter().find(|f| f.quantity == "size").unwrap();
    assert!(found.shared_with_time, "{found:?}");
    let follows = reasons.iter().find(|r| r.code == "follows-housekeeping").unwrap();
    assert!(follows.text.contains("shared with it"), "{}", follows.text);
}

#[test]
fn values_of_one_order_or_its_reverse_count_once() {
    let facts: Vec<ExposureFacts> = (0..8)
        .map(|k| ExposureFacts {
            altitude_deg: Some(40.0 + noise(k)),
            housekeeping: [
                ("AIRMASS".to_owned(), 2.0 - 0.1 * noise(k)),
                ("FIXED".to_owned(), 3.0),
                ("OTHER".to_owned(), noise(k + 70)),
            ]
            .into(),
            ..Default::default()
        })
        .collect();
    let (time, _) = analysed(&rows(8, |k| 0.05 * noise(k)), &facts);
    assert_eq!((time.follows.values, time.follows.tests), (2, 6));
    let found = &time.follows.found[0];
    assert_eq!(
        (found.value.as_str(), found.same_order.as_slice()),
        ("altitude", ["AIRMASS".to_owned()].as_slice())
    );
}

#[test]
fn without_times_the_order_counts() {
    let mut rows = rows(16, |k| -0.004 * k as f64);
    rows[3].mjd_mid = None;
    let (time, reasons) = analysed(&rows, &nothing(16));
    assert_eq!((time.unit.as_str(), time.span), ("exposure", 15.0));
    assert!(reasons[0].text.contains("per exposure") && reasons[0].text.contains("in the order given"));
    assert!((reasons[0].value.unwrap() + 0.004).abs() < 0.001);
}

#[test]
fn exposures_are_put_in_the_order_of_time() {
    let mut shuffled = rows(16, |k| -0.004 * k as f64);
    let (straight, _) = analysed(&shuffled, &nothing(16));
    shuffled.reverse();
    shuffled.swap(2, 11);
    assert_eq!(analysed(&shuffled, &nothing(16)).0, straight);
}

#[test]
fn few_or_uneven_exposures_give_null_with_the_reason() {
    let (time, reasons) = analysed(&rows(4, |k| k as f64), &with_values(4, "T", |k| k as f64));
    let first = &time.quantities[0];
    assert!(first.drift.is_none() && first.step.is_none() && first.period.is_none());
    assert!(first.stability.is_none() && reasons.is_empty());
    for (name, needed) in [("drift", "5"), ("step", "8"), ("period", "12"), ("stability", "8")] {
        assert!(first.withheld[name].contains(needed), "{:?}", first.withheld);
    }
    assert!(time.follows.withheld.as_ref().unwrap().contains('6'), "{:?}", time.follows);

    let mut uneven = rows(10, |_| 0.0);
    uneven[9].mjd_mid = Some(62993.0);
    let (time, _) = analysed(&uneven, &nothing(10));
    assert!(time.quantities[1].withheld["stability"].contains("evenly"), "{:?}", time.quantities[1]);

    let none: Vec<ExposureResult> = vec![unreadable("x", "y"); 9];
    assert_eq!(analyse(&none, &[], (1.0, 1.0), 0.95), None);
}

/// Of five exposures all in order has the chance 2/120, three quantities ask for 0.05/3: the same.
#[test]
fn five_exposures_in_order_are_a_drift() {
    let (time, reasons) = analysed(&rows(5, |k| 0.01 * k as f64), &nothing(5));
    assert_eq!(codes(&reasons), ["drift"]);
    let drift = time.quantities[0].drift.as_ref().unwrap();
    assert!(drift.low.unwrap() > 0.0 && drift.low <= Some(drift.slope), "{drift:?}");
}

/// Whatever the numbers, nothing that is not finite gets into the verdict.
#[test]
fn odd_numbers_do_no_harm() {
    let equal = rows(14, |_| 0.0)
        .into_iter()
        .map(|row| ExposureResult { size_pix2: Some(5.0), e1: Some(0.0), e2: Some(0.0), ..row })
        .collect::<Vec<_>>();
    let exact: Vec<ExposureResult> = (0..14)
        .map(|k| ExposureResult {
            e1: Some(k as f64),
            e2: Some(f64::from(u8::from(k > 6))),
            ..equal[k].clone()
        })
        .collect();
    let mut wild = rows(14, |k| 300.0 * noise(k));
    wild[3].e1 = Some(f64::NAN);
    wild[4].size_err = Some(0.0);
    wild[5].mjd_mid = Some(f64::INFINITY);
    let mut same_time = rows(14, |_| 0.0);
    same_time.iter_mut().for_each(|row| row.mjd_mid = Some(60000.0));
    let mut in_pairs = rows(14, |_| 0.0);
    in_pairs.iter_mut().enumerate().for_each(|(k, row)| row.mjd_mid = Some(60000.0 + (k / 2) as f64));
    for rows in [equal, exact, wild, same_time, in_pairs] {
        let values = with_values(14, "T", |k| if k == 2 { f64::NAN } else { noise(k) });
        let (time, reasons) = analysed(&rows, &values);
        // A number that is not finite would be written as null and not read back.
        let text = serde_json::to_string(&(&time, &reasons)).unwrap();
        let back: (TimeAnalysis, Vec<Reason>) = serde_json::from_str(&text).unwrap();
        assert_eq!(back.0.quantities.len(), 3);
        assert!(reasons.iter().all(|r| !r.text.contains("NaN") && !r.text.contains("inf")), "{reasons:?}");
    }
}
