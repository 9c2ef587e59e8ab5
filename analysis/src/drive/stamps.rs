//! Receive stamps against each signal's own regular period, before a [`super::Channel`] takes them.
//!
//! A control unit sends a frame at its own even pace; what a stamp adds to that is the recorder's.
//! Two faults are put right here, and nothing else is touched:
//!
//! - an adapter that hands frames over in batches stamps them all then ([`batches`]);
//! - a frame stamped late stands off its pace alone, and the next one follows the sooner
//!   ([`late_frames`]).
//!
//! A sender that keeps no pace, or changes it, shows the same after such a frame as at it, and is left
//! as it is.

mod batches;

use std::borrow::Cow;

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Series;

pub(super) use self::batches::Batches;
use super::channel::{Late, at_seconds};
use crate::statistics::quantile::quantile_in_place;
use crate::statistics::spread::MAD_TO_SD;

/// Frames of the pace on either side of one that is judged.
const BESIDE: usize = 10;

/// Fewest of them.
const LEAST_BESIDE: usize = 5;

/// At most so many frames in a row are late together: those that wait behind the first.
const MOST_TOGETHER: usize = 5;

/// A frame is late beyond so many deviations of the others.
const LATE_DEVIATIONS: f64 = 5.0;

/// And beyond this share of the period.
const LATE_SHARE: f64 = 0.04;

/// A signal whose intervals scatter by more than this share of the middle one keeps no pace.
const PACE_SHARE: f64 = 0.15;

/// The pace is taken from so many intervals, evenly over the drive.
const PACE_INTERVALS: usize = 2000;

/// A signal's stamps, put right where they were wrong. `invalid_ns` are those of readings that are
/// no measurement, in order.
pub(super) struct Stamps<'a> {
    pub(super) t_ns: Cow<'a, [i64]>,
    pub(super) invalid_ns: Vec<i64>,
    /// Frames that came late and were left where they were stamped.
    pub(super) late: Vec<Late>,
    /// Standard uncertainty that all of them share, s.
    pub(super) u_s: f64,
}

impl<'a> Stamps<'a> {
    /// Those of a series. `batches` are the drive's, if its frames were handed over so.
    pub(super) fn of(role: Role, series: &'a Series, batches: Option<&Batches>) -> Self {
        let mut invalid_ns: Vec<i64> = series.invalid.iter().map(|i| i.t_ns).collect();
        invalid_ns.sort_unstable();
        let mut stamps = Self {
            t_ns: Cow::Borrowed(&series.t_ns),
            invalid_ns,
            late: Vec::new(),
            u_s: 0.0,
        };
        if !series.t_ns.is_sorted() {
            // The clock stepped: which stamps are true is decided first.
            return stamps;
        }
        // Invalid readings came in frames of the same pace.
        let is_valid = in_order(&stamps.t_ns, &stamps.invalid_ns);
        let mut at_ns = match &is_valid {
            None => Cow::Borrowed(&series.t_ns[..]),
            Some(_) => {
                let mut all = [&series.t_ns[..], &stamps.invalid_ns].concat();
                all.sort_unstable();
                Cow::Owned(all)
            }
        };
        let spread = batches.and_then(|b| b.spread(&at_ns, series.timeout_ns));
        if let Some((spread_ns, u_s)) = spread {
            at_ns = Cow::Owned(spread_ns);
            stamps.u_s = u_s;
        } else {
            let late = late_frames(&at_ns, series.timeout_ns);
            if late.is_empty() {
                return stamps;
            }
            let is_demand = role == Role::CouplingDemand;
            let at_ns = at_ns.to_mut();
            for l in &late {
                // Demand is when it was received (definition 6); what its lateness leaves open is told.
                // One that waited with the next has its place before it.
                if !is_demand || at_ns.get(l.sample + 1) == at_ns.get(l.sample) {
                    at_ns[l.sample] = at_seconds(at_ns[l.sample], -l.by_s);
                }
            }
            let of_valid = |l: Late| {
                let sample = match &is_valid {
                    None => l.sample,
                    Some(valid) if !valid[l.sample] => return None,
                    Some(valid) => valid[..l.sample].iter().filter(|v| **v).count(),
                };
                Some(Late { sample, ..l })
            };
            if is_demand {
                stamps.late = late.into_iter().filter_map(of_valid).collect();
            }
        }
        match is_valid {
            None => stamps.t_ns = at_ns,
            Some(is_valid) => {
                let part = |valid: bool| {
                    let both = at_ns.iter().zip(&is_valid);
                    both.filter(|(_, v)| **v == valid)
                        .map(|(t, _)| *t)
                        .collect::<Vec<i64>>()
                };
                stamps.t_ns = Cow::Owned(part(true));
                stamps.invalid_ns = part(false);
            }
        }
        stamps
    }
}

