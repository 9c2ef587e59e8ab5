//! Diagnostic reads: a decoder file's requests as messages, and their answers as signals.
//!
//! [`AnswerPlans`] is to the requests of a decoder file what [`Extractors`] is to its frames: an
//! [`AnswerCollector`] takes the frames of one capture, reassembles the answers among them, and
//! gives the same kind of series. It only listens, so it does not matter who asked. What a request
//! looks like on the bus is in [`request`], an answer to several data identifiers in `several`, and
//! what is told of the answers beside their values in `answers`.

mod answers;
pub mod request;
mod several;

pub use answers::{Answers, HiddenAnswer, times};

use std::collections::{BTreeMap, HashMap};

use several::{DataLength, DataLengths, take_apart};

use crate::decoder_file::{DecoderFile, DiagnosticRead, FrameEntry, RequestEntry};
use crate::extractor::{Collector, Extractors};
use crate::field::MAX_ANSWER_BYTES;
use crate::frame::{BusIndex, CanId, Frame, FrameFlags, MAX_DATA_BYTES};
use crate::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use crate::signal::Signals;
use crate::uds::negative::{NegativeAnswer, NegativeCode};
use crate::uds::{READ_DATA_BY_IDENTIFIER, positive_answer};

/// Bytes of an answer before the data: service and data identifier.
const ECHO_BYTES: usize = 3;

/// A receiver of answers as long as fields may reach.
#[must_use]
pub fn answer_receiver() -> Receiver {
    Receiver::new(ReceiverSettings {
        max_message_bytes: ECHO_BYTES + MAX_ANSWER_BYTES,
        ..ReceiverSettings::default()
    })
}

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
    request_id: CanId,
    response_id: CanId,
    length: DataLength,
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
                request_id: request.request_id,
                response_id: request.response_id,
                length: DataLength {
                    stated: request.length_bytes.map(usize::from),
                    least: needed_bytes(request),
                },
                extractors: Extractors::compile(&file),
            }
        };
        Self {
            plans: file.requests.iter().map(plan).collect(),
        }
    }
}

/// How many data bytes the signals of an answer need.
fn needed_bytes(request: &RequestEntry) -> usize {
    let selectors = request.signals.iter().filter_map(|signal| signal.when);
    let fields = request.signals.iter().map(|signal| signal.field);
    fields
        .chain(selectors.map(|selector| selector.field))
        .map(|field| field.needed_bytes())
        .max()
        .unwrap_or(0)
}

/// Takes the answers out of the frames of one capture.
#[derive(Debug)]
pub struct AnswerCollector<'a> {
    /// One collector a request, because several requests have one answer identifier.
    requests: Vec<(&'a AnswerPlan, Collector<'a>)>,
    by_id: HashMap<CanId, Carried>,
    connections: HashMap<(BusIndex, CanId), Connection>,
    /// The data identifiers of the request under way, by the identifier of its answer.
    asked: HashMap<(BusIndex, CanId), Vec<u16>>,
    /// By position in `requests`: the data identifier behind which its answer seems to stand.
    hidden: BTreeMap<usize, u16>,
    requests_seen: u64,
    refusals: BTreeMap<(u8, NegativeCode), u64>,
    broken_messages: u64,
    too_long_messages: u64,
}

/// What an identifier carries; positions in [`AnswerCollector::requests`].
#[derive(Debug, Default)]
struct Carried {
    answers_to: Vec<usize>,
    requests: Vec<usize>,
    /// What the answers' data identifiers are known to have.
    lengths: DataLengths,
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
        let mut by_id: HashMap<CanId, Carried> = HashMap::new();
        for (index, plan) in plans.plans.iter().enumerate() {
            let asking = by_id.entry(plan.request_id).or_default();
            asking.requests.push(index);
            let answering = by_id.entry(plan.response_id).or_default();
            answering.answers_to.push(index);
            if let DiagnosticRead::DataIdentifier(identifier) = plan.read {
                let length = answering.lengths.entry(identifier).or_default();
                length.stated = length.stated.or(plan.length.stated);
                length.least = length.least.max(plan.length.least);
            }
        }
        Self {
            requests: plans
                .plans
                .iter()
                .map(|plan| (plan, Collector::new(&plan.extractors)))
                .collect(),
            by_id,
            connections: HashMap::new(),
            asked: HashMap::new(),
            hidden: BTreeMap::new(),
            requests_seen: 0,
            refusals: BTreeMap::new(),
            broken_messages: 0,
            too_long_messages: 0,
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
        if !frame.flags.carries_data() {
            return;
        }
        let Some(carried) = self.by_id.get(&frame.id) else {
            return;
        };
        let is_answer = u64::from(!carried.answers_to.is_empty());
        let connection = self
            .connections
            .entry((frame.bus, frame.id))
            .or_insert_with(|| Connection {
                receiver: answer_receiver(),
                began_ns: None,
            });
        let received = connection.receiver.on_frame(frame.t_ns, frame.data);
        if received.fault.is_some() {
            self.broken_messages += is_answer;
            connection.began_ns = None;
        }
        match received.progress {
            Progress::Complete(message) => {
                let t_ns = connection.began_ns.take().unwrap_or(frame.t_ns);
                self.request(frame, &message);
                self.answer(t_ns, frame, &message);
            }
            Progress::NeedMore { .. } => {
                connection.began_ns.get_or_insert(frame.t_ns);
            }
            Progress::TooLong { .. } => self.too_long_messages += is_answer,
            Progress::Ignored => {}
        }
    }

