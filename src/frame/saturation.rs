//! Saturation found from the data: pixels piled up at one top level.
//!
//! Common practice, no source. The brightest pixels of a field thin out towards the top;
//! clipped cores instead leave a spike of equal values, in groups, in several places.

use std::collections::HashSet;

use super::Region;
use super::key::{key, of_key};
use super::pixels::Pixels;
use super::tops::Tops;

/// Pixels at the top that are looked at.
const TOP_PIXELS: usize = 20_000;
/// Lone pixels above the pile (cosmic rays, amplifier spikes) that are looked over.
const OUTLIERS: usize = 64;
/// Width of the pile, as a share of its height over the sky: some detectors saturate at a
/// slightly varying level.
const PILE_WIDTH: f64 = 0.005;
/// A place counts with this many touching pixels.
const PIXELS_A_PLACE: usize = 3;
const PLACES: usize = 3;
/// The pile holds this many times the pixels of an equal band below it.
const SPIKE: usize = 4;
/// A top that is not far over the sky, in widths of the pixel distribution, is no star's core.
const OVER_THE_SKY: f64 = 50.0;

/// The level at which pixels pile up, frame units; None where that is not plain.
pub fn pile_up(pixels: &Pixels, tops: &Tops, usable: Region) -> Option<f64> {
    let (sky, width) = sky_level(pixels, usable)?;
    let top = brightest(pixels, tops, usable, lowest_asked_for(pixels, tops, usable, sky, width));
    (0..OUTLIERS.min(top.len())).find_map(|skip| {
        let level = top[skip].0;
        // Equal values have the same pile: look at each level once.
        if skip > 0 && top[skip - 1].0 == level {
            return None;
        }
        pile_at(&top, f64::from(level), sky, width)
    })
}

/// Pixels of the sample that gives the sky.
const SKY_SAMPLE: usize = 20_000;

/// Median and half width (central 68 %) of a sample.
fn sky_level(pixels: &Pixels, usable: Region) -> Option<(f64, f64)> {
    let count = usable.width() * usable.height();
    let step = (count / SKY_SAMPLE).max(1) | 1;
    let mut sample: Vec<f32> = (0..count)
        .step_by(step)
        .map(|at| pixels.at(usable.y0 + at / usable.width(), usable.x0 + at % usable.width()))
        .filter(|value| !value.is_nan())
        .collect();
    if sample.len() < 100 {
        return None;
    }
    let mut at = |share: f64| {
        let rank = ((sample.len() - 1) as f64 * share) as usize;
        f64::from(*sample.select_nth_unstable_by(rank, f32::total_cmp).1)
    };
    Some((at(0.5), 0.5 * (at(0.84) - at(0.16))))
}

type Bright = (f32, usize, usize);

/// No pile reaches lower, nor the band below it.
fn lowest_asked_for(pixels: &Pixels, tops: &Tops, usable: Region, sky: f64, width: f64) -> f32 {
    let mut height = OVER_THE_SKY * width.max(f64::EPSILON);
    if pixels.is_whole() {
        // As many stretches inside as outliers are looked over hold a pixel as high each: none of those is lower.
        let inside = tops.stretches().filter(|(_, y, columns)| {
            (usable.y0..usable.y1).contains(y) && columns.start >= usable.x0 && columns.end <= usable.x1
        });
        let mut highest: Vec<i32> = inside.map(|(top, ..)| key(top)).collect();
        if let Some(rank) = highest.len().checked_sub(OUTLIERS) {
            height = height.max(f64::from(of_key(*highest.select_nth_unstable(rank).1)) - sky);
        }
    }
    ((sky + (1.0 - 2.0 * PILE_WIDTH) * height) as f32).next_down()
}

/// The brightest pixels, brightest first, none under `floor`: (value, x, y).
fn brightest(pixels: &Pixels, tops: &Tops, usable: Region, mut floor: f32) -> Vec<Bright> {
    let (mut top, mut values): (Vec<Bright>, Vec<f32>) = (Vec::new(), Vec::new());
    for (highest, y, columns) in tops.stretches().filter(|(_, y, _)| (usable.y0..usable.y1).contains(y)) {
        let columns = columns.start.max(usable.x0)..columns.end.min(usable.x1);
        if highest < floor || columns.is_empty() {
            continue;
        }
        values.resize(columns.len(), 0.0);
        pixels.fill(y, columns.start, &mut values);
        for (x, value) in columns.zip(&values).filter(|(_, value)| **value >= floor) {
            top.push((*value, x, y));
        }
        if top.len() >= 2 * TOP_PIXELS {
            floor = floor.max(keep_brightest(&mut top));
        }
    }
    keep_brightest(&mut top);
    top.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
    top
}

/// Drops all but the [`TOP_PIXELS`] brightest, and gives the level of the faintest that may still join them.
fn keep_brightest(top: &mut Vec<Bright>) -> f32 {
    if top.len() <= TOP_PIXELS {
        return f32::NEG_INFINITY;
    }
    top.select_nth_unstable_by(TOP_PIXELS, |a, b| b.0.total_cmp(&a.0));
    let floor = top[TOP_PIXELS].0;
    top.truncate(TOP_PIXELS);
    floor
}