/// Which of the stamps of both lists together, in order, are the first's; `None` where all are.
fn in_order(valid: &[i64], invalid: &[i64]) -> Option<Vec<bool>> {
    if invalid.is_empty() {
        return None;
    }
    let mut all: Vec<(i64, bool)> = valid.iter().map(|&t| (t, true)).collect();
    all.extend(invalid.iter().map(|&t| (t, false)));
    all.sort_by_key(|(t, _)| *t);
    Some(all.into_iter().map(|(_, v)| v).collect())
}

/// The frames of a signal that were stamped late, and by how much. Stamps do not fall.
///
/// With `r = t - k P` for frame `k` at the period `P`, a frame is late whose `r` lies above the
/// medians of the frames before it and of those after it: after a frame that was lost, or a sender
/// that started anew, one of the two moves along.
fn late_frames(t_ns: &[i64], timeout_ns: i64) -> Vec<Late> {
    let mut late = Vec::new();
    let n = t_ns.len();
    if n < 2 * BESIDE {
        return late;
    }
    let gap = |i: usize| t_ns[i].saturating_sub(t_ns[i - 1]) as f64;
    let every = n.div_ceil(PACE_INTERVALS);
    let mut gaps: Vec<f64> = (1..n).step_by(every).map(gap).collect();
    let Some(period) = quantile_in_place(&mut gaps, 0.5) else {
        return late;
    };
    gaps.iter_mut().for_each(|g| *g = (*g - period).abs());
    let Some(scatter) = quantile_in_place(&mut gaps, 0.5).map(|m| m * MAD_TO_SD) else {
        return late;
    };
    if period <= 0.0 || scatter > PACE_SHARE * period {
        return late;
    }
    let least = (LATE_DEVIATIONS * scatter).max(LATE_SHARE * period);
    let mut i = LEAST_BESIDE;
    while i + LEAST_BESIDE < n {
        if gap(i) <= period + least {
            i += 1;
            continue;
        }
        let before = i.saturating_sub(BESIDE)..i;
        let after = i + 1..(i + 1 + BESIDE).min(n);
        let whole = (before.start + 1..after.end)
            .all(|k| t_ns[k].saturating_sub(t_ns[k - 1]) <= timeout_ns);
        if !whole {
            i += 1;
            continue;
        }
        let off =
            |k: usize| t_ns[k].saturating_sub(t_ns[i]) as f64 - (k as f64 - i as f64) * period;
        let side = |range: std::ops::Range<usize>| {
            let mut off: Vec<f64> = range.map(off).collect();
            let middle = quantile_in_place(&mut off, 0.5).unwrap_or(0.0);
            off.iter_mut().for_each(|o| *o = (*o - middle).abs());
            let scatter = quantile_in_place(&mut off, 0.5).unwrap_or(0.0) * MAD_TO_SD;
            (middle, scatter)
        };
        let ((early, s_early), (later, s_later)) = (side(before), side(after.clone()));
        let pace = early.max(later);
        let allowed = least.max(LATE_DEVIATIONS * s_early.max(s_later));
        let mut k = i;
        while k < after.end && k < i + MOST_TOGETHER && off(k) - pace > allowed {
            late.push(Late {
                sample: k,
                by_s: (off(k) - pace) * 1e-9,
            });
            k += 1;
        }
        i = k.max(i + 1);
    }
    late
}

