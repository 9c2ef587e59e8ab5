//! The event that times are counted from (definition 6): half of demand's own step.

use std::ops::Range;

use crate::closing::{Closing, Closings};
use crate::drive::{Channel, at_seconds, seconds_between};
use crate::robust::median;
use crate::transition::{Plateau, first_plateau, last_plateau, middle_crossing};

/// A jump from one frame to the next that makes up this share of demand's step is an ideal step: the
/// frame that first carries it is the event. A control unit works in steps of its own period, so
/// there is nothing between two such frames to interpolate. A ramp over more than two frames makes
/// no such jump.
const JUMP_SHARE: f64 = 0.5;

/// How far back the released level is looked at, s.
const LOOK_BACK_S: f64 = 1.0;

/// Demand's (or pressure's) own step within one closing.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Step {
    /// Level before.
    pub(super) low: f64,
    /// Level of the first plateau.
    pub(super) high: f64,
    /// When half of the step was crossed, ns.
    pub(super) half_ns: i64,
    /// Standard uncertainty of that, s; 0 for an ideal step, whose frame is the event.
    pub(super) u_s: f64,
    /// End of the first plateau, ns.
    pub(super) plateau_end_ns: i64,
    /// Start of the final fall, ns.
    pub(super) release_ns: i64,
}

/// The step of a closing. `None` where its rise lies across a gap.
pub(super) fn step(
    channel: &Channel,
    all: &Closings,
    closing: &Closing,
    after_ns: i64,
) -> Option<Step> {
    let (t, value) = (channel.t_ns(), channel.value());
    let Range { start, end } = closing.range;
    let from_ns = after_ns.max(at_seconds(*t.get(start)?, -LOOK_BACK_S));
    let before = channel.range(from_ns, t[start].saturating_sub(1));
    let low = median(&value[before.clone()]).unwrap_or(all.released);
    let times: Vec<f64> = t[start..end]
        .iter()
        .map(|&s| seconds_between(t[start], s))
        .collect();
    let held = &value[start..end];
    let Plateau { range, level: high } =
        first_plateau(&times, held, low, 0, held.len(), all.noise)?;
    let last = last_plateau(&times, held, low, range.start, held.len(), all.noise)?;
    // One released sample before the rise, if there is one, up to the end of the plateau.
    let first = start.saturating_sub(2).max(before.start.min(start));
    let window = first..start + range.end;
    let t_s: Vec<f64> = t[window.clone()]
        .iter()
        .map(|&s| seconds_between(t[start], s))
        .collect();
    let half = low + 0.5 * (high - low);
    let crossing = middle_crossing(&t_s, &value[window], half)?;
    let at = first + crossing.before;
    if !channel.joined(at) {
        return None;
    }
    let jump = value[at + 1] - value[at];
    let (half_ns, u_s) = if jump >= JUMP_SHARE * (high - low) {
        (t[at + 1], 0.0)
    } else {
        let slope = jump / seconds_between(t[at], t[at + 1]);
        (at_seconds(t[start], crossing.t_s), all.noise / slope)
    };
    Some(Step {
        low,
        high,
        half_ns,
        u_s,
        plateau_end_ns: t[start + range.end - 1],
        release_ns: t[start + last.range.end - 1],
    })
}
