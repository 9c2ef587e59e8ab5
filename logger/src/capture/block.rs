//! Cuts bytes into blocks. Pure: the caller owns the bytes and asks again with more.

use thiserror::Error;

use super::format::{
    BYTE_ORDER_MAGIC, ByteOrder, FRAMING_BYTES, LONGEST_BLOCK_BYTES, MAJOR_VERSION, kind,
};

/// One whole block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Block<'a> {
    /// Block type.
    pub(crate) kind: u32,
    /// What stands between the two lengths.
    pub(crate) body: &'a [u8],
    /// Byte order of the section it belongs to; a section header brings its own.
    pub(crate) order: ByteOrder,
    /// Whole length, framing included.
    pub(crate) length: usize,
}

/// What the front of some bytes holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Next<'a> {
    /// A whole block.
    Block(Block<'a>),
    /// The beginning of a block, good so far.
    NeedMore,
    /// No block: the file is damaged here.
    Bad(BadBlock),
}

/// Why a block cannot be read. Past such a place the block boundaries are lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum BadBlock {
    /// The length does not even hold the block's fixed part.
    #[error("the block length {0} is too small")]
    LengthTooSmall(u32),
    /// The length is not a multiple of four.
    #[error("the block length {0} is not a multiple of 4")]
    LengthNotAligned(u32),
    /// The length is above [`LONGEST_BLOCK_BYTES`].
    #[error("the block length {0} is above the bound of 16777216")]
    LengthTooLarge(u32),
    /// The length before the body and the one after it differ.
    #[error("the block length is {first} before the block and {last} after it")]
    LengthsDiffer {
        /// Length before the body.
        first: u32,
        /// Length after the body.
        last: u32,
    },
    /// The length leads past the end of the file although a shorter block ends here and is
    /// followed by another.
    #[error("the block length is {0}, but the block ends sooner")]
    EndsSooner(u32),
    /// A section header without its byte-order magic.
    #[error("a section begins here without its byte-order mark")]
    NoByteOrder,
    /// A section of another major version.
    #[error("a section of format version {0} begins here; only version 1 is known")]
    Version(u16),
    /// An interface description too short for its link type; later interfaces would be misnumbered.
    #[error("an interface description is too short")]
    ShortInterface,
    /// More interfaces than a bus index can number.
    #[error("there are more than 65536 interfaces")]
    TooManyInterfaces,
    /// The compressed stream is damaged.
    #[error("the zstd compression is damaged")]
    Compression,
}

impl BadBlock {
    /// How many bytes such a block has at its front before the zeros begin, if it is not damaged
    /// but was never finished: after a power cut, file systems leave zeros for what was not yet
    /// on the disk. `None` if zeros do not explain it.
    pub(crate) fn bytes_before_zeros(self) -> Option<usize> {
        match self {
            Self::LengthTooSmall(_) | Self::LengthNotAligned(_) => Some(8),
            Self::NoByteOrder => Some(12),
            Self::LengthsDiffer { first, last: 0 } => Some(first as usize - 4),
            _ => None,
        }
    }
}

/// The block at the front of `bytes`, in a section of byte order `order`.
pub(crate) fn next(bytes: &[u8], order: ByteOrder) -> Next<'_> {
    let Some(kind) = order.u32_at(bytes, 0) else {
        return Next::NeedMore;
    };
    let (order, smallest) = if kind == kind::SECTION_HEADER {
        match byte_order(bytes) {
            Some(Ok(order)) => (order, FRAMING_BYTES + 16),
            Some(Err(bad)) => return Next::Bad(bad),
            None => return Next::NeedMore,
        }
    } else {
        (order, FRAMING_BYTES)
    };
    let Some(first) = order.u32_at(bytes, 4) else {
        return Next::NeedMore;
    };
    if (first as usize) < smallest {
        return Next::Bad(BadBlock::LengthTooSmall(first));
    }
    if first % 4 != 0 {
        return Next::Bad(BadBlock::LengthNotAligned(first));
    }
    if first > LONGEST_BLOCK_BYTES {
        return Next::Bad(BadBlock::LengthTooLarge(first));
    }
    let length = first as usize;
    let Some(whole) = bytes.get(..length) else {
        return Next::NeedMore;
    };
    let last = order.u32_at(whole, length - 4).unwrap_or_default();
    if first != last {
        return Next::Bad(BadBlock::LengthsDiffer { first, last });
    }
    let body = whole.get(8..length - 4).unwrap_or_default();
    if kind == kind::SECTION_HEADER {
        let version = order.u16_at(body, 4).unwrap_or_default();
        if version != MAJOR_VERSION {
            return Next::Bad(BadBlock::Version(version));
        }
    }
    Next::Block(Block {
        kind,
        body,
        order,
        length,
    })
}

