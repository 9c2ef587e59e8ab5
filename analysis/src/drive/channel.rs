//! One signal as the analysis uses it: core units, stamps that only rise, and the places where a
//! value must not be carried from one sample to the next.

use std::ops::Range;

use slipwright_decoders::role::Role;
use slipwright_decoders::signal::Series;
use slipwright_decoders::unit::Quantity;

use super::stamps::{Batches, Stamps};
use crate::statistics::quantile::quantile_in_place;

/// Which samples are kept where the recorder's clock stepped backwards and times occur twice.
/// One rule for all signals of a drive, so that what is kept belongs together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum KeepOrder {
    /// What was received before the step; what comes after counts once the clock has caught up.
    Earlier,
    /// What was received after the step.
    Later,
}

/// How many samples of a stamp list each rule would keep: `(earlier, later)`.
pub(super) fn kept_counts(t_ns: &[i64]) -> (usize, usize) {
    let mut latest = i64::MIN;
    let earlier = t_ns
        .iter()
        .filter(|&&t| {
            let keep = t > latest;
            latest = latest.max(t);
            keep
        })
        .count();
    let mut soonest = i64::MAX;
    let later = t_ns
        .iter()
        .rev()
        .filter(|&&t| {
            let keep = t < soonest;
            soonest = soonest.min(t);
            keep
        })
        .count();
    (earlier, later)
}

/// One signal in core units (bar, °C, else SI), with strictly rising stamps.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// What it means.
    pub role: Role,
    /// What it is measured in, in the core unit of this quantity.
    pub quantity: Quantity,
    t_ns: Vec<i64>,
    value: Vec<f64>,
    breaks: Vec<Break>,
    timeout_ns: i64,
    /// Stamps of what was received but is no measurement, ns, in order.
    invalid_ns: Vec<i64>,
    late: Vec<Late>,
    u_stamp_s: f64,
    same_stamp: usize,
}

/// A frame that was stamped later than its signal's own pace has it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Late {
    /// Index of its sample.
    pub(super) sample: usize,
    /// By so much, s.
    pub(super) by_s: f64,
}

/// A place where nothing may be carried to the next sample: the gap is longer than the timeout, or
/// something invalid was received.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Break {
    /// Index of the last sample before it.
    after: usize,
    /// Until when that sample still stands, ns.
    until_ns: i64,
}

impl Channel {
    /// Takes a decoded series over; `convert` brings its values to the core unit. `batches` are those
    /// in which the drive's frames were handed over, if they were. `None` if no usable sample is left.
    pub(super) fn from_series(
        (role, quantity): (Role, Quantity),
        series: &Series,
        (order, batches): (KeepOrder, Option<&Batches>),
        convert: impl Fn(f64) -> f64,
    ) -> Option<Self> {
        let stamps = Stamps::of(role, series, batches);
        let n = stamps.t_ns.len().min(series.value.len());
        let mut t_ns = Vec::with_capacity(n);
        let mut value = Vec::with_capacity(n);
        let mut late: Vec<Late> = Vec::new();
        let mut next_late = 0;
        let mut push = |i: usize| {
            let (Some(&t), Some(&raw)) = (stamps.t_ns.get(i), series.value.get(i)) else {
                return;
            };
            let core = convert(raw);
            if core.is_finite() {
                while stamps.late.get(next_late).is_some_and(|l| l.sample < i) {
                    next_late += 1;
                }
                if let Some(&l) = stamps.late.get(next_late).filter(|l| l.sample == i) {
                    late.push(Late {
                        sample: t_ns.len(),
                        ..l
                    });
                }
                t_ns.push(t);
                value.push(core);
            }
        };
        let mut same_stamp = 0;
        match order {
            KeepOrder::Earlier => {
                let mut latest = i64::MIN;
                for i in 0..n {
                    if stamps.t_ns[i] > latest {
                        latest = stamps.t_ns[i];
                        push(i);
                    } else if stamps.t_ns[i] == latest {
                        same_stamp += 1;
                    }
                }
            }
            KeepOrder::Later => {
                let mut soonest = i64::MAX;
                for i in (0..n).rev() {
                    if stamps.t_ns[i] < soonest {
                        soonest = stamps.t_ns[i];
                        push(i);
                    }
                }
                t_ns.reverse();
                value.reverse();
            }
        }
        if t_ns.is_empty() {
            return None;
        }
        let timeout_ns = if series.timeout_ns > 0 {
            series.timeout_ns
        } else {
            five_median_intervals(&t_ns)
        };
        let mut channel = Self {
            role,
            quantity,
            t_ns,
            value,
            breaks: Vec::new(),
            timeout_ns,
            invalid_ns: stamps.invalid_ns,
            late,
            u_stamp_s: stamps.u_s,
            same_stamp,
        };
        channel.breaks = channel.breaks_at(&channel.invalid_ns);
        Some(channel)
    }

