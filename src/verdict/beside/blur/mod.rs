//! The estimate from moments: what was added to the image of the sharpest exposure, were it
//! jitter. It needs no facts of the telescope.
//!
//! Jitter adds to unweighted moments exactly; the weighted ones of a star respond by the
//! factors measured on the star itself (`moments::Shape`), and to a large blur as the stars of
//! the sharpest exposure do when their pixels are blurred. The same stars are compared. What was
//! added has a part along one axis and a part in all directions, each with its error: both may
//! change in one stack, by trailing under a changing focus, say, so each is looked for by itself.
//!
//! - [`smear`]: the part along one axis
//! - [`round`]: the part in all directions
//! - [`exposure`]: moments of an exposure's stars, and their difference from another's
//! - [`reference`]: the sharpest exposure, and what was added to its image
//! - [`reblurred`]: the sharpest exposure's stars, blurred on purpose
//! - [`flatness`]: images flatter than jitter would leave them
//! - [`course`]: either part through time

mod course;
mod exposure;
mod flatness;
mod reblurred;
mod reference;
mod round;
mod smear;

use rayon::prelude::*;

use super::super::model::Reason;
use super::super::optics_model::BlurChange;
use super::super::reasons::file_name;
use super::super::stack::Stack;
use super::sky_angle::{position_angle, sky_axes};
use crate::moments::{Weight, primary_weight};
use crate::table::StarTable;

use exposure::{Difference, Exposure};
use reblurred::{Added, Originals};
use reference::{AddedTensor, Reference};

/// Blur is spoken of from this many errors, and from this share of the sharpest size.
const SHOWN_SIGMAS: f64 = 5.0;
const SHOWN_SHARE: f64 = 0.05;

/// Images wider than a second of arc are spoken of in that unit.
const WIDE_MAS2: f64 = 1e6;

/// What the moments say of a stack's blur.
#[derive(Debug, Clone, Default)]
pub struct Blurred {
    /// In the order of the exposures.
    pub changes: Vec<Option<BlurChange>>,
    /// None where they were not asked for.
    pub reasons: Vec<Reason>,
}

/// The exposures that were measured, compared with the sharpest of them.
struct Compared<'a> {
    members: Vec<Member<'a>>,
    blurs: Vec<BlurChange>,
    /// Its place among the members.
    sharpest: usize,
    reference: &'a Reference<'a>,
    /// Trace of the sharpest one's moments, as a tensor that was added would count, in the unit of the blurs.
    sharpest_size: f64,
    /// One pixel squared in that unit.
    pixel2: f64,
    confidence: f64,
    /// Whether the telescope's are.
    facts_known: bool,
}

/// One exposure, and what its moments have over the sharpest one's.
#[derive(Clone, Copy)]
struct Member<'a> {
    table: &'a StarTable,
    exposure: &'a Exposure,
    difference: Difference,
}

impl Member<'_> {
    /// Whether the sum over the pixels stands for the integral.
    fn is_well_sampled(&self) -> bool {
        self.table.narrowest_sigma_pixels.is_some_and(|sigma| primary_weight(sigma) == Weight::Adaptive)
    }
}

impl Compared<'_> {
    fn name(&self, k: usize) -> &str {
        file_name(&self.members[k].table.file)
    }

    /// Root of the blurs' unit.
    fn rms_unit(&self) -> &str {
        self.blurs.first().map_or("", |b| b.unit.trim_end_matches('2'))
    }

    /// The unit in which lengths are spoken of, and what a length in the root of the blurs' unit is multiplied by.
    fn spoken(&self) -> (f64, &'static str) {
        match self.rms_unit() {
            "mas" if self.sharpest_size > WIDE_MAS2 => (1e-3, "arcsec"),
            "mas" => (1.0, "mas"),
            _ => (1.0, "pix"),
        }
    }

    fn is_shown(&self, value: f64, error: f64) -> bool {
        value > SHOWN_SIGMAS * error && value > SHOWN_SHARE * self.sharpest_size
    }

    /// Variance along the long axis over that along the short one, were it a uniform motion.
    fn motion(&self, k: usize) -> f64 {
        let Member { table, exposure, difference } = &self.members[k];
        let [_, along, cross] = self.reference.added(difference, exposure, table, Added::Motion);
        along.hypot(cross) * self.pixel2
    }
}

