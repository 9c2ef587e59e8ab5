//! One bus: messages become due, wait for the bus by identifier, take it for their exact length,
//! and are stamped by the recorder when they end.

mod filler;

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use slipwright_decoders::decoder_file::SignalEntry;
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use crate::arbitration::{INTERMISSION_BITS, frame_bits, rank};
use crate::layout::Message;
use crate::random::{Purpose, Stream};
use crate::readings::{Reading, Readings};
use crate::source::Source;
use filler::{Filler, add_fillers};

/// Words of the set of waiting messages, one bit a message.
const WORDS: usize = 8;
/// Most messages of one bus.
const MOST_MESSAGES: usize = 64 * WORDS;

/// How a bus behaves.
#[derive(Clone, Debug, PartialEq)]
pub struct BusOptions {
    /// Bit rate, bit/s.
    pub bit_rate_bps: f64,
    /// Share of each bus's time that is taken, filler included, 0 to 1. What the car's own
    /// messages take is the least there can be.
    pub load: [f64; 2],
    /// Longest lateness of a sender behind its schedule, s.
    pub jitter_s: f64,
    /// Share of frames that the recorder loses.
    pub loss: f64,
}

impl Default for BusOptions {
    fn default() -> Self {
        Self {
            bit_rate_bps: 500e3,
            load: [0.2; 2],
            jitter_s: 4e-4,
            loss: 5e-5,
        }
    }
}

/// What is due to be sent.
#[derive(Debug)]
enum Content {
    /// A message and the memory of its signals.
    Signals(Box<Message>, Vec<u64>),
    Filler(Filler),
}

#[derive(Debug)]
struct Slot {
    id: CanId,
    period_ns: i64,
    /// Start of the period at hand on the sender's own clock, ns.
    scheduled_ns: i64,
    counter: u8,
    /// When the contents were made, ns.
    made_ns: i64,
    content: Content,
    data: [u8; 8],
    length: usize,
}

/// A frame that reached the recorder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Received {
    /// Stamp of the recorder, ns since the drive's start.
    pub t_ns: i64,
    /// When the sender had it ready, ns since the drive's start.
    pub due_ns: i64,
    bus: u16,
    id: CanId,
    data: [u8; 8],
    length: u8,
}

impl Received {
    /// The frame with stamps counted from `start_ns`.
    #[must_use]
    pub fn frame(&self, start_ns: i64) -> Frame<'_> {
        Frame {
            t_ns: start_ns + self.t_ns,
            bus: BusIndex::new(self.bus),
            id: self.id,
            flags: FrameFlags::default(),
            data: self
                .data
                .get(..usize::from(self.length))
                .unwrap_or(&self.data),
        }
    }
}

/// What goes wrong with the coupling's message at this time.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MessageFaults {
    /// It is not sent.
    pub gap: bool,
    /// It repeats what it last held.
    pub stale: bool,
}

/// One bus with everything on it.
#[derive(Debug)]
pub struct Bus {
    index: u16,
    options: BusOptions,
    /// In the order of arbitration.
    slots: Vec<Slot>,
    due: BinaryHeap<Reverse<(i64, usize)>>,
    waiting: [u64; WORDS],
    free_at_ns: i64,
    random: Stream,
    bits_sent: u64,
}

