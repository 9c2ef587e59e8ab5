//! Diagnostic reads, when the person asked for them by name: a bounded poll of a decoder file's
//! requests, one at a time (ISO 15765-2; OBD-II by SAE J1979; ISO 14229-1 service 0x22).
//!
//! A state machine on handed-in time: it says what to send and until when it waits; the daemon
//! owns the socket. Beside it only `check --ask` makes frames for a vehicle's bus.

use slipwright_decoders::decoder_file::RequestEntry;
use slipwright_decoders::diagnostic_read::answer_receiver;
use slipwright_decoders::frame::CanId;
use slipwright_decoders::iso_tp::framing::Framing;
use slipwright_decoders::iso_tp::receiver::{Progress, Receiver};
use slipwright_decoders::iso_tp::sender::{Sender, SenderSettings, Step as SendStep};
use slipwright_decoders::uds::negative::NegativeAnswer;
use slipwright_decoders::uds::{AnswerFault, P2_NS, P2_PENDING_NS};

use super::live::AskStatus;

/// No faster than this unless the person says so. Published experience (the data set "CAN signal
/// extraction and translation" of a Korean university group, 2018): at 100 ms a car's own traffic
/// was delayed, at 200 ms it was not.
pub const SPACING_NS: i64 = 200_000_000;
/// Longest wait for an answer to begin; some units are much slower than they should be.
const ANSWER_WITHIN_NS: i64 = 20 * P2_NS;
/// After so many silences in a row a request is asked only now and then: the car may sleep.
const SILENCES: u32 = 5;
/// How seldom that is.
const SELDOM_NS: i64 = 10_000_000_000;
/// Period of a request whose entry names none.
const PERIOD_NS: i64 = 1_000_000_000;

/// What to do next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Send this frame, then ask again.
    Send {
        /// The bus, by its place in the list of interfaces.
        bus: usize,
        /// Identifier.
        id: CanId,
        /// Data.
        data: Vec<u8>,
    },
    /// Nothing before this time, unless a frame comes.
    Wait {
        /// Unset clock, ns.
        until_ns: i64,
    },
}

struct Entry {
    request: RequestEntry,
    bus: usize,
    period_ns: i64,
    due_ns: i64,
    silences: u32,
}

/// The request that is under way.
struct Exchange {
    entry: usize,
    sender: Sender,
    receiver: Receiver,
    deadline_ns: i64,
    /// An answer has begun to arrive.
    arriving: bool,
}

/// Polls requests in turn.
pub struct Asker {
    entries: Vec<Entry>,
    spacing_ns: i64,
    not_before_ns: i64,
    exchange: Option<Exchange>,
    /// Flow control that is owed, with where it goes; that of a refused answer outlives its exchange.
    owed: Option<(usize, CanId, Vec<u8>)>,
    counts: AskStatus,
}

impl Asker {
    /// For these requests, each on its bus, and at least so long between two of them.
    #[must_use]
    pub fn new(requests: Vec<(RequestEntry, usize)>, spacing_ns: i64) -> Self {
        let entries = requests.into_iter().map(|(request, bus)| {
            let period_ns = request.period_ms.map_or(PERIOD_NS, |ms| (ms * 1e6) as i64);
            Entry {
                request,
                bus,
                period_ns,
                due_ns: i64::MIN,
                silences: 0,
            }
        });
        Self {
            entries: entries.collect(),
            spacing_ns,
            not_before_ns: i64::MIN,
            exchange: None,
            owed: None,
            counts: AskStatus::default(),
        }
    }

    /// Identifiers that this program sends with: their frames are no sign of a car awake.
    #[must_use]
    pub fn own_ids(&self) -> Vec<CanId> {
        self.entries
            .iter()
            .flat_map(|e| [e.request.request_id, e.request.flow_control_id()])
            .collect()
    }

    /// What came of it so far.
    #[must_use]
    pub fn counts(&self) -> &AskStatus {
        &self.counts
    }

    /// What to do at this time.
    pub fn poll(&mut self, now_ns: i64) -> Step {
        if let Some((bus, id, data)) = self.owed.take() {
            return Step::Send { bus, id, data };
        }
        if let Some(step) = self.go_on(now_ns) {
            return step;
        }
        let next = (0..self.entries.len()).min_by_key(|&i| self.entries.get(i).map(|e| e.due_ns));
        let Some((index, entry)) = next.and_then(|i| Some((i, self.entries.get(i)?))) else {
            return Step::Wait { until_ns: i64::MAX };
        };
        let due_ns = entry.due_ns.max(self.not_before_ns);
        if now_ns < due_ns {
            return Step::Wait { until_ns: due_ns };
        }
        self.begin(index, now_ns)
    }

