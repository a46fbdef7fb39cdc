//! The pupil: an annulus with optional vanes, on square cells with grey edges.

use super::zernike::{MODES, annular_zernikes};
use super::{OpticsError, within};

/// Points per side of an edge cell when its lit part is found.
const EDGE_POINTS: usize = 32;

/// A telescope and its band.
#[derive(Debug, Clone, PartialEq)]
pub struct Telescope {
    /// Diameter, m.
    pub aperture_m: f64,
    /// Linear central obstruction, fraction of the diameter.
    pub obstruction: f64,
    pub vanes: Option<Vanes>,
    /// Middle of the band.
    pub wavelength_nm: f64,
    /// Full width of the band, flat in photons.
    pub bandwidth_nm: f64,
    /// Wavelengths that stand for the band, equally spaced and equally weighted.
    pub band_samples: usize,
    /// Cells across the pupil at the shortest wavelength. The image repeats after
    /// this many `lambda / D`, which also bounds the size of a star image.
    pub pupil_samples: usize,
}

/// Straight vanes from the obstruction to the rim, evenly spaced in angle.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Vanes {
    pub count: usize,
    pub width_m: f64,
    /// Position angle of the first vane from +x towards +y, degrees.
    #[serde(default)]
    pub angle_deg: f64,
}

impl Telescope {
    /// A telescope without vanes at one wavelength, 64 cells across.
    pub fn monochromatic(aperture_m: f64, obstruction: f64, wavelength_nm: f64) -> Self {
        Self {
            aperture_m,
            obstruction,
            vanes: None,
            wavelength_nm,
            bandwidth_nm: 0.0,
            band_samples: 1,
            pupil_samples: 64,
        }
    }

    /// The wavelengths of the band, nm: midpoints of `band_samples` equal parts.
    pub fn wavelengths_nm(&self) -> Vec<f64> {
        let n = self.band_samples;
        (0..n).map(|i| self.wavelength_nm + self.bandwidth_nm * ((i as f64 + 0.5) / n as f64 - 0.5)).collect()
    }

    /// `lambda / D` at the middle of the band, arcsec.
    pub fn lambda_over_d_arcsec(&self) -> f64 {
        self.wavelength_nm * 1e-9 / self.aperture_m * super::psf::ARCSEC_PER_RADIAN
    }

    pub(super) fn validate(&self) -> Result<(), OpticsError> {
        within("aperture_m", self.aperture_m, 1e-3, 100.0, "0.001 to 100")?;
        within("obstruction", self.obstruction, 0.0, 0.9, "0 to 0.9")?;
        within("wavelength_nm", self.wavelength_nm, 10.0, 1e6, "10 to 1e6")?;
        within(
            "bandwidth_nm",
            self.bandwidth_nm,
            0.0,
            1.5 * self.wavelength_nm,
            "0 to 1.5 times wavelength_nm",
        )?;
        within("band_samples", self.band_samples as f64, 1.0, 64.0, "1 to 64")?;
        within("pupil_samples", self.pupil_samples as f64, 16.0, 1024.0, "16 to 1024")?;
        if let Some(vanes) = &self.vanes {
            within("vanes.count", vanes.count as f64, 1.0, 12.0, "1 to 12")?;
            within(
                "vanes.width_m",
                vanes.width_m,
                0.0,
                self.aperture_m / 4.0,
                "0 to a quarter of aperture_m",
            )?;
            within("vanes.angle_deg", vanes.angle_deg, -360.0, 360.0, "-360 to 360")?;
        }
        Ok(())
    }

    /// Whether light passes at `(x, y)`, in units of the pupil's radius.
    fn is_open(&self, x: f64, y: f64) -> bool {
        let r2 = x * x + y * y;
        if r2 > 1.0 || r2 < self.obstruction * self.obstruction {
            return false;
        }
        let Some(vanes) = &self.vanes else { return true };
        let half_width = vanes.width_m / self.aperture_m;
        (0..vanes.count).all(|i| {
            let angle = vanes.angle_deg.to_radians() + std::f64::consts::TAU * i as f64 / vanes.count as f64;
            let (sin, cos) = angle.sin_cos();
            let (along, across) = (x * cos + y * sin, y * cos - x * sin);
            along < 0.0 || across.abs() > half_width
        })
    }
}

/// One lit cell of the pupil grid.
#[derive(Debug, Clone)]
pub(super) struct Cell {
    pub row: usize,
    pub column: usize,
    /// Lit share of the cell's area.
    pub amplitude: f64,
    /// Z4 to Z11 at the centre of the lit part.
    pub zernikes: [f64; MODES],
}

/// The lit cells of the pupil on a grid of cells `width` wide (in pupil radii),
/// centred on the pupil.
pub(super) fn lit_cells(telescope: &Telescope, width: f64) -> Vec<Cell> {
    let n = (2.0 / width - 1e-9).ceil() as usize;
    let centre = |i: usize| (i as f64 - (n as f64 - 1.0) / 2.0) * width;
    let mut cells = Vec::with_capacity(n * n);
    for row in 0..n {
        for column in 0..n {
            let (x, y) = (centre(column), centre(row));
            let (amplitude, x, y) = lit_part(telescope, x, y, width);
            if amplitude > 0.0 {
                let zernikes = annular_zernikes(x, y, telescope.obstruction);
                cells.push(Cell { row, column, amplitude, zernikes });
            }
        }
    }
    cells
}

/// Lit share of a cell and the centre of its lit part.
fn lit_part(telescope: &Telescope, x: f64, y: f64, width: f64) -> (f64, f64, f64) {
    let (r, reach) = (x.hypot(y), width * std::f64::consts::FRAC_1_SQRT_2);
    let clear_of_edges = r + reach < 1.0 && r - reach > telescope.obstruction;
    if clear_of_edges && telescope.vanes.is_none() {
        return (1.0, x, y);
    }
    if r - reach > 1.0 || r + reach < telescope.obstruction {
        return (0.0, x, y);
    }
    let offset = |i: usize| ((i as f64 + 0.5) / EDGE_POINTS as f64 - 0.5) * width;
    let (mut lit, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
    for j in 0..EDGE_POINTS {
        for i in 0..EDGE_POINTS {
            let (px, py) = (x + offset(i), y + offset(j));
            if telescope.is_open(px, py) {
                lit += 1.0;
                sum_x += px;
                sum_y += py;
            }
        }
    }
    if lit == 0.0 {
        return (0.0, x, y);
    }
    (lit / (EDGE_POINTS * EDGE_POINTS) as f64, sum_x / lit, sum_y / lit)
}
