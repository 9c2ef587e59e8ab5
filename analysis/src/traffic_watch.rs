//! Frames to outages: which identifiers fell silent, which repeated themselves, and when the bus
//! reported errors.
//!
//! Runs beside the extractor over the same frames, in memory that does not grow with the length of
//! the drive. An identifier that comes at a steady pace is silent when it stays away for five of
//! its own periods; one that carries a rolling counter is frozen when the counter stands still.

mod identifier;

use std::collections::HashMap;

use slipwright_decoders::frame::{BusIndex, CanId, Frame};

use identifier::Watched;

/// Most identifiers watched on a bus; a capture of random identifiers must not fill the memory.
const MOST_IDS: usize = 4096;
/// Most error frames whose time is kept, for the same reason.
const MOST_ERRORS: usize = 100_000;

/// A span of time, ns since the epoch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    /// When it began.
    pub from_ns: i64,
    /// When it was over.
    pub to_ns: i64,
}

impl Span {
    /// Its length, s.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.to_ns.saturating_sub(self.from_ns) as f64 * 1e-9
    }

    /// The time that it shares with another span, s.
    #[must_use]
    pub fn shared_s(&self, other: &Self) -> f64 {
        let from = self.from_ns.max(other.from_ns);
        let to = self.to_ns.min(other.to_ns);
        (to.saturating_sub(from) as f64 * 1e-9).max(0.0)
    }
}

/// One identifier over the capture.
#[derive(Clone, Debug, PartialEq)]
pub struct WatchedId {
    /// The identifier.
    pub id: CanId,
    /// Data frames.
    pub frames: u64,
    /// Its usual period, s, where it comes at a steady pace.
    pub period_s: Option<f64>,
    /// Times in which it stayed away.
    pub silent: Vec<Span>,
    /// Times in which its rolling counter stood still while it was sent on.
    pub frozen: Vec<Span>,
}

/// One bus over the capture.
#[derive(Clone, Debug, PartialEq)]
pub struct WatchedBus {
    /// Its name.
    pub bus: String,
    /// First to last frame.
    pub span: Span,
    /// Identifiers in the order of their first frames.
    pub ids: Vec<WatchedId>,
    /// Times of error frames, ns since the epoch, rising.
    pub error_ns: Vec<i64>,
}

/// What a watch saw.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Traffic {
    /// The buses that carried a frame.
    pub buses: Vec<WatchedBus>,
}

impl Traffic {
    /// The bus of this name.
    #[must_use]
    pub fn bus(&self, name: &str) -> Option<&WatchedBus> {
        self.buses.iter().find(|bus| bus.bus == name)
    }

    /// An identifier on the named bus.
    #[must_use]
    pub fn id(&self, bus: &str, id: CanId) -> Option<&WatchedId> {
        let mut ids = self.bus(bus)?.ids.iter();
        ids.find(|watched| watched.id == id)
    }
}

/// Watches the frames of one capture.
#[derive(Debug, Default)]
pub struct TrafficWatch {
    by_index: HashMap<BusIndex, usize>,
    buses: Vec<Bus>,
}

#[derive(Debug)]
struct Bus {
    name: String,
    span: Option<Span>,
    order: Vec<CanId>,
    ids: HashMap<CanId, Watched>,
    error_ns: Vec<i64>,
}

impl TrafficWatch {
    /// A watch that has seen nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Says which bus an index stands for. Indices of one name are one bus.
    pub fn add_bus(&mut self, index: BusIndex, name: &str) {
        let place = match self.buses.iter().position(|bus| bus.name == name) {
            Some(place) => place,
            None => {
                self.buses.push(Bus {
                    name: name.to_owned(),
                    span: None,
                    order: Vec::new(),
                    ids: HashMap::new(),
                    error_ns: Vec::new(),
                });
                self.buses.len() - 1
            }
        };
        self.by_index.insert(index, place);
    }

    /// Takes a frame.
    pub fn push(&mut self, frame: &Frame<'_>) {
        if !self.by_index.contains_key(&frame.bus) {
            self.add_bus(frame.bus, &format!("bus {}", frame.bus.as_usize()));
        }
        let place = self.by_index.get(&frame.bus).copied();
        let Some(bus) = place.and_then(|place| self.buses.get_mut(place)) else {
            return;
        };
        let span = bus.span.get_or_insert(Span {
            from_ns: frame.t_ns,
            to_ns: frame.t_ns,
        });
        span.to_ns = span.to_ns.max(frame.t_ns);
        if frame.flags.error {
            if bus.error_ns.len() < MOST_ERRORS {
                bus.error_ns.push(frame.t_ns);
            }
            return;
        }
        if !frame.flags.carries_data() {
            return;
        }
        if let Some(watched) = bus.ids.get_mut(&frame.id) {
            watched.push(frame.t_ns, frame.data);
        } else if bus.order.len() < MOST_IDS {
            bus.order.push(frame.id);
            bus.ids
                .insert(frame.id, Watched::new(frame.t_ns, frame.data));
        }
    }

    /// What was seen.
    #[must_use]
    pub fn finish(self) -> Traffic {
        let buses = self.buses.into_iter().filter_map(|mut bus| {
            let span = bus.span?;
            let ids = bus
                .order
                .iter()
                .filter_map(|id| Some(bus.ids.remove(id)?.finish(*id, span.to_ns)))
                .collect();
            // A recorder's clock may have stepped backwards.
            bus.error_ns.sort_unstable();
            Some(WatchedBus {
                bus: bus.name,
                span,
                ids,
                error_ns: bus.error_ns,
            })
        });
        Traffic {
            buses: buses.collect(),
        }
    }
}

#[cfg(test)]
mod tests;
