//! Numbers for people: a few significant digits, and a dash for what is missing.

/// Shown where a value is missing.
pub const MISSING: &str = "–";

/// Rounded to `digits` significant digits; powers of ten outside 1e-4 .. 1e6.
pub fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return MISSING.into();
    }
    if value == 0.0 {
        return "0".into();
    }
    let digits = digits.max(1);
    // Rounding may add a digit in front (9.996 -> 10.0), so the exponent is taken after it.
    let scientific = format!("{value:.*e}", digits - 1);
    let exponent: i32 = scientific.split('e').nth(1).and_then(|e| e.parse().ok()).unwrap_or(0);
    if (-4..6).contains(&exponent) {
        let decimals = (digits as i32 - 1 - exponent).max(0) as usize;
        format!("{value:.decimals$}")
    } else {
        scientific
    }
}

pub fn or_missing(value: Option<f64>, digits: usize) -> String {
    value.map_or(MISSING.into(), |v| significant(v, digits))
}

/// Four decimals with the sign, for ellipticities and changes of ln T.
pub fn signed(value: Option<f64>) -> String {
    // Adding zero to what rounds to it takes the sign of a negative zero away.
    let rounded = |v: f64| (v * 1e4).round() / 1e4 + 0.0;
    value.filter(|v| v.is_finite()).map_or(MISSING.into(), |v| format!("{:+.4}", rounded(v)))
}

/// `0.04482 ± 0.00008`: both to the second digit of the error.
pub fn with_error(value: Option<f64>, error: Option<f64>) -> String {
    match (value.filter(|v| v.is_finite()), error.filter(|e| e.is_finite() && *e > 0.0)) {
        (Some(value), Some(error)) => {
            let decimals = (1.0 - error.log10().floor()).clamp(0.0, 8.0) as usize;
            format!("{value:.decimals$} ± {error:.decimals$}")
        }
        (value, _) => or_missing(value, 4),
    }
}

/// `0.0041 [0.0032, 0.0052]`; the brackets are left out where there is no interval, and
/// where nothing is seen above the noise only the upper bound stands: `at most 0.0052`.
pub fn with_interval(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> String {
    let shown = or_missing(value, 3);
    match (low, high) {
        (Some(0.0), Some(high)) if value == Some(0.0) => format!("at most {}", significant(high, 3)),
        (None, None) => shown,
        _ => format!("{shown} [{}, {}]", or_missing(low, 3), or_missing(high, 3)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn significant_digits() {
        let cases = [
            (0.0, "0"),
            (0.00411, "0.00411"),
            (9.996, "10.0"),
            (0.09996, "0.100"),
            (-1234.4, "-1234"),
            (0.0000123, "1.23e-5"),
            (2.5e7, "2.50e7"),
            (f64::NAN, MISSING),
        ];
        for (value, shown) in cases {
            assert_eq!(significant(value, 3), shown);
        }
    }

    #[test]
    fn errors() {
        assert_eq!(with_error(Some(0.044821), Some(0.00008)), "0.044821 ± 0.000080");
        assert_eq!(with_error(Some(123.4), Some(12.0)), "123 ± 12");
        assert_eq!(with_error(Some(5.0), None), "5.000");
        assert_eq!(with_error(None, Some(1.0)), MISSING);
        assert_eq!(
            (signed(Some(0.01)), signed(Some(-1e-5)), signed(Some(f64::NAN))),
            ("+0.0100".to_string(), "+0.0000".to_string(), MISSING.to_string())
        );
    }

    #[test]
    fn intervals() {
        assert_eq!(with_interval(Some(0.0041), Some(0.0032), Some(0.0052)), "0.00410 [0.00320, 0.00520]");
        assert_eq!(with_interval(Some(0.0), Some(0.0), Some(0.0052)), "at most 0.00520");
        assert_eq!(with_interval(None, None, None), MISSING);
        assert_eq!(with_interval(Some(1.0), None, Some(2.0)), "1.00 [–, 2.00]");
    }
}
