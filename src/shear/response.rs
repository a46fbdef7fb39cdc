//! What a change of the PSF does to shear, cause by cause, for one reference galaxy.
//!
//! The numbers are those of a simulation (`scripts/shear_response.py`, stored in `response.json`): an
//! exponential disc convolved with a changed PSF and fitted by least squares with the unchanged one.
//! The PSF is that of an annular pupil with a square pixel, in three set-ups: 2.4 and 1.3 pixels
//! per FWHM, and 2.4 with a static defocus of a 21st of a wave. Between the points of the table
//! values are interpolated; beyond its ends there are none.
//!
//! Which cause changed the PSF is seldom known, and the adaptive moments look at its core: for the same
//! change of the adaptive T the bias differs by a factor of ten and more between causes. Under a
//! fixed weight about 1.5 times as wide as the PSF, as wide as a small galaxy, the causes nearly
//! agree (astigmatism in focus gives less). Bias is therefore predicted from the change under the rung
//! of the ladder where the causes differ least.

use std::sync::LazyLock;

use serde::Deserialize;

use super::ShearError;

/// What changed the PSF.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Cause {
    /// Round for size; directional, without change of size, for ellipticity.
    Jitter,
    Defocus,
    /// In focus for size; with defocus, of the same phase, for ellipticity.
    Astigmatism,
    Coma,
    Trefoil,
    Spherical,
}

impl Cause {
    pub const ALL: [Cause; 6] =
        [Cause::Jitter, Cause::Defocus, Cause::Astigmatism, Cause::Coma, Cause::Trefoil, Cause::Spherical];

    pub fn word(self) -> &'static str {
        match self {
            Cause::Jitter => "jitter",
            Cause::Defocus => "defocus",
            Cause::Astigmatism => "astigmatism",
            Cause::Coma => "coma",
            Cause::Trefoil => "trefoil",
            Cause::Spherical => "spherical",
        }
    }
}

/// The weight under which a change of the PSF was measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Width {
    Adaptive,
    /// Sigma of a fixed circular weight over `√(T/2)` of the adaptive, pixel-convolved PSF.
    Fixed(f64),
}

/// For whom the bias is asked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reference {
    /// `T_gal / T_psf`: the galaxy unconvolved and unweighted, the PSF adaptive.
    pub size_ratio: f64,
    /// Linear central obstruction; `None` where unknown: the range then covers 0 to 0.5.
    pub obstruction: Option<f64>,
}

/// Bias over change, sign dropped: the middle of the set-ups and their extremes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

/// The reference galaxy and what m and c mean, as reports print it.
pub const MEANING: &str = "m and c are those of a galaxy that is modelled with a PSF off by the rms change: one covered by a \
     single exposure and modelled with the stack's mean PSF, or modelled with another exposure's PSF. Covered \
     by k of N exposures drawn at random, it has sqrt(1/k - 1/N) of it. The galaxy is an exponential disc fitted \
     by least squares with its own profile; for a Gaussian profile m is 0.4 to 0.8 times as large, for a more \
     concentrated one 1.3 to 2.1 times, for a disc of g = 0.3 in place of a round one 0.7 to 1.3 times.";

/// m per unit change of `ln T` under `width`, for `cause`.
///
/// Errors: a size ratio, obstruction or width outside the table.
pub fn m_response(cause: Cause, reference: Reference, width: Width) -> Result<Response, ShearError> {
    response(reference, width, |row| row.size.get(cause.word()))?.ok_or(ShearError::NoTable)
}

/// c per unit change of e under `width`; `None` where the cause leaves a round PSF round.
///
/// Errors: as [`m_response`].
pub fn c_response(cause: Cause, reference: Reference, width: Width) -> Result<Option<Response>, ShearError> {
    response(reference, width, |row| row.shape.get(cause.word()))
}

/// Of `widths`, the place of the one under which the causes differ least, in m and c together. Astigmatism in focus
/// does not count: its m is small under every width.
pub fn best_width(reference: Reference, widths: &[f64]) -> Option<usize> {
    let ratio = |each: &[Response]| {
        let (low, high) =
            each.iter().fold((f64::INFINITY, 0.0f64), |(l, h), r| (l.min(r.low), h.max(r.high)));
        high / low
    };
    let spread = |width: f64| -> Option<f64> {
        let width = Width::Fixed(width);
        let counted = Cause::ALL.iter().filter(|cause| **cause != Cause::Astigmatism);
        let of_m = counted.map(|&cause| m_response(cause, reference, width).ok());
        let of_c = Cause::ALL.iter().filter_map(|&cause| c_response(cause, reference, width).transpose());
        let m: Vec<Response> = of_m.collect::<Option<_>>()?;
        let c: Vec<Response> = of_c.collect::<Result<_, _>>().ok()?;
        let both = ratio(&m) * ratio(&c);
        both.is_finite().then_some(both)
    };
    let known = widths.iter().enumerate().filter_map(|(k, &width)| Some((k, spread(width)?)));
    known.min_by(|a, b| a.1.total_cmp(&b.1)).map(|(k, _)| k)
}

