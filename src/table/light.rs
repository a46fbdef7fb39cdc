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
        let bytes = |pixels: usize| pixels * (size_of::<f32>() + size_of::<bool>());
        let with_pixels =
            self.stars.iter().enumerate().filter_map(|(k, star)| Some((k, star.cutout.as_ref()?)));
        let (places, sizes): (Vec<usize>, Vec<usize>) = with_pixels.map(|(k, c)| (k, bytes(c.len()))).unzip();
        let most = cutout_bytes / sizes.iter().copied().max().unwrap_or(1).max(1);
        if places.len() <= most {
            return;
        }
        let mut seen = [0; ZONES * ZONES];
        // By falling flux, as the stars are: first the brightest of each zone.
        let mut ranked: Vec<(usize, usize)> = places
            .into_iter()
            .map(|k| {
                let seen = &mut seen[self.zone(k)];
                *seen += 1;
                (*seen, k)
            })
            .collect();
        ranked.sort_unstable();
        for &(_, k) in &ranked[most..] {
            (self.stars[k].cutout, self.stars[k].cutout_mask) = (None, None);
        }
    }

    fn zone(&self, k: usize) -> usize {
        let along = |value: f64, start: usize, length: usize| {
            (((value - start as f64 + 0.5) / length.max(1) as f64 * ZONES as f64) as usize).min(ZONES - 1)
        };
        let (region, star) = (self.usable, &self.stars[k]);
        along(star.x, region.x0, region.width()) + ZONES * along(star.y, region.y0, region.height())
    }
}
