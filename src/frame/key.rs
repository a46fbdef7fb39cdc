//! Single-precision numbers as integers of the same order, which are sorted faster.

/// The number's place among integers: that of the value among values, from the lowest NaN to the highest.
pub fn key(value: f32) -> i32 {
    reordered(value.to_bits() as i32)
}

pub fn of_key(key: i32) -> f32 {
    f32::from_bits(reordered(key) as u32)
}

/// Negative numbers grow with their magnitude; this turns them round.
fn reordered(bits: i32) -> i32 {
    bits ^ (bits >> 31) & i32::MAX
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_have_the_order_of_the_values_and_lead_back() {
        let values = [f32::NEG_INFINITY, -3.5, -1e-40, -0.0, 0.0, 1e-40, 2.0, 2.5, f32::INFINITY];
        assert!(values.windows(2).all(|pair| key(pair[0]) < key(pair[1])));
        assert!(values.iter().all(|value| of_key(key(*value)).to_bits() == value.to_bits()));
    }
}