    /// The channel without some of its samples, as if they had been received as invalid.
    /// `left_out` are ranges of its samples, in order and apart, and never all. For a wheel, of
    /// which no late frames are kept.
    pub(super) fn without(mut self, left_out: impl IntoIterator<Item = Range<usize>>) -> Self {
        let mut bad = std::mem::take(&mut self.invalid_ns);
        let mut keep = vec![true; self.t_ns.len()];
        for range in left_out {
            bad.extend(&self.t_ns[range.clone()]);
            keep[range].fill(false);
        }
        let mut kept = keep.iter();
        self.t_ns.retain(|_| kept.next() == Some(&true));
        let mut kept = keep.iter();
        self.value.retain(|_| kept.next() == Some(&true));
        bad.sort_unstable();
        self.breaks = self.breaks_at(&bad);
        self.invalid_ns = bad;
        self
    }

    fn breaks_at(&self, invalid: &[i64]) -> Vec<Break> {
        let mut breaks = Vec::new();
        let mut next_invalid = 0;
        let last = self.t_ns.len() - 1;
        for (i, &t) in self.t_ns.iter().enumerate() {
            while invalid.get(next_invalid).is_some_and(|&bad| bad <= t) {
                next_invalid += 1;
            }
            let next = if i < last { self.t_ns[i + 1] } else { i64::MAX };
            let bad = invalid.get(next_invalid).copied().filter(|&bad| bad < next);
            if bad.is_some() || (i < last && next.saturating_sub(t) > self.timeout_ns) {
                let timeout = t.saturating_add(self.timeout_ns);
                breaks.push(Break {
                    after: i,
                    until_ns: bad.map_or(timeout, |b| b.min(timeout)),
                });
            }
        }
        breaks
    }

    /// Standard uncertainty that all of its stamps share, s: 0 but where frames came in batches.
    #[must_use]
    pub fn u_stamp_s(&self) -> f64 {
        self.u_stamp_s
    }

    /// How many readings bore the stamp of the one before and were left out.
    pub(super) fn same_stamp(&self) -> usize {
        self.same_stamp
    }

    /// How much later than its signal's own pace the frame of a sample was stamped, s.
    pub(crate) fn late_s(&self, i: usize) -> f64 {
        let found = self.late.binary_search_by_key(&i, |l| l.sample).ok();
        found.and_then(|k| self.late.get(k)).map_or(0.0, |l| l.by_s)
    }

    /// Receive times, ns since the epoch, strictly rising. Never empty. Where frames were stamped in
    /// batches, or one of a measured signal late, they are what the signal's own period makes of them.
    #[must_use]
    pub fn t_ns(&self) -> &[i64] {
        &self.t_ns
    }

    /// Values in the core unit, one a stamp.
    #[must_use]
    pub fn value(&self) -> &[f64] {
        &self.value
    }

    /// Longest time for which a value stands for the next one, ns.
    #[must_use]
    pub fn timeout_ns(&self) -> i64 {
        self.timeout_ns
    }

    /// Median time between samples, s. `None` with fewer than two.
    #[must_use]
    pub fn period_s(&self) -> Option<f64> {
        Some(1e-9 * median_interval_ns(&self.t_ns)?)
    }

    /// Whether a value may be carried between samples `i` and `i + 1`.
    #[must_use]
    pub fn joined(&self, i: usize) -> bool {
        i + 1 < self.t_ns.len() && self.break_after(i).is_none()
    }

    fn break_after(&self, i: usize) -> Option<&Break> {
        let found = self.breaks.binary_search_by_key(&i, |b| b.after).ok()?;
        self.breaks.get(found)
    }

    /// Whether no break lies between the first and the last sample of `range`.
    #[must_use]
    pub fn unbroken(&self, range: Range<usize>) -> bool {
        let from = self.breaks.partition_point(|b| b.after < range.start);
        self.breaks
            .get(from)
            .is_none_or(|b| b.after + 1 >= range.end)
    }

