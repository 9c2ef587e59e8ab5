//! Wheel speeds that no wheel can have: readings that jump away and back within a moment, and readings
//! that stood still and then jump to where the wheel has gone meanwhile. A sensor, a plug or a unit
//! that fails for moments makes them; taken for speed they would be slip, or hide it. Only what one wheel
//! does alone counts: what two do together is not their sensors'.
//!
//! A wheel's speed changes by what torque its inertia sees. Driven or rolling, the driveline turns with
//! it; only a brake stops it alone, within some hundredths of a second. Limits are common practice, no
//! source.

use std::ops::Range;

use slipwright_decoders::role::Role;

use super::channel::{Channel, at_seconds, seconds_between};
use super::pedals::pressed_above;
use crate::number;

/// Fastest change of a wheel that is not braked, m/s².
const DRIVEN_MPS2: f64 = 100.0;
/// Fastest change of a wheel that a brake stops or lets go, m/s².
const BRAKED_MPS2: f64 = 300.0;
/// Smallest jump away from the wheel's speed and back, m/s: below, sensors drop out at low speed.
const LEAST_JUMP_MPS: f64 = 2.0;
/// Longest time away, s.
const LONGEST_AWAY_S: f64 = 1.0;
/// After that a wheel comes back to where it was, give or take this speed and this acceleration.
const BACK_MPS: f64 = 1.0;
const BACK_MPS2: f64 = 10.0;
/// A reading that stands for this long and this many samples, s, and then jumps by this much, m/s, was
/// not the wheel's.
const STOOD_S: f64 = 0.3;
const STOOD_SAMPLES: usize = 5;
const LEAST_JUMP_AFTER_MPS: f64 = 1.0;
/// Another wheel changes with this one if it does by this share of it.
const ALIKE: f64 = 0.4;
/// At a standstill sensors tell nothing, m/s.
const STANDSTILL_MPS: f64 = 0.3;
/// The other wheels show over this time before and after whether the car is braked, s.
const LOOK_S: f64 = 0.25;
/// Slowing down by more than this, m/s², the car may be braked.
const SLOWING_MPS2: f64 = 0.5;

/// How readings fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    /// They jump away and back.
    Away,
    /// They stand still and jump after.
    Stood,
}

/// Readings of one wheel that cannot be true.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct WheelFault {
    /// The wheel.
    pub(crate) role: Role,
    /// How they fail.
    pub(crate) fault: Fault,
    /// First and last of the times of one such run, ns since the epoch.
    pub(crate) runs_ns: Vec<(i64, i64)>,
    /// How many readings.
    pub(crate) readings: usize,
}

impl WheelFault {
    /// Of one kind; `None` if there are none.
    pub(super) fn of(
        wheel: &Channel,
        fault: Fault,
        found: &[(Fault, Range<usize>)],
    ) -> Option<Self> {
        let ranges: Vec<&Range<usize>> = found
            .iter()
            .filter(|(kind, _)| *kind == fault)
            .map(|(_, range)| range)
            .collect();
        (!ranges.is_empty()).then(|| Self {
            role: wheel.role,
            fault,
            runs_ns: ranges
                .iter()
                .map(|range| (wheel.t_ns()[range.start], wheel.t_ns()[range.end - 1]))
                .collect(),
            readings: ranges.iter().map(|range| range.len()).sum(),
        })
    }

    /// What was seen, as the end of a sentence.
    pub(crate) fn seen(&self) -> String {
        let times = number::times(self.runs_ns.len());
        match self.fault {
            Fault::Away => format!("jumps away and back {times} as no wheel can"),
            Fault::Stood => {
                format!("stands still {times} and then jumps to where the wheel has gone meanwhile")
            }
        }
    }

    /// A warning.
    pub(super) fn sentence(&self) -> String {
        let readings = match self.readings {
            1 => "this reading counts".to_owned(),
            n => format!("{n} readings count"),
        };
        format!(
            "{} {}; {readings} as missing. Look at its sensor, plug and wire.",
            self.role,
            self.seen()
        )
    }
}

/// Readings of a wheel that cannot be true, as ranges of its samples, in order and apart.
pub(super) fn implausible(
    wheel: &Channel,
    others: &[&Channel],
    brake: Option<&Channel>,
) -> Vec<(Fault, Range<usize>)> {
    let scan = Scan {
        wheel,
        others,
        brake: brake.map(|brake| (brake, pressed_above(brake))),
    };
    let mut found: Vec<(Fault, Range<usize>)> = Vec::new();
    let mut free_from = 0;
    let mut stood_from = 0;
    for i in 1..wheel.value().len() {
        let (before, here) = (wheel.value()[i - 1], wheel.value()[i]);
        if !wheel.joined(i - 1) {
            stood_from = i;
            continue;
        }
        if here == before {
            continue;
        }
        let stood = std::mem::replace(&mut stood_from, i);
        if i <= free_from || (here - before).abs() < LEAST_JUMP_AFTER_MPS || !scan.alone(i) {
            continue;
        }
        if let Some(back) = scan.back(i) {
            found.push((Fault::Away, i..back));
            free_from = back;
        } else if scan.stood(stood, i) {
            found.push((Fault::Stood, stood + 1..i));
        }
    }
    found
}

