//! What the figures of one report are drawn from: all that is shown, and no more, so that thousands of
//! exposures need no more room than a hundred.

use std::collections::{BTreeMap, HashMap};

use ndarray::{Array2, s};

use crate::verdict::model::{Gate, Requirement, Verdict};
use crate::verdict::products::{
    Detection, ExposurePicture, FieldSample, OpticsPicture, Pictures, Pulls, StarPoint, ZoneImage,
};
use crate::verdict::{Judgement, reasons::file_name};

/// Kept exposures shown one by one at most, and those that are left out.
const KEPT_SHOWN: usize = 24;
const LEFT_OUT_SHOWN: usize = 12;
/// Zones along each side of mean star images.
pub const IMAGE_ZONES: usize = 3;
/// Zones of the residual map along the longer side.
const RESIDUAL_ZONES: usize = 8;
/// A residual zone with fewer stars is not drawn.
const LEAST_STARS: usize = 5;

#[derive(Debug, Clone, PartialEq, Default)]
pub struct FigureData {
    /// Size of the frame, pixels.
    pub width: f64,
    pub height: f64,
    pub pixel_arcsec: Option<f64>,
    /// Exposures that have a picture: kept, and not kept.
    pub kept: usize,
    pub left_out: usize,
    /// The mean, the groups, then exposures: those not kept and those kept, worst first.
    pub fields: Vec<FieldPicture>,
    pub residual: Vec<ResidualZone>,
    pub pulls: Pulls,
    pub detections: Vec<Detection>,
    pub optics: Vec<OpticsPicture>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    Mean,
    Group,
    LeftOut,
    Kept,
}

impl Role {
    pub const ALL: [Role; 4] = [Role::Mean, Role::Group, Role::LeftOut, Role::Kept];

    pub fn word(self) -> &'static str {
        match self {
            Role::Mean => "mean",
            Role::Group => "group",
            Role::LeftOut => "left-out",
            Role::Kept => "kept",
        }
    }
}

/// A model over the field with mean star images; either may be empty.
#[derive(Debug, Clone, PartialEq)]
pub struct FieldPicture {
    pub role: Role,
    /// The exposure's file, the group's number, or nothing.
    pub name: String,
    pub samples: Vec<FieldSample>,
    pub images: Vec<ZoneImage>,
}

/// Mean residual of the exposures' own models in one zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResidualZone {
    /// Middle, pixels, 0-based.
    pub x: f64,
    pub y: f64,
    pub stars: u32,
    /// ln T, e1, e2.
    pub mean: [f64; 3],
    /// Errors of the means, by the scatter of the stars.
    pub err: [f64; 3],
}

/// A field against the mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldChange {
    /// Mean change of ln T over the field.
    pub size: f64,
    /// Rms change of the ellipticity per component.
    pub ellipticity: f64,
}

impl FigureData {
    pub fn of(judgement: &Judgement) -> Self {
        let (v, p) = (&judgement.verdict, &judgement.pictures);
        let (kept, left_out): (Vec<&ExposurePicture>, Vec<&ExposurePicture>) =
            p.exposures.iter().partition(|e| e.kept);
        let mean = FieldPicture {
            role: Role::Mean,
            name: String::new(),
            samples: p.mean.clone(),
            images: mean_images(p, &kept),
        };
        let mut data = Self {
            width: p.width,
            height: p.height,
            pixel_arcsec: p.pixel_arcsec,
            kept: kept.len(),
            left_out: left_out.len(),
            fields: vec![mean],
            residual: residual_zones(p),
            pulls: p.pulls.clone(),
            detections: p.detections.clone(),
            optics: p.optics.clone(),
        };
        data.fields.extend(groups(v, p));
        for (role, members, shown) in
            [(Role::LeftOut, left_out, LEFT_OUT_SHOWN), (Role::Kept, kept, KEPT_SHOWN)]
        {
            let pictures = worst_first(&p.mean, members, &v.requirement).into_iter().take(shown);
            data.fields.extend(pictures.map(|e| FieldPicture {
                role,
                name: e.file.clone(),
                samples: e.model.clone(),
                images: e.zones.clone(),
            }));
        }
        data
    }

    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    pub fn mean(&self) -> Option<&FieldPicture> {
        self.with(Role::Mean).next()
    }

