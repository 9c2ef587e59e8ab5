//! The one pass over the frames: per identifier, how its bits move, how often it comes, and a
//! bounded sample of it. Nothing is decided here.

use std::collections::HashMap;

use super::bit_activity::{BitActivity, word_at};
use super::interval::Intervals;
use super::rows::{MOST_ROWS, Rows};
use crate::extractor::id_table::IdTable;
use crate::frame::{BusIndex, CanId, Frame, MAX_DATA_BYTES};

/// Most identifiers looked at on one bus. A car has some hundreds; the bound keeps a capture of
/// random identifiers from filling the memory.
pub(super) const MOST_IDS: usize = 4096;
/// Frames kept whole and in a row, for what shows from one frame to the next.
pub(crate) const HEAD_ROWS: usize = 2048;
/// Words of the longest frame.
const WORDS: usize = MAX_DATA_BYTES / 8;

/// What was seen of one identifier on one bus.
#[derive(Clone, Debug)]
pub(crate) struct IdSurvey {
    pub(crate) id: CanId,
    pub(crate) frames: u64,
    pub(crate) length_bytes: usize,
    pub(crate) activity: BitActivity,
    pub(crate) intervals: Intervals,
    pub(crate) rows: Rows,
    /// The first frames, none left out.
    pub(crate) head: Rows,
    last: [u64; WORDS],
    last_ns: i64,
    /// Whether the last frame is of the same capture.
    follows: bool,
}

impl IdSurvey {
    fn new(id: CanId) -> Self {
        Self {
            id,
            frames: 0,
            length_bytes: 0,
            activity: BitActivity::default(),
            intervals: Intervals::default(),
            rows: Rows::bounded(MOST_ROWS),
            head: Rows::bounded(2 * HEAD_ROWS),
            last: [0; WORDS],
            last_ns: 0,
            follows: false,
        }
    }

    #[inline]
    fn push(&mut self, t_ns: i64, data: &[u8]) {
        self.frames += 1;
        if data.len() > self.length_bytes {
            self.length_bytes = data.len();
            self.activity.widen(data.len());
        }
        let words = self.length_bytes.div_ceil(8);
        for (word, last) in self.last.iter_mut().enumerate().take(words) {
            let now = word_at(data, word);
            let flipped = std::mem::replace(last, now) ^ now;
            if self.follows && flipped != 0 {
                self.activity.count_word(word, flipped);
            }
        }
        if self.follows {
            self.activity.steps += 1;
            self.intervals.count(t_ns.saturating_sub(self.last_ns));
        }
        self.last_ns = t_ns;
        self.follows = true;
        if self.head.len() < HEAD_ROWS {
            self.head.offer(t_ns, data);
        }
        self.rows.offer(t_ns, data);
    }
}

/// One bus of the captures.
#[derive(Clone, Debug)]
pub(crate) struct BusSurvey {
    pub(crate) name: String,
    /// Position 0 stands for an identifier not seen yet and is empty.
    pub(crate) ids: Vec<IdSurvey>,
    table: IdTable,
}

/// A text that somebody put into a capture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mark {
    /// When, ns since the epoch.
    pub t_ns: i64,
    /// The text.
    pub text: String,
}

/// Takes the frames of one or more captures of the same car.
#[derive(Clone, Debug, Default)]
pub struct Survey {
    pub(crate) buses: Vec<BusSurvey>,
    by_index: Vec<usize>,
    by_name: HashMap<String, usize>,
    pub(crate) marks: Vec<Mark>,
    /// First and last stamp of each capture, ns.
    pub(crate) spans: Vec<(i64, i64)>,
    pub(crate) frames: u64,
    pub(crate) left_out_frames: u64,
}

impl Survey {
    /// Nothing seen yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Another capture begins: its bus indices are its own, and no frame of it follows one before.
    pub fn begin_capture(&mut self) {
        self.by_index.clear();
        self.spans.push((i64::MAX, i64::MIN));
        for bus in &mut self.buses {
            bus.ids.iter_mut().for_each(|id| id.follows = false);
        }
    }

    /// Says which bus an index stands for, before its first frame. Indices of one name are one bus.
    pub fn add_bus(&mut self, index: BusIndex, name: &str) {
        let position = match self.by_name.get(name) {
            Some(position) => *position,
            None => {
                let position = self.buses.len();
                self.by_name.insert(name.to_owned(), position);
                self.buses.push(BusSurvey {
                    name: name.to_owned(),
                    ids: vec![IdSurvey::new(CanId::Base(0))],
                    table: IdTable::new(),
                });
                position
            }
        };
        let index = index.as_usize();
        if self.by_index.len() <= index {
            self.by_index.resize(index + 1, usize::MAX);
        }
        if let Some(entry) = self.by_index.get_mut(index) {
            *entry = position;
        }
    }

    /// Remembers a mark.
    pub fn mark(&mut self, t_ns: i64, text: &str) {
        self.marks.push(Mark {
            t_ns,
            text: text.to_owned(),
        });
    }

    /// Takes one frame. Those without data of a sender are passed over.
    #[inline]
    pub fn push(&mut self, frame: &Frame<'_>) {
        if !frame.flags.carries_data() {
            return;
        }
        self.frames += 1;
        if let Some((first, last)) = self.spans.last_mut() {
            *first = (*first).min(frame.t_ns);
            *last = (*last).max(frame.t_ns);
        } else {
            self.spans.push((frame.t_ns, frame.t_ns));
        }
        let position = self.by_index.get(frame.bus.as_usize());
        let known = position.and_then(|&p| self.buses.get(p)).is_some();
        if !known {
            self.add_bus(frame.bus, &format!("bus {}", frame.bus.as_usize()));
        }
        let position = self.by_index.get(frame.bus.as_usize());
        let Some(bus) = position.and_then(|&p| self.buses.get_mut(p)) else {
            return;
        };
        let mut place = bus.table.position(frame.id) as usize;
        if place == 0 {
            if bus.ids.len() > MOST_IDS || !bus.table.enter(frame.id, bus.ids.len() as u32) {
                self.left_out_frames += 1;
                return;
            }
            place = bus.ids.len();
            bus.ids.push(IdSurvey::new(frame.id));
        }
        if let Some(id) = bus.ids.get_mut(place) {
            id.push(frame.t_ns, frame.data);
        }
    }

    /// Puts rows and marks in the order of their times, as captures may be given in any order.
    pub(crate) fn sort(&mut self) {
        let ids = self.buses.iter_mut().flat_map(|bus| &mut bus.ids);
        ids.for_each(|id| id.rows.sort());
        self.marks.sort_by_key(|mark| mark.t_ns);
    }

    /// Data frames taken.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.frames
    }
}
