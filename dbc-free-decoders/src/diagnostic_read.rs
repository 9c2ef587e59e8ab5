//! Diagnostic reads: a decoder file's requests as messages, and their answers as signals.
//!
//! [`AnswerPlans`] is to the requests of a decoder file what [`Extractors`] is to its frames: an
//! [`AnswerCollector`] takes the frames of one capture, reassembles the answers among them, and
//! gives the same kind of series. It only listens, so it does not matter who asked. What a request
//! looks like on the bus is in [`request`].

pub mod request;

use std::collections::{BTreeMap, HashMap};

use crate::decoder_file::{DecoderFile, DiagnosticRead, FrameEntry, RequestEntry};
use crate::extractor::{Collector, Extractors};
use crate::frame::{BusIndex, CanId, Frame, FrameFlags, MAX_DATA_BYTES};
use crate::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use crate::signal::Signals;
use crate::uds::negative::{NegativeAnswer, NegativeCode};

impl RequestEntry {
    /// Its answer as a frame of its own, so that the extractor's rules hold for it too.
    fn as_frame(&self) -> FrameEntry {
        FrameEntry {
            bus: self.bus.clone(),
            name: self.name.clone(),
            length_bytes: MAX_DATA_BYTES as u8,
            period_ms: self.period_ms,
            timeout_ms: self.timeout_ms,
            signals: self.signals.clone(),
            ..FrameEntry::new(self.response_id)
        }
    }
}

/// The requests of a decoder file, compiled.
#[derive(Clone, Debug)]
pub struct AnswerPlans {
    plans: Vec<AnswerPlan>,
}

#[derive(Clone, Debug)]
struct AnswerPlan {
    read: DiagnosticRead,
    /// Name in the owner's words, else what is asked for.
    name: String,
    response_id: CanId,
    extractors: Extractors,
}

impl AnswerPlans {
    /// The plans for a decoder file's requests.
    #[must_use]
    pub fn compile(file: &DecoderFile) -> Self {
        let plan = |request: &RequestEntry| {
            let frames = vec![request.as_frame()];
            let file = DecoderFile {
                frames,
                ..DecoderFile::default()
            };
            AnswerPlan {
                read: request.read,
                name: request
                    .name
                    .clone()
                    .unwrap_or_else(|| request.read.to_string()),
                response_id: request.response_id,
                extractors: Extractors::compile(&file),
            }
        };
        Self {
            plans: file.requests.iter().map(plan).collect(),
        }
    }
}

/// What the answers in one capture brought.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answers {
    /// The signals, in the decoder file's order.
    pub signals: Signals,
    /// How often each refusal was given, by service and code; "response pending" is none.
    pub refusals: BTreeMap<(u8, NegativeCode), u64>,
    /// Messages that broke off: a frame missing, late or out of order.
    pub broken_messages: u64,
    /// Requests that nothing in the capture answers, in the decoder file's order, each by its name or
    /// by what it asks for.
    pub unanswered: Vec<String>,
}

impl Answers {
    /// What a reader of the signals must know, one plain sentence each: refusals, answers that broke
    /// off, requests without any answer.
    #[must_use]
    pub fn warnings(&self) -> Vec<String> {
        let times = |n: u64| match n {
            1 => "once".to_owned(),
            n => format!("{n} times"),
        };
        let mut warnings: Vec<String> = self
            .refusals
            .iter()
            .map(|((service, code), n)| {
                format!(
                    "a control unit refused service 0x{service:02X} {}: {code}",
                    times(*n)
                )
            })
            .collect();
        if self.broken_messages > 0 {
            warnings.push(format!(
                "an answer of a control unit broke off {}: a part of it is missing, late or out of order",
                times(self.broken_messages)
            ));
        }
        if !self.unanswered.is_empty() {
            warnings.push(format!("no answer in it to {}", self.unanswered.join(", ")));
        }
        warnings
    }
}