/// The byte order that a section header at the front of `bytes` states; `None` if it is not
/// there yet.
fn byte_order(bytes: &[u8]) -> Option<Result<ByteOrder, BadBlock>> {
    let magic: [u8; 4] = *bytes.get(8..)?.first_chunk()?;
    Some(match BYTE_ORDER_MAGIC {
        m if m == u32::from_le_bytes(magic) => Ok(ByteOrder::Little),
        m if m == u32::from_be_bytes(magic) => Ok(ByteOrder::Big),
        _ => Err(BadBlock::NoByteOrder),
    })
}

/// How far [`ends_sooner`] looks.
const LOOK_BYTES: usize = 64 << 10;

/// Whether the unfinished block at the front of a file's last bytes has a damaged length, not a
/// missing end: some shorter length stands where it should, and a known block follows.
///
/// A file that was cut shows neither, because what it has is one block's beginning.
pub(crate) fn ends_sooner(tail: &[u8], order: ByteOrder) -> bool {
    let tail = tail.get(..LOOK_BYTES.min(tail.len())).unwrap_or_default();
    (8..tail.len()).step_by(4).any(|at| {
        let length_fits = order
            .u32_at(tail, at)
            .is_some_and(|last| last as usize == at + 4);
        length_fits && follows(tail.get(at + 4..).unwrap_or_default(), order)
    })
}

/// Whether a known block with a length of its own stands at the front.
fn follows(bytes: &[u8], order: ByteOrder) -> bool {
    let known = order.u32_at(bytes, 0).is_some_and(|kind| {
        kind == kind::SECTION_HEADER || (1..=kind::ENHANCED_PACKET).contains(&kind)
    });
    known && matches!(next(bytes, order), Next::Block(_))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A section header, little-endian, as in the draft's section 4.1.
    const SECTION: [u8; 28] = [
        0x0a, 0x0d, 0x0d, 0x0a, 28, 0, 0, 0, 0x4d, 0x3c, 0x2b, 0x1a, 1, 0, 0, 0, 0xff, 0xff, 0xff,
        0xff, 0xff, 0xff, 0xff, 0xff, 28, 0, 0, 0,
    ];

    fn with(at: usize, value: u8) -> Vec<u8> {
        let mut bytes = SECTION.to_vec();
        bytes[at] = value;
        bytes
    }

    #[test]
    fn a_beginning_needs_more_and_the_whole_is_a_block() {
        for length in 0..SECTION.len() {
            assert_eq!(
                next(&SECTION[..length], ByteOrder::Big),
                Next::NeedMore,
                "{length}"
            );
        }
        let Next::Block(block) = next(&SECTION, ByteOrder::Big) else {
            panic!("no block")
        };
        assert_eq!(
            (block.kind, block.order),
            (kind::SECTION_HEADER, ByteOrder::Little)
        );
        assert_eq!((block.body, block.length), (&SECTION[8..24], 28));
    }

    #[test]
    fn each_damage_has_its_reason() {
        let bad = |bytes: &[u8]| match next(bytes, ByteOrder::Little) {
            Next::Bad(bad) => bad,
            other => panic!("{other:?}"),
        };
        assert_eq!(bad(&with(4, 24)), BadBlock::LengthTooSmall(24));
        assert_eq!(bad(&with(4, 30)), BadBlock::LengthNotAligned(30));
        assert_eq!(bad(&with(7, 2)), BadBlock::LengthTooLarge(28 + (2 << 24)));
        assert_eq!(
            bad(&with(24, 32)),
            BadBlock::LengthsDiffer {
                first: 28,
                last: 32
            }
        );
        assert_eq!(bad(&with(8, 0)), BadBlock::NoByteOrder);
        assert_eq!(bad(&with(12, 2)), BadBlock::Version(2));
    }

    #[test]
    fn a_damaged_length_is_told_from_a_missing_end() {
        let mut two = SECTION.to_vec();
        two.extend(SECTION);
        assert!(ends_sooner(&two, ByteOrder::Little));
        assert!(!ends_sooner(&SECTION, ByteOrder::Little));
    }
}
