//! Rice and gzip tiles of whole numbers, which are unpacked without the FITS library: to the last bit they hold what
//! the library finds in them, and damaged ones end nothing.

use std::io::Write;

use proptest::prelude::*;
use rand::{RngExt, SeedableRng, rngs::StdRng};
use stackworthy::frame::fits::MemoryFile;
use stackworthy::frame::{Frame, FrameError, read_frame};
use stackworthy::settings::Settings;

/// An image and how it is to be written.
#[derive(Debug, Clone)]
struct Picture {
    method: &'static str,
    width: usize,
    height: usize,
    tile: (usize, usize),
    bitpix: i64,
    integer_bytes: usize,
    block: usize,
    /// Bits in which neighbours differ.
    spread: u32,
    scale: (&'static str, &'static str),
    /// The card that names the first number as no value.
    blank: Option<&'static str>,
    seed: u64,
}

impl Picture {
    fn numbers(&self, random: &mut StdRng) -> Vec<i64> {
        let width = 8 * self.integer_bytes as u32;
        let level = random.random_range(0..1i64 << width);
        let mut number = || {
            let spread = 1i64 << self.spread.min(width);
            // Now and then a star.
            let far = if random.random_bool(0.01) { random.random_range(0..1i64 << width) } else { 0 };
            self.held(level + random.random_range(-spread / 2..=spread / 2) + far)
        };
        (0..self.width * self.height).map(|_| number()).collect()
    }

    /// The number as the file holds it.
    fn held(&self, number: i64) -> i64 {
        match self.integer_bytes {
            1 => i64::from(number as u8),
            2 => i64::from(number as i16),
            _ => i64::from(number as i32),
        }
    }

    /// The numbers of each tile, row after row of tiles.
    fn tiles(&self, numbers: &[i64]) -> Vec<Vec<i64>> {
        let mut tiles = Vec::new();
        for y in (0..self.height).step_by(self.tile.1) {
            for x in (0..self.width).step_by(self.tile.0) {
                let rows = y..self.height.min(y + self.tile.1);
                let columns = x..self.width.min(x + self.tile.0);
                tiles.push(rows.flat_map(|y| columns.clone().map(move |x| (x, y))).collect::<Vec<_>>());
            }
        }
        let at = |(x, y): (usize, usize)| numbers[y * self.width + x];
        tiles.into_iter().map(|tile| tile.into_iter().map(at).collect()).collect()
    }

    /// The file, and where its heap begins.
    fn file(&self) -> (Vec<u8>, usize) {
        let mut random = StdRng::seed_from_u64(self.seed);
        let numbers = self.numbers(&mut random);
        let tiles = self.tiles(&numbers);
        let streams: Vec<Vec<u8>> = tiles.iter().map(|tile| self.stream(tile, &mut random)).collect();
        let heap: usize = streams.iter().map(Vec::len).sum();
        let mut cards = vec![
            card("XTENSION", "'BINTABLE'"),
            card("BITPIX", 8),
            card("NAXIS", 2),
            card("NAXIS1", 8),
            card("NAXIS2", streams.len()),
            card("PCOUNT", heap),
            card("GCOUNT", 1),
            card("TFIELDS", 1),
            card("TTYPE1", "'COMPRESSED_DATA'"),
            card("TFORM1", "'1PB'"),
            card("ZIMAGE", "T"),
            card("ZBITPIX", self.bitpix),
            card("ZNAXIS", 2),
            card("ZNAXIS1", self.width),
            card("ZNAXIS2", self.height),
            card("ZTILE1", self.tile.0),
            card("ZTILE2", self.tile.1),
            card("ZCMPTYPE", format!("'{}'", self.method)),
            card("ZNAME1", "'BLOCKSIZE'"),
            card("ZVAL1", self.block),
            card("ZNAME2", "'BYTEPIX'"),
            card("ZVAL2", self.integer_bytes),
            card("BSCALE", self.scale.0),
            card("BZERO", self.scale.1),
        ];
        cards.extend(self.blank.map(|name| card(name, numbers[0])));
        let mut bytes = header(&[card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0)]);
        bytes.extend(header(&cards));
        let mut offset = 0;
        for stream in &streams {
            bytes.extend((stream.len() as u32).to_be_bytes());
            bytes.extend((offset as u32).to_be_bytes());
            offset += stream.len();
        }
        let heap_start = bytes.len();
        bytes.extend(streams.concat());
        bytes.resize(bytes.len().next_multiple_of(2880), 0);
        (bytes, heap_start)
    }

    fn stream(&self, tile: &[i64], random: &mut StdRng) -> Vec<u8> {
        let bytes = |number: i64| number.to_be_bytes()[8 - self.integer_bytes..].to_vec();
        match self.method {
            "GZIP_1" => gzipped(&tile.iter().flat_map(|number| bytes(*number)).collect::<Vec<_>>()),
            "GZIP_2" => {
                let plane = |i: usize| tile.iter().map(move |number| bytes(*number)[i]);
                gzipped(&(0..self.integer_bytes).flat_map(plane).collect::<Vec<_>>())
            }
            _ => self.rice(tile, random),
        }
    }

    /// One tile, coded as the FITS Standard 4.0 says in section 10.4.1; each block with one code more or less
    /// than is shortest, or in full, so that all codes come up.
    fn rice(&self, tile: &[i64], random: &mut StdRng) -> Vec<u8> {
        let width = 8 * self.integer_bytes;
        let (code_bits, full) = [(3, 7), (4, 15), (5, 26)][width.ilog2() as usize - 3];
        let binary = |value: u64, bits: usize| format!("{value:064b}")[64 - bits..].to_string();
        let mut last = tile[0];
        let mut stream = binary(last as u64, width);
        for block in tile.chunks(self.block) {
            let folded: Vec<u64> = block
                .iter()
                .map(|number| {
                    let shift = 64 - width;
                    let difference = (number.wrapping_sub(last) << shift) >> shift;
                    last = *number;
                    (difference << 1 ^ difference >> 63) as u64
                })
                .collect();
            let mean = folded.iter().sum::<u64>() / folded.len() as u64;
            let code = (u64::BITS - mean.leading_zeros() + random.random_range(0..3)).clamp(1, full);
            let longest = folded.iter().max().unwrap() >> (code - 1);
            if folded.iter().all(|folded| *folded == 0) && random.random_bool(0.9) {
                stream += &binary(0, code_bits);
            } else if code == full || longest > 2000 || random.random_bool(0.05) {
                stream += &binary(full.into(), code_bits);
                folded.iter().for_each(|folded| stream += &binary(*folded, width));
            } else {
                stream += &binary(code.into(), code_bits);
                for folded in folded {
                    stream += &"0".repeat((folded >> (code - 1)) as usize);
                    stream += "1";
                    stream += &binary(folded, code as usize - 1);
                }
            }
        }
        // At least one byte behind the first number, which the library looks at.
        stream += &"0".repeat(stream.len().next_multiple_of(8) - stream.len());
        stream.as_bytes().chunks(8).map(|byte| byte.iter().fold(0, |b, bit| b << 1 | (bit - b'0'))).collect()
    }
}