struct Scan<'a> {
    wheel: &'a Channel,
    others: &'a [&'a Channel],
    brake: Option<(&'a Channel, f64)>,
}

impl Scan<'_> {
    fn seconds(&self, from: usize, to: usize) -> f64 {
        seconds_between(self.wheel.t_ns()[from], self.wheel.t_ns()[to])
    }

    /// Whether the wheel's reading changes to sample `i` as no wheel can.
    fn jumps(&self, i: usize, least_mps: f64, fastest_mps2: f64) -> bool {
        let change = (self.wheel.value()[i] - self.wheel.value()[i - 1]).abs();
        self.wheel.joined(i - 1) && change > least_mps.max(fastest_mps2 * self.seconds(i - 1, i))
    }

    /// Whether no other wheel's reading changes with this one's to sample `i`.
    fn alone(&self, i: usize) -> bool {
        let change = self.wheel.value()[i] - self.wheel.value()[i - 1];
        let (from_ns, to_ns) = (self.wheel.t_ns()[i - 1], self.wheel.t_ns()[i]);
        let beside = to_ns.saturating_sub(from_ns);
        !self.others.iter().any(|other| {
            let at = |t_ns: i64| other.at(t_ns);
            let ends = at(from_ns.saturating_sub(beside)).zip(at(to_ns.saturating_add(beside)));
            ends.is_some_and(|(from, to)| (to - from) / change > ALIKE)
        })
    }

    /// The sample at which a reading that jumps away at sample `i` is back.
    fn back(&self, i: usize) -> Option<usize> {
        if !self.jumps(i, LEAST_JUMP_MPS, DRIVEN_MPS2) {
            return None;
        }
        let before = self.wheel.value()[i - 1];
        let back = (i + 1..self.wheel.value().len())
            .take_while(|&k| self.wheel.joined(k - 1) && self.seconds(i, k) <= LONGEST_AWAY_S)
            .find(|&k| {
                let away = BACK_MPS + BACK_MPS2 * self.seconds(i - 1, k);
                (self.wheel.value()[k] - before).abs() <= away
                    && self.jumps(k, LEAST_JUMP_MPS, DRIVEN_MPS2)
            })?;
        let braked = self.may_be_braked(i - 1, back);
        let both = |fastest| {
            self.jumps(i, LEAST_JUMP_MPS, fastest) && self.jumps(back, LEAST_JUMP_MPS, fastest)
        };
        (!braked || both(BRAKED_MPS2)).then_some(back)
    }

    /// Whether the reading stood still from sample `from` up to the jump at sample `i`.
    fn stood(&self, from: usize, i: usize) -> bool {
        let fastest = match self.may_be_braked(i - 1, i) {
            true => BRAKED_MPS2,
            false => DRIVEN_MPS2,
        };
        i - from >= STOOD_SAMPLES
            && self.seconds(from, i) >= STOOD_S
            && self.wheel.value()[from] > STANDSTILL_MPS
            && self.jumps(i, LEAST_JUMP_AFTER_MPS, fastest)
    }

    /// Whether the brake is pressed between two samples, or not known to be free where the other wheels
    /// slow down.
    fn may_be_braked(&self, from: usize, to: usize) -> bool {
        let (from_ns, to_ns) = (self.wheel.t_ns()[from], self.wheel.t_ns()[to]);
        if let Some((brake, limit)) = self.brake {
            let within = &brake.value()[brake.range(from_ns, to_ns)];
            let held = brake
                .held_at(from_ns)
                .into_iter()
                .chain(brake.held_at(to_ns));
            return within.iter().copied().chain(held).any(|v| v > limit);
        }
        let slowing = |other: &&Channel| {
            let (from_ns, to_ns) = (at_seconds(from_ns, -LOOK_S), at_seconds(to_ns, LOOK_S));
            let change = other.at(to_ns)? - other.at(from_ns)?;
            Some(-change / seconds_between(from_ns, to_ns))
        };
        let slowing: Vec<f64> = self.others.iter().filter_map(slowing).collect();
        // Nothing tells.
        slowing.is_empty() || slowing.iter().sum::<f64>() > SLOWING_MPS2 * slowing.len() as f64
    }
}

#[cfg(test)]
mod tests;
