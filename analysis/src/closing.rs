//! Closings: where demand, or else pressure, leaves its released level and comes back to it.
//!
//! Thresholds are relative to the signal's own levels over the drive, with hysteresis: demand comes
//! in per cent, bar, N·m, A or a bare number, and a released coupling may keep a small preload.

use std::ops::Range;

use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use crate::drive::{Channel, Drive, seconds_between};
use crate::statistics::quantile::{median, quantile_in_place};
use crate::statistics::spread::median_and_sigma;

/// A rise counts from this share of the signal's range over the drive on.
const ON_SHARE: f64 = 0.10;
/// It is over below this share.
const OFF_SHARE: f64 = 0.05;
/// Nor does a rise count within so many deviations of the signal's noise.
const ON_DEVIATIONS: f64 = 6.0;
/// The same for its end.
const OFF_DEVIATIONS: f64 = 3.0;
/// The range over the drive must be this many deviations for the signal to be one that moves.
const CLEAR_RANGE_DEVIATIONS: f64 = 12.0;
/// A release shorter than this is a flutter of the same closing, s.
const FLUTTER_S: f64 = 0.1;
/// A closing shorter than this is a glitch, s.
const SHORTEST_S: f64 = 0.05;
/// Fewest samples of a closing, for the same reason.
const LEAST_SAMPLES: usize = 3;

/// A time in which the coupling is closed, as far as demand or pressure tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClosedSpan {
    /// When it began to close, ns since the epoch.
    pub start_ns: i64,
    /// When it was open again, ns since the epoch.
    pub end_ns: i64,
}

/// The signal that shows the coupling, demand before pressure, and its closings.
pub(crate) fn shown(drive: &Drive) -> Option<(&Channel, Closings)> {
    let channel = drive
        .channel(Role::CouplingDemand)
        .or_else(|_| drive.channel(Role::CouplingPressure))
        .ok()?;
    Some((channel, closings(channel)))
}

/// Spans in which demand, or else pressure, shows the coupling closed.
pub(crate) fn closed_spans(drive: &Drive) -> Vec<ClosedSpan> {
    shown(drive).map_or_else(Vec::new, |(channel, all)| {
        let t = channel.t_ns();
        let until = all.closed_until.and_then(|i| t.get(i).or(t.last()));
        let first = t.first().zip(until).map(|(start, end)| ClosedSpan {
            start_ns: *start,
            end_ns: *end,
        });
        first.into_iter().chain(all.spans(channel)).collect()
    })
}

/// One closing, as samples of its channel.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Closing {
    /// First sample that carries the rise, up to the first that is released again, or that comes
    /// after a gap.
    pub(crate) range: Range<usize>,
    /// The signal was lost or the drive ended before it was released.
    pub(crate) cut: bool,
    /// First sample known to be released afterwards; the number of samples where there is none.
    pub(crate) released_at: usize,
}

/// All closings of a signal.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Closings {
    pub(crate) found: Vec<Closing>,
    /// The signal's released level over the drive.
    pub(crate) released: f64,
    /// Its standard deviation there, its resolution included.
    pub(crate) noise: f64,
    /// Rises that began while the signal was lost; nothing can be counted from them.
    pub(crate) lost: usize,
    /// First sample known to be released, or the number of samples, where the signal begins closed: the
    /// rise to that was before the drive.
    pub(crate) closed_until: Option<usize>,
}

impl Closings {
    /// As spans of time. One that was cut lasts until the coupling is known to be open: within the
    /// gap nobody knows.
    pub(crate) fn spans(&self, channel: &Channel) -> Vec<ClosedSpan> {
        let t = channel.t_ns();
        let at = |i: usize| t.get(i).or(t.last()).copied().unwrap_or(0);
        self.found
            .iter()
            .map(|c| ClosedSpan {
                start_ns: at(c.range.start),
                end_ns: at(c.released_at),
            })
            .collect()
    }
}

/// Whether the signal was lost between samples `i` and `i + 1`: for longer than its timeout. An
/// invalid code in a shorter hole costs its frame, as one that was not received does.
pub(crate) fn lost_after(channel: &Channel, i: usize) -> bool {
    let t = channel.t_ns();
    match (t.get(i), t.get(i + 1)) {
        (Some(&a), Some(&b)) => !channel.joined(i) && b.saturating_sub(a) > channel.timeout_ns(),
        _ => true,
    }
}

/// The smallest range that a signal of this quantity must have to be one that moves: below it a
/// sensor's drift would be taken for closings.
fn least_range(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Percent => 2.0,
        Quantity::Pressure => 0.5,
        Quantity::Torque => 10.0,
        Quantity::Current => 0.05,
        _ => 0.0,
    }
}

