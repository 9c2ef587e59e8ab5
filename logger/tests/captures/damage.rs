//! Captures that are cut, damaged, or no captures: read as far as they go, never further.

use std::io::Read;
use std::ops::ControlFlow;

use proptest::prelude::*;
use slipwright_logger::capture::{
    BadBlock, ByteOrder, Ending, LONGEST_BLOCK_BYTES, Problem, read_stream,
};

use crate::files::{Builder, Told, classic, everything, told, told_in_pieces};

/// Where the blocks of a good capture end.
fn block_ends(bytes: &[u8], order: ByteOrder) -> Vec<usize> {
    let mut ends = vec![0];
    while let Some(&at) = ends.last().filter(|&&at| at < bytes.len()) {
        let length: [u8; 4] = bytes[at + 4..at + 8].try_into().unwrap();
        ends.push(
            at + match order {
                ByteOrder::Little => u32::from_le_bytes(length),
                ByteOrder::Big => u32::from_be_bytes(length),
            } as usize,
        );
    }
    ends
}

#[test]
fn a_capture_cut_at_any_byte_is_read_up_to_its_last_whole_block() {
    for order in [ByteOrder::Little, ByteOrder::Big] {
        let bytes = everything(order).bytes;
        let ends = block_ends(&bytes, order);
        for length in 1..=bytes.len() {
            let cut = &bytes[..length];
            let offset = ends
                .iter()
                .copied()
                .filter(|&end| end <= length)
                .max()
                .unwrap();
            let (all, summary) = told(cut);
            let summary = summary.unwrap();
            let ending = match offset == length {
                true => Ending::Whole,
                false => Ending::Cut {
                    offset: offset as u64,
                },
            };
            assert_eq!(summary.ending, ending, "cut at {length}");
            assert_eq!(summary.bytes, offset as u64, "cut at {length}");
            if offset > 0 {
                assert_eq!(told(&bytes[..offset]).0, all, "cut at {length}");
            } else {
                assert_eq!(all, [], "cut at {length}");
            }
            let (streamed, same) = told_in_pieces(cut, 7);
            assert_eq!((streamed, same.unwrap()), (all, summary), "cut at {length}");
        }
    }
}

#[test]
fn a_packed_capture_cut_at_any_byte_gives_what_can_be_unpacked() {
    let bytes = everything(ByteOrder::Little).bytes;
    let whole = told(&bytes).0;
    let packed = zstd::encode_all(&bytes[..], 3).unwrap();
    for length in 1..packed.len() {
        match told_in_pieces(&packed[..length], 5) {
            (all, Ok(summary)) => {
                assert!(
                    matches!(summary.ending, Ending::Cut { .. }),
                    "cut at {length}"
                );
                assert!(whole.starts_with(&all), "cut at {length}");
            }
            // Fewer bytes than the mark of zstd itself.
            (_, Err(Problem::NotACapture(_))) => assert!(length < 4, "cut at {length}"),
            (_, Err(problem)) => panic!("cut at {length}: {problem}"),
        }
    }
    // Of a longer one, the blocks of zstd before the cut are there.
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[]).bus("can0");
    let mut noise = 1u32;
    for n in 0..20_000 {
        noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        file.packet(0, n, &classic(noise >> 21, &noise.to_be_bytes()), &[]);
    }
    let packed = zstd::encode_all(&file.bytes[..], 1).unwrap();
    let (all, summary) = told_in_pieces(&packed[..packed.len() * 3 / 4], 1 << 20);
    assert!(matches!(summary.unwrap().ending, Ending::Cut { .. }));
    assert!(all.len() > 10_000, "{} events", all.len());
    assert!(told(&file.bytes).0.starts_with(&all));
}

#[test]
fn damage_in_the_packing_is_told_and_what_was_before_it_is_read() {
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[]).bus("can0");
    for n in 0..20_000 {
        file.packet(
            0,
            n * n,
            &classic((n % 0x800) as u32, &n.to_be_bytes()),
            &[],
        );
    }
    let mut encoder = zstd::Encoder::new(Vec::new(), 1).unwrap();
    encoder.include_checksum(true).unwrap();
    std::io::copy(&mut &file.bytes[..], &mut encoder).unwrap();
    let packed = encoder.finish().unwrap();
    for at in [packed.len() / 2, packed.len() - 2] {
        let mut packed = packed.clone();
        packed[at] ^= 0xFF;
        let (all, summary) = told_in_pieces(&packed, 1 << 16);
        let ending = summary.unwrap().ending;
        assert!(
            matches!(ending, Ending::Damaged { .. }),
            "byte {at} of {} changed: {ending:?}",
            packed.len()
        );
        assert!(all.len() > 2, "byte {at} changed");
    }
    // Something that is not zstd stands behind it.
    let mut packed = packed.clone();
    packed.extend(b"garbage");
    let (all, summary) = told_in_pieces(&packed, 1 << 16);
    let offset = file.bytes.len() as u64;
    assert_eq!(
        summary.unwrap().ending,
        Ending::Damaged {
            offset,
            reason: BadBlock::Compression
        }
    );
    assert_eq!(all, told(&file.bytes).0);
}

