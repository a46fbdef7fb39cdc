//! Ranks and ties.

/// Ranks from 1; equal values share the mean of theirs.
pub fn ranks(values: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; values.len()];
    for group in tied_groups(values) {
        let mean = group.iter().map(|(rank, _)| *rank as f64).sum::<f64>() / group.len() as f64;
        for (_, place) in group {
            out[place] = mean;
        }
    }
    out
}

/// Sizes of the groups of equal values, single ones included.
pub fn group_sizes(values: &[f64]) -> Vec<usize> {
    tied_groups(values).into_iter().map(|group| group.len()).collect()
}

/// Groups of equal values in rising order: (rank from 1, place).
fn tied_groups(values: &[f64]) -> Vec<Vec<(usize, usize)>> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let ranked: Vec<(usize, usize)> =
        order.into_iter().enumerate().map(|(k, place)| (k + 1, place)).collect();
    ranked.chunk_by(|a, b| values[a.1] == values[b.1]).map(<[_]>::to_vec).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_share_their_rank() {
        assert_eq!(ranks(&[3.0, 1.0, 3.0, 2.0]), [3.5, 1.0, 3.5, 2.0]);
        assert_eq!(group_sizes(&[3.0, 1.0, 3.0, 2.0]), [1, 1, 2]);
        assert!(ranks(&[]).is_empty());
    }
}