    pub fn with(&self, role: Role) -> impl Iterator<Item = &FieldPicture> {
        self.fields.iter().filter(move |f| f.role == role)
    }

    pub fn has_size(&self) -> bool {
        [self.width, self.height].iter().all(|v| v.is_finite() && *v > 0.0)
    }

    /// Zone of a mean star image, column and row.
    pub fn cell(&self, image: &ZoneImage) -> [usize; 2] {
        cell([self.width, self.height], image)
    }

    /// A field minus the mean at the same places.
    pub fn difference(&self, field: &FieldPicture) -> Vec<FieldSample> {
        self.mean().map_or_else(Vec::new, |mean| difference(&mean.samples, &field.samples))
    }
}

impl FieldChange {
    pub fn of(difference: &[FieldSample]) -> Option<Self> {
        let finite: Vec<&FieldSample> = difference.iter().filter(|s| is_finite(s)).collect();
        let n = finite.len() as f64;
        let squares: f64 = finite.iter().map(|s| 0.5 * (s.e1 * s.e1 + s.e2 * s.e2)).sum();
        let size = finite.iter().map(|s| s.ln_size).sum::<f64>() / n;
        (n > 0.0).then(|| Self { size, ellipticity: (squares / n).sqrt() })
    }

    /// In units of the limits.
    fn reach(&self, limits: &Requirement) -> f64 {
        (self.size.abs() / limits.size_limit).max(self.ellipticity / limits.ellipticity_limit)
    }
}

fn is_finite(s: &FieldSample) -> bool {
    [s.x, s.y, s.ln_size, s.e1, s.e2].iter().all(|v| v.is_finite())
}

fn difference(mean: &[FieldSample], model: &[FieldSample]) -> Vec<FieldSample> {
    if mean.len() != model.len() {
        return Vec::new();
    }
    let minus = |(a, b): (&FieldSample, &FieldSample)| FieldSample {
        ln_size: a.ln_size - b.ln_size,
        e1: a.e1 - b.e1,
        e2: a.e2 - b.e2,
        ..*a
    };
    model.iter().zip(mean).map(minus).filter(is_finite).collect()
}

/// Those that differ most from the mean in front, those without a model last.
fn worst_first<'e>(
    mean: &[FieldSample],
    members: Vec<&'e ExposurePicture>,
    limits: &Requirement,
) -> Vec<&'e ExposurePicture> {
    let reach = |e: &ExposurePicture| FieldChange::of(&difference(mean, &e.model)).map(|c| c.reach(limits));
    let mut ranked: Vec<(f64, &ExposurePicture)> =
        members.into_iter().map(|e| (reach(e).unwrap_or(-1.0), e)).collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    ranked.into_iter().map(|(_, e)| e).collect()
}

fn groups(v: &Verdict, p: &Pictures) -> Vec<FieldPicture> {
    let by_file: HashMap<&str, &ExposurePicture> = p.exposures.iter().map(|e| (e.file.as_str(), e)).collect();
    let group = |(k, files): (usize, &Vec<String>)| {
        let members: Vec<&ExposurePicture> =
            files.iter().filter_map(|f| by_file.get(f.as_str()).copied()).collect();
        let samples = mean_samples(&members);
        FieldPicture {
            role: Role::Group,
            name: (k + 1).to_string(),
            samples,
            images: mean_images(p, &members),
        }
    };
    v.groups.iter().enumerate().map(group).collect()
}

fn mean_samples(members: &[&ExposurePicture]) -> Vec<FieldSample> {
    let fitted: Vec<&ExposurePicture> = members.iter().filter(|e| !e.model.is_empty()).copied().collect();
    let Some(first) = fitted.first() else { return Vec::new() };
    let n = fitted.len() as f64;
    let mean = |k: usize, pick: fn(&FieldSample) -> f64| {
        fitted.iter().map(|e| e.model.get(k).map_or(f64::NAN, pick)).sum::<f64>() / n
    };
    let at = |(k, place): (usize, &FieldSample)| FieldSample {
        ln_size: mean(k, |s| s.ln_size),
        e1: mean(k, |s| s.e1),
        e2: mean(k, |s| s.e2),
        ..*place
    };
    first.model.iter().enumerate().map(at).collect()
}