impl Bus {
    /// The bus with this index, its messages among `messages`, and filler up to the load. The car's
    /// seed chooses the filler, the drive's the timing.
    #[must_use]
    pub fn new(
        (car_seed, seed): (u64, u64),
        drive: usize,
        index: u16,
        options: BusOptions,
        messages: &[Message],
        extended_fillers: bool,
    ) -> Self {
        let mut built = Stream::new(car_seed, usize::from(u16::MAX), Purpose::Bus(index));
        let mut random = Stream::new(seed, drive, Purpose::Bus(index));
        let mut slots: Vec<Slot> = messages
            .iter()
            .filter(|message| message.bus == index)
            .map(|message| Slot {
                id: message.entry.id,
                period_ns: (message.period_ms * 1e6) as i64,
                scheduled_ns: (message.phase_ms * 1e6) as i64,
                counter: 0,
                made_ns: 0,
                length: usize::from(message.entry.length_bytes.min(8)),
                data: [0; 8],
                content: Content::Signals(Box::new(message.clone()), Vec::new()),
            })
            .collect();
        for slot in &mut slots {
            if let Content::Signals(message, memory) = &mut slot.content
                && message
                    .sources
                    .iter()
                    .any(|s| matches!(s, Source::Other(_)))
            {
                *memory = message.sources.iter().map(|_| built.bits()).collect();
            }
        }
        let taken: Vec<CanId> = messages.iter().map(|message| message.entry.id).collect();
        let wanted = options.load.get(usize::from(index)).copied().unwrap_or(0.0);
        add_fillers(
            &mut slots,
            &taken,
            &options,
            wanted,
            extended_fillers,
            &mut built,
        );
        slots.sort_by_key(|slot| rank(slot.id));
        let mut due = BinaryHeap::with_capacity(slots.len());
        for (k, slot) in slots.iter().enumerate() {
            due.push(Reverse((
                slot.scheduled_ns + jitter_ns(&options, &mut random),
                k,
            )));
        }
        Self {
            index,
            options,
            slots,
            due,
            waiting: [0; WORDS],
            free_at_ns: 0,
            random,
            bits_sent: 0,
        }
    }

    /// Bits sent since the start, intermissions included.
    #[must_use]
    pub fn bits_sent(&self) -> u64 {
        self.bits_sent
    }

    /// Messages on the bus, filler included.
    #[must_use]
    pub fn message_count(&self) -> usize {
        self.slots.len()
    }

    /// Everything that begins before `until_ns`. Values are sampled when a message becomes due; a
    /// message that is due again before it was sent is overwritten, as in a send buffer.
    pub fn advance(
        &mut self,
        until_ns: i64,
        readings: &mut Readings,
        faults: MessageFaults,
        received: &mut Vec<Received>,
    ) {
        loop {
            let next_due = self.due.peek().map_or(i64::MAX, |&Reverse((t_ns, _))| t_ns);
            let start_ns = match self.first_waiting() {
                Some(_) => self.free_at_ns,
                None => {
                    // The bus idles until something is due.
                    self.free_at_ns = self.free_at_ns.max(next_due.min(until_ns));
                    self.free_at_ns
                }
            };
            // All that is due by the time the bus is free takes part in the arbitration.
            if next_due <= start_ns && next_due < until_ns {
                self.make(readings, faults);
                continue;
            }
            if start_ns >= until_ns {
                return;
            }
            if let Some(winner) = self.first_waiting() {
                self.send(winner, start_ns, received);
            }
        }
    }

    fn first_waiting(&self) -> Option<usize> {
        self.waiting
            .iter()
            .enumerate()
            .find(|(_, word)| **word != 0)
            .map(|(k, word)| k * 64 + word.trailing_zeros() as usize)
    }

    /// Takes the message that is due first, samples its values and lets it wait for the bus.
    fn make(&mut self, readings: &mut Readings, faults: MessageFaults) {
        let Some(Reverse((t_ns, k))) = self.due.pop() else {
            return;
        };
        let Some(slot) = self.slots.get_mut(k) else {
            return;
        };
        slot.scheduled_ns += slot.period_ns;
        let next_ns = slot.scheduled_ns + jitter_ns(&self.options, &mut self.random);
        self.due.push(Reverse((next_ns, k)));
        slot.counter = (slot.counter + 1) & 0xF;
        slot.made_ns = t_ns;
        let mut silent = false;
        match &mut slot.content {
            Content::Signals(message, memory) => {
                let coupling = message.carries(Role::CouplingPressure)
                    || message.carries(Role::CouplingDemand);
                silent = coupling && faults.gap;
                if !(coupling && faults.stale) {
                    let now = (t_ns, slot.counter);
                    let data = &mut slot.data;
                    fill(message, readings, memory, &mut self.random, now, data);
                    if let Some(data) = slot.data.get_mut(..slot.length) {
                        message.protection.apply(data, slot.counter);
                    }
                }
            }
            Content::Filler(filler) => {
                filler.fill(&mut slot.data, self.random.bits());
                if let Some(data) = slot.data.get_mut(..slot.length) {
                    filler.protection.apply(data, slot.counter);
                }
            }
        }
        if !silent && let Some(word) = self.waiting.get_mut(k / 64) {
            *word |= 1 << (k % 64);
        }
    }