#[derive(Debug, Deserialize)]
struct Table {
    obstructions: Vec<f64>,
    size_ratios: Vec<f64>,
    widths: Vec<f64>,
    /// By set-up, then by obstruction.
    setups: std::collections::BTreeMap<String, Vec<Causes>>,
}

#[derive(Debug, Deserialize)]
struct Causes {
    size: std::collections::BTreeMap<String, Row>,
    shape: std::collections::BTreeMap<String, Row>,
}

/// Changes and biases in units of the change under one of the weights.
#[derive(Debug, Deserialize)]
struct Row {
    adaptive: f64,
    /// At each width.
    fixed: Vec<f64>,
    /// At each size ratio.
    bias: Vec<f64>,
}

/// The file is part of the crate, and a test holds that it can be read.
static TABLE: LazyLock<Option<Table>> =
    LazyLock::new(|| serde_json::from_str(include_str!("response.json")).ok());

fn response(
    reference: Reference,
    width: Width,
    pick: impl Fn(&Causes) -> Option<&Row>,
) -> Result<Option<Response>, ShearError> {
    let table = TABLE.as_ref().ok_or(ShearError::NoTable)?;
    let ratio = place("size_ratio", &table.size_ratios, reference.size_ratio)?;
    let width = match width {
        Width::Adaptive => None,
        Width::Fixed(width) => Some(place("the weight's width over the PSF's", &table.widths, width)?),
    };
    let of_row = |row: &Row| {
        let change = width.map_or(row.adaptive, |at| at.value(&row.fixed));
        (ratio.value(&row.bias), change)
    };
    let mut all = Vec::new();
    for by_obstruction in table.setups.values() {
        let Some(rows) = by_obstruction.iter().map(&pick).collect::<Option<Vec<&Row>>>() else {
            return Ok(None);
        };
        let each: Vec<(f64, f64)> = rows.into_iter().map(of_row).collect();
        match reference.obstruction {
            None => all.extend(each.iter().map(|(bias, change)| (bias / change).abs())),
            Some(obstruction) => {
                let at = place("obstruction", &table.obstructions, obstruction)?;
                let (biases, changes): (Vec<f64>, Vec<f64>) = each.into_iter().unzip();
                all.push((at.value(&biases) / at.value(&changes)).abs());
            }
        }
    }
    all.sort_by(f64::total_cmp);
    let value = |k: usize| all.get(k).copied();
    Ok(value(all.len() / 2).zip(value(0)).zip(all.last()).map(|((value, low), &high)| Response {
        value,
        low,
        high,
    }))
}

/// A place between two points of a grid: linear in the logarithm or, where the grid starts at zero, as that of the
/// obstructions does, in the square (the area that is blocked).
#[derive(Debug, Clone, Copy)]
struct Place {
    index: usize,
    share: f64,
    /// On a grid above zero, where sizes and biases follow power laws.
    logarithmic: bool,
}

impl Place {
    fn value(self, values: &[f64]) -> f64 {
        let at = |k: usize| values.get(k).copied().unwrap_or(f64::NAN);
        let (a, b) = (at(self.index), at(self.index + 1));
        // A power law in steps this small stays within a factor of two; what does not passes near zero.
        if self.logarithmic && a / b > 0.5 && a / b < 2.0 {
            a * (b / a).powf(self.share)
        } else {
            a * (1.0 - self.share) + b * self.share
        }
    }
}