/// Finds the closings of demand or pressure.
pub(crate) fn closings(channel: &Channel) -> Closings {
    let value = channel.value();
    let released = released_level(value);
    let noise = released_noise(value, released);
    let top = value
        .windows(3)
        .map(|w| w[0].min(w[1]).max(w[0].max(w[1]).min(w[2])))
        .fold(f64::NEG_INFINITY, f64::max);
    let range = top - released;
    let mut closings = Closings {
        released,
        noise,
        ..Closings::default()
    };
    if !range.is_finite()
        || range < least_range(channel.quantity)
        || range <= CLEAR_RANGE_DEVIATIONS * noise
    {
        return closings;
    }
    let on = released + (ON_SHARE * range).max(ON_DEVIATIONS * noise);
    let off = released + (OFF_SHARE * range).max(OFF_DEVIATIONS * noise);
    scan(channel, on, off, &mut closings);
    merge(channel, &mut closings.found);
    let t = channel.t_ns();
    let mut lost = 0;
    closings.found.retain(|c| {
        let lasts = c.range.len() >= LEAST_SAMPLES
            && seconds_between(t[c.range.start], t[c.range.end - 1]) >= SHORTEST_S;
        // What a gap cut short at once may have been a closing like any other.
        lost += usize::from(!lasts && c.cut && c.range.end < t.len());
        lasts
    });
    closings.lost += lost;
    closings
}

fn scan(channel: &Channel, on: f64, off: f64, out: &mut Closings) {
    enum State {
        Unknown,
        Released,
        Closed { start: usize },
    }
    let value = channel.value();
    let n = value.len();
    let mut state = State::Unknown;
    let mut rise = None;
    let begins_closed = n > 1 && value[0] >= on && value[1] >= on;
    out.closed_until = begins_closed.then_some(n);
    for i in 0..n {
        if i > 0 && lost_after(channel, i - 1) {
            match state {
                State::Closed { start } => {
                    out.found.push(Closing {
                        range: start..i,
                        cut: true,
                        released_at: n,
                    });
                    state = State::Unknown;
                }
                State::Released if value[i] >= on => {
                    out.lost += 1;
                    state = State::Unknown;
                }
                _ => {}
            }
            rise = None;
        }
        // One sample on the other side is a glitch; two in a row count.
        let next = if i + 1 < n && !lost_after(channel, i) {
            value[i + 1]
        } else {
            value[i]
        };
        match state {
            State::Unknown if value[i] <= off => {
                state = State::Released;
                out.closed_until = out.closed_until.map(|until| until.min(i));
                if let Some(last) = out.found.last_mut().filter(|c| c.released_at == n) {
                    last.released_at = i;
                }
            }
            State::Released => {
                if value[i] <= off {
                    rise = None;
                } else {
                    let start = *rise.get_or_insert(i);
                    if value[i] >= on && next >= on {
                        state = State::Closed { start };
                    }
                }
            }
            State::Closed { start } if value[i] <= off && next <= off => {
                out.found.push(Closing {
                    range: start..i,
                    cut: false,
                    released_at: i,
                });
                state = State::Released;
                rise = None;
            }
            _ => {}
        }
    }
    if let State::Closed { start } = state {
        out.found.push(Closing {
            range: start..n,
            cut: true,
            released_at: n,
        });
    }
}

fn merge(channel: &Channel, found: &mut Vec<Closing>) {
    let t = channel.t_ns();
    let mut merged: Vec<Closing> = Vec::with_capacity(found.len());
    for next in found.drain(..) {
        match merged.last_mut() {
            Some(last)
                if !last.cut
                    && seconds_between(t[last.range.end], t[next.range.start]) < FLUTTER_S =>
            {
                last.range.end = next.range.end;
                last.cut = next.cut;
                last.released_at = next.released_at;
            }
            _ => merged.push(next),
        }
    }
    *found = merged;
}

/// The level at which the signal rests: the median of what lies next to its lowest values, because a
/// coupling is open for at least some of any drive but need not be for most of it.
fn released_level(value: &[f64]) -> f64 {
    let mut work = value.to_vec();
    let low = quantile_in_place(&mut work, 0.02).unwrap_or(0.0);
    let high = quantile_in_place(&mut work, 0.98).unwrap_or(low);
    let top = value.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let near = low + 0.05 * (top.min(high.max(low)) - low).max(0.0);
    work.retain(|&v| v <= near);
    median(&work).unwrap_or(low)
}

/// Deviation at rest from sample-to-sample differences, not less than the code's resolution makes.
fn released_noise(value: &[f64], released: f64) -> f64 {
    let top = value.iter().copied().fold(released, f64::max);
    let near = released + 0.2 * (top - released);
    let differences: Vec<f64> = value
        .windows(2)
        .filter(|w| w[0] <= near && w[1] <= near)
        .map(|w| w[1] - w[0])
        .collect();
    let sigma = median_and_sigma(&differences).map_or(0.0, |(_, s)| s / 2.0_f64.sqrt());
    let step = differences
        .iter()
        .map(|d| d.abs())
        .filter(|d| *d > 0.0)
        .fold(f64::INFINITY, f64::min);
    let quantised = if step.is_finite() && step < near - released {
        step / 12.0_f64.sqrt()
    } else {
        0.0
    };
    sigma.max(quantised)
}