    /// Notes what a request asks for, whoever sent it.
    fn request(&mut self, frame: &Frame<'_>, message: &[u8]) {
        let Some((&service, asked)) = message.split_first() else {
            return;
        };
        let Some(carried) = self.by_id.get(&frame.id) else {
            return;
        };
        let identifiers: Vec<u16> = match asked.as_chunks::<2>() {
            (identifiers, []) if service == READ_DATA_BY_IDENTIFIER => identifiers
                .iter()
                .map(|bytes| u16::from_be_bytes(*bytes))
                .collect(),
            _ => Vec::new(),
        };
        let mut is_ours = false;
        for (plan, _) in carried
            .requests
            .iter()
            .filter_map(|&n| self.requests.get(n))
        {
            match plan.read {
                DiagnosticRead::Parameter {
                    service: wanted,
                    pid,
                } => is_ours |= service == wanted && asked.contains(&pid),
                DiagnosticRead::DataIdentifier(wanted) => {
                    is_ours |= identifiers.contains(&wanted);
                    let to = (frame.bus, plan.response_id);
                    self.asked.insert(to, identifiers.clone());
                }
            }
        }
        self.requests_seen += u64::from(is_ours);
    }

    fn answer(&mut self, t_ns: i64, frame: &Frame<'_>, message: &[u8]) {
        let Some(carried) = self.by_id.get(&frame.id) else {
            return;
        };
        if carried.answers_to.is_empty() {
            return;
        }
        if let Some(NegativeAnswer { service, code }) = NegativeAnswer::read(message) {
            if !code.is_pending() {
                *self.refusals.entry((service, code)).or_default() += 1;
                self.asked.remove(&(frame.bus, frame.id));
            }
            return;
        }
        let content = positive_answer(READ_DATA_BY_IDENTIFIER, message);
        let divided = content.ok().map(|content| {
            let asked = self.asked.remove(&(frame.bus, frame.id));
            take_apart(content, &carried.lengths, &asked.unwrap_or_default())
        });
        let hidden = divided
            .as_ref()
            .map(|divided| divided.hidden(&carried.lengths));
        let hidden = hidden.unwrap_or_default();
        let parts = divided.map_or(Vec::new(), |divided| divided.parts);
        for &index in &carried.answers_to {
            let Some((plan, collector)) = self.requests.get_mut(index) else {
                continue;
            };
            let mut take = |data| {
                collector.push(&Frame {
                    t_ns,
                    bus: frame.bus,
                    id: frame.id,
                    flags: FrameFlags::default(),
                    data,
                });
            };
            match plan.read {
                DiagnosticRead::DataIdentifier(identifier) => {
                    for (_, data) in parts.iter().filter(|(part, _)| *part == identifier) {
                        take(data);
                    }
                    if let Some((first, _)) = parts.first()
                        && hidden.contains(&identifier)
                    {
                        self.hidden.entry(index).or_insert(*first);
                    }
                }
                DiagnosticRead::Parameter { .. } => {
                    if let Ok(data) = plan.read.answer_data(message) {
                        take(data);
                    }
                }
            }
        }
    }

    /// The series and the counts.
    #[must_use]
    pub fn finish(self) -> Answers {
        let (mut series, mut unanswered, mut hidden) = (Vec::new(), Vec::new(), Vec::new());
        for (index, (plan, collector)) in self.requests.into_iter().enumerate() {
            let decoded = collector.finish();
            if !decoded.traffic.absent.is_empty() {
                let request = plan.name.clone();
                match self.hidden.get(&index) {
                    Some(&behind) => hidden.push(HiddenAnswer { request, behind }),
                    None => unanswered.push(request),
                }
            }
            series.extend(decoded.signals.series);
        }
        Answers {
            signals: Signals { series },
            asked: self.requests_seen,
            refusals: self.refusals,
            broken_messages: self.broken_messages,
            too_long_messages: self.too_long_messages,
            hidden,
            unanswered,
        }
    }
}

#[cfg(test)]
mod tests;
