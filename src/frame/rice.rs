//! Rice streams of whole numbers, unpacked.
//!
//! A stream opens with its first number. Then come blocks: a code, and the differences from number to
//! number, folded to be positive, each as zeros that count its high part, a one, and its low bits; or every
//! difference in full; or none, where all numbers of a block are the one before.
//!
//! FITS Standard 4.0 (2018), section 10.4.1.

use super::raw_header::Hdu;
use super::streams::Bits;
use super::tile_table::Fault;

/// Largest block; 16 and 32 are in use.
const MAX_BLOCK: usize = 256;

/// How the numbers of an image are coded.
#[derive(Debug, Clone, Copy)]
pub struct Coding {
    /// Numbers that share a code.
    block: usize,
    /// 1, 2 or 4.
    pub integer_bytes: usize,
}

/// Why a stream cannot be unpacked.
#[derive(Debug, PartialEq)]
pub enum Damage {
    /// It ends before its last number.
    Cut,
    /// A block has a code that means nothing.
    Code(u32),
}

impl Damage {
    /// The value and the limit, of a stream of so many pixels.
    pub fn in_words(&self, stream: &[u8], pixels: u64) -> (String, String) {
        match self {
            Self::Cut => (format!("{} bytes", stream.len()), format!("its {pixels} pixels need more")),
            Self::Code(code) => (format!("a block of code {code}"), "no code over 26 has a meaning".into()),
        }
    }
}

impl Coding {
    /// The library exchanges the block and the bytes where they stand the wrong way round.
    pub fn of(hdu: &Hdu) -> Result<Self, Fault> {
        let value = |card: &str| hdu.header.integer(card);
        let old = hdu.header.text("ZNAME2") == Some("NOISEBIT");
        let (block, bytes) = (value("ZVAL1").unwrap_or(0), value("ZVAL2").filter(|_| !old).unwrap_or(4));
        let (block, bytes) = if block < 16 && bytes > 8 { (bytes, block) } else { (block, bytes) };
        if !(1..=MAX_BLOCK as i64).contains(&block) {
            return Err(("ZVAL1".into(), block.to_string(), format!("it must be 1 to {MAX_BLOCK}")));
        }
        if ![1, 2, 4].contains(&bytes) {
            return Err(("ZVAL2".into(), bytes.to_string(), "it must be 1, 2 or 4".into()));
        }
        Ok(Self { block: block as usize, integer_bytes: bytes as usize })
    }
}

/// The numbers of a stream, block after block.
pub struct Blocks<'a> {
    coding: Coding,
    bits: Bits<'a>,
    /// The number before.
    last: u32,
    left: u64,
    space: [i32; MAX_BLOCK],
}

impl<'a> Blocks<'a> {
    /// Errors: a stream too short for its first number.
    #[inline(always)]
    pub fn new(coding: Coding, stream: &'a [u8], numbers: u64) -> Result<Self, Damage> {
        let (first, coded) = stream.split_at_checked(coding.integer_bytes).ok_or(Damage::Cut)?;
        // The library looks at one byte behind the first number in any case.
        if coded.is_empty() {
            return Err(Damage::Cut);
        }
        let last = first.iter().fold(0, |number, byte| number << 8 | u32::from(*byte));
        Ok(Self { coding, bits: Bits::new(coded), last, left: numbers, space: [0; MAX_BLOCK] })
    }

    /// `None` behind the last.
    #[inline(always)]
    pub fn next(&mut self) -> Result<Option<&[i32]>, Damage> {
        if self.left == 0 {
            return Ok(None);
        }
        // Bits of a block's code, and the code of a block whose differences stand in full.
        let (code_bits, full) = match self.coding.integer_bytes {
            1 => (3, 7),
            2 => (4, 15),
            _ => (5, 26),
        };
        let Self { coding, bits, last, left, space } = self;
        let block = &mut space[..coding.block.min(*left as usize)];
        match bits.take(code_bits).ok_or(Damage::Cut)? {
            0 => block.fill(*last as i32),
            code if code > full => return Err(Damage::Code(code)),
            code if code == full => in_full(bits, 8 * coding.integer_bytes as u32, last, block)?,
            // As many differences at a time as mostly fit the window.
            code if code <= 4 => differences::<8>(bits, code - 1, last, block)?,
            code if code <= 10 => differences::<4>(bits, code - 1, last, block)?,
            code if code <= 20 => differences::<2>(bits, code - 1, last, block)?,
            code => one_by_one(bits, code - 1, last, block)?,
        }
        match coding.integer_bytes {
            1 => block.iter_mut().for_each(|number| *number = i32::from(*number as u8)),
            2 => block.iter_mut().for_each(|number| *number = i32::from(*number as i16)),
            _ => {}
        }
        *left -= block.len() as u64;
        Ok(Some(block))
    }
}

fn in_full(bits: &mut Bits, width: u32, last: &mut u32, block: &mut [i32]) -> Result<(), Damage> {
    for number in block {
        *last = last.wrapping_add(unfolded(bits.take(width).ok_or(Damage::Cut)?));
        *number = *last as i32;
    }
    Ok(())
}

/// Differences are folded so that small ones of either sign are small numbers.
#[inline(always)]
fn unfolded(folded: u32) -> u32 {
    folded >> 1 ^ (folded & 1).wrapping_neg()
}