fn gzipped(bytes: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    writer.write_all(bytes).unwrap();
    writer.finish().unwrap()
}

fn card(key: &str, value: impl std::fmt::Display) -> String {
    format!("{key:<8}= {value:>20}")
}

fn header(cards: &[String]) -> Vec<u8> {
    let mut bytes: Vec<u8> = cards.iter().flat_map(|c| format!("{c:<80}").into_bytes()).collect();
    bytes.extend(format!("{:<80}", "END").bytes());
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes
}

fn read(bytes: &[u8]) -> Result<Frame, FrameError> {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    read_frame(file.path(), &Settings::default())
}

/// What the library finds; only for bytes that were found sound.
fn by_the_library(bytes: &[u8], pixels: usize) -> Vec<f32> {
    let mut file = MemoryFile::open(bytes).unwrap();
    file.go_to(1).unwrap();
    let mut values = vec![0.0; pixels];
    file.read_f32(0, &mut values).unwrap();
    values
}

/// To the last bit, but for the bits of a NaN.
fn assert_same(frame: &Frame, bytes: &[u8]) {
    let want = by_the_library(bytes, frame.pixels.len());
    for ((at, got), want) in frame.pixels.indexed_iter().zip(want) {
        let same = got.to_bits() == want.to_bits() || got.is_nan() && want.is_nan();
        assert!(same, "{at:?}: {got}, the library {want}");
    }
}

fn pictures() -> impl Strategy<Value = Picture> {
    let method = prop_oneof![3 => Just("RICE_1"), 1 => Just("GZIP_1"), 1 => Just("GZIP_2")];
    let coding =
        prop_oneof![Just((8, 1)), Just((16, 2)), Just((32, 4)), Just((16, 4)), Just((8, 2)), Just((8, 4))];
    let block = prop_oneof![Just(16usize), Just(32), Just(256), 1usize..=256];
    let scale = prop_oneof![
        Just(("1", "0")),
        Just(("1", "32768")),
        Just(("1", "2147483648")),
        Just(("0.1", "-3.25")),
        Just(("-2.0", "7")),
    ];
    let blank = prop_oneof![Just(None), Just(Some("BLANK")), Just(Some("ZBLANK"))];
    let shape = (1usize..150, 1usize..50, 1usize..160, 1usize..60);
    (method, shape, coding, block, 0u32..34, scale, blank, any::<u64>()).prop_map(
        |(method, (width, height, tile_width, tile_height), coding, block, spread, scale, blank, seed)| {
            Picture {
                method,
                width,
                height,
                // As often the row of the image that is usual.
                tile: if seed % 2 == 0 { (width, 1) } else { (tile_width, tile_height) },
                bitpix: coding.0,
                integer_bytes: coding.1,
                block,
                spread,
                scale,
                blank,
                seed,
            }
        },
    )
}

