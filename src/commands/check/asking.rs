//! Trouble codes asked for on a live bus, because the person named the file for this run. Each
//! request is one that only reads: OBD-II services 03, 07 and 0A, UDS service 19 by status.

use std::collections::HashMap;
use std::path::Path;
use std::time::Duration;

use slipwright_decoders::decoder_file::RequestEntry;
use slipwright_decoders::frame::CanId;
use slipwright_decoders::iso_tp::framing::Framing;
use slipwright_decoders::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use slipwright_decoders::obd2::addressing::ControlUnit;
use slipwright_decoders::trouble_code::CodeStatus;
use slipwright_decoders::uds::codes_request;
use slipwright_decoders::uds::negative::NegativeAnswer;
use slipwright_logger::recorder::ask::SPACING_NS;
use slipwright_logger::recorder::receive::{BusSocket, SendSocket};
use slipwright_logger::recorder::source::{Batch, FrameSource};
use slipwright_logger::system_error;
use tokio::time::{Instant, sleep_until, timeout_at};

use super::codes::{OBD_LISTS, read};
use crate::car::read_decoder_file;
use crate::contract::check::TroubleCodesOutput;
use crate::failure::Failure;

/// Longest wait for an answer.
const ANSWER: Duration = Duration::from_millis(300);
/// Longest wait after "response pending".
const PENDING: Duration = Duration::from_millis(1500);
/// Least time between two requests, for the same reason as the recorder's.
const SPACING: Duration = Duration::from_nanos(SPACING_NS.unsigned_abs());
/// Status bits of a code that counts: test failed, pending, confirmed (ISO 14229-1).
const COUNTS: CodeStatus = CodeStatus(0x0D);

/// The requests of a file, whose units are asked.
pub(super) fn requests(path: &Path) -> Result<Vec<RequestEntry>, Failure> {
    let file = read_decoder_file(path)?;
    let mut units: Vec<RequestEntry> = Vec::new();
    for request in file.requests {
        let known = |unit: &RequestEntry| {
            (&unit.bus, unit.request_id, unit.response_id)
                == (&request.bus, request.request_id, request.response_id)
        };
        if !units.iter().any(known) {
            units.push(request);
        }
    }
    if units.is_empty() {
        return Err(Failure::content(
            path,
            "lists no [[request]]; there is no unit to ask",
        ));
    }
    Ok(units)
}

/// Asks one unit for all its lists, until a time. `next` is when a request may be sent, and is moved
/// on by each.
pub(super) async fn ask(
    unit: &RequestEntry,
    interface: &str,
    socket: &mut BusSocket,
    next: &mut Instant,
    until: Instant,
) -> Vec<TroubleCodesOutput> {
    let functional = RequestEntry::functional_request(unit.request_id.is_extended());
    let to_all = unit.request_id == functional;
    let is_obd = to_all || ControlUnit::from_answer(unit.response_id).is_some();
    let mut messages: Vec<(&'static str, Vec<u8>)> = Vec::new();
    if is_obd {
        messages.extend(
            OBD_LISTS
                .iter()
                .map(|(kind, name)| (*name, vec![kind.service()])),
        );
    }
    if !to_all {
        messages.push(("by status", codes_request(COUNTS).to_vec()));
    }
    let sender = match SendSocket::open(interface) {
        Ok(sender) => sender,
        Err(error) => {
            return vec![silent(unit, "all", format!("nothing can be sent: {error}"))];
        }
    };
    let mut told = Vec::new();
    for (list, message) in messages {
        sleep_until((*next).min(until)).await;
        if Instant::now() >= until {
            told.push(silent(unit, list, "not asked: the time was up".into()));
            continue;
        }
        let Some(data) = Framing::CLASSIC.single(&message) else {
            continue;
        };
        *next = Instant::now() + SPACING;
        if let Err(error) = sender.send(unit.request_id, &data) {
            let why = system_error::plain(&error);
            let why = format!("it cannot be asked: {why}; is the interface in listen-only mode?");
            told.push(silent(unit, list, why));
            continue;
        }
        let answers = answers(unit, to_all, list, socket, &sender, until).await;
        match answers.is_empty() {
            true => told.push(silent(unit, list, "no answer".into())),
            false => told.extend(answers),
        }
    }
    told
}

fn silent(unit: &RequestEntry, list: &'static str, why: String) -> TroubleCodesOutput {
    TroubleCodesOutput {
        unit: unit.response_id.to_string(),
        list,
        codes: Vec::new(),
        why: Some(why),
    }
}

/// Takes answers until they are whole or the wait is over. A request to all may have several.
async fn answers(
    unit: &RequestEntry,
    to_all: bool,
    list: &'static str,
    socket: &mut BusSocket,
    sender: &SendSocket,
    until: Instant,
) -> Vec<TroubleCodesOutput> {
    let started = Instant::now();
    let mut deadline = (started + ANSWER).min(until);
    let mut receivers: HashMap<CanId, Receiver> = HashMap::new();
    let mut told = Vec::new();
    let mut batch = Batch::new();
    while let Ok(Ok(())) = timeout_at(deadline, socket.receive(&mut batch)).await {
        for frame in batch.frames.iter().filter(|f| f.flags.carries_data()) {
            let answers_all = to_all && ControlUnit::from_answer(frame.id).is_some();
            if frame.id != unit.response_id && !answers_all {
                continue;
            }
            let receiver = receivers
                .entry(frame.id)
                .or_insert_with(|| Receiver::new(ReceiverSettings::default()));
            let received = receiver.on_frame(frame.real_ns, frame.data());
            if let Some(reply) = received.reply {
                let to = match ControlUnit::from_answer(frame.id) {
                    Some(unit) if to_all => unit.request_id(),
                    _ => unit.request_id,
                };
                // A unit whose flow control is lost breaks off; its list is then missing.
                let _ = sender.send(to, &Framing::CLASSIC.flow_control(reply));
                deadline = (Instant::now() + PENDING).min(until);
            }
            let Progress::Complete(message) = received.progress else {
                continue;
            };
            if let Some(negative) = NegativeAnswer::read(&message) {
                if negative.code.is_pending() {
                    deadline = (Instant::now() + PENDING).min(until);
                    continue;
                }
                told.push(TroubleCodesOutput {
                    unit: frame.id.to_string(),
                    list,
                    codes: Vec::new(),
                    why: Some(format!("refused: {negative}")),
                });
            } else if let Some((list, codes)) = read(&message) {
                told.push(TroubleCodesOutput {
                    unit: frame.id.to_string(),
                    list,
                    codes,
                    why: None,
                });
            }
            if !to_all && !told.is_empty() {
                return told;
            }
        }
    }
    told
}