    fn begin(&mut self, index: usize, now_ns: i64) -> Step {
        let Some(entry) = self.entries.get_mut(index) else {
            return Step::Wait { until_ns: i64::MAX };
        };
        let period_ns = if entry.silences >= SILENCES {
            SELDOM_NS
        } else {
            entry.period_ns
        };
        entry.due_ns = now_ns.saturating_add(period_ns.max(self.spacing_ns));
        self.not_before_ns = now_ns.saturating_add(self.spacing_ns);
        let message = entry.request.read.message();
        let Ok(sender) = Sender::new(message, SenderSettings::default()) else {
            return Step::Wait {
                until_ns: self.not_before_ns,
            };
        };
        self.counts.asked += 1;
        self.exchange = Some(Exchange {
            entry: index,
            sender,
            receiver: answer_receiver(),
            deadline_ns: now_ns.saturating_add(ANSWER_WITHIN_NS),
            arriving: false,
        });
        self.go_on(now_ns).unwrap_or(Step::Wait {
            until_ns: self.not_before_ns,
        })
    }

    /// The next step of the exchange under way; `None` when there is none.
    fn go_on(&mut self, now_ns: i64) -> Option<Step> {
        let exchange = self.exchange.as_mut()?;
        let entry = self.entries.get_mut(exchange.entry)?;
        if exchange.receiver.on_time(now_ns).is_some() {
            self.counts.broken += 1;
            self.exchange = None;
            return None;
        }
        let sending = match exchange.sender.poll(now_ns) {
            Ok(SendStep::Send(data)) => {
                return Some(Step::Send {
                    bus: entry.bus,
                    id: entry.request.request_id,
                    data,
                });
            }
            Ok(SendStep::Pause { until_ns } | SendStep::AwaitFlowControl { until_ns }) => until_ns,
            Ok(SendStep::Done) => i64::MAX,
            Err(_) => {
                self.counts.broken += 1;
                self.exchange = None;
                return None;
            }
        };
        if now_ns >= exchange.deadline_ns && !exchange.arriving {
            entry.silences = entry.silences.saturating_add(1);
            self.counts.silent += 1;
            self.exchange = None;
            return None;
        }
        let mut until_ns = sending.min(exchange.receiver.deadline_ns().map_or(i64::MAX, |t| t + 1));
        if !exchange.arriving {
            until_ns = until_ns.min(exchange.deadline_ns);
        }
        Some(Step::Wait { until_ns })
    }

    /// A data frame came from a bus.
    pub fn on_frame(&mut self, now_ns: i64, bus: usize, id: CanId, data: &[u8]) {
        let Some(exchange) = self.exchange.as_mut() else {
            return;
        };
        let Some(entry) = self.entries.get_mut(exchange.entry) else {
            return;
        };
        if bus != entry.bus || id != entry.request.response_id {
            return;
        }
        exchange.sender.on_frame(now_ns, data);
        let received = exchange.receiver.on_frame(now_ns, data);
        if let Some(reply) = received.reply {
            let id = entry.request.flow_control_id();
            self.owed = Some((entry.bus, id, Framing::CLASSIC.flow_control(reply)));
        }
        if received.fault.is_some() {
            self.counts.broken += 1;
            self.exchange = None;
            return;
        }
        let message = match received.progress {
            Progress::Complete(message) => message,
            Progress::NeedMore { .. } => {
                exchange.arriving = true;
                return;
            }
            Progress::TooLong { .. } => {
                self.counts.broken += 1;
                self.exchange = None;
                return;
            }
            Progress::Ignored => return,
        };
        exchange.arriving = false;
        if NegativeAnswer::read(&message).is_some_and(|answer| answer.code.is_pending()) {
            exchange.deadline_ns = now_ns.saturating_add(P2_PENDING_NS);
            return;
        }
        match entry.request.read.answer_data(&message) {
            Ok(_) => {
                entry.silences = 0;
                self.counts.answered += 1;
            }
            // Somebody else's exchange on the same identifiers: ours is still to come.
            Err(AnswerFault::Unrelated { .. }) => return,
            Err(_) => {
                entry.silences = 0;
                self.counts.refused += 1;
            }
        }
        self.exchange = None;
    }
}

#[cfg(test)]
#[path = "ask_tests.rs"]
mod tests;
