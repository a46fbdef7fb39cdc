//! Where a monotone function crosses zero.

/// The zero of a continuous `f` between `low` and `high` by the Illinois form of false
/// position with a bisection guard, to `tolerance` in the argument. None if `f` has one
/// sign at both ends or gives NaN.
pub fn crossing(f: impl Fn(f64) -> f64, low: f64, high: f64, tolerance: f64) -> Option<f64> {
    let (mut a, mut b) = (low, high);
    let (mut fa, mut fb) = (f(a), f(b));
    if fa == 0.0 {
        return Some(a);
    }
    if fb == 0.0 {
        return Some(b);
    }
    if fa.is_nan() || fb.is_nan() || fa.signum() == fb.signum() {
        return None;
    }
    for step in 0..200 {
        if (b - a).abs() <= tolerance {
            break;
        }
        let secant = (a * fb - b * fa) / (fb - fa);
        // Every third step halves the bracket, whatever false position says.
        let c = if step % 3 == 2 || !secant.is_finite() { 0.5 * (a + b) } else { secant };
        let fc = f(c);
        if fc == 0.0 {
            return Some(c);
        }
        if fc.is_nan() {
            return None;
        }
        if fc.signum() == fb.signum() {
            fa *= 0.5;
        } else {
            (a, fa) = (b, fb);
        }
        (b, fb) = (c, fc);
    }
    Some(0.5 * (a + b))
}

/// As [`crossing`] from `low` upwards: the upper end is found by doubling `step`.
pub fn crossing_above(f: impl Fn(f64) -> f64, low: f64, step: f64, relative_tolerance: f64) -> Option<f64> {
    let at_low = f(low);
    if at_low == 0.0 {
        return Some(low);
    }
    let mut width = step;
    for _ in 0..200 {
        let high = low + width;
        let at_high = f(high);
        if at_high.is_nan() || !high.is_finite() {
            return None;
        }
        if at_high.signum() != at_low.signum() {
            return crossing(f, low, high, relative_tolerance * high.abs().max(width));
        }
        width *= 2.0;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_crossing() {
        let root = crossing(|x| x.powi(3) - 2.0, 0.0, 10.0, 1e-12).unwrap();
        assert!((root - 2f64.cbrt()).abs() < 1e-11);
        let root = crossing_above(|x| 1.0 - (x / 1e6).exp().ln(), 0.0, 1.0, 1e-12).unwrap();
        assert!((root - 1e6).abs() < 1e-5);
        assert_eq!(crossing(|x| x + 1.0, 0.0, 1.0, 1e-9), None);
        assert_eq!(crossing(|_| f64::NAN, 0.0, 1.0, 1e-9), None);
    }
}