/// Takes the answers out of the frames of one capture.
#[derive(Debug)]
pub struct AnswerCollector<'a> {
    /// One collector a request, because several requests have one answer identifier.
    requests: Vec<(&'a AnswerPlan, Collector<'a>)>,
    /// Positions in `requests` by answer identifier.
    by_id: HashMap<CanId, Vec<usize>>,
    connections: HashMap<(BusIndex, CanId), Connection>,
    refusals: BTreeMap<(u8, NegativeCode), u64>,
    broken_messages: u64,
}

#[derive(Debug)]
struct Connection {
    receiver: Receiver,
    /// Receive time of the first frame of the message under way, ns.
    began_ns: Option<i64>,
}

impl<'a> AnswerCollector<'a> {
    /// A collector that has seen nothing yet.
    #[must_use]
    pub fn new(plans: &'a AnswerPlans) -> Self {
        let mut by_id: HashMap<CanId, Vec<usize>> = HashMap::new();
        for (index, plan) in plans.plans.iter().enumerate() {
            by_id.entry(plan.response_id).or_default().push(index);
        }
        Self {
            requests: plans
                .plans
                .iter()
                .map(|plan| (plan, Collector::new(&plan.extractors)))
                .collect(),
            by_id,
            connections: HashMap::new(),
            refusals: BTreeMap::new(),
            broken_messages: 0,
        }
    }

    /// Says which bus an index stands for, before its first frame, as [`Collector::add_bus`] does.
    pub fn add_bus(&mut self, index: BusIndex, name: &str) {
        for (_, collector) in &mut self.requests {
            collector.add_bus(index, name);
        }
    }

    /// Takes a frame. A value's time is that of its answer's first frame, which is the nearest to
    /// the time of measurement.
    pub fn push(&mut self, frame: &Frame<'_>) {
        if !frame.flags.carries_data() || !self.by_id.contains_key(&frame.id) {
            return;
        }
        let connection = self
            .connections
            .entry((frame.bus, frame.id))
            .or_insert_with(|| Connection {
                receiver: Receiver::new(ReceiverSettings::default()),
                began_ns: None,
            });
        let received = connection.receiver.on_frame(frame.t_ns, frame.data);
        if received.fault.is_some() {
            self.broken_messages += 1;
            connection.began_ns = None;
        }
        match received.progress {
            Progress::Complete(message) => {
                let t_ns = connection.began_ns.take().unwrap_or(frame.t_ns);
                self.message(t_ns, frame, &message);
            }
            Progress::NeedMore { .. } => {
                connection.began_ns.get_or_insert(frame.t_ns);
            }
            Progress::TooLong { .. } => self.broken_messages += 1,
            Progress::Ignored => {}
        }
    }

    fn message(&mut self, t_ns: i64, frame: &Frame<'_>, message: &[u8]) {
        if let Some(NegativeAnswer { service, code }) = NegativeAnswer::read(message) {
            if !code.is_pending() {
                *self.refusals.entry((service, code)).or_default() += 1;
            }
            return;
        }
        for &index in self.by_id.get(&frame.id).into_iter().flatten() {
            let Some((plan, collector)) = self.requests.get_mut(index) else {
                continue;
            };
            if let Ok(data) = plan.read.answer_data(message) {
                // No field reaches beyond the longest frame.
                let data = data.get(..MAX_DATA_BYTES).unwrap_or(data);
                let flags = FrameFlags::default();
                collector.push(&Frame {
                    t_ns,
                    bus: frame.bus,
                    id: frame.id,
                    flags,
                    data,
                });
            }
        }
    }

    /// The series and the counts.
    #[must_use]
    pub fn finish(self) -> Answers {
        let (mut series, mut unanswered) = (Vec::new(), Vec::new());
        for (plan, collector) in self.requests {
            let decoded = collector.finish();
            if !decoded.traffic.absent.is_empty() {
                unanswered.push(plan.name.clone());
            }
            series.extend(decoded.signals.series);
        }
        Answers {
            signals: Signals { series },
            refusals: self.refusals,
            broken_messages: self.broken_messages,
            unanswered,
        }
    }
}

#[cfg(test)]
mod tests;