fn noise(method: &'static str, tile: (usize, usize), bitpix: i64) -> Picture {
    Picture {
        method,
        width: 250,
        height: 120,
        tile,
        bitpix,
        integer_bytes: bitpix as usize / 8,
        block: 32,
        spread: 6,
        scale: ("1", "32768"),
        blank: None,
        seed: 1,
    }
}

#[test]
fn tiles_of_every_shape_hold_the_same_picture() {
    for (method, bitpix) in ["RICE_1", "GZIP_1", "GZIP_2"]
        .into_iter()
        .flat_map(|method| [8, 16, 32].map(|bitpix| (method, bitpix)))
    {
        for tile in [(250, 1), (250, 120), (100, 37), (1, 120), (1, 1), (1000, 50)] {
            let picture = noise(method, tile, bitpix);
            let (bytes, _) = picture.file();
            let frame = read(&bytes).unwrap();
            assert_same(&frame, &bytes);
            let numbers = picture.numbers(&mut StdRng::seed_from_u64(picture.seed));
            let want = numbers.iter().map(|number| (*number as f64 + 32768.0) as f32);
            assert!(frame.pixels.iter().eq(want), "{method}, {bitpix}, {tile:?}");
        }
    }
}

fn tile_error(bytes: &[u8]) -> String {
    let error = read(bytes).unwrap_err();
    assert!(matches!(error, FrameError::Tile { .. }), "{error}");
    error.to_string()
}

#[test]
fn a_code_that_means_nothing_is_named() {
    let picture = Picture { spread: 0, ..noise("RICE_1", (250, 1), 32) };
    let (mut bytes, heap) = picture.file();
    // The first number has four bytes; the code of the first block comes behind it.
    bytes[heap + 4] |= 0b1111_1000;
    let text = tile_error(&bytes);
    assert!(text.contains("tile 1 of COMPRESSED_DATA") && text.contains("code 31"), "{text}");
}

#[test]
fn a_gzip_stream_of_another_length_is_named() {
    for (rows, says) in
        [(3, ["1006 bytes", "its 750 pixels take 1500"]), (1, ["1001 or more", "its 250 pixels take 500"])]
    {
        let picture = noise("GZIP_2", (250, rows), 16);
        let (mut bytes, heap) = picture.file();
        let stream = gzipped(&[7; 250 * 2 * 2 + 6]);
        bytes[heap..heap + stream.len()].copy_from_slice(&stream);
        let text = tile_error(&bytes);
        assert!(says.iter().all(|part| text.contains(part)), "{text}");
    }
}

/// The library takes the numbers of such an image for floats, and reads behind their end where they have fewer bytes.
#[test]
fn floats_without_a_scale_are_not_read_from_whole_numbers() {
    for method in ["RICE_1", "GZIP_1", "GZIP_2"] {
        for bitpix in [-32, -64] {
            let picture = Picture { bitpix, ..noise(method, (250, 1), 16) };
            let text = tile_error(&picture.file().0);
            assert!(text.contains("ZSCALE") || text.contains("its 250 pixels take"), "{text}");
        }
    }
}

#[test]
fn whole_numbers_that_the_library_leaves_unset_are_refused() {
    for method in ["GZIP_1", "GZIP_2"] {
        let text = tile_error(&Picture { bitpix: 64, ..noise(method, (250, 1), 32) }.file().0);
        assert!(text.contains("ZBITPIX is 64") && text.contains("up to 32 bits"), "{text}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn the_library_finds_the_same(picture in pictures()) {
        let (bytes, _) = picture.file();
        match read(&bytes) {
            Ok(frame) => assert_same(&frame, &bytes),
            Err(error) => prop_assert!(
                picture.blank.is_some() && matches!(error, FrameError::NoPixels { .. }), "{error}"
            ),
        }
    }

    #[test]
    fn damaged_streams_are_refused_or_hold_the_same(
        picture in pictures(),
        places in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in any::<prop::sample::Index>(),
        shorter in 0u32..4,
    ) {
        let (mut bytes, heap) = picture.file();
        let end = bytes.len();
        for (place, value) in &places {
            bytes[heap + place.index(end - heap)] = *value;
        }
        let tiles = picture.width.div_ceil(picture.tile.0) * picture.height.div_ceil(picture.tile.1);
        let count = heap - 8 * tiles + 8 * cut.index(tiles);
        let length = u32::from_be_bytes(bytes[count..count + 4].try_into().unwrap()).saturating_sub(shorter);
        bytes[count..count + 4].copy_from_slice(&length.to_be_bytes());
        if let Ok(frame) = read(&bytes) {
            assert_same(&frame, &bytes);
        }
    }
}
