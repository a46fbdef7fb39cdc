//! Star images in grey, as PNG inside the page. Dark is light, as on a photographic plate; y upwards.

use base64::Engine;
use ndarray::Array2;

/// Below this share of the peak the grey scale is nearly linear, above it nearly logarithmic.
pub const ASINH_KNEE: f64 = 0.02;

/// How pixel values become grey.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Grey {
    /// From 0 (paper) to the peak (ink), by asinh.
    Asinh { peak: f64 },
    /// From `-most` (paper) over 0 (middle grey) to `most` (ink), linear.
    Difference { most: f64 },
}

impl Grey {
    /// 0 for ink to 1 for paper.
    pub fn level(self, value: f64) -> f64 {
        let level = match self {
            Grey::Asinh { peak } => 1.0 - asinh_share(value / peak),
            Grey::Difference { most } => 0.5 - 0.5 * value / most,
        };
        if level.is_finite() { level.clamp(0.0, 1.0) } else { 1.0 }
    }
}

/// Where a share of the peak lies on the grey scale, 0 to 1.
pub fn asinh_share(share: f64) -> f64 {
    (share / ASINH_KNEE).asinh() / (1.0 / ASINH_KNEE).asinh()
}

/// Images laid out as their zones lie in the field: `side` by `side` cells of (column, row from the
/// bottom), a line of paper between them. `None` without any.
pub fn mosaic(cells: &[([usize; 2], &Array2<f32>)], side: usize, grey: Grey) -> Option<String> {
    let size = cells.iter().map(|(_, image)| image.nrows().max(image.ncols())).max().filter(|n| *n > 0)?;
    let whole = side * (size + 1) - 1;
    let mut pixels = vec![255u8; whole * whole];
    for ([column, row], image) in cells.iter().filter(|([c, r], _)| *c < side && *r < side) {
        for ((y, x), value) in image.indexed_iter() {
            let across = column * (size + 1) + x;
            let down = whole - 1 - (row * (size + 1) + y);
            pixels[down * whole + across] = (255.0 * grey.level(f64::from(*value))).round() as u8;
        }
    }
    png(&pixels, whole, whole)
}

/// The grey scale itself, from the least value to the largest.
pub fn scale(grey: Grey) -> Option<String> {
    const STEPS: usize = 128;
    let value = |k: usize| {
        let t = (k as f64 + 0.5) / STEPS as f64;
        match grey {
            Grey::Asinh { peak } => peak * ASINH_KNEE * (t * (1.0 / ASINH_KNEE).asinh()).sinh(),
            Grey::Difference { most } => most * (2.0 * t - 1.0),
        }
    };
    let pixels: Vec<u8> = (0..STEPS).map(|k| (255.0 * grey.level(value(k))).round() as u8).collect();
    png(&pixels, STEPS, 1)
}

/// A grey picture as the address of an image element.
fn png(pixels: &[u8], width: usize, height: usize) -> Option<String> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, u32::try_from(width).ok()?, u32::try_from(height).ok()?);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_compression(png::Compression::High);
    let mut writer = encoder.write_header().ok()?;
    writer.write_image_data(pixels).ok()?;
    writer.finish().ok()?;
    Some(format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decoded(address: &str) -> (usize, Vec<u8>) {
        let text = address.strip_prefix("data:image/png;base64,").unwrap();
        let bytes = base64::engine::general_purpose::STANDARD.decode(text).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut pixels).unwrap();
        (info.width as usize, pixels[..info.buffer_size()].to_vec())
    }

    #[test]
    fn images_lie_as_their_zones_do() {
        let mut image = Array2::<f32>::zeros((3, 3));
        image[(0, 2)] = 1.0;
        let (width, pixels) = decoded(&mosaic(&[([1, 0], &image)], 2, Grey::Asinh { peak: 1.0 }).unwrap());
        // Two cells of three with a line between; the lower right one, its own lower right pixel dark.
        assert_eq!(width, 7);
        let dark: Vec<usize> = (0..49).filter(|k| pixels[*k] == 0).collect();
        assert_eq!(dark, [6 * 7 + 6]);
        assert!(pixels.iter().filter(|p| **p == 255).count() == 48);
    }

    #[test]
    fn greys_rise_with_the_value_and_differences_keep_their_sign() {
        let star = Grey::Asinh { peak: 2.0 };
        let levels = [-1.0, 0.0, 0.02, 0.2, 2.0, 5.0].map(|v| star.level(v));
        assert!(
            levels.windows(2).all(|w| w[0] >= w[1]) && levels[1] == 1.0 && levels[4] == 0.0,
            "{levels:?}"
        );
        let difference = Grey::Difference { most: 0.1 };
        assert_eq!([-0.1, 0.0, 0.1].map(|v| difference.level(v)), [1.0, 0.5, 0.0]);
        assert_eq!(star.level(f64::NAN), 1.0);
        let (_, scale) = decoded(&scale(star).unwrap());
        assert!(scale.windows(2).all(|w| w[0] >= w[1]) && scale[0] > 250 && scale[127] < 5);
    }
}
