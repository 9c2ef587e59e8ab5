//! The slip of one engagement: onset, peak and end (definition 8).

mod end;
mod peak;
mod samples;

use std::ops::Range;

use self::samples::Samples;
use super::unseen::Unseen;
use crate::drive::seconds_between;
use crate::engagement::{Onset, SlipTrace};
use crate::measure::Missing;
use crate::transition::Timed;

/// A value with its standard uncertainty, m/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Speed {
    pub(super) mps: f64,
    pub(super) u_mps: f64,
}

/// The slip of one engagement.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pulse {
    /// Where slip leaves its noise; `None` if it never does.
    pub(super) onset: Option<Onset>,
    /// Largest slip; or why it may lie where no wheel was seen.
    pub(super) peak: Result<Speed, Missing>,
    /// Time from the onset to the end; or why there is none.
    pub(super) lasts: Result<Timed, Missing>,
    /// Samples looked at.
    pub(super) samples: usize,
}

/// Slip grows and falls no faster than this, m/s²: engines and tyres let hardly more. Common practice,
/// no source.
const FASTEST_MPS2: f64 = 8.0;

/// Where slip stays within its noise, it is looked for in gaps of this first part of the engagement, s:
/// later the coupling holds.
const CLOSING_S: f64 = 1.5;

/// Finds the slip of an engagement among its samples on the base, the first of them at or after
/// `from_ns`. Slip that was there already counts from then.
pub(super) fn pulse(
    trace: &SlipTrace<'_>,
    from_ns: i64,
    range: Range<usize>,
    unseen: &[Unseen],
) -> Result<Pulse, Missing> {
    let samples = Samples::of(trace, range.clone())?;
    let hidden = |peak: Speed, end_s: f64| {
        let first_ns = trace.base_ns()[samples.index[0]];
        let within = |gap: &&Unseen| {
            let from = gap.before.unwrap_or(gap.after);
            seconds_between(first_ns, trace.base_ns()[from]) <= end_s
        };
        let may_hide = |gap: &Unseen| {
            let slip = |i: usize| trace.slip_mps(i).unwrap_or(0.0);
            let beside = 0.5 * (gap.before.map_or(0.0, slip) + slip(gap.after));
            beside + 0.5 * FASTEST_MPS2 * gap.long_s > peak.mps + peak.u_mps
        };
        let gap = unseen.iter().filter(within).find(|gap| may_hide(gap));
        gap.map(|gap| Missing::Gap(gap.role))
    };
    let count = samples.len();
    let onset = trace.first_onset(range).map(|onset| {
        let there = onset.index.checked_sub(1).is_some_and(|k| trace.beyond(k));
        Onset {
            t_ns: onset.t_ns.max(from_ns),
            u_s: if there { 0.0 } else { onset.u_s },
            ..onset
        }
    });
    let Some(onset) = onset else {
        let peak = peak::within_noise(trace, &samples);
        return Ok(Pulse {
            onset: None,
            peak: hidden(peak, CLOSING_S).map_or(Ok(peak), Err),
            lasts: Err(Missing::SlipInNoise),
            samples: count,
        });
    };
    let from = samples
        .index
        .partition_point(|&i| i < onset.index)
        .min(count - 1);
    let (at, mut peak) = peak::peak(trace, &samples, from);
    peak.u_mps = peak.u_mps.hypot(trace.u_systematic_mps(samples.index[at]));
    let onset_s = seconds_between(trace.base_ns()[samples.index[0]], onset.t_ns);
    let lasts = end::end(trace, &samples, at, peak.mps).map(|end| Timed {
        t_s: end.t_s - onset_s,
        u_s: end.u_s.hypot(onset.u_s),
    });
    let end_s = lasts
        .as_ref()
        .map_or(f64::INFINITY, |lasts| onset_s + lasts.t_s);
    let hidden = hidden(peak, end_s);
    Ok(Pulse {
        onset: Some(onset),
        peak: hidden.clone().map_or(Ok(peak), Err),
        lasts: hidden.map_or(lasts, Err),
        samples: count,
    })
}
