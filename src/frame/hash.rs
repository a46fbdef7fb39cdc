//! What a frame's file is told by: the XXH3 hash of its bytes, 128 bits. It tells whether a file is the same, not who made
//! it; the fastest cryptographic hash takes three times as long, a third of all reading.

use xxhash_rust::xxh3::Xxh3;

/// The hash of bytes that come in pieces.
#[derive(Default)]
pub struct FrameHash(Xxh3);

impl FrameHash {
    pub fn add(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    /// Of all bytes so far, hex, the highest first.
    pub fn hex(&self) -> String {
        format!("{:032x}", self.0.digest128())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The values of the `xxhash` package for Python (4.1.0, `xxh3_128_hexdigest`), which wraps the algorithm's reference
    /// library.
    #[test]
    fn hashes_are_those_of_the_reference_library() {
        let of = |bytes: &[u8], piece: usize| {
            let mut hash = FrameHash::default();
            bytes.chunks(piece).for_each(|piece| hash.add(piece));
            hash.hex()
        };
        let counted: Vec<u8> = (0..10_000_u32).map(|k| (k * k % 251) as u8).collect();
        assert_eq!(of(b"", 1), "99aa06d3014798d86001c324468d497f");
        assert_eq!(of(b"SIMPLE  =                    T", 37), "086715b5fd12049ca846acce6597b890");
        assert_eq!(of(&counted[..200], 37), "6e960a30b1c0c3d9dc85ddbbbb82a3b8");
        for piece in [37, 256, 1000, 10_000] {
            assert_eq!(of(&counted, piece), "f5393bc032b84058a00f106269570346");
        }
    }
}
