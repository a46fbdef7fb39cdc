//! Many tests at once.

/// Adjusted p-values that control the false discovery rate: a test is a discovery at rate `q`
/// where its adjusted value is at most `q`. (Benjamini & Hochberg 1995, J. R. Stat. Soc. B 57, 289;
/// holds for independent and positively dependent tests.)
pub fn false_discovery(p: &[f64]) -> Vec<f64> {
    adjusted(p, |value, rank, tests| value * tests as f64 / rank as f64, Direction::Down)
}

/// Adjusted p-values that control the chance of any false alarm over all tests, however they
/// depend on each other (Holm 1979, Scand. J. Stat. 6, 65; reference from memory).
pub fn family_wise(p: &[f64]) -> Vec<f64> {
    adjusted(p, |value, rank, tests| value * (tests + 1 - rank) as f64, Direction::Up)
}

enum Direction {
    Up,
    Down,
}

/// Scales each p-value by its rank, then makes the result monotone in p: the running maximum
/// going up, or the running minimum going down. At most 1.
fn adjusted(p: &[f64], scale: impl Fn(f64, usize, usize) -> f64, direction: Direction) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[a].total_cmp(&p[b]));
    let scaled: Vec<(usize, f64)> =
        order.into_iter().enumerate().map(|(k, place)| (place, scale(p[place], k + 1, p.len()))).collect();
    let mut out = vec![0.0; p.len()];
    let mut fill = |walk: &mut dyn Iterator<Item = &(usize, f64)>, start: f64, pick: fn(f64, f64) -> f64| {
        let mut running = start;
        for &(place, value) in walk {
            running = pick(running, value);
            out[place] = running.min(1.0);
        }
    };
    match direction {
        Direction::Up => fill(&mut scaled.iter(), 0.0, f64::max),
        Direction::Down => fill(&mut scaled.iter().rev(), 1.0, f64::min),
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        let p = [0.04, 0.01, 0.03];
        let close = |found: Vec<f64>, expected: [f64; 3]| {
            found.iter().zip(expected).for_each(|(a, b)| assert!((a - b).abs() < 1e-15, "{found:?}"));
        };
        close(false_discovery(&p), [0.04, 0.03, 0.04]);
        close(family_wise(&p), [0.06, 0.03, 0.06]);
        assert!(false_discovery(&[]).is_empty());
    }
}
