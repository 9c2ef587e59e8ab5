//! Diagnostic reads: a decoder file's requests as messages, and their answers as signals.
//!
//! [`AnswerPlans`] is to the requests of a decoder file what [`Extractors`] is to its frames: an
//! [`AnswerCollector`] takes the frames of one capture, reassembles the answers among them, and
//! gives the same kind of series. It only listens, so it does not matter who asked.

use std::collections::{BTreeMap, HashMap};
use std::fmt;

use crate::decoder_file::{DecoderFile, DiagnosticRead, FrameEntry, RequestEntry};
use crate::extractor::{Collector, Extractors};
use crate::frame::{BusIndex, CanId, Frame, FrameFlags, MAX_DATA_BYTES};
use crate::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use crate::obd2::{self, addressing::ControlUnit};
use crate::signal::Signals;
use crate::uds::negative::{NegativeAnswer, NegativeCode};
use crate::uds::{self, AnswerFault, positive_answer};

impl DiagnosticRead {
    /// The service that it uses.
    #[must_use]
    pub fn service(self) -> u8 {
        match self {
            Self::Parameter { service, .. } => service,
            Self::DataIdentifier(_) => uds::READ_DATA_BY_IDENTIFIER,
        }
    }

    /// The request's message.
    #[must_use]
    pub fn message(self) -> Vec<u8> {
        match self {
            Self::Parameter { service, pid } => vec![service, pid],
            Self::DataIdentifier(identifier) => uds::read_data_request(&[identifier]),
        }
    }

    /// The data in an answer, after the echoed parameter number or data identifier.
    ///
    /// In an answer of service 01 with several parameters, what follows the first one's data is
    /// given too: fields say which bits they mean.
    ///
    /// # Errors
    /// When the message is a refusal or answers something else.
    pub fn answer_data(self, message: &[u8]) -> Result<&[u8], AnswerFault> {
        match self {
            Self::Parameter {
                service: obd2::CURRENT_DATA,
                pid,
            } => obd2::parameter_data(pid, message),
            Self::Parameter { service, pid } => match positive_answer(service, message)? {
                [found, data @ ..] if *found == pid => Ok(data),
                _ => Err(AnswerFault::Unrelated { service }),
            },
            Self::DataIdentifier(identifier) => uds::read_data_answer(identifier, message),
        }
    }
}

impl fmt::Display for DiagnosticRead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Parameter { service, pid } => {
                write!(f, "parameter 0x{pid:02X} of service 0x{service:02X}")
            }
            Self::DataIdentifier(identifier) => write!(f, "data identifier 0x{identifier:04X}"),
        }
    }
}

impl RequestEntry {
    /// Where the flow control for a longer answer goes: to the unit that answers, also where the
    /// request went to all (ISO 15765-4).
    #[must_use]
    pub fn flow_control_id(&self) -> CanId {
        self.flow_control_to(self.response_id)
    }

    /// The same for an answer of this identifier, which to a request to all any unit may give.
    #[must_use]
    pub fn flow_control_to(&self, answer_id: CanId) -> CanId {
        match ControlUnit::from_answer(answer_id) {
            Some(unit) if self.asks_all() => unit.request_id(),
            _ => self.request_id,
        }
    }

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
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::role::Role;

    const FILE: &str = r#"
        [decoder]
        name = "test"

        [[request]]
        bus = "can0"
        pid = 0x0C
        service = 0x01

          [[request.signal]]
          role = "engine.speed"
          start = 0
          length = 16
          order = "big"
          scale = 0.25
          unit = "rpm"

        [[request]]
        pid = 0x0D
        service = 0x01

          [[request.signal]]
          name = "speed"
          start = 0
          length = 8
          order = "big"
          unit = "km/h"
          invalid_raw = [0xFF]

        [[request]]
        did = 0x2001
        service = 0x22
        request_id = 0x712
        response_id = 0x77C

          [[request.signal]]
          role = "coupling.pressure"
          start = 64
          length = 16
          order = "big"
          scale = 0.01
          unit = "bar"
    "#;

    fn answers(frames: &[(i64, u16, u32, &[u8])]) -> Answers {
        let file = DecoderFile::parse(FILE).unwrap().file;
        let plans = AnswerPlans::compile(&file);
        let mut collector = AnswerCollector::new(&plans);
        collector.add_bus(BusIndex::new(0), "can0");
        collector.add_bus(BusIndex::new(1), "can1");
        for &(t_ns, bus, id, data) in frames {
            collector.push(&Frame {
                t_ns,
                bus: BusIndex::new(bus),
                id: CanId::new(id, false).unwrap(),
                flags: FrameFlags::default(),
                data,
            });
        }
        collector.finish()
    }

    fn values(answers: &Answers, key: &str) -> Vec<(i64, f64)> {
        let series = answers
            .signals
            .series
            .iter()
            .filter(|series| series.key.text() == key);
        series
            .flat_map(|s| s.t_ns.iter().copied().zip(s.value.iter().copied()))
            .collect()
    }

