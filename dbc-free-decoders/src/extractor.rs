//! Frames to signals: a decoder file compiled once, then run over frames.
//!
//! [`Extractors::compile`] turns a [`DecoderFile`] into plans that hold no more than the hot loop
//! needs. A [`Collector`] takes the frames of one capture ([`Collector::push`]), keeps the values
//! as series and counts what it saw; [`Collector::finish`] gives both. Several collectors may use
//! the same extractors at once.
//!
//! No frame costs an allocation of its own: series grow as vectors do, and an identifier is entered
//! in its bus's table when it is first seen. Answers to diagnostic requests are taken apart in
//! [`crate::diagnostic_read`].

pub(crate) mod id_table;
mod plan;

use std::collections::HashMap;

use id_table::IdTable;
use plan::{FramePlan, Samples};

use crate::decoder_file::DecoderFile;
use crate::frame::{BusIndex, CanId, Frame};
use crate::signal::{Invalid, Signals};
use crate::traffic::{AbsentFrame, BusTraffic, IdTraffic, Traffic};

/// Most identifiers that are counted one by one on a bus, beside those that are decoded. A car has
/// some hundreds; the bound keeps a capture of random identifiers from filling the memory.
const MAX_COUNTED_IDS: usize = 65_536;

/// A decoder file, compiled. It knows no capture and does not change while it runs.
#[derive(Clone, Debug)]
pub struct Extractors {
    frames: Vec<FramePlan>,
    by_id: HashMap<CanId, Vec<usize>>,
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

/// Stands for the position of a bus that nobody announced: no vector is that long.
const NOT_ANNOUNCED: usize = usize::MAX;

/// Takes the frames of one capture apart.
#[derive(Clone, Debug)]
pub struct Collector<'a> {
    extractors: &'a Extractors,
    /// Position in `buses` of each bus index, or [`NOT_ANNOUNCED`]; several may be one bus.
    by_index: Vec<usize>,
    /// Position in `buses` of each name.
    by_name: HashMap<String, usize>,
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

impl<'a> Collector<'a> {
    /// A collector that has seen nothing yet.
    #[must_use]
    pub fn new(extractors: &'a Extractors) -> Self {
        Self {
            extractors,
            by_index: Vec::new(),
            by_name: HashMap::new(),
            buses: Vec::new(),
        }
    }

    /// Says which bus an index stands for, before its first frame. Indices of one name, as in the
    /// sections of a joined capture, are one bus.
    pub fn add_bus(&mut self, index: BusIndex, name: &str) {
        let position = self.position(name);
        self.set_position(index.as_usize(), position);
    }

    /// Position in `buses` of a name; of a new one, the last.
    fn position(&mut self, name: &str) -> usize {
        match self.by_name.get(name) {
            Some(position) => *position,
            None => {
                let position = self.buses.len();
                self.by_name.insert(name.to_owned(), position);
                self.buses.push(Bus::new(name));
                position
            }
        }
    }

    fn set_position(&mut self, index: usize, position: usize) {
        if self.by_index.len() <= index {
            self.by_index.resize(index + 1, NOT_ANNOUNCED);
        }
        if let Some(entry) = self.by_index.get_mut(index) {
            *entry = position;
        }
    }

    /// Takes the values out of a frame and counts it. A frame of a bus that was not announced
    /// counts for a bus called by its index, such as `bus 3`.
    #[inline(always)]
    pub fn push(&mut self, frame: &Frame<'_>) {
        let extractors = self.extractors;
        match self.bus(frame.bus) {
            Some(bus) => bus.push(extractors, frame),
            None => self.push_on_new_bus(frame),
        }
    }

    #[cold]
    fn push_on_new_bus(&mut self, frame: &Frame<'_>) {
        self.add_bus(frame.bus, &format!("bus {}", frame.bus.as_usize()));
        let extractors = self.extractors;
        if let Some(bus) = self.bus(frame.bus) {
            bus.push(extractors, frame);
        }
    }

    #[inline]
    fn bus(&mut self, index: BusIndex) -> Option<&mut Bus> {
        let position = self.by_index.get(index.as_usize())?;
        self.buses.get_mut(*position)
    }

    /// Adds what another collector took from the frames that follow. It is as if one collector had
    /// taken all, but for which identifiers beyond the most that are counted are counted.
    pub fn append(&mut self, later: Self) {
        let places: Vec<usize> = later
            .buses
            .iter()
            .map(|bus| self.position(&bus.name))
            .collect();
        for (index, &position) in later.by_index.iter().enumerate() {
            if let Some(&place) = places.get(position) {
                self.set_position(index, place);
            }
        }
        let extractors = self.extractors;
        for (bus, place) in later.buses.into_iter().zip(places) {
            if let Some(own) = self.buses.get_mut(place) {
                own.append(extractors, bus);
            }
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
            return self.count_without_data(frame);
        }
        let mut position = self.table.position(frame.id);
        if position == 0 {
            match self.enter(extractors, frame.id) {
                Some(entered) => position = entered,
                None => return self.uncounted_frames += 1,
            }
        }
        let Some(seen) = self.ids.get_mut(position as usize) else {
            return;
        };
        seen.frames += 1;
        if let Some(decoding) = seen.decoding {
            self.decode(extractors, decoding, frame);
        }
    }

    #[cold]
    fn count_without_data(&mut self, frame: &Frame<'_>) {
        match frame.flags.error {
            true => self.error_frames += 1,
            false => self.remote_frames += 1,
        }
    }

    /// Out of line, so that the frames that nothing decodes pay for no more than their count.
    #[inline(never)]
    fn decode(&mut self, extractors: &Extractors, decoding: Decoding, frame: &Frame<'_>) {
        let Decoding { plan, first_series } = decoding;
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

    /// Enters an identifier at its first frame; `None` if there are too many.
    #[cold]
    fn enter(&mut self, extractors: &Extractors, id: CanId) -> Option<u32> {
        let plan = extractors.plan_for(&self.name, id);
        let position = u32::try_from(self.ids.len()).ok()?;
        let too_many = plan.is_none() && self.ids.len() > MAX_COUNTED_IDS;
        if too_many || !self.table.enter(id, position) {
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

    /// Adds the frames of the same bus that follow.
    fn append(&mut self, extractors: &Extractors, mut later: Self) {
        self.remote_frames += later.remote_frames;
        self.error_frames += later.error_frames;
        self.uncounted_frames += later.uncounted_frames;
        for SeenId {
            id,
            frames,
            decoding,
        } in later.ids.into_iter().skip(1)
        {
            let position = match self.table.position(id) {
                0 => self.enter(extractors, id),
                known => Some(known),
            };
            let Some(own) = position.and_then(|position| self.ids.get_mut(position as usize))
            else {
                self.uncounted_frames += frames;
                continue;
            };
            own.frames += frames;
            if let (Some(own), Some(decoding)) = (own.decoding, decoding)
                && let Some(plan) = extractors.frames.get(decoding.plan as usize)
            {
                let own = self.series.iter_mut().skip(own.first_series as usize);
                let later = later.series.iter_mut().skip(decoding.first_series as usize);
                for (own, later) in own.zip(later).take(plan.channels.len()) {
                    own.append(std::mem::take(later));
                }
            }
        }
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

#[cfg(test)]
mod tests;
