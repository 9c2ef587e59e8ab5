//! Wheel speeds wherever senders put them: spread over frames, by turns, and beside what flips as often.

use super::super::made_drive::{Drive, at, put};
use super::super::{FindOptions, Findings, Survey, find};
use crate::field::BitOrder::{self, Big, Little};

/// The wheels of one frame, each with its first bit.
type Frame<'a> = (u32, &'a [(usize, u16)]);

/// Sends frames of wheel speeds every 10 ms, and what `beside` adds to frame number n of each.
fn sent(
    seed: u64,
    (length, order, step_kmh): (u8, BitOrder, f64),
    frames: &[Frame<'_>],
    beside: impl Fn(usize, usize, &mut [u8; 8]),
) -> Findings {
    let mut drive = Drive::of_seed(seed);
    let mut survey = Survey::new();
    drive.send_the_rest(&mut survey);
    let mut ids: Vec<u32> = frames.iter().map(|(id, _)| *id).collect();
    ids.dedup();
    for id in ids {
        // Frames of one identifier come by turns.
        let own: Vec<&Frame<'_>> = frames.iter().filter(|(of, _)| *of == id).collect();
        drive.send(&mut survey, id, 0.01, |drive, n, t, data| {
            let turn = n % own.len();
            for &(wheel, start) in own[turn].1 {
                let raw = 3.6 * at(&drive.wheels[wheel], t) / step_kmh;
                put(data, (start, length), order, raw);
            }
            beside(n, turn, data);
        });
    }
    let options = FindOptions {
        speed: Some(drive.reference(10.0, 0.2)),
        ..FindOptions::default()
    };
    find(survey, &options)
}

/// Identifier and first bit of each wheel that was found.
fn places(findings: &Findings) -> Vec<(u32, u16)> {
    let wheels = findings.proposals.iter();
    let wheels = wheels.filter(|p| p.meaning.is_wheel_speed());
    let mut places: Vec<(u32, u16)> = wheels.map(|p| (p.id.number(), p.field.start())).collect();
    places.sort_unstable();
    places
}

fn check(findings: &Findings, frames: &[Frame<'_>]) {
    let put = frames
        .iter()
        .flat_map(|(id, wheels)| wheels.iter().map(|(_, start)| (*id, *start)));
    let mut put: Vec<(u32, u16)> = put.collect();
    put.sort_unstable();
    assert_eq!(places(findings), put, "{:?}", findings.wheels);
}

#[test]
fn wheels_are_found_however_they_are_spread_over_frames() {
    let layouts: [&[Frame<'_>]; 2] = [
        &[(0x120, &[(1, 0), (2, 16), (0, 32)]), (0x2A4, &[(3, 16)])],
        &[
            (0x120, &[(0, 0)]),
            (0x131, &[(1, 16)]),
            (0x2A4, &[(2, 32)]),
            (0x2A5, &[(3, 40)]),
        ],
    ];
    for (seed, frames) in (901..).zip(layouts) {
        for order in [Big, Little] {
            let findings = sent(seed, (16, order, 0.01), frames, |_, _, _| {});
            check(&findings, frames);
        }
    }
}

#[test]
fn the_byte_of_an_exclusive_or_is_not_a_wheels_low_byte() {
    let frames: &[Frame<'_>] = &[(0x120, &[(0, 8), (3, 24)]), (0x121, &[(1, 8), (2, 24)])];
    let findings = sent(911, (16, Big, 0.01), frames, |n, _, data| {
        data[7] = (n % 16) as u8;
        data[5] = data.iter().fold(0x5A, |sum, v| sum ^ v);
    });
    check(&findings, frames);
}

#[test]
fn the_bits_that_tell_contents_apart_may_lie_anywhere() {
    let frames: &[Frame<'_>] = &[(0x120, &[(0, 32), (1, 8)]), (0x120, &[(2, 24), (3, 8)])];
    let findings = sent(921, (16, Little, 0.01), frames, |n, turn, data| {
        data[0] = (n % 16) as u8;
        data[6] = turn as u8;
    });
    check(&findings, frames);
}

/// What lies right behind a number and flips at random looks like its lowest bits, until three others of its
/// format stand beside it.
#[test]
fn noise_behind_a_wheel_is_no_part_of_it() {
    let frames: &[Frame<'_>] = &[(0x120, &[(0, 0), (1, 12), (2, 24), (3, 36)])];
    let findings = sent(931, (12, Big, 0.1), frames, |n, _, data| {
        data[6] = (n as u32).wrapping_mul(0x9E37_79B1).rotate_left(9) as u8;
    });
    check(&findings, frames);
}
