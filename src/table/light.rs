//! What judging does not need of a table that lies on disk: left out, so that long stacks fit into memory.

use super::StarTable;
use crate::moments::PRIMARY_RUNGS;

/// Zones along each side of the region of which each keeps its brightest stars' pixels.
const ZONES: usize = 3;

impl StarTable {
    /// Forgets the shapes under weights that no stack is judged by, and all cut-outs but those of the brightest
    /// stars, taken from each ninth of the region in turn, up to so many bytes.
    pub fn lighten(&mut self, cutout_bytes: usize) {
        self.stars.iter_mut().for_each(|star| star.ladder.truncate(PRIMARY_RUNGS));
        let with_pixels: Vec<usize> =
            (0..self.stars.len()).filter(|&k| self.stars[k].cutout.is_some()).collect();
        let Some(pixels) =
            with_pixels.iter().filter_map(|&k| Some(self.stars[k].cutout.as_ref()?.len())).max()
        else {
            return;
        };
        let most = cutout_bytes / (pixels * (size_of::<f32>() + size_of::<bool>())).max(1);
        // By falling flux, as the stars are: first the brightest of each zone.
        let mut seen = [0; ZONES * ZONES];
        let rank = |k: usize| {
            let seen = &mut seen[self.usable.zone(self.stars[k].x, self.stars[k].y, ZONES)];
            *seen += 1;
            (*seen, k)
        };
        let mut ranked: Vec<(usize, usize)> = with_pixels.into_iter().map(rank).collect();
        ranked.sort_unstable();
        for &(_, k) in ranked.iter().skip(most) {
            (self.stars[k].cutout, self.stars[k].cutout_mask) = (None, None);
        }
    }
}