fn place(name: &'static str, grid: &[f64], value: f64) -> Result<Place, ShearError> {
    let (low, high) = (grid.first().copied().unwrap_or(f64::NAN), grid.last().copied().unwrap_or(f64::NAN));
    if !(value >= low && value <= high) {
        return Err(ShearError::OutOfTable { name, value, low, high });
    }
    let index = grid.iter().rposition(|&point| point <= value).unwrap_or(0).min(grid.len().saturating_sub(2));
    let (a, b) = (grid[index], grid[index + 1]);
    let logarithmic = low > 0.0;
    let share =
        if logarithmic { (value / a).ln() / (b / a).ln() } else { (value * value - a * a) / (b * b - a * a) };
    Ok(Place { index, share, logarithmic })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reference(size_ratio: f64) -> Reference {
        Reference { size_ratio, obstruction: Some(0.3333) }
    }

    #[test]
    fn the_table_holds_every_cause_and_is_whole() {
        let table = TABLE.as_ref().unwrap();
        assert_eq!(table.setups.len(), 3);
        for rows in table.setups.values() {
            assert_eq!(rows.len(), table.obstructions.len());
            for causes in rows {
                assert_eq!(causes.size.len(), Cause::ALL.len());
                for row in causes.size.values().chain(causes.shape.values()) {
                    assert_eq!(row.fixed.len(), table.widths.len());
                    assert_eq!(row.bias.len(), table.size_ratios.len());
                }
            }
        }
    }

    /// The reason for measuring under a galaxy-sized weight, in numbers.
    #[test]
    fn causes_agree_under_a_galaxy_sized_weight_but_not_in_adaptive_size() {
        let spread = |width, causes: &[Cause]| {
            let each = causes.iter().map(|&c| m_response(c, reference(1.5), width).unwrap().value);
            let (low, high) = each.fold((f64::INFINITY, 0.0f64), |(l, h), r| (l.min(r), h.max(r)));
            high / low
        };
        let round = [Cause::Jitter, Cause::Defocus, Cause::Coma, Cause::Trefoil, Cause::Spherical];
        assert!(spread(Width::Fixed(1.5), &round) < 1.5);
        assert!(spread(Width::Adaptive, &round) > 4.0);
        let astigmatism = |width| m_response(Cause::Astigmatism, reference(1.5), width).unwrap();
        let jitter = |width| m_response(Cause::Jitter, reference(1.5), width).unwrap();
        let wide = Width::Fixed(1.5);
        assert!(astigmatism(wide).high < jitter(wide).low, "astigmatism in focus gives less");
    }

    #[test]
    fn without_the_obstruction_the_range_covers_every_obstruction() {
        let unknown = Reference { size_ratio: 1.5, obstruction: None };
        for cause in Cause::ALL {
            let all = m_response(cause, unknown, Width::Fixed(1.4)).unwrap();
            for obstruction in [0.0, 0.2, 0.3333, 0.5] {
                let known = Reference { obstruction: Some(obstruction), ..unknown };
                let one = m_response(cause, known, Width::Fixed(1.4)).unwrap();
                assert!(all.low <= one.low && one.high <= all.high);
                assert!(one.low <= one.value && one.value <= one.high);
            }
        }
    }

    #[test]
    fn causes_that_leave_a_round_psf_round_give_no_c() {
        let c = |cause| c_response(cause, reference(1.0), Width::Adaptive).unwrap();
        assert!(c(Cause::Defocus).is_none() && c(Cause::Spherical).is_none());
        assert!(c(Cause::Jitter).is_some() && c(Cause::Coma).is_some());
    }

    #[test]
    fn outside_the_table_there_is_no_answer() {
        let error = m_response(Cause::Jitter, reference(5.0), Width::Adaptive).unwrap_err().to_string();
        assert!(error.contains("size_ratio = 5") && error.contains("0.5 to 4"), "{error}");
        assert!(m_response(Cause::Jitter, reference(1.0), Width::Fixed(9.0)).is_err());
        let blocked = Reference { size_ratio: 1.0, obstruction: Some(0.8) };
        assert!(m_response(Cause::Jitter, blocked, Width::Adaptive).is_err());
        assert!(m_response(Cause::Jitter, reference(f64::NAN), Width::Adaptive).is_err());
    }

    #[test]
    fn the_rung_nearest_one_and_a_half_is_chosen_for_a_common_galaxy() {
        let rungs = [1.5, 2.0, 2.5, 3.0, 4.0, 6.0].map(|rung| rung / 1.05);
        assert_eq!(best_width(reference(1.5), &rungs), Some(0));
        let rungs = [1.5, 2.0, 2.5, 3.0, 4.0, 6.0].map(|rung| rung / 2.0);
        assert_eq!(best_width(reference(1.5), &rungs), Some(3));
        assert_eq!(best_width(reference(1.5), &[]), None);
    }
}
