//! What the moments alone say of a stack's blur, against what the simulator put in: smears seen, their
//! direction and course; blur in all directions; images called flat by defocus; each also where it is not.
//!
//! Two telescopes, one limited by diffraction, one by jitter (`wide`, where defocus makes rings), whose facts
//! the settings do not give. `cargo run --release --example blur_rates [CASE [DRAWS [SEED]]]`, CASE a name of the
//! table or the beginning of one (`all`). One line a case, the first draw's sentences below it.

use rayon::prelude::*;

#[path = "../tests/blurred/mod.rs"]
mod blurred;

use blurred::{CASES, Case, DIRECTION_DEG, Said};

fn main() -> anyhow::Result<()> {
    let mut given = std::env::args().skip(1);
    let wanted = given.next().unwrap_or_else(|| "all".into());
    let draws: u64 = given.next().map_or(Ok(40), |n| n.parse())?;
    let first: u64 = given.next().map_or(Ok(1), |n| n.parse())?;
    println!(
        "{:<20} draws  smear %  grows %  swings %  round %  flat %  right %  direction: off deg, pull   length",
        "case"
    );
    for case in CASES.iter().filter(|c| wanted == "all" || c.name.starts_with(&wanted)) {
        let said: Vec<Said> = (first..first + draws).into_par_iter().map(|seed| case.said(seed)).collect();
        print(case, &said);
    }
    Ok(())
}

fn print(case: &Case, said: &[Said]) {
    let share =
        |is: &dyn Fn(&Said) -> bool| 100.0 * said.iter().filter(|s| is(s)).count() as f64 / said.len() as f64;
    let rms = |values: &[f64]| (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt();
    let off: Vec<(f64, f64)> = said
        .iter()
        .filter_map(|s| s.direction_deg)
        .map(|(angle, error)| ((angle - DIRECTION_DEG + 90.0).rem_euclid(180.0) - 90.0, error))
        .collect();
    let put_in = case.longest_mas();
    let lengths: Vec<f64> = said.iter().filter_map(|s| Some(s.length_mas? / put_in?)).collect();
    println!(
        "{:<20} {:>5} {:>8.1} {:>8.1} {:>9.1} {:>8.1} {:>7.1} {:>8.1} {:>19.2} {:>5.2} {:>8.3}",
        case.name,
        said.len(),
        share(&|s| s.smeared),
        share(&|s| s.smear_grows),
        share(&|s| s.smear_swings),
        share(&|s| s.round),
        share(&|s| s.flattest.is_some()),
        share(&|s| s.flattest.as_deref() == Some(case.most_defocused().as_str())),
        rms(&off.iter().map(|d| d.0).collect::<Vec<_>>()),
        rms(&off.iter().map(|d| d.0 / d.1).collect::<Vec<_>>()),
        lengths.iter().sum::<f64>() / lengths.len() as f64
    );
    said.iter().take(1).flat_map(|s| &s.texts).for_each(|text| println!("    {text}"));
}
