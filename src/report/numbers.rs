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

/// `0.0041 [0.0032, 0.0052]`; the brackets are left out where there is no interval.
pub fn with_interval(value: Option<f64>, low: Option<f64>, high: Option<f64>) -> String {
    let shown = or_missing(value, 3);
    match (low, high) {
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
    fn intervals() {
        assert_eq!(with_interval(Some(0.0041), Some(0.0032), Some(0.0052)), "0.00410 [0.00320, 0.00520]");
        assert_eq!(with_interval(None, None, None), MISSING);
        assert_eq!(with_interval(Some(1.0), None, Some(2.0)), "1.00 [–, 2.00]");
    }
}
