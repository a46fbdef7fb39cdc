//! A frame less its sky, made where it is looked at: a second frame in memory would cost more time
//! than the subtraction.

use std::ops::Range;

use ndarray::Array2;

use super::{Sky, cell};
use crate::frame::Region;

/// The frame less its sky; zero where a pixel has no value, outside the region, and on bad lines.
#[derive(Debug, Clone)]
pub struct Residual<'a> {
    pixels: &'a Array2<f32>,
    sky: &'a Sky,
    region: Region,
    /// Columns between two neighbouring tile centres, with the tile of the first.
    cells: Vec<(Range<usize>, usize)>,
    bad_columns: Vec<usize>,
    bad_rows: Vec<usize>,
}

impl<'a> Residual<'a> {
    /// `pixels` are NaN where they must not be used.
    pub fn new(pixels: &'a Array2<f32>, sky: &'a Sky, region: Region) -> Self {
        let columns = sky.level.ncols();
        let tile = |x: usize| cell(x as f64, region.x0, region.width(), columns).0;
        let mut cells: Vec<(Range<usize>, usize)> = Vec::new();
        for x in region.x0..region.x1 {
            match cells.last_mut() {
                Some((range, column)) if *column == tile(x) => range.end = x + 1,
                _ => cells.push((x..x + 1, tile(x))),
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

    /// The pixels with their sky from column `left` of row `top` on, and the step from row to row, where
    /// a rectangle holds no bad line and nothing outside the region.
    pub fn plain(&self, top: i64, left: i64, width: usize, height: usize) -> Option<(&'a [f32], usize)> {
        let (top, left) = (usize::try_from(top).ok()?, usize::try_from(left).ok()?);
        let (rows, columns) = (top..top + height, left..left + width);
        let Region { x0, x1, y0, y1 } = self.region;
        let inside = top >= y0 && rows.end <= y1 && left >= x0 && columns.end <= x1;
        let good = !self.bad_rows.iter().any(|y| rows.contains(y))
            && !self.bad_columns.iter().any(|x| columns.contains(x));
        let stride = self.pixels.ncols();
        let pixels = self.pixels.as_slice()?.get(top * stride + left..)?;
        (inside && good).then_some((pixels, stride))
    }

    /// Must this pixel not be used?
    pub fn is_bad(&self, y: usize, x: usize) -> bool {
        let mut value = [0.0];
        self.with_gaps(y, x, &mut value);
        value[0].is_nan()
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
        let end = first + out.len();
        let inside = first.max(self.region.x0)..end.min(self.region.x1).max(first.max(self.region.x0));
        if !(self.region.y0..self.region.y1).contains(&y) || inside.is_empty() || self.bad_rows.contains(&y) {
            out.fill(f32::NAN);
            return;
        }
        out[..inside.start - first].fill(f32::NAN);
        out[inside.end - first..].fill(f32::NAN);
        let row = self.pixels.row(y);
        let row = row.as_slice().unwrap_or_default();
        let (rows, columns) = self.sky.level.dim();
        let (tile_row, fy) = cell(y as f64, self.region.y0, self.region.height(), rows);
        let next = (tile_row + 1).min(rows - 1);
        let level = |column: usize| {
            self.sky.level[(tile_row, column)] * (1.0 - fy) + self.sky.level[(next, column)] * fy
        };
        let step = self.region.width() as f64 / columns as f64;
        let start = self.cells.partition_point(|(range, _)| range.end <= inside.start);
        for (range, column) in &self.cells[start..] {
            if range.start >= inside.end {
                break;
            }
            let part = range.start.max(inside.start)..range.end.min(inside.end);
            let (left, right) = (level(*column), level((column + 1).min(columns - 1)));
            let (_, fraction) = cell(part.start as f64, self.region.x0, self.region.width(), columns);
            let at_start = (left + (right - left) * fraction) as f32;
            let slope = if columns < 2 { 0.0 } else { ((right - left) / step) as f32 };
            let values = &row[part.clone()];
            for (k, (out, value)) in
                out[part.start - first..part.end - first].iter_mut().zip(values).enumerate()
            {
                *out = *value - (at_start + slope * k as i32 as f32);
            }
        }
        for x in self.bad_columns.iter().filter(|x| (first..end).contains(*x)) {
            out[*x - first] = f32::NAN;
        }
    }
}
