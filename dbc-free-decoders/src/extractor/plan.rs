//! How one frame is taken apart, and what its values are collected into.

use crate::decoder_file::{FrameEntry, PERIODS_TO_TIMEOUT, Selector, SignalEntry};
use crate::field::Field;
use crate::frame::CanId;
use crate::signal::{Invalid, InvalidReason, Series, SignalKey};
use crate::unit::Unit;

/// The timeout of a signal of which nothing tells the period: one value, or all at one time. There
/// is then nothing to interpolate, so the number only has to be one.
const TIMEOUT_WITHOUT_PERIOD_NS: i64 = 1_000_000_000;

/// How one frame is taken apart.
#[derive(Clone, Debug)]
pub(super) struct FramePlan {
    pub(super) bus: Option<String>,
    pub(super) id: CanId,
    pub(super) name: Option<String>,
    pub(super) channels: Vec<Channel>,
    pub(super) signals: Vec<SignalPlan>,
}

/// What a frame's values are collected into: one series a bus. Signals of one key in one frame,
/// told apart by their selectors, are one channel.
#[derive(Clone, Debug)]
pub(super) struct Channel {
    key: SignalKey,
    unit: Unit,
    /// What the decoder file states.
    timeout_ns: Option<i64>,
    /// It is five periods of a frame that not always holds the signal: the least there is.
    timeout_is_least: bool,
}

/// How one signal is taken out.
#[derive(Clone, Debug)]
pub(super) struct SignalPlan {
    field: Field,
    scale: f64,
    offset: f64,
    min: f64,
    max: f64,
    invalid_raw: Box<[u64]>,
    when: Option<Selector>,
    pub(super) channel: usize,
}

impl SignalPlan {
    pub(super) fn new(signal: &SignalEntry, channel: usize) -> Self {
        Self {
            field: signal.field,
            scale: signal.scale,
            offset: signal.offset,
            min: signal.min.unwrap_or(f64::NEG_INFINITY),
            max: signal.max.unwrap_or(f64::INFINITY),
            invalid_raw: signal.invalid_raw.clone().into_boxed_slice(),
            when: signal.when,
            channel,
        }
    }

    /// Whether the frame holds the signal. One too short for its selector does not say so.
    #[inline]
    pub(super) fn is_in(&self, data: &[u8]) -> bool {
        self.when
            .is_none_or(|when| when.field.extract(data) == Some(when.equals))
    }

    #[inline]
    pub(super) fn value(&self, data: &[u8]) -> Result<f64, InvalidReason> {
        let raw = self
            .field
            .extract(data)
            .ok_or(InvalidReason::FrameTooShort)?;
        if self.invalid_raw.contains(&raw) {
            return Err(InvalidReason::RawCode);
        }
        // Two roundings, as written in the decoder file's rule; never a fused multiply-add.
        let value = self.field.number(raw) * self.scale + self.offset;
        if !value.is_finite() {
            Err(InvalidReason::NotFinite)
        } else if value < self.min {
            Err(InvalidReason::BelowMin)
        } else if value > self.max {
            Err(InvalidReason::AboveMax)
        } else {
            Ok(value)
        }
    }
}

impl FramePlan {
    pub(super) fn new(frame: &FrameEntry) -> Self {
        let mut channels: Vec<Channel> = Vec::new();
        let mut signals = Vec::with_capacity(frame.signals.len());
        for signal in &frame.signals {
            let same = |c: &Channel| c.key == signal.key && c.unit == signal.unit;
            let channel = channels.iter().position(same).unwrap_or_else(|| {
                channels.push(Channel {
                    key: signal.key.clone(),
                    unit: signal.unit,
                    timeout_ns: frame.stated_timeout_ns(),
                    timeout_is_least: frame.timeout_ms.is_none() && signal.when.is_some(),
                });
                channels.len() - 1
            });
            signals.push(SignalPlan::new(signal, channel));
        }
        Self {
            bus: frame.bus.clone(),
            id: frame.id,
            name: frame.name.clone(),
            channels,
            signals,
        }
    }
}

/// What one channel received on one bus.
#[derive(Clone, Debug, Default)]
pub(super) struct Samples {
    pub(super) t_ns: Vec<i64>,
    pub(super) value: Vec<f64>,
    pub(super) invalid: Vec<Invalid>,
}

impl Samples {
    /// Adds what follows.
    pub(super) fn append(&mut self, mut later: Self) {
        self.t_ns.append(&mut later.t_ns);
        self.value.append(&mut later.value);
        self.invalid.append(&mut later.invalid);
    }
}

impl Channel {
    pub(super) fn series(&self, samples: Samples, bus: &str, id: CanId) -> Series {
        let timeout_ns = self.timeout_ns(&samples);
        let Samples {
            t_ns,
            value,
            invalid,
        } = samples;
        Series {
            key: self.key.clone(),
            unit: self.unit,
            bus: bus.to_owned(),
            id,
            t_ns,
            value,
            invalid,
            timeout_ns,
        }
    }

    fn timeout_ns(&self, samples: &Samples) -> i64 {
        let of_data = || {
            median_interval_ns(samples).map(|ns| (ns as f64 * PERIODS_TO_TIMEOUT).round() as i64)
        };
        match self.timeout_ns {
            Some(least) if self.timeout_is_least => of_data().map_or(least, |ns| ns.max(least)),
            Some(stated) => stated,
            None => of_data().unwrap_or(TIMEOUT_WITHOUT_PERIOD_NS),
        }
    }
}

/// Median time from one received value to the next, valid or not, ns; `None` without two of
/// different times.
fn median_interval_ns(samples: &Samples) -> Option<i64> {
    let invalid = samples.invalid.iter().map(|invalid| invalid.t_ns);
    let mut times: Vec<i64> = samples.t_ns.iter().copied().chain(invalid).collect();
    times.sort_unstable();
    let mut intervals: Vec<i64> = times
        .array_windows()
        .map(|[earlier, later]| later.saturating_sub(*earlier))
        .filter(|interval| *interval > 0)
        .collect();
    let middle = intervals.len() / 2;
    if intervals.is_empty() {
        return None;
    }
    let (_, median, _) = intervals.select_nth_unstable(middle);
    Some(*median)
}
