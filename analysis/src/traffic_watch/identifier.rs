//! One identifier: its pace, its silences, and whether its rolling counter turns.

use slipwright_decoders::frame::CanId;

use super::{Span, WatchedId};

/// Intervals from which the usual period is taken.
const LEARN_FROM: usize = 200;
/// Fewest intervals that tell a period.
const LEAST_INTERVALS: usize = 8;
/// Silent from so many periods on: the rule of the decoder file's timeout.
const SILENT_PERIODS: f64 = 5.0;
/// A silence is at least this long, s: below it a full bus or a busy recorder delays frames.
const SHORTEST_SILENCE_S: f64 = 0.05;
/// Frames that come in bursts or on events have many long intervals: above this share of them the
/// identifier has no pace.
const LONG_SHARE: f64 = 0.1;
/// Most silences kept of an identifier.
const MOST_SPANS: usize = 20_000;
/// The same content so often in a row is a frozen message if a counter should have turned.
const FROZEN_FRAMES: u32 = 6;
/// Content changes that are looked at for a counter.
const COUNTER_CHANGES: u32 = 2000;
/// Fewest changes that show one.
const LEAST_CHANGES: u32 = 40;
/// A nibble that goes up by one at this share of the changes is a counter; frames may get lost.
const COUNTER_SHARE: f64 = 0.8;
/// And it turns with every frame: at least this share of the contents is sent once. A clock or an odometer
/// goes up by one as well, and stays for several frames.
const SENT_ONCE_SHARE: f64 = 0.9;
/// Bytes of the data that are looked at.
const LOOKED_AT: usize = 8;

#[derive(Debug)]
pub(super) struct Watched {
    frames: u64,
    last_ns: i64,
    /// Stamps until the period is known.
    learning: Vec<i64>,
    period_s: Option<f64>,
    long_intervals: u64,
    silent: Vec<Span>,
    data: [u8; LOOKED_AT],
    length: usize,
    same: u32,
    same_from_ns: i64,
    repeats: Vec<Span>,
    changes: u32,
    /// Contents before a change that were sent once.
    sent_once: u32,
    ups: [u32; 2 * LOOKED_AT],
}

impl Watched {
    pub(super) fn new(t_ns: i64, data: &[u8]) -> Self {
        let (head, length) = head(data);
        Self {
            frames: 1,
            last_ns: t_ns,
            learning: vec![t_ns],
            period_s: None,
            long_intervals: 0,
            silent: Vec::new(),
            data: head,
            length,
            same: 1,
            same_from_ns: t_ns,
            repeats: Vec::new(),
            changes: 0,
            sent_once: 0,
            ups: [0; 2 * LOOKED_AT],
        }
    }

    pub(super) fn push(&mut self, t_ns: i64, data: &[u8]) {
        self.frames += 1;
        match self.period_s {
            Some(period_s) => self.interval(period_s, self.last_ns, t_ns),
            None => {
                self.learning.push(t_ns);
                if self.learning.len() > LEARN_FROM {
                    self.learn();
                }
            }
        }
        self.content(t_ns, data);
        self.last_ns = t_ns;
    }

    fn learn(&mut self) {
        let stamps = std::mem::take(&mut self.learning);
        let mut intervals: Vec<i64> = stamps
            .windows(2)
            .filter_map(|w| Some(w.last()?.saturating_sub(*w.first()?)))
            .collect();
        if intervals.len() < LEAST_INTERVALS {
            return;
        }
        let middle = intervals.len() / 2;
        let (_, &mut median_ns, _) = intervals.select_nth_unstable(middle);
        let period_s = (median_ns as f64 * 1e-9).max(1e-4);
        self.period_s = Some(period_s);
        for pair in stamps.windows(2) {
            if let [from, to] = *pair {
                self.interval(period_s, from, to);
            }
        }
    }

    fn interval(&mut self, period_s: f64, from_ns: i64, to_ns: i64) {
        let seconds = to_ns.saturating_sub(from_ns) as f64 * 1e-9;
        if seconds > 3.0 * period_s {
            self.long_intervals += 1;
        }
        let silent = seconds > SILENT_PERIODS * period_s && seconds > SHORTEST_SILENCE_S;
        if silent && self.silent.len() < MOST_SPANS {
            self.silent.push(Span { from_ns, to_ns });
        }
    }

    fn content(&mut self, t_ns: i64, data: &[u8]) {
        let (head, length) = head(data);
        if head == self.data && length == self.length {
            self.same = self.same.saturating_add(1);
            return;
        }
        self.end_repeat();
        if self.changes < COUNTER_CHANGES {
            self.changes += 1;
            self.sent_once += u32::from(self.same == 1);
            for (i, up) in self.ups.iter_mut().enumerate() {
                let nibble = |bytes: &[u8; LOOKED_AT]| {
                    let byte = bytes.get(i / 2).copied().unwrap_or(0);
                    if i % 2 == 0 { byte >> 4 } else { byte & 0xF }
                };
                if nibble(&head) == (nibble(&self.data) + 1) & 0xF {
                    *up += 1;
                }
            }
        }
        (self.data, self.length) = (head, length);
        (self.same, self.same_from_ns) = (1, t_ns);
    }

    fn end_repeat(&mut self) {
        if self.same >= FROZEN_FRAMES && self.repeats.len() < MOST_SPANS {
            self.repeats.push(Span {
                from_ns: self.same_from_ns,
                to_ns: self.last_ns,
            });
        }
    }

    fn has_counter(&self) -> bool {
        let most = self.ups.iter().copied().max().unwrap_or(0);
        let is_most = |n: u32, share: f64| f64::from(n) >= share * f64::from(self.changes);
        self.changes >= LEAST_CHANGES
            && is_most(most, COUNTER_SHARE)
            && is_most(self.sent_once, SENT_ONCE_SHARE)
    }

    pub(super) fn finish(mut self, id: CanId, bus_end_ns: i64) -> WatchedId {
        self.end_repeat();
        if self.period_s.is_none() {
            self.learn();
        }
        if let Some(period_s) = self.period_s {
            self.interval(period_s, self.last_ns, bus_end_ns);
        }
        let paced = (self.long_intervals as f64) < LONG_SHARE * self.frames as f64;
        WatchedId {
            id,
            frames: self.frames,
            period_s: self.period_s.filter(|_| paced),
            frozen: match self.has_counter() {
                true => self.repeats,
                false => Vec::new(),
            },
            silent: match paced {
                true => self.silent,
                false => Vec::new(),
            },
        }
    }
}

fn head(data: &[u8]) -> ([u8; LOOKED_AT], usize) {
    let mut head = [0; LOOKED_AT];
    for (to, from) in head.iter_mut().zip(data) {
        *to = *from;
    }
    (head, data.len())
}
