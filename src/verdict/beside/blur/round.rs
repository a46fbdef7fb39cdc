//! Blur in all directions: focus, seeing or round jitter.

use super::super::super::model::Reason;
use super::super::super::reasons::number;
use super::Compared;
use super::course::{Parts, course};
use super::flatness::{Flat, flattest};

/// What is said where exposures are blurred in all directions.
pub fn reason(compared: &Compared) -> Option<Reason> {
    let parts: Vec<(f64, f64)> = compared.blurs.iter().map(|b| b.all_directions()).collect();
    let shown: Vec<usize> = (0..parts.len()).filter(|&k| compared.is_shown(parts[k].0, parts[k].1)).collect();
    let worst = shown.iter().copied().max_by(|&a, &b| parts[a].0.total_cmp(&parts[b].0))?;
    let (scale, unit) = compared.spoken();
    let largest = parts[worst].0.sqrt();
    let error = parts[worst].1 / (2.0 * largest);
    let likely = match flattest(compared, &shown) {
        Some(Flat { place, stars, part, fall, error }) => format!(
            "images are flatter than Gaussian jitter, a uniform smear or poorer seeing would leave the stars of \
             the sharpest, as defocus makes them, most of all in {} (kurtosis lower by {} ± {} in {stars} stars{part})",
            compared.name(place),
            number(fall),
            number(error)
        ),
        None if compared.facts_known => {
            "focus, seeing or round jitter, which moments alone do not tell apart here, and the optics could not be \
             fitted"
                .into()
        }
        None => "focus, seeing or round jitter, which moments alone do not tell apart here: give the telescope's facts \
                 in the settings"
            .into(),
    };
    let values: Vec<f64> = parts.iter().map(|p| p.0).collect();
    let errors: Vec<f64> = parts.iter().map(|p| p.1).collect();
    let through_time = course(compared, "blur", Parts { values: &values, errors: &errors });
    let (n, total) = (shown.len(), parts.len());
    let text = format!(
        "{n} of {total} exposures {} blurred in all directions, by up to {} ± {} {unit} rms over the sharpest ({}), both \
         axes together, most in {}: {likely}.{through_time}",
        if n == 1 { "is" } else { "are" },
        number(scale * largest),
        number(scale * error),
        compared.name(compared.sharpest),
        compared.name(worst),
    );
    Some(Reason {
        code: "blur-changes".into(),
        text,
        quantity: Some(format!(
            "largest blur in all directions over the sharpest exposure, {} rms of both axes",
            compared.rms_unit()
        )),
        value: Some(largest),
        ..Reason::default()
    })
}

#[cfg(test)]
mod tests {
    use super::super::fixture::{blur, compared};
    use super::*;

    #[test]
    fn a_round_blur_is_told_with_its_size_and_growth() {
        let blurs: Vec<_> = (0..6).map(|k| blur((k as f64, k as f64, 0.0))).collect();
        let found = compared(&blurs, |c| reason(c).unwrap());
        assert_eq!(found.code, "blur-changes");
        let text = &found.text;
        assert!(
            text.contains("5 of 6") && text.contains("grows by 2 ") && text.contains("frame-5"),
            "{text}"
        );
        assert!(text.contains("do not tell apart"), "{text}");
    }

    #[test]
    fn a_smear_alone_is_no_round_blur() {
        let blurs: Vec<_> = (0..6).map(|k| blur((2.0 * k as f64, 0.0, 0.0))).collect();
        assert!(compared(&blurs, |c| reason(c).is_none()));
    }
}