impl BlurChange {
    /// `(xx - yy, 2 xy)`: it turns by twice the angle.
    fn spin(&self) -> [f64; 2] {
        [self.xx - self.yy, 2.0 * self.xy]
    }

    /// Variance along the long axis over that along the short one.
    fn one_axis(&self) -> f64 {
        let [difference, cross] = self.spin();
        difference.hypot(cross)
    }

    /// What is equal in all directions, as a trace: twice the variance along the short axis. With its error.
    fn all_directions(&self) -> (f64, f64) {
        (self.xx + self.yy - self.one_axis(), self.trace_err.hypot(self.difference_err))
    }
}

/// Who wants to know why: where the optics were fitted they give the reasons.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// Whether sentences are wanted.
    pub reasons: bool,
    /// Whether the telescope's facts are known.
    pub facts_known: bool,
    pub confidence: f64,
}

/// Every exposure against the sharpest, and the reasons this gives.
pub fn of_stack(members: &[&StarTable], stack: &Stack, asked: Asked) -> Blurred {
    let exposures: Vec<Option<Exposure>> = members
        .iter()
        .zip(&stack.exposures)
        .map(|(table, matched)| Exposure::of(table, matched, stack.weight))
        .collect();
    let Some(sharpest) = sharpest(&exposures) else {
        return Blurred { changes: vec![None; members.len()], reasons: Vec::new() };
    };
    let (place, exposure) = sharpest;
    let originals = Originals::of(members[place], &stack.exposures[place]);
    let reference = Reference { exposure, originals, weight: stack.weight };
    let scale = members.iter().find_map(|t| t.facts.pixel_arcsec);
    let (pixel2, unit) = scale.map_or((1.0, "pix2"), |s| ((1e3 * s).powi(2), "mas2"));

    let compared: Vec<Option<Member>> = exposures
        .iter()
        .zip(members)
        .map(|(exposure, &table)| {
            let exposure = exposure.as_ref()?;
            Some(Member { table, exposure, difference: exposure.over(reference.exposure)? })
        })
        .collect();
    let changes: Vec<Option<BlurChange>> = compared
        .par_iter()
        .map(|member| {
            let Member { table, exposure, difference } = member.as_ref()?;
            let added = reference.added(difference, exposure, table, Added::Jitter);
            let errors = reference.errors(difference, exposure);
            let sky = sky_axes(table);
            let position_angle = |angle| position_angle(sky, angle);
            Some(blur_change(added, errors, exposure.kurtosis, pixel2, unit, position_angle))
        })
        .collect();
    if !asked.reasons {
        return Blurred { changes, reasons: Vec::new() };
    }
    let measured: Vec<usize> = (0..members.len()).filter(|&k| changes[k].is_some()).collect();
    let compared = Compared {
        members: compared.iter().flatten().copied().collect(),
        blurs: changes.iter().flatten().cloned().collect(),
        sharpest: measured.iter().position(|&k| k == place).unwrap_or(0),
        sharpest_size: exposure.trace / exposure.trace_response * pixel2,
        reference: &reference,
        pixel2,
        confidence: asked.confidence,
        facts_known: asked.facts_known,
    };
    let reasons = smear::reason(&compared).into_iter().chain(round::reason(&compared)).collect();
    Blurred { reasons, changes }
}

/// The exposure of the smallest stars, and its place: first by their mean, then by the stars common with that one.
fn sharpest(exposures: &[Option<Exposure>]) -> Option<(usize, &Exposure)> {
    let measured = || exposures.iter().enumerate().filter_map(|(k, e)| Some((k, e.as_ref()?)));
    let (_, first) = measured().min_by(|a, b| a.1.trace.total_cmp(&b.1.trace))?;
    let over_first = |e: &Exposure| e.over(first).map_or(f64::INFINITY, |d| d.values[0]);
    measured().min_by(|a, b| over_first(a.1).total_cmp(&over_first(b.1)))
}

