//! What judging does not need of a table that lies on disk: left out, so that long stacks fit into memory.

use super::StarTable;
use crate::moments::{Asked, Rungs, rungs_used};

/// Zones along each side of the region of which each keeps its brightest stars' pixels.
const ZONES: usize = 3;

/// What one table of a stack may hold beside the measurements of the stars that are used.
#[derive(Debug, Clone, Copy)]
pub struct Share {
    /// Bytes of cut-outs.
    pub cutout_bytes: usize,
    /// Refused detections, which are shown but not judged.
    pub refused: usize,
    /// What the stack asks of the ladder; without, what stars of the table's own width may need.
    pub rungs: Option<Asked>,
}

/// Memory for the stars' pixels of all tables of a stack: a few hundred exposures keep theirs whole.
const CUTOUT_BYTES: usize = 1 << 30;

/// Refused detections of all tables of a stack: a hundred exposures of a thousand keep them all.
const REFUSED: usize = 1 << 17;

impl Share {
    /// Of one of so many tables.
    pub fn of_one_in(tables: usize) -> Self {
        let tables = tables.max(1);
        Self { cutout_bytes: CUTOUT_BYTES / tables, refused: (REFUSED / tables).max(1), rungs: None }
    }
}

impl StarTable {
    /// Forgets the shapes under weights that no stack is judged by and the higher moments of refused detections;
    /// all cut-outs but those of the brightest stars, taken from each ninth of the region in turn; and refused
    /// detections over their share, evenly over their fluxes, of which the numbers are kept.
    pub fn lighten(&mut self, share: Share) {
        self.thin_out_refused(share.refused);
        let rungs = self.asked(share);
        for star in &mut self.stars {
            star.ladder.keep(rungs);
            star.higher.take_if(|_| star.refused.is_some());
        }
        self.keep_brightest_pixels(share.cutout_bytes);
        self.stars.shrink_to_fit();
    }

    pub(super) fn asked(&self, share: Share) -> Asked {
        let of_any_stack = || Asked { whole: rungs_used(self.sigma_pixels), ellipses: Rungs::default() };
        share.rungs.unwrap_or_else(of_any_stack)
    }

    /// Every so manieth of the refused stays.
    fn thin_out_refused(&mut self, most: usize) {
        let refused = self.stars.iter().filter(|star| star.refused.is_some()).count();
        let step = refused.div_ceil(most.max(1)).max(1);
        let mut seen = 0;
        let forgotten = &mut self.forgotten;
        self.stars.retain(|star| {
            let Some(reason) = star.refused else { return true };
            seen += 1;
            let stays = (seen - 1) % step == 0;
            if !stays {
                *forgotten.entry(reason).or_default() += 1;
            }
            stays
        });
    }

    fn keep_brightest_pixels(&mut self, most_bytes: usize) {
        let with_pixels: Vec<usize> =
            (0..self.stars.len()).filter(|&k| self.stars[k].cutout.is_some()).collect();
        let Some(pixels) =
            with_pixels.iter().filter_map(|&k| Some(self.stars[k].cutout.as_ref()?.len())).max()
        else {
            return;
        };
        let most = most_bytes / (pixels * (size_of::<f32>() + size_of::<bool>())).max(1);
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