#[test]
fn a_damaged_length_is_told_with_its_place_and_all_before_it_is_read() {
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[]).bus("can0");
    for n in 0..10 {
        file.packet(0, n, &classic(n as u32, &[]), &[]);
    }
    let offset = file.bytes.len() - 5 * 48;
    for (length, reason) in [
        (0u32, BadBlock::LengthTooSmall(0)),
        (47, BadBlock::LengthNotAligned(47)),
        (44, BadBlock::LengthsDiffer { first: 44, last: 0 }),
        (52, BadBlock::LengthsDiffer { first: 52, last: 6 }),
        (
            96,
            BadBlock::LengthsDiffer {
                first: 96,
                last: 48,
            },
        ),
        // Beyond the end of the file: a cut, were it not for the good blocks behind it.
        (1000, BadBlock::EndsSooner(1000)),
        (0x00FF_FFF0, BadBlock::EndsSooner(0x00FF_FFF0)),
        (0x0100_0004, BadBlock::LengthTooLarge(0x0100_0004)),
        (u32::MAX - 3, BadBlock::LengthTooLarge(u32::MAX - 3)),
    ] {
        let mut bytes = file.bytes.clone();
        bytes[offset + 4..offset + 8].copy_from_slice(&length.to_le_bytes());
        let (all, summary) = told(&bytes);
        let summary = summary.unwrap();
        let offset = offset as u64;
        assert_eq!(
            summary.ending,
            Ending::Damaged { offset, reason },
            "{length}"
        );
        assert_eq!(summary.frames, 5, "{length}");
        let (streamed, same) = told_in_pieces(&bytes, 50);
        assert_eq!((streamed, same.unwrap()), (all, summary), "{length}");
    }
}

#[test]
fn zeros_after_the_last_block_are_a_cut() {
    for zeros in [1, 4, 11, 12, 5000, 1 << 20] {
        let mut bytes = everything(ByteOrder::Little).bytes;
        let offset = bytes.len() as u64;
        bytes.resize(bytes.len() + zeros, 0);
        assert_eq!(
            told(&bytes).1.unwrap().ending,
            Ending::Cut { offset },
            "{zeros}"
        );
        let streamed = told_in_pieces(&bytes, 1 << 16).1.unwrap();
        assert_eq!(streamed.ending, Ending::Cut { offset }, "{zeros}");
    }
    // Zeros may begin anywhere: then the block that they end is the unfinished one.
    for order in [ByteOrder::Little, ByteOrder::Big] {
        let good = everything(order).bytes;
        let ends = block_ends(&good, order);
        for length in 4..good.len() {
            let mut bytes = good[..length].to_vec();
            bytes.resize(good.len() + 5000, 0);
            // A zero may have been one before.
            let whole = ends
                .iter()
                .filter(|&&end| bytes[..end] == good[..end])
                .max()
                .unwrap();
            let (all, summary) = told(&bytes);
            let summary = summary.unwrap();
            let offset = *whole as u64;
            assert_eq!(
                summary.ending,
                Ending::Cut { offset },
                "zeros from {length}"
            );
            if offset > 0 {
                assert_eq!(all, told(&good[..*whole]).0, "zeros from {length}");
            }
            let (streamed, same) = told_in_pieces(&bytes, 500);
            assert_eq!(
                (streamed, same.unwrap()),
                (all, summary),
                "zeros from {length}"
            );
        }
    }
    // One other byte, and it is damage.
    let mut bytes = everything(ByteOrder::Little).bytes;
    let offset = bytes.len() as u64;
    bytes.resize(bytes.len() + (1 << 20), 0);
    bytes.push(1);
    let damaged = Ending::Damaged {
        offset,
        reason: BadBlock::LengthTooSmall(0),
    };
    assert_eq!(told(&bytes).1.unwrap().ending, damaged);
    assert_eq!(told_in_pieces(&bytes, 1 << 16).1.unwrap().ending, damaged);
}

/// A source that notes how much it is asked for.
struct Noting<'a> {
    bytes: &'a [u8],
    most: &'a mut usize,
}

impl Read for Noting<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        *self.most = buffer.len().max(*self.most);
        self.bytes.read(buffer)
    }
}

