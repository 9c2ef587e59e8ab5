//! Frames to signals: a decoder file compiled once, then run over frames.
//!
//! [`Extractors::compile`] turns a [`DecoderFile`] into plans that hold no more than the hot loop
//! needs. A [`Collector`] takes the frames of one capture ([`Collector::push`]), keeps the values
//! as series and counts what it saw; [`Collector::finish`] gives both. Several collectors may use
//! the same extractors at once.
//!
//! No frame costs an allocation of its own: series grow as vectors do, and an identifier is entered
//! in its bus's table when it is first seen. Answers to diagnostic requests are not taken here.

mod id_table;

use std::collections::HashMap;

use id_table::IdTable;

use crate::decoder_file::{DecoderFile, FrameEntry, PERIODS_TO_TIMEOUT, Selector, SignalEntry};
use crate::field::Field;
use crate::frame::{BusIndex, CanId, Frame};
use crate::signal::{Invalid, InvalidReason, Series, SignalKey, Signals};
use crate::traffic::{AbsentFrame, BusTraffic, IdTraffic, Traffic};
use crate::unit::Unit;

/// The timeout of a signal of which nothing tells the period: one value, or all at one time. There
/// is then nothing to interpolate, so the number only has to be one.
const TIMEOUT_WITHOUT_PERIOD_NS: i64 = 1_000_000_000;

/// Most identifiers that are counted one by one on a bus, beside those that are decoded. A car has
/// some hundreds; the bound keeps a capture of random identifiers from filling the memory.
const MAX_COUNTED_IDS: usize = 65_536;

/// A decoder file, compiled. It knows no capture and does not change while it runs.
#[derive(Clone, Debug)]
pub struct Extractors {
    frames: Vec<FramePlan>,
    by_id: HashMap<CanId, Vec<usize>>,
}

/// How one frame is taken apart.
#[derive(Clone, Debug)]
struct FramePlan {
    bus: Option<String>,
    id: CanId,
    name: Option<String>,
    channels: Vec<Channel>,
    signals: Vec<SignalPlan>,
}

/// What a frame's values are collected into: one series a bus. Signals of one key in one frame,
/// told apart by their selectors, are one channel.
#[derive(Clone, Debug)]
struct Channel {
    key: SignalKey,
    unit: Unit,
    /// What the decoder file states.
    timeout_ns: Option<i64>,
    /// It is five periods of a frame that not always holds the signal: the least there is.
    timeout_is_least: bool,
}

/// How one signal is taken out.
#[derive(Clone, Debug)]
struct SignalPlan {
    field: Field,
    scale: f64,
    offset: f64,
    min: f64,
    max: f64,
    invalid_raw: Box<[u64]>,
    when: Option<Selector>,
    channel: usize,
}

