//! Where the wheels of an engagement were not seen: stretches without slip because a wheel's readings
//! are lost, not because the car is too slow for its sensors.

use std::ops::Range;

use slipwright_decoders::role::Role;

use crate::drive::{Drive, seconds_between};
use crate::engagement::SlipTrace;

/// A gap no longer than this, or than so many sample intervals, is bridged by what is beside it, s.
const SHORT_S: f64 = 0.04;
const SHORT_INTERVALS: f64 = 3.5;

/// Faster than this every wheel sensor tells something, m/s.
const ROLLS_MPS: f64 = 1.5;

/// A stretch without slip.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Unseen {
    /// Last sample with slip before it, if any lies in the range, and the first after.
    pub(super) before: Option<usize>,
    pub(super) after: usize,
    /// How long nothing was seen, s.
    pub(super) long_s: f64,
    /// Whose readings are lost.
    pub(super) role: Role,
}

/// The stretches within a range of the base, in order. What comes before the wheels turn fast enough
/// is none, nor what comes after the last sample with slip.
pub(super) fn unseen(drive: &Drive, trace: &SlipTrace<'_>, range: Range<usize>) -> Vec<Unseen> {
    let base = drive.base_ns();
    let interval_s = base
        .get(range.clone())
        .map(|t| t.windows(2).map(|w| seconds_between(w[0], w[1])))
        .map_or(0.0, |steps| steps.reduce(f64::min).unwrap_or(0.0));
    let long = SHORT_S.max(SHORT_INTERVALS * interval_s);
    let mut found = Vec::new();
    let mut before = None;
    // From where on nothing is known of slip, and whose readings are lost there.
    let mut from = range.start.saturating_sub(1);
    let mut lost = None;
    for i in range.start..range.end.min(base.len()) {
        if i > from && !drive.base_joined(i - 1) {
            lost = lost.or(Some(drive.base_role()));
        }
        if trace.slip_mps(i).is_none() {
            // Sensors that tell nothing at a standstill are not lost.
            let seen = before.is_some() || rolls(drive, i);
            lost = lost.or_else(|| lost_wheel(drive, i).filter(|_| seen));
            continue;
        }
        if let Some(role) = lost.take() {
            let long_s = seconds_between(base[from], base[i]);
            if long_s > long {
                found.push(Unseen {
                    before,
                    after: i,
                    long_s,
                    role,
                });
            }
        }
        before = Some(i);
        from = i;
    }
    found
}

/// Whether the car rolls: three wheels do. Two may spin while the others still stand.
fn rolls(drive: &Drive, i: usize) -> bool {
    let wheels = drive.wheel_mps().iter().flatten();
    let rolling = wheels.filter(|wheel| wheel.get(i).is_some_and(|v| v > ROLLS_MPS));
    rolling.count() >= 3
}

/// A wheel without a reading at a sample.
pub(super) fn lost_wheel(drive: &Drive, i: usize) -> Option<Role> {
    let wheels = Role::WHEELS.into_iter().zip(drive.wheel_mps());
    let mut lost =
        wheels.filter(|(_, column)| column.as_ref().is_ok_and(|column| column.get(i).is_none()));
    lost.next().map(|(role, _)| role)
}