#[test]
fn a_huge_length_in_a_small_file_asks_for_no_memory() {
    let mut bytes = everything(ByteOrder::Little).bytes;
    bytes.extend(6u32.to_le_bytes());
    bytes.extend(LONGEST_BLOCK_BYTES.to_le_bytes());
    bytes.extend([7; 1000]);
    let mut most = 0;
    let source = Noting {
        bytes: &bytes,
        most: &mut most,
    };
    let summary = read_stream(source, |_| ControlFlow::Continue(())).unwrap();
    assert!(matches!(summary.ending, Ending::Cut { .. }));
    assert!(most <= 256 << 10, "{most}");
}

#[test]
fn the_longest_block_is_read_and_a_longer_one_is_not() {
    for (extra, is_read) in [(0, true), (4, false)] {
        let mut file = Builder::default();
        file.section(ByteOrder::Little, &[]).bus("can0");
        let offset = file.bytes.len() as u64;
        file.block(
            0x0BAD,
            &vec![0xAA; LONGEST_BLOCK_BYTES as usize - 12 + extra],
        );
        file.packet(0, 1, &classic(1, &[]), &[]);
        for (all, summary) in [told(&file.bytes), told_in_pieces(&file.bytes, usize::MAX)] {
            let ending = summary.unwrap().ending;
            if is_read {
                assert_eq!((all.len(), ending), (3, Ending::Whole));
            } else {
                let reason = BadBlock::LengthTooLarge(LONGEST_BLOCK_BYTES + 4);
                assert_eq!((all.len(), ending), (2, Ending::Damaged { offset, reason }));
            }
        }
    }
}

#[test]
fn more_interfaces_than_can_be_numbered_are_refused() {
    let mut file = Builder::default();
    file.section(ByteOrder::Little, &[]);
    for _ in 0..65_536 {
        file.interface(227, &[]);
    }
    file.packet(65_535, 1, &classic(1, &[]), &[]);
    let offset = file.bytes.len() as u64;
    file.interface(227, &[]);
    let summary = told(&file.bytes).1.unwrap();
    let reason = BadBlock::TooManyInterfaces;
    assert_eq!(
        (summary.frames, summary.ending),
        (1, Ending::Damaged { offset, reason })
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// Whatever comes, reading ends, without a panic, and both ways of reading agree.
    #[test]
    fn any_bytes_are_survived(mut bytes in proptest::collection::vec(any::<u8>(), 0..300), kind in 0..3u8, piece in 1usize..60) {
        // Most files are no captures, so help the others past the door.
        let head = everything(ByteOrder::Big).bytes;
        let head = &head[..match kind { 0 => 0, 1 => 12, _ => head.len() }];
        bytes.splice(0..0, head.iter().copied());
        same_both_ways(&bytes, piece);
    }

    /// A good capture with some bytes changed.
    #[test]
    fn changed_bytes_are_survived(
        big: bool,
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..5),
        piece in 1usize..60,
    ) {
        let order = if big { ByteOrder::Big } else { ByteOrder::Little };
        let good = everything(order).bytes;
        let mut bytes = good.clone();
        let mut first = bytes.len();
        for (at, byte) in &changes {
            let at = at.index(bytes.len());
            bytes[at] = *byte;
            first = first.min(at);
        }
        let all = same_both_ways(&bytes, piece);
        // Blocks before the first change are read as they were.
        let whole = block_ends(&good, order).into_iter().filter(|&end| end <= first).max();
        if let Some(whole) = whole.filter(|&whole| whole > 0) {
            let before = told(&good[..whole]).0;
            prop_assert!(all.starts_with(&before));
        }
    }

    /// The same of a packed one.
    #[test]
    fn changed_packed_bytes_are_survived(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..5),
    ) {
        let mut packed = zstd::encode_all(&everything(ByteOrder::Little).bytes[..], 3).unwrap();
        for (at, byte) in &changes {
            let at = at.index(packed.len());
            packed[at] = *byte;
        }
        let _ = told_in_pieces(&packed, 11);
    }
}

fn same_both_ways(bytes: &[u8], piece: usize) -> Vec<Told> {
    let (all, summary) = told(bytes);
    let (streamed, same) = told_in_pieces(bytes, piece);
    // Streams are unpacked as well, which bytes in memory are not.
    if !bytes.starts_with(&[0x28, 0xB5, 0x2F, 0xFD]) {
        assert_eq!(streamed, all);
        match (summary, same) {
            (Ok(summary), Ok(same)) => assert_eq!(summary, same),
            (Err(problem), Err(same)) => assert_eq!(problem.to_string(), same.to_string()),
            (summary, same) => panic!("{summary:?} and {same:?}"),
        }
    }
    all
}