    fn send(&mut self, k: usize, start_ns: i64, received: &mut Vec<Received>) {
        if let Some(word) = self.waiting.get_mut(k / 64) {
            *word &= !(1 << (k % 64));
        }
        let Some(slot) = self.slots.get(k) else {
            return;
        };
        let data = slot.data.get(..slot.length).unwrap_or(&slot.data);
        let bits = frame_bits(slot.id, data);
        let bit_ns = 1e9 / self.options.bit_rate_bps;
        let end_ns = start_ns + (f64::from(bits) * bit_ns).round() as i64;
        self.free_at_ns = end_ns + (f64::from(INTERMISSION_BITS) * bit_ns).round() as i64;
        self.bits_sent += u64::from(bits + INTERMISSION_BITS);
        let lost = self.options.loss > 0.0 && self.random.chance(self.options.loss);
        if !lost {
            // The recorder stamps a little late, in microseconds.
            let late_us = 8 + (self.random.bits() >> 59) as i64;
            received.push(Received {
                t_ns: (end_ns / 1000 + late_us) * 1000,
                due_ns: slot.made_ns,
                bus: self.index,
                id: slot.id,
                data: slot.data,
                length: slot.length as u8,
            });
        }
    }
}

/// How late a sender is this time. Most tasks are nearly on time, some wait for another.
fn jitter_ns(options: &BusOptions, random: &mut Stream) -> i64 {
    let u = random.uniform();
    (options.jitter_s * u * u * 1e9) as i64
}

/// Puts a message's values into its data.
fn fill(
    message: &Message,
    readings: &mut Readings,
    memory: &mut [u64],
    random: &mut Stream,
    (t_ns, counter): (i64, u8),
    data: &mut [u8; 8],
) {
    *data = message.base;
    let signals = message.entry.signals.iter().zip(&message.sources);
    for (k, (signal, &source)) in signals.enumerate() {
        let raw = match (source, memory.get_mut(k)) {
            (Source::Other(other), Some(state)) => other.next(state, random.bits(), counter, t_ns),
            _ => raw_code(signal, source, readings, t_ns),
        };
        // Fields fit their frames by the layout's construction.
        let _ = signal.field.insert(data, raw);
    }
}

/// The raw code of what a source reads.
fn raw_code(signal: &SignalEntry, source: Source, readings: &mut Readings, t_ns: i64) -> u64 {
    match readings.read_source(source, t_ns) {
        Reading::NotAvailable => signal
            .invalid_raw
            .first()
            .copied()
            .unwrap_or(signal.field.mask()),
        Reading::Count(core) => {
            let (factor, _) = signal.unit.to_core();
            (core / factor / signal.scale) as u64 & signal.field.mask()
        }
        Reading::Value(core) => {
            let (factor, offset) = signal.unit.to_core();
            let turning = is_wheel(source) && signal.unit.quantity() == Quantity::AngularSpeed;
            let core = if turning {
                core / readings.radius_m()
            } else {
                core
            };
            let value = (core - offset) / factor;
            let low = signal.min.unwrap_or(f64::NEG_INFINITY);
            let high = signal.max.unwrap_or(f64::INFINITY);
            // A sender never lets a good value become the code for a bad one.
            let raw = signal.nearest_raw(value.max(low).min(high));
            if signal.invalid_raw.contains(&raw) {
                raw.saturating_sub(2)
            } else {
                raw
            }
        }
    }
}

fn is_wheel(source: Source) -> bool {
    matches!(source, Source::Role(role) if Role::WHEELS.contains(&role))
}

#[cfg(test)]
mod tests;