#[cfg(test)]
mod tests {
    use slipwright_decoders::frame::CanId;
    use slipwright_decoders::signal::SignalKey;
    use slipwright_decoders::unit::Unit;

    use super::*;
    use crate::trial::Random;

    const TIMEOUT_NS: i64 = 100_000_000;

    /// Frames every 20 ms, jittered by a share of it, and their stamps' lateness.
    fn stamps(jitter: f64, late: &[(usize, f64)]) -> Vec<i64> {
        let mut random = Random::new(31);
        let mut t: Vec<i64> = (0..400)
            .map(|k| {
                let by = late.iter().find(|(at, _)| *at == k).map_or(0.0, |l| l.1);
                let t = 0.02 * (k as f64 + jitter * (2.0 * random.uniform() - 1.0)) + by;
                (t * 1e9) as i64
            })
            .collect();
        for k in 1..t.len() {
            t[k] = t[k].max(t[k - 1] + 1);
        }
        t
    }

    #[test]
    fn a_late_frame_is_told_and_by_how_much() {
        for jitter in [0.0, 0.01] {
            let t = stamps(jitter, &[(100, 0.019), (200, 0.03), (300, 0.004)]);
            let late = late_frames(&t, TIMEOUT_NS);
            let told: Vec<usize> = late.iter().map(|l| l.sample).collect();
            // The one after 0.03 s waits behind it.
            assert_eq!(told, [100, 200, 201, 300]);
            for (l, by_s) in late.iter().zip([0.019, 0.03, 0.01, 0.004]) {
                assert!((l.by_s - by_s).abs() < 0.0004, "{l:?}");
            }
        }
    }

    /// The frame before the one that carries demand waited, and both came at once.
    #[test]
    fn demand_stays_where_it_was_received() {
        let t_ns = stamps(0.0, &[(100, 0.0234), (101, 0.0034)]);
        let value = (0..400).map(|k| f64::from(u8::from(k > 100))).collect();
        let series = Series {
            key: SignalKey::Role(Role::CouplingDemand),
            unit: Unit::Percent,
            bus: "can0".into(),
            id: CanId::Base(1),
            t_ns: [&t_ns[..100], &[t_ns[101]], &t_ns[101..]].concat(),
            value,
            invalid: Vec::new(),
            timeout_ns: TIMEOUT_NS,
        };
        let demand = Stamps::of(Role::CouplingDemand, &series, None);
        assert_eq!(demand.t_ns[101], t_ns[101]);
        assert!((demand.t_ns[100] - 2_000_000_000).abs() < 100_000);
        let told = demand.late.iter().find(|l| l.sample == 101).unwrap();
        assert!((told.by_s - 0.0034).abs() < 1e-4, "{told:?}");
        let pressure = Stamps::of(Role::CouplingPressure, &series, None);
        assert!((pressure.t_ns[101] - 2_020_000_000).abs() < 100_000);
        assert!(pressure.late.is_empty());
    }

    #[test]
    fn jitter_a_lost_frame_and_a_new_start_are_no_lateness() {
        assert!(late_frames(&stamps(0.1, &[]), TIMEOUT_NS).is_empty());
        let mut lost = stamps(0.01, &[]);
        lost.remove(150);
        assert!(late_frames(&lost, TIMEOUT_NS).is_empty());
        let mut anew = stamps(0.01, &[]);
        anew[150..].iter_mut().for_each(|t| *t += 7_000_000);
        assert!(late_frames(&anew, TIMEOUT_NS).is_empty());
        // A sender that waits for each answer keeps no pace.
        let mut random = Random::new(32);
        let (mut t, mut wanders) = (0, Vec::new());
        for _ in 0..400 {
            t += 15_000_000 + (10e6 * random.uniform()) as i64;
            wanders.push(t);
        }
        assert!(late_frames(&wanders, TIMEOUT_NS).is_empty());
    }
}