/// The pile whose highest value is `level`, if there is one.
fn pile_at(top: &[Bright], level: f64, sky: f64, width: f64) -> Option<f64> {
    if level - sky < OVER_THE_SKY * width.max(f64::EPSILON) {
        return None;
    }
    let band = PILE_WIDTH * (level - sky);
    // Brightest first.
    let within = |from: f64, to: f64| {
        let above = |level: f64| top.partition_point(|pixel| f64::from(pixel.0) > level);
        &top[above(to)..above(from.next_down())]
    };
    let pile = within(level - band, level);
    let lowest_known = top.last().map_or(f64::INFINITY, |p| f64::from(p.0));
    let below = if level - 2.0 * band < lowest_known && top.len() == TOP_PIXELS {
        // The pile alone fills the list.
        0
    } else {
        within(level - 2.0 * band, (level - band).next_down()).len()
    };
    let above = top.partition_point(|p| f64::from(p.0) > level);
    if pile.len() < PLACES * PIXELS_A_PLACE || pile.len() < SPIKE * (below + 1) || pile.len() < 4 * above {
        return None;
    }
    if places(pile) < PLACES {
        return None;
    }
    // Where one value makes up most of the pile, that value is the level; otherwise its foot.
    let mut values: Vec<f32> = pile.iter().map(|p| p.0).collect();
    values.sort_unstable_by(f32::total_cmp);
    let commonest = values.chunk_by(|a, b| a == b).max_by_key(|run| run.len())?;
    let level = if 2 * commonest.len() > values.len() { commonest[0] } else { values[values.len() / 50] };
    Some(f64::from(level))
}

/// Groups of touching pixels with enough of them.
fn places(pile: &[Bright]) -> usize {
    let mut left: HashSet<(usize, usize)> = pile.iter().map(|p| (p.1, p.2)).collect();
    let mut places = 0;
    for &(_, x, y) in pile {
        if !left.remove(&(x, y)) {
            continue;
        }
        let (mut size, mut open) = (0, vec![(x, y)]);
        while let Some((x, y)) = open.pop() {
            size += 1;
            for ny in y.saturating_sub(1)..=y + 1 {
                for nx in x.saturating_sub(1)..=x + 1 {
                    if left.remove(&(nx, ny)) {
                        open.push((nx, ny));
                    }
                }
            }
        }
        places += usize::from(size >= PIXELS_A_PLACE);
    }
    places
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Gaussian stars (sigma 1.5 pixels) of falling peak on a sky of 100 +- about 3.
    fn field(peaks: &[f32], clip: impl Fn(f32, usize) -> f32) -> Array2<f32> {
        Array2::from_shape_fn((200, 200), |(y, x)| {
            let sky = 100.0 + ((x * 31 + y * 17) % 11) as f32 - 5.0;
            let star = |(i, peak): (usize, &f32)| {
                let (cx, cy) = (25.3 + 40.0 * (i % 5) as f32, 25.6 + 40.0 * (i / 5) as f32);
                peak * (-((x as f32 - cx).powi(2) + (y as f32 - cy).powi(2)) / 4.5).exp()
            };
            clip(sky + peaks.iter().enumerate().map(star).sum::<f32>(), x)
        })
    }

    fn found(pixels: &Array2<f32>) -> Option<f64> {
        let pixels = Pixels::from(pixels.clone());
        pile_up(&pixels, &Tops::of(&pixels), Region { x0: 0, x1: 200, y0: 0, y1: 200 })
    }

    const PEAKS: [f32; 12] = [9e4, 6e4, 4e4, 2.5e4, 1.5e4, 9e3, 5e3, 3e3, 2e3, 1.5e3, 1e3, 700.0];

    #[test]
    fn clipped_cores_give_the_level() {
        assert_eq!(found(&field(&PEAKS, |v, _| v.min(4095.0))), Some(4095.0));
    }

    #[test]
    fn a_lone_brighter_pixel_does_not_hide_the_pile() {
        let mut pixels = field(&PEAKS, |v, _| v.min(4095.0));
        pixels[[100, 7]] = 9000.0;
        assert_eq!(found(&pixels), Some(4095.0));
    }

    #[test]
    fn a_slightly_varying_level_gives_its_foot() {
        let level = found(&field(&PEAKS, |v, x| v.min(4000.0 - (x % 15) as f32))).unwrap();
        assert!((3985.0..3992.0).contains(&level), "{level}");
    }

    #[test]
    fn stars_below_the_level_give_none() {
        assert_eq!(found(&field(&PEAKS, |v, _| v)), None);
        assert_eq!(found(&field(&PEAKS[8..], |v, _| v)), None);
    }

    #[test]
    fn one_saturated_star_is_not_enough() {
        assert_eq!(found(&field(&[9e4, 2e3, 1e3], |v, _| v.min(4095.0))), None);
    }

    #[test]
    fn an_empty_sky_gives_none() {
        assert_eq!(found(&field(&[], |v, _| v)), None);
    }

    /// Words are looked at from where the highest of their stretches say that a pile can begin.
    #[test]
    fn words_give_the_level_of_floats() {
        let wide = Region { x0: 0, x1: 200, y0: 0, y1: 200 };
        let narrow = Region { x0: 30, x1: 190, y0: 10, y1: 150 };
        for clip in [2000.0, 4095.0, 30_000.0, f32::INFINITY] {
            let floats = field(&PEAKS, |v, _| v.min(clip).min(32_767.0).round());
            let words = floats.iter().map(|value| *value as i16).collect();
            let (floats, words) = (Pixels::from(floats), Pixels::of_words((200, 200), words, 0.0).unwrap());
            for region in [wide, narrow] {
                let level = |pixels: &Pixels| pile_up(pixels, &Tops::of(pixels), region);
                assert_eq!(level(&words), level(&floats), "{clip} {region:?}");
            }
        }
    }
}