    #[test]
    fn single_frames_become_samples() {
        let got = answers(&[
            (1, 0, 0x7DF, &[0x02, 0x01, 0x0C, 0, 0, 0, 0, 0]),
            (2, 0, 0x7E8, &[0x04, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0]),
            (3, 0, 0x7E8, &[0x03, 0x41, 0x0D, 0x32, 0, 0, 0, 0]),
            // Both in one answer, and a bus that only the second request takes.
            (4, 0, 0x7E8, &[0x06, 0x41, 0x0C, 0x00, 0x04, 0x0D, 0x33, 0]),
            (5, 1, 0x7E8, &[0x06, 0x41, 0x0C, 0x00, 0x04, 0x0D, 0x34, 0]),
            // Another control unit, and a code that is no measurement.
            (6, 0, 0x7E9, &[0x03, 0x41, 0x0D, 0x35, 0, 0, 0, 0]),
            (7, 0, 0x7E8, &[0x03, 0x41, 0x0D, 0xFF, 0, 0, 0, 0]),
        ]);
        assert_eq!(values(&got, "engine.speed"), [(2, 1726.0), (4, 1.0)]);
        assert_eq!(values(&got, "speed"), [(3, 50.0), (4, 51.0), (5, 52.0)]);
        let invalid: usize = got
            .signals
            .series
            .iter()
            .map(|series| series.invalid.len())
            .sum();
        assert_eq!(invalid, 1);
        assert!(got.signals.role(Role::EngineSpeed).is_some());
    }

    #[test]
    fn longer_answers_carry_the_time_of_their_first_frame() {
        let first: &[u8] = &[0x10, 13, 0x62, 0x20, 0x01, 0, 0, 0];
        let got = answers(&[
            (10, 0, 0x77C, first),
            (20, 0, 0x77C, &[0x21, 0, 0, 0, 0, 0, 0x07, 0xD0]),
            // A message that breaks off, then one that does not.
            (30, 0, 0x77C, first),
            (40, 0, 0x77C, &[0x22, 0, 0, 0, 0, 0, 0x07, 0xD0]),
            (50, 0, 0x77C, first),
            (60, 0, 0x77C, &[0x21, 0, 0, 0, 0, 0, 0x03, 0xE8]),
            (70, 0, 0x77C, &[0x03, 0x7F, 0x22, 0x78, 0, 0, 0, 0]),
            (80, 0, 0x77C, &[0x03, 0x7F, 0x22, 0x31, 0, 0, 0, 0]),
        ]);
        assert_eq!(values(&got, "coupling.pressure"), [(10, 20.0), (50, 10.0)]);
        assert_eq!(got.broken_messages, 1);
        assert_eq!(
            got.refusals,
            BTreeMap::from([((0x22, NegativeCode(0x31)), 1)])
        );
        assert_eq!(
            got.unanswered,
            [
                "parameter 0x0C of service 0x01",
                "parameter 0x0D of service 0x01"
            ]
        );
        assert_eq!(
            got.warnings(),
            [
                "a control unit refused service 0x22 once: requestOutOfRange (0x31)",
                "an answer of a control unit broke off once: a part of it is missing, late or out of order",
                "no answer in it to parameter 0x0C of service 0x01, parameter 0x0D of service 0x01",
            ]
        );
    }

    /// An answer on a bus that the file does not mean is none.
    #[test]
    fn a_capture_that_answers_everything_has_no_warnings() {
        let pressure: &[u8] = &[0x10, 13, 0x62, 0x20, 0x01, 0, 0, 0];
        let rest: &[u8] = &[0x21, 0, 0, 0, 0, 0, 0x07, 0xD0];
        let both: &[u8] = &[0x06, 0x41, 0x0C, 0x00, 0x04, 0x0D, 0x33, 0];
        let all = [
            (1, 0, 0x7E8, both),
            (2, 0, 0x77C, pressure),
            (3, 0, 0x77C, rest),
        ];
        assert_eq!(answers(&all).warnings(), Vec::<String>::new());
        let elsewhere = answers(&[(1, 1, 0x7E8, both), all[1], all[2]]);
        assert_eq!(elsewhere.unanswered, ["parameter 0x0C of service 0x01"]);
    }

    /// SAE J1979 and ISO 14229-1 request forms; ISO 15765-4 addresses.
    #[test]
    fn requests_and_where_flow_control_goes() {
        let file = DecoderFile::parse(FILE).unwrap().file;
        let messages: Vec<_> = file.requests.iter().map(|r| r.read.message()).collect();
        assert_eq!(
            messages,
            [vec![0x01, 0x0C], vec![0x01, 0x0D], vec![0x22, 0x20, 0x01]]
        );
        let ids: Vec<_> = file
            .requests
            .iter()
            .map(RequestEntry::flow_control_id)
            .collect();
        assert_eq!(ids, [0x7E0, 0x7E0, 0x712].map(CanId::Base));
        let name = DiagnosticRead::Parameter {
            service: 0x09,
            pid: 0x02,
        };
        assert_eq!(
            name.answer_data(&[0x49, 0x02, 0x01, 0x41]),
            Ok(&[0x01, 0x41][..])
        );
        let unrelated = Err(AnswerFault::Unrelated { service: 0x09 });
        assert_eq!(name.answer_data(&[0x49, 0x04, 0x01]), unrelated);
    }

    proptest! {
        #[test]
        fn arbitrary_frames_never_panic(
            frames in prop::collection::vec(
                (any::<i64>(), 0_u16..3, prop::sample::select(vec![0x7E8_u32, 0x77C]),
                 prop::collection::vec(any::<u8>(), 0..=64)), 0..100),
        ) {
            let frames: Vec<(i64, u16, u32, &[u8])> =
                frames.iter().map(|(t, bus, id, data)| (*t, *bus, *id, &data[..])).collect();
            for series in answers(&frames).signals.series {
                prop_assert_eq!(series.t_ns.len(), series.value.len());
            }
        }
    }
}
