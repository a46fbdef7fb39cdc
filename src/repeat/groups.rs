//! Which rows belong to each star, or to each exposure: lists of many lengths in two pieces of memory.

/// Rows by group, each group's in rising order.
#[derive(Debug, Clone)]
pub struct Groups {
    /// Where each group begins among `rows`, and where the last one ends.
    starts: Vec<u32>,
    rows: Vec<u32>,
}

impl Groups {
    /// From the group of each row, below `groups`.
    pub fn of_rows(group_of: &[u32], groups: usize) -> Self {
        let mut starts = vec![0; groups + 1];
        group_of.iter().for_each(|&group| starts[group as usize + 1] += 1);
        for group in 0..groups {
            starts[group + 1] += starts[group];
        }
        let mut next = starts.clone();
        let mut rows = vec![0; group_of.len()];
        for (row, &group) in group_of.iter().enumerate() {
            let place = &mut next[group as usize];
            rows[*place as usize] = row as u32;
            *place += 1;
        }
        Self { starts, rows }
    }

    /// Number of groups.
    pub fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.rows.len()
    }

    /// The rows of one group.
    pub fn of(&self, group: usize) -> impl ExactSizeIterator<Item = usize> + Clone + '_ {
        self.list(group).iter().map(|&row| row as usize)
    }

    /// The same as they are kept.
    pub fn list(&self, group: usize) -> &[u32] {
        &self.rows[self.starts[group] as usize..self.starts[group + 1] as usize]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_in_its_group() {
        let groups = Groups::of_rows(&[2, 0, 2, 3, 0], 5);
        let found: Vec<Vec<usize>> = (0..groups.len()).map(|g| groups.of(g).collect()).collect();
        assert_eq!(found, [vec![1, 4], vec![], vec![0, 2], vec![3], vec![]]);
        assert_eq!(Groups::of_rows(&[], 0).len(), 0);
    }
}