/// What was added, with the errors of its trace and of each of the others, in pixels² times `pixel2`.
fn blur_change(
    added: AddedTensor,
    errors: [f64; 2],
    kurtosis: Option<(f64, f64)>,
    pixel2: f64,
    unit: &str,
    position_angle: impl Fn(f64) -> Option<f64>,
) -> BlurChange {
    let [trace, difference, cross] = added.map(|v| v * pixel2);
    let reach = 0.5 * difference.hypot(cross);
    let angle_deg = 0.5 * cross.atan2(difference).to_degrees();
    let rms = |variance: f64| (variance > 0.0).then(|| variance.sqrt());
    BlurChange {
        unit: unit.into(),
        xx: 0.5 * (trace + difference),
        yy: 0.5 * (trace - difference),
        xy: 0.5 * cross,
        trace_err: errors[0] * pixel2,
        difference_err: errors[1] * pixel2,
        major_rms: rms(0.5 * trace + reach),
        minor_rms: rms(0.5 * trace - reach),
        angle_deg,
        position_angle_deg: position_angle(angle_deg),
        kurtosis: kurtosis.map(|k| k.0),
        kurtosis_err: kurtosis.map(|k| k.1),
    }
}

#[cfg(test)]
mod fixture {
    //! Blurs of given size, for the tests of what is said of them.

    use super::exposure::fixture::exposure;
    use super::*;
    use crate::verdict::fixture::{empty_table, stack};

    /// The tensor `(xx, yy, xy)`, each known to a hundredth of a pixel².
    pub fn blur((xx, yy, xy): (f64, f64, f64)) -> BlurChange {
        blur_change([xx + yy, xx - yy, 2.0 * xy], [0.01; 2], Some((2.0, 0.003)), 1.0, "pix2", Some)
    }

    /// Calls `say` with exposures of these blurs over a sharpest of trace 5 pixels², the first; without pixels.
    pub fn compared<T>(blurs: &[BlurChange], say: impl Fn(&Compared) -> T) -> T {
        let table = |k: usize| StarTable { file: format!("sky/frame-{k}.fits"), ..empty_table() };
        let tables: Vec<StarTable> = (0..blurs.len()).map(table).collect();
        let exposure = exposure(2.0);
        let originals = Originals::of(&tables[0], &stack(1, 0, |_, _, _| ()).exposures[0]);
        let reference = Reference { exposure: &exposure, originals, weight: Weight::Adaptive };
        // As the moments respond, by 0.8.
        let member = |(table, blur)| {
            let BlurChange { xx, yy, xy, .. }: &BlurChange = blur;
            let values = [xx + yy, xx - yy, 2.0 * xy].map(|v| 0.8 * v);
            Member { table, exposure: &exposure, difference: Difference { values, errors: [0.008; 2] } }
        };
        say(&Compared {
            members: tables.iter().zip(blurs).map(member).collect(),
            blurs: blurs.to_vec(),
            sharpest: 0,
            reference: &reference,
            sharpest_size: 5.0,
            pixel2: 1.0,
            confidence: 0.95,
            facts_known: false,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::fixture::{blur, compared};

    #[test]
    fn a_tensor_is_a_part_along_one_axis_and_one_in_all_directions() {
        let b = blur((3.0, 1.0, 1.0));
        assert!((b.angle_deg - 22.5).abs() < 1e-12, "{b:?}");
        // Along one axis √(2² + 2²), the rest of the trace of 4 in all directions.
        assert!((b.one_axis() - 8f64.sqrt()).abs() < 1e-12);
        assert!((b.all_directions().0 - (4.0 - 8f64.sqrt())).abs() < 1e-12);
    }

    #[test]
    fn without_pixels_a_motion_is_taken_by_the_response() {
        let motion = compared(&[blur((0.0, 0.0, 0.0)), blur((3.0, 1.0, 0.0))], |c| c.motion(1));
        assert!((motion - 2.0).abs() < 1e-12, "{motion}");
    }
}
