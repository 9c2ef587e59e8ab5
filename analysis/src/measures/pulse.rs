//! The slip of one engagement: onset, peak and end (definition 8).

mod end;
mod peak;
mod samples;

use std::ops::Range;

use self::samples::Samples;
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
    /// Largest slip.
    pub(super) peak: Speed,
    /// Time from the onset to the end; or why there is none.
    pub(super) lasts: Result<Timed, Missing>,
    /// Samples looked at.
    pub(super) samples: usize,
}

/// Finds the slip of an engagement among its samples on the base.
pub(super) fn pulse(trace: &SlipTrace<'_>, range: Range<usize>) -> Result<Pulse, Missing> {
    let samples = Samples::of(trace, range.clone())?;
    let count = samples.len();
    let Some(onset) = trace.first_onset(range) else {
        let peak = peak::within_noise(trace, &samples);
        return Ok(Pulse {
            onset: None,
            peak,
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
    Ok(Pulse {
        onset: Some(onset),
        peak,
        lasts,
        samples: count,
    })
}