/// Unpacks numbers of which each difference has so many low bits, several from one look at the stream.
#[inline(always)]
fn differences<const TOGETHER: usize>(
    bits: &mut Bits,
    low_bits: u32,
    last: &mut u32,
    block: &mut [i32],
) -> Result<(), Damage> {
    let (groups, rest) = block.as_chunks_mut::<TOGETHER>();
    let mut before = *last;
    for group in groups {
        let (mut window, mut used, mut next) = (bits.window(), 0, before);
        for number in group.iter_mut() {
            let zeros = window.leading_zeros();
            // The one that ends the zeros comes to the top, and is taken off in the high part.
            window = window.wrapping_shl(zeros);
            let one_and_low = (window >> (63 - low_bits)) as u32;
            let folded = (zeros.wrapping_sub(1) << low_bits).wrapping_add(one_and_low);
            window <<= low_bits + 1;
            used += zeros + low_bits + 1;
            next = next.wrapping_add(unfolded(folded));
            *number = next as i32;
        }
        if used <= Bits::IN_WINDOW {
            bits.skip(used.into()).ok_or(Damage::Cut)?;
        } else {
            next = before;
            one_by_one(bits, low_bits, &mut next, group)?;
        }
        before = next;
    }
    *last = before;
    one_by_one(bits, low_bits, last, rest)
}

fn one_by_one(bits: &mut Bits, low_bits: u32, last: &mut u32, block: &mut [i32]) -> Result<(), Damage> {
    for number in block {
        let zeros = bits.take_zeros().ok_or(Damage::Cut)?;
        let low = bits.take(low_bits).ok_or(Damage::Cut)?;
        *last = last.wrapping_add(unfolded((zeros as u32) << low_bits | low));
        *number = *last as i32;
    }
    Ok(())
}

/// Does a stream hold all of its numbers?
pub fn check(coding: Coding, stream: &[u8], numbers: u64) -> Result<(), Damage> {
    pulp::Arch::new().dispatch(Walk { coding, stream, numbers })
}

struct Walk<'a> {
    coding: Coding,
    stream: &'a [u8],
    numbers: u64,
}

impl pulp::NullaryFnOnce for Walk<'_> {
    type Output = Result<(), Damage>;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let mut blocks = Blocks::new(self.coding, self.stream, self.numbers)?;
        while blocks.next()?.is_some() {}
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unpacked(stream: &[u8], numbers: u64, block: usize, integer_bytes: usize) -> Result<Vec<i32>, Damage> {
        let mut blocks = Blocks::new(Coding { block, integer_bytes }, stream, numbers)?;
        let mut all = Vec::new();
        while let Some(block) = blocks.next()? {
            all.extend_from_slice(block);
        }
        Ok(all)
    }

    /// A number as so many bits.
    fn binary(value: u32, bits: usize) -> String {
        format!("{value:032b}")[32 - bits..].into()
    }

    fn bytes(bits: &str) -> Vec<u8> {
        let padded = format!("{bits:0<width$}", width = bits.len().next_multiple_of(8));
        (0..padded.len()).step_by(8).map(|i| u8::from_str_radix(&padded[i..i + 8], 2).unwrap()).collect()
    }

    #[test]
    fn a_block_without_differences() {
        // First value 7, then the code of a block without differences (5 zero bits).
        let stream = [0, 0, 0, 7, 0];
        assert_eq!(unpacked(&stream, 32, 32, 4), Ok(vec![7; 32]));
        assert_eq!(unpacked(&stream, 64 * 32, 32, 4), Err(Damage::Cut));
        assert_eq!(unpacked(&stream[..4], 32, 32, 4), Err(Damage::Cut));
        // Zeros without an end, in a block that is coded.
        assert_eq!(unpacked(&[0, 0, 0, 7, 0b0001_0000, 0, 0, 0], 32, 32, 4), Err(Damage::Cut));
    }

    /// Written from the standard's description: for every number of low bits, differences of either sign,
    /// some of them with more zeros than a window holds.
    #[test]
    fn every_code_of_every_width() {
        for (integer_bytes, code_bits, full) in [(1, 3, 7), (2, 4, 15), (4, 5, 26)] {
            let width = 8 * integer_bytes;
            let narrow = |number: i64| match integer_bytes {
                1 => i32::from(number as u8),
                2 => i32::from(number as i16),
                _ => number as i32,
            };
            for code in 1..=full {
                let (mut number, mut want) = (100i64, Vec::new());
                let mut stream = binary(100, width) + &binary(code, code_bits);
                for i in 0..9u32 {
                    let most = 1u64 << width;
                    let high = [0, 1, 5, 0, 70, 2, 130, 0, 3][i as usize];
                    let low = 0x9e37_79b9u32.wrapping_mul(i + 1);
                    let folded = if code == full {
                        u64::from(low) % most
                    } else {
                        ((high << (code - 1)) + (u64::from(low) & ((1 << (code - 1)) - 1))) % most
                    };
                    number +=
                        if folded % 2 == 0 { (folded / 2) as i64 } else { -(folded.div_ceil(2) as i64) };
                    want.push(narrow(number));
                    if code == full {
                        stream += &binary(folded as u32, width);
                    } else {
                        stream += &"0".repeat((folded >> (code - 1)) as usize);
                        stream += "1";
                        stream += &binary(folded as u32, code as usize - 1);
                    }
                }
                let stream = bytes(&stream);
                assert_eq!(unpacked(&stream, 9, 9, integer_bytes), Ok(want), "{integer_bytes}, {code}");
                let short = &stream[..stream.len() - 1];
                assert_eq!(unpacked(short, 9, 9, integer_bytes), Err(Damage::Cut), "{integer_bytes}, {code}");
            }
        }
    }

    #[test]
    fn codes_that_mean_nothing() {
        let stream = bytes(&(binary(7, 32) + &binary(27, 5) + &"1".repeat(400)));
        assert_eq!(unpacked(&stream, 3, 32, 4), Err(Damage::Code(27)));
    }
}