impl SignalPlan {
    fn new(signal: &SignalEntry, channel: usize) -> Self {
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
    fn is_in(&self, data: &[u8]) -> bool {
        self.when
            .is_none_or(|when| when.field.extract(data) == Some(when.equals))
    }

    #[inline]
    fn value(&self, data: &[u8]) -> Result<f64, InvalidReason> {
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
    fn new(frame: &FrameEntry) -> Self {
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

impl Extractors {
    /// The plans for a decoder file's frames.
    #[must_use]
    pub fn compile(file: &DecoderFile) -> Self {
        let frames: Vec<FramePlan> = file.frames.iter().map(FramePlan::new).collect();
        let mut by_id: HashMap<CanId, Vec<usize>> = HashMap::new();
        for (index, frame) in frames.iter().enumerate() {
            by_id.entry(frame.id).or_default().push(index);
        }
        Self { frames, by_id }
    }

    /// The plan for an identifier on a bus: one that names the bus before one for any bus.
    fn plan_for(&self, bus: &str, id: CanId) -> Option<usize> {
        let plans = self.by_id.get(&id)?;
        let find = |wanted: Option<&str>| {
            plans.iter().copied().find(|&plan| {
                self.frames
                    .get(plan)
                    .is_some_and(|frame| frame.bus.as_deref() == wanted)
            })
        };
        find(Some(bus)).or_else(|| find(None))
    }
}

/// What the frames of one capture brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decoded {
    /// The signals. A signal of which nothing was received has no series.
    pub signals: Signals,
    /// Which frames there were, decoded or not.
    pub traffic: Traffic,
}

/// Takes the frames of one capture apart.
#[derive(Clone, Debug)]
pub struct Collector<'a> {
    extractors: &'a Extractors,
    /// Position in `buses` of each bus index; several indices may be one bus.
    by_index: Vec<Option<usize>>,
    buses: Vec<Bus>,
}

/// One bus of the capture.
#[derive(Clone, Debug)]
struct Bus {
    name: String,
    table: IdTable,
    /// What `table` points into; position 0 stands for an identifier not seen yet.
    ids: Vec<SeenId>,
    series: Vec<Samples>,
    /// The first of the series of each plan that a frame was seen for.
    first_series: HashMap<usize, u32>,
    remote_frames: u64,
    error_frames: u64,
    uncounted_frames: u64,
}

/// One identifier on one bus.
#[derive(Clone, Copy, Debug)]
struct SeenId {
    id: CanId,
    frames: u64,
    decoding: Option<Decoding>,
}

/// The plan that an identifier is decoded by, and its first series in the bus.
#[derive(Clone, Copy, Debug)]
struct Decoding {
    plan: u32,
    first_series: u32,
}

#[derive(Clone, Debug, Default)]
struct Samples {
    t_ns: Vec<i64>,
    value: Vec<f64>,
    invalid: Vec<Invalid>,
}

impl<'a> Collector<'a> {
    /// A collector that has seen nothing yet.
    #[must_use]
    pub fn new(extractors: &'a Extractors) -> Self {
        Self {
            extractors,
            by_index: Vec::new(),
            buses: Vec::new(),
        }
    }

    /// Says which bus an index stands for, before its first frame. Indices of one name, as in the
    /// sections of a joined capture, are one bus.
    pub fn add_bus(&mut self, index: BusIndex, name: &str) {
        let position = self
            .buses
            .iter()
            .position(|bus| bus.name == name)
            .unwrap_or_else(|| {
                self.buses.push(Bus::new(name));
                self.buses.len() - 1
            });
        let index = index.as_usize();
        if self.by_index.len() <= index {
            self.by_index.resize(index + 1, None);
        }
        if let Some(entry) = self.by_index.get_mut(index) {
            *entry = Some(position);
        }
    }

    /// Takes the values out of a frame and counts it. A frame of a bus that was not announced
    /// counts for a bus called by its index, such as `bus 3`.
    #[inline]
    pub fn push(&mut self, frame: &Frame<'_>) {
        let position = self.by_index.get(frame.bus.as_usize()).copied().flatten();
        let Some(bus) = position.and_then(|position| self.buses.get_mut(position)) else {
            return self.push_on_new_bus(frame);
        };
        bus.push(self.extractors, frame);
    }

    #[cold]
    fn push_on_new_bus(&mut self, frame: &Frame<'_>) {
        self.add_bus(frame.bus, &format!("bus {}", frame.bus.as_usize()));
        let position = self.by_index.get(frame.bus.as_usize()).copied().flatten();
        if let Some(bus) = position.and_then(|position| self.buses.get_mut(position)) {
            bus.push(self.extractors, frame);
        }
    }

    /// The series and the counts.
    #[must_use]
    pub fn finish(mut self) -> Decoded {
        let mut series = Vec::new();
        let mut absent = Vec::new();
        for (index, plan) in self.extractors.frames.iter().enumerate() {
            for (offset, channel) in plan.channels.iter().enumerate() {
                for bus in &mut self.buses {
                    let Some(samples) = bus.take_samples(index, offset) else {
                        continue;
                    };
                    if !samples.t_ns.is_empty() || !samples.invalid.is_empty() {
                        series.push(channel.series(samples, &bus.name, plan.id));
                    }
                }
            }
            if !self
                .buses
                .iter()
                .any(|bus| bus.first_series.contains_key(&index))
            {
                absent.push(AbsentFrame {
                    bus: plan.bus.clone(),
                    id: plan.id,
                    name: plan.name.clone(),
                });
            }
        }
        let buses = self.buses.into_iter().map(Bus::traffic).collect();
        Decoded {
            signals: Signals { series },
            traffic: Traffic { buses, absent },
        }
    }
}

impl Bus {
    fn new(name: &str) -> Self {
        let unseen = SeenId {
            id: CanId::Base(0),
            frames: 0,
            decoding: None,
        };
        Self {
            name: name.to_owned(),
            table: IdTable::new(),
            ids: vec![unseen],
            series: Vec::new(),
            first_series: HashMap::new(),
            remote_frames: 0,
            error_frames: 0,
            uncounted_frames: 0,
        }
    }

    #[inline]
    fn push(&mut self, extractors: &Extractors, frame: &Frame<'_>) {
        if !frame.flags.carries_data() {
            match frame.flags.error {
                true => self.error_frames += 1,
                false => self.remote_frames += 1,
            }
            return;
        }
        let mut position = self.table.position(frame.id);
        if position == 0 {
            match self.enter(extractors, frame.id) {
                Some(entered) => position = entered,
                None => {
                    self.uncounted_frames += 1;
                    return;
                }
            }
        }
        let Some(seen) = self.ids.get_mut(position as usize) else {
            return;
        };
        seen.frames += 1;
        let Some(Decoding { plan, first_series }) = seen.decoding else {
            return;
        };
        let Some(plan) = extractors.frames.get(plan as usize) else {
            return;
        };
        let Some(series) = self.series.get_mut(first_series as usize..) else {
            return;
        };
        for signal in plan
            .signals
            .iter()
            .filter(|signal| signal.is_in(frame.data))
        {
            let Some(samples) = series.get_mut(signal.channel) else {
                continue;
            };
            match signal.value(frame.data) {
                Ok(value) => {
                    samples.t_ns.push(frame.t_ns);
                    samples.value.push(value);
                }
                Err(reason) => samples.invalid.push(Invalid {
                    t_ns: frame.t_ns,
                    reason,
                }),
            }
        }
    }

    /// Enters an identifier at its first frame; `None` if there are too many to count.
    #[cold]
    fn enter(&mut self, extractors: &Extractors, id: CanId) -> Option<u32> {
        let plan = extractors.plan_for(&self.name, id);
        if plan.is_none() && self.ids.len() > MAX_COUNTED_IDS {
            return None;
        }
        let position = u32::try_from(self.ids.len()).ok()?;
        if !self.table.enter(id, position) {
            return None;
        }
        let decoding = plan.and_then(|plan| {
            let first_series = u32::try_from(self.series.len()).ok()?;
            let channels = extractors.frames.get(plan)?.channels.len();
            self.series
                .resize_with(self.series.len() + channels, Samples::default);
            self.first_series.insert(plan, first_series);
            Some(Decoding {
                plan: u32::try_from(plan).ok()?,
                first_series,
            })
        });
        self.ids.push(SeenId {
            id,
            frames: 0,
            decoding,
        });
        Some(position)
    }

    fn take_samples(&mut self, plan: usize, channel: usize) -> Option<Samples> {
        let first_series = *self.first_series.get(&plan)? as usize;
        self.series
            .get_mut(first_series + channel)
            .map(std::mem::take)
    }

    fn traffic(self) -> BusTraffic {
        let mut ids: Vec<IdTraffic> = self
            .ids
            .iter()
            .skip(1)
            .map(|seen| IdTraffic {
                id: seen.id,
                frames: seen.frames,
                decoded: seen.decoding.is_some(),
            })
            .collect();
        ids.sort_by_key(|seen| seen.id);
        BusTraffic {
            bus: self.name,
            ids,
            uncounted_frames: self.uncounted_frames,
            remote_frames: self.remote_frames,
            error_frames: self.error_frames,
        }
    }
}

impl Channel {
    fn series(&self, samples: Samples, bus: &str, id: CanId) -> Series {
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
