//! Whether the wheels are where the decoder file says. In a tight turn the outer wheels of both axles are the
//! faster, the front axle takes the longer way, and the yaw rate has the sign of the rear wheels' difference
//! (definitions 2 and 3). A file with wheels exchanged decodes as well as the right one, and its slip is
//! false.

use slipwright_decoders::role::Role;

use super::ReadinessFinding;
use super::plausible::wheels_at;
use crate::drive::Drive;
use crate::vehicle::Vehicle;

/// Turns are looked at between these speeds, m/s: slower the sensors tell little, faster they are wide.
const SPEEDS_MPS: [f64; 2] = [1.5, 9.0];
/// A turn is clear from this difference of an axle's wheels on, as a share of their speed.
const CLEAR_SHARE: f64 = 0.08;
/// Fewest samples of clear turns.
const LEAST: usize = 100;
/// From this share of them on that say so a wheel or a sign is exchanged.
const MOSTLY: f64 = 0.8;
/// The front axle's longer way, as a share of what geometry lets expect: about one in a right file, and
/// less than this below nought with the axles exchanged.
const AXLES_BELOW: f64 = -0.4;
/// Wheelbase over track of a car whose size is not known. Common practice, no source.
const USUAL_BASE_TO_TRACK: f64 = 1.75;

#[derive(Default)]
struct Turns {
    samples: usize,
    /// Samples in which the axles' wheels differ the opposite way.
    against: usize,
    /// Samples with a yaw rate, and those in which it has the other sign.
    with_yaw: usize,
    other_sign: usize,
    /// Sums of expected times seen, and of expected squared.
    seen: f64,
    expected: f64,
}

pub(super) fn finding(drive: &Drive, vehicle: &Vehicle) -> Option<ReadinessFinding> {
    let turns = turns(drive, vehicle);
    if turns.samples < LEAST {
        return None;
    }
    let share = |n: usize, of: usize| n as f64 / of.max(1) as f64;
    let sides = share(turns.against, turns.samples);
    let (what, evidence) = if sides > MOSTLY {
        (
            "left and right of one axle",
            format!(
                "in {:.0} % of the clear turns the wheels of front and rear axle differ the opposite way",
                100.0 * sides
            ),
        )
    } else if turns.seen < AXLES_BELOW * turns.expected {
        (
            "front and rear axle",
            "in tight turns the rear axle takes the longer way".to_owned(),
        )
    } else if turns.with_yaw >= LEAST && share(turns.other_sign, turns.with_yaw) > MOSTLY {
        (
            "left and right, or the sign of the yaw rate,",
            format!(
                "in {:.0} % of the clear turns the yaw rate has the other sign than the rear wheels' difference; it is positive to the left",
                100.0 * share(turns.other_sign, turns.with_yaw)
            ),
        )
    } else {
        return None;
    };
    Some(ReadinessFinding {
        what: "wheels_exchanged",
        why: format!(
            "The decoder file has {what} exchanged: slip would be false. Exchange them there, and look again."
        ),
        evidence: vec![evidence],
        blocking: true,
    })
}

fn turns(drive: &Drive, vehicle: &Vehicle) -> Turns {
    let yaw = drive.channel(Role::BodyYawRate).ok();
    let g = &vehicle.geometry;
    let base_to_track = match (g.wheelbase_m, g.track_rear_m) {
        (Some(base), Some(track)) if track > 0.0 => base / track,
        _ => USUAL_BASE_TO_TRACK,
    };
    let mut turns = Turns::default();
    for (i, &t_ns) in drive.base_ns().iter().enumerate() {
        let [Some(fl), Some(fr), Some(rl), Some(rr)] = wheels_at(drive, i) else {
            continue;
        };
        let (front, rear) = (0.5 * (fl + fr), 0.5 * (rl + rr));
        let middle = 0.5 * (front + rear);
        if !(SPEEDS_MPS[0]..SPEEDS_MPS[1]).contains(&middle) {
            continue;
        }
        let (of_front, of_rear) = ((fr - fl) / middle, (rr - rl) / middle);
        if of_front.abs().min(of_rear.abs()) < CLEAR_SHARE {
            continue;
        }
        turns.samples += 1;
        turns.against += usize::from(of_front * of_rear < 0.0);
        // The front axle's way over the rear's, by the smaller of the differences.
        let bend = of_front.abs().min(of_rear.abs()) * base_to_track;
        let expected = bend.hypot(1.0) - 1.0;
        turns.seen += expected * (front - rear) / middle;
        turns.expected += expected * expected;
        if let Some(rate) = yaw.and_then(|yaw| yaw.at(t_ns)) {
            turns.with_yaw += 1;
            turns.other_sign += usize::from(rate * of_rear < 0.0);
        }
    }
    turns
}