    /// Indices of the samples with `from_ns <= t <= to_ns`.
    #[must_use]
    pub fn range(&self, from_ns: i64, to_ns: i64) -> Range<usize> {
        let start = self.t_ns.partition_point(|&t| t < from_ns);
        let end = self.t_ns.partition_point(|&t| t <= to_ns);
        start..end.max(start)
    }

    /// Times in seconds from `origin_ns` and values of the samples with
    /// `from_ns <= t <= to_ns`.
    #[must_use]
    pub fn window(&self, from_ns: i64, to_ns: i64, origin_ns: i64) -> (Vec<f64>, Vec<f64>) {
        let range = self.range(from_ns, to_ns);
        let t_s = self.t_ns[range.clone()]
            .iter()
            .map(|&t| seconds_between(origin_ns, t))
            .collect();
        (t_s, self.value[range].to_vec())
    }

    /// The value at a time, linear between the neighbouring samples; `None` across a break and
    /// outside the samples.
    #[must_use]
    pub fn at(&self, t_ns: i64) -> Option<f64> {
        let after = self.t_ns.partition_point(|&t| t <= t_ns);
        self.between(after.checked_sub(1)?, t_ns)
    }

    /// Linear value at `t_ns`, which lies at or after sample `i` and before sample `i + 1`.
    fn between(&self, i: usize, t_ns: i64) -> Option<f64> {
        let (&t, &v) = (self.t_ns.get(i)?, self.value.get(i)?);
        if t == t_ns {
            return Some(v);
        }
        if !self.joined(i) {
            return None;
        }
        let span = seconds_between(t, self.t_ns[i + 1]);
        let share = seconds_between(t, t_ns) / span;
        Some(v + share * (self.value[i + 1] - v))
    }

    /// The last value received at or before a time, if it is no older than the timeout and
    /// nothing invalid came after it. For states, which have no values in between.
    #[must_use]
    pub fn held_at(&self, t_ns: i64) -> Option<f64> {
        let i = self.t_ns.partition_point(|&t| t <= t_ns).checked_sub(1)?;
        self.held_from(i, t_ns)
    }

    fn held_from(&self, i: usize, t_ns: i64) -> Option<f64> {
        let (&t, &v) = (self.t_ns.get(i)?, self.value.get(i)?);
        let until_ns = self
            .break_after(i)
            .map_or(t.saturating_add(self.timeout_ns), |b| b.until_ns);
        (t_ns <= until_ns).then_some(v)
    }

    /// The values as [`Self::held_at`] gives them at the times of a base, which rise.
    pub(crate) fn held(&self, base_ns: &[i64]) -> super::Column {
        self.aligned(base_ns, true)
    }

    /// The values on another time base: linear for measured quantities, held for states.
    pub(super) fn aligned(&self, base_ns: &[i64], hold: bool) -> super::Column {
        let mut column = super::Column::with_capacity(base_ns.len());
        let mut next = 0;
        for &t in base_ns {
            while self.t_ns.get(next).is_some_and(|&own| own <= t) {
                next += 1;
            }
            column.push(match (next.checked_sub(1), hold) {
                (None, _) => None,
                (Some(i), false) => self.between(i, t),
                (Some(i), true) => self.held_from(i, t),
            });
        }
        column
    }
}

/// Seconds from `from_ns` to `to_ns`; negative if it lies before.
#[must_use]
pub fn seconds_between(from_ns: i64, to_ns: i64) -> f64 {
    to_ns.saturating_sub(from_ns) as f64 * 1e-9
}

/// A time `seconds` after `origin_ns`, rounded to the nanosecond.
#[must_use]
pub fn at_seconds(origin_ns: i64, seconds: f64) -> i64 {
    origin_ns.saturating_add((seconds * 1e9).round() as i64)
}

fn five_median_intervals(t_ns: &[i64]) -> i64 {
    median_interval_ns(t_ns).map_or(i64::MAX, |m| (5.0 * m).min(i64::MAX as f64) as i64)
}

fn median_interval_ns(t_ns: &[i64]) -> Option<f64> {
    let mut intervals: Vec<f64> = t_ns
        .windows(2)
        .map(|w| w[1].saturating_sub(w[0]) as f64)
        .collect();
    quantile_in_place(&mut intervals, 0.5)
}
