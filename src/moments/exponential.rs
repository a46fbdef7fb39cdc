//! The exponential of a weight, for all lanes of the processor at once.

/// Below, a weight counts for nothing.
const LEAST_EXPONENT: f64 = -680.0;

/// `eˣ`, or nothing where that is too little to count: no sum must be made of what [`exp`] leaves at its bound.
#[inline(always)]
pub(super) fn weight_of(exponent: f64) -> f64 {
    let value = exp(exponent);
    if exponent > LEAST_EXPONENT { value } else { 0.0 }
}

/// `eˣ` without a branch or a table, so that a loop of it runs in all lanes at once; to some `1e-15` of itself where
/// `|x| < 700`, and no more than at that bound beyond.
#[inline(always)]
pub(super) fn exp(x: f64) -> f64 {
    /// Added to a number, leaves the nearest whole one in its last bits.
    const TO_WHOLE: f64 = 6_755_399_441_055_744.0;
    /// `ln 2` in two parts, of which the first has bits to spare.
    const LN_2: [f64; 2] = [0.693_147_180_369_123_8, 1.908_214_929_270_587_7e-10];
    let x = x.clamp(-700.0, 700.0);
    let shifted = x.mul_add(std::f64::consts::LOG2_E, TO_WHOLE);
    let whole = shifted - TO_WHOLE;
    let rest = whole.mul_add(-LN_2[1], whole.mul_add(-LN_2[0], x));
    // Even and odd powers apart, so that neither waits for the other.
    let square = rest * rest;
    let (mut even, mut odd) = (INVERSE_FACTORIALS[12], INVERSE_FACTORIALS[11]);
    for k in (0..5).rev() {
        even = even.mul_add(square, INVERSE_FACTORIALS[2 * k + 2]);
        odd = odd.mul_add(square, INVERSE_FACTORIALS[2 * k + 1]);
    }
    let sum = odd.mul_add(rest, even.mul_add(square, 1.0));
    let power_of_two = f64::from_bits((shifted.to_bits() << 52).wrapping_add(1.0_f64.to_bits()));
    sum * power_of_two
}

/// `1/k!`
const INVERSE_FACTORIALS: [f64; 13] = {
    let mut inverse = [1.0; 13];
    let mut k = 1;
    while k < 13 {
        inverse[k] = inverse[k - 1] / k as f64;
        k += 1;
    }
    inverse
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponential_is_that_of_the_library() {
        for k in -140_000..=140_000 {
            let x = 0.005 * f64::from(k) * 0.999;
            assert!((exp(x) / x.exp() - 1.0).abs() < 1e-15, "{x}");
        }
        assert_eq!((exp(-1e9), exp(1e9)), (exp(-700.0), exp(700.0)));
    }
}
