//! A frame less its sky, made where it is looked at: a second frame in memory would cost more time
//! than the subtraction.

use std::ops::Range;

use super::{Sky, cell};
use crate::frame::{Pixels, Region};

/// The frame less its sky; zero where a pixel has no value, outside the region, and on bad lines.
#[derive(Debug, Clone)]
pub struct Residual<'a> {
    pixels: &'a Pixels,
    sky: &'a Sky,
    region: Region,
    /// Columns between the centres of a tile and the next, with where between them the first one stands.
    cells: Vec<(Range<usize>, f64)>,
    bad_columns: Vec<usize>,
    bad_rows: Vec<usize>,
}

impl<'a> Residual<'a> {
    /// `pixels` are NaN where they must not be used.
    pub fn new(pixels: &'a Pixels, sky: &'a Sky, region: Region) -> Self {
        let columns = sky.level.ncols();
        let mut cells: Vec<(Range<usize>, f64)> = Vec::new();
        for x in region.x0..region.x1 {
            let (tile, fraction) = cell(x as f64, region.x0, region.width(), columns);
            match cells.get_mut(tile) {
                Some((range, _)) => range.end = x + 1,
                None => cells.push((x..x + 1, fraction)),
            }
        }
        Self { pixels, sky, region, cells, bad_columns: Vec::new(), bad_rows: Vec::new() }
    }

    /// The same without the pixels of these columns and rows.
    pub fn without_lines(self, bad_columns: Vec<usize>, bad_rows: Vec<usize>) -> Self {
        Self { bad_columns, bad_rows, ..self }
    }

    /// `(height, width)` of the frame.
    pub fn dim(&self) -> (usize, usize) {
        self.pixels.dim()
    }

    /// The pixels with their sky, where these rows and columns hold no bad line and nothing outside the region.
    pub fn plain(&self, rows: Range<i64>, columns: Range<i64>) -> Option<&'a Pixels> {
        let is_in = |lines: &[usize], range: &Range<i64>| lines.iter().any(|n| range.contains(&(*n as i64)));
        let Region { x0, x1, y0, y1 } = self.region;
        let is_inside = rows.start >= y0 as i64
            && rows.end <= y1 as i64
            && columns.start >= x0 as i64
            && columns.end <= x1 as i64;
        let is_bad = is_in(&self.bad_rows, &rows) || is_in(&self.bad_columns, &columns);
        (is_inside && !is_bad).then_some(self.pixels)
    }

    pub fn at(&self, y: usize, x: usize) -> f32 {
        let mut value = [0.0];
        self.row(y, x, &mut value);
        value[0]
    }

    /// Row `y` from column `first` on.
    #[inline(always)]
    pub fn row(&self, y: usize, first: usize, out: &mut [f32]) {
        self.with_gaps(y, first, out);
        for value in out {
            *value = if value.is_nan() { 0.0 } else { *value };
        }
    }

    /// As [`Residual::row`], but NaN where there is nothing.
    #[inline(always)]
    pub fn with_gaps(&self, y: usize, first: usize, out: &mut [f32]) {
        self.pixels_of_row(y, first, out);
        self.take_sky_off(y, first, out);
    }

    /// The rows from `top` on, each as [`Residual::with_gaps`] gives it: so many pixels from column `left` on, one
    /// row behind the other.
    pub fn rectangle(&self, top: usize, left: usize, width: usize, out: &mut [f32]) {
        pulp::Arch::new().dispatch(Rectangle { residual: self, top, left, width, out });
    }

    /// Has the pixels of a [`Residual::rectangle`] of so many rows come from memory while something else is done.
    pub fn call_for(&self, top: usize, left: usize, width: usize, height: usize) {
        for y in top..top + height {
            self.pixels.call_for(y, left, width);
        }
    }

    #[inline(always)]
    fn fill(&self, top: usize, left: usize, width: usize, out: &mut [f32]) {
        // All rows come from memory at once, rather than each when the one before is done.
        for (y, out) in (top..).zip(out.chunks_exact_mut(width)) {
            self.pixels_of_row(y, left, out);
        }
        for (y, out) in (top..).zip(out.chunks_exact_mut(width)) {
            self.take_sky_off(y, left, out);
        }
    }

    /// The pixels with their sky, NaN where there is nothing.
    #[inline(always)]
    fn pixels_of_row(&self, y: usize, first: usize, out: &mut [f32]) {
        let inside = self.inside(y, first, out.len());
        if inside.is_empty() || self.bad_rows.contains(&y) {
            out.fill(f32::NAN);
            return;
        }
        out[..inside.start - first].fill(f32::NAN);
        out[inside.end - first..].fill(f32::NAN);
        let start = inside.start - first;
        self.pixels.fill(y, inside.start, &mut out[start..start + inside.len()]);
        let columns = first..first + out.len();
        for x in self.bad_columns.iter().filter(|x| columns.contains(*x)) {
            out[*x - first] = f32::NAN;
        }
    }

    #[inline(always)]
    fn take_sky_off(&self, y: usize, first: usize, out: &mut [f32]) {
        let inside = self.inside(y, first, out.len());
        if inside.is_empty() {
            return;
        }
        let (rows, columns) = self.sky.level.dim();
        let (tile_row, fy) = cell(y as f64, self.region.y0, self.region.height(), rows);
        let next = (tile_row + 1).min(rows - 1);
        let level = |column: usize| {
            let column = column.min(columns - 1);
            self.sky.level[(tile_row, column)] * (1.0 - fy) + self.sky.level[(next, column)] * fy
        };
        let step = self.region.width() as f64 / columns as f64;
        let (mut column, mut fraction) =
            cell(inside.start as f64, self.region.x0, self.region.width(), columns);
        let (mut x, mut left) = (inside.start, level(column));
        while x < inside.end {
            let end = self.cells[column].0.end.min(inside.end);
            let right = level(column + 1);
            let at_start = (left + (right - left) * fraction) as f32;
            let slope = if columns < 2 { 0.0 } else { ((right - left) / step) as f32 };
            for (k, out) in out[x - first..end - first].iter_mut().enumerate() {
                *out -= at_start + slope * k as i32 as f32;
            }
            (x, column, left) = (end, column + 1, right);
            fraction = self.cells.get(column).map_or(0.0, |(_, fraction)| *fraction);
        }
    }

    /// Of so many columns of row `y`, from `first` on, those inside the region.
    #[inline(always)]
    fn inside(&self, y: usize, first: usize, count: usize) -> Range<usize> {
        let Region { x0, x1, y0, y1 } = self.region;
        let start = first.max(x0);
        let end = if (y0..y1).contains(&y) { (first + count).min(x1) } else { start };
        start..end.max(start)
    }
}

struct Rectangle<'a, 'p> {
    residual: &'a Residual<'p>,
    top: usize,
    left: usize,
    width: usize,
    out: &'a mut [f32],
}

impl pulp::NullaryFnOnce for Rectangle<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        self.residual.fill(self.top, self.left, self.width, self.out);
    }
}