fn cell([width, height]: [f64; 2], image: &ZoneImage) -> [usize; 2] {
    let along = |value: f64, length: f64| {
        ((value / length * IMAGE_ZONES as f64).max(0.0) as usize).min(IMAGE_ZONES - 1)
    };
    [along(image.x, width), along(image.y, height)]
}

/// Images of several exposures by zone, each weighted by its stars.
fn mean_images(p: &Pictures, members: &[&ExposurePicture]) -> Vec<ZoneImage> {
    let all: Vec<&ZoneImage> = members.iter().flat_map(|e| &e.zones).collect();
    let side = all.iter().map(|z| z.image.nrows()).min().unwrap_or(0);
    let mut zones: BTreeMap<[usize; 2], ZoneImage> = BTreeMap::new();
    for zone in all {
        let weight = f64::from(zone.stars);
        let sum = zones.entry(cell([p.width, p.height], zone)).or_insert_with(|| ZoneImage {
            x: 0.0,
            y: 0.0,
            stars: 0,
            image: Array2::zeros((side, side)),
        });
        let edge = (zone.image.nrows() - side) / 2;
        let middle = zone.image.slice(s![edge..edge + side, edge..edge + side]);
        sum.image.zip_mut_with(&middle, |a, b| *a += weight as f32 * b);
        (sum.x, sum.y) = (sum.x + weight * zone.x, sum.y + weight * zone.y);
        sum.stars += zone.stars;
    }
    let divided = |zone: ZoneImage| {
        let n = f64::from(zone.stars).max(1.0);
        ZoneImage { x: zone.x / n, y: zone.y / n, image: zone.image / n as f32, ..zone }
    };
    zones.into_values().map(divided).collect()
}

fn residual_zones(p: &Pictures) -> Vec<ResidualZone> {
    // Stars, sums and sums of squares.
    type Sums = (usize, [f64; 3], [f64; 3]);
    let side = p.width.max(p.height) / RESIDUAL_ZONES as f64;
    // Whole zones along either side, about square.
    let [across, down] = [p.width, p.height].map(|length| length / (length / side).round().max(1.0));
    let mut sums: BTreeMap<(usize, usize), Sums> = BTreeMap::new();
    for StarPoint { x, y, residual, kept, .. } in p.exposures.iter().flat_map(|e| &e.stars).copied() {
        let Some(residual) = residual.filter(|r| kept && r.iter().all(|v| v.is_finite())) else { continue };
        let sum = sums.entry(((x.max(0.0) / across) as usize, (y.max(0.0) / down) as usize)).or_default();
        sum.0 += 1;
        for (k, r) in residual.iter().enumerate() {
            sum.1[k] += r;
            sum.2[k] += r * r;
        }
    }
    let zone = |((i, j), (n, sum, squares)): ((usize, usize), Sums)| {
        let stars = n as f64;
        let mean = sum.map(|s| s / stars);
        let variance = |k: usize| (squares[k] / stars - mean[k] * mean[k]).max(0.0);
        ResidualZone {
            x: (i as f64 + 0.5) * across,
            y: (j as f64 + 0.5) * down,
            stars: n as u32,
            mean,
            err: [0, 1, 2].map(|k| (variance(k) / (stars - 1.0)).sqrt()),
        }
    };
    sums.into_iter().filter(|(_, (n, ..))| *n >= LEAST_STARS).map(zone).collect()
}

/// Why a frame is not kept: it could not be read, or was left out.
pub fn unreadable(v: &Verdict) -> Vec<&str> {
    let all = v.exposures.iter().filter(|e| e.gate == Gate::Unreadable);
    all.map(|e| file_name(&e.file)).collect()
}
