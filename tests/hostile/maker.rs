//! Small frames made in code: a sky with noise, round stars, and whatever else is drawn.

use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

pub const SIDE: usize = 200;
const SKY: f64 = 1000.0;
const NOISE: f64 = 5.0;

/// A frame's pixels, `[y][x]` behind each other.
pub struct Picture {
    pub side: usize,
    pub pixels: Vec<f64>,
    random: StdRng,
}

impl Picture {
    pub fn sky(seed: u64) -> Self {
        let mut random = StdRng::seed_from_u64(seed);
        // The sum of twelve even draws is all but normal.
        let mut normal = || (0..12).map(|_| random.random::<f64>()).sum::<f64>() - 6.0;
        let pixels = (0..SIDE * SIDE).map(|_| SKY + NOISE * normal()).collect();
        Self { side: SIDE, pixels, random }
    }

    /// Light of a Gaussian, its sigma along x and y in pixels.
    pub fn blob(&mut self, [x, y]: [f64; 2], flux: f64, [sx, sy]: [f64; 2]) {
        let reach = (6.0 * sx.max(sy)).ceil() as i64;
        for j in (y as i64 - reach).max(0)..(y as i64 + reach).min(self.side as i64) {
            for i in (x as i64 - reach).max(0)..(x as i64 + reach).min(self.side as i64) {
                let (u, v) = ((i as f64 - x) / sx, (j as f64 - y) / sy);
                let peak = flux / (std::f64::consts::TAU * sx * sy);
                self.pixels[j as usize * self.side + i as usize] += peak * (-0.5 * (u * u + v * v)).exp();
            }
        }
    }

    /// The same stars in every frame, far enough apart.
    pub fn stars(mut self) -> Self {
        for k in 0..49 {
            let place = [20.3 + 26.0 * (k % 7) as f64, 20.7 + 26.0 * (k / 7) as f64];
            self.blob(place, 2e4 + 1500.0 * k as f64, [1.3, 1.3]);
        }
        self
    }

    /// One of the values at random places.
    pub fn sprinkle(mut self, count: usize, values: &[f64]) -> Self {
        for k in 0..count {
            let at = self.random.random_range(0..self.pixels.len());
            self.pixels[at] = values[k % values.len()];
        }
        self
    }

    pub fn each(mut self, change: impl Fn(usize, usize, f64) -> f64) -> Self {
        let side = self.side;
        self.pixels.iter_mut().enumerate().for_each(|(i, v)| *v = change(i % side, i / side, *v));
        self
    }

    /// As a FITS file of 32-bit floats.
    pub fn floats(&self, cards: &[String]) -> Vec<u8> {
        let data = self.pixels.iter().flat_map(|v| (*v as f32).to_be_bytes());
        file(-32, self.side, cards, data.collect())
    }

    /// As a FITS file of unsigned 16-bit integers.
    pub fn integers(&self, cards: &[String]) -> Vec<u8> {
        let data = self.pixels.iter().flat_map(|v| ((*v as u16) ^ 0x8000).to_be_bytes());
        let cards = [&[card("BZERO", 32768)], cards].concat();
        file(16, self.side, &cards, data.collect())
    }
}

pub fn card(key: &str, value: impl std::fmt::Display) -> String {
    format!("{key:<8}= {value:>20}")
}

/// What a sound frame says, `number` minutes into the sequence.
pub fn facts(number: u32) -> Vec<String> {
    vec![
        card("EXPTIME", 60),
        card("GAIN", 1.5),
        card("DATE-OBS", format!("'2031-01-01T00:{number:02}:00'")),
        card("OBJECT", "'field'"),
    ]
}

/// A header of these cards, padded to whole records.
pub fn header(cards: &[String]) -> Vec<u8> {
    let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80.80}").into_bytes()).collect();
    bytes.extend(format!("{:<80}", "END").bytes());
    bytes.resize(bytes.len().div_ceil(2880) * 2880, b' ');
    bytes
}

pub fn file(bitpix: i32, side: usize, cards: &[String], data: Vec<u8>) -> Vec<u8> {
    let mandatory = [
        card("SIMPLE", "T"),
        card("BITPIX", bitpix),
        card("NAXIS", 2),
        card("NAXIS1", side),
        card("NAXIS2", side),
    ];
    let mut bytes = header(&[&mandatory, cards].concat());
    bytes.extend(data);
    bytes.resize(bytes.len().div_ceil(2880) * 2880, 0);
    bytes
}

/// A sound frame.
pub fn good(number: u32) -> Vec<u8> {
    Picture::sky(u64::from(number)).stars().integers(&facts(number))
}
