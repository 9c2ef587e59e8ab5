//! A live bus, listened to for some seconds.

use std::time::Duration;

use slipwright_analysis::measures::FrameSpan;
use slipwright_analysis::traffic_watch::{Traffic, TrafficWatch};
use slipwright_decoders::decoder_file::RequestEntry;
use slipwright_decoders::extractor::Collector;
use slipwright_decoders::frame::{BusIndex, Frame};
use slipwright_decoders::signal::Signals;
use slipwright_logger::recorder::interface;
use slipwright_logger::recorder::receive::{BusSocket, interface_exists};
use slipwright_logger::recorder::source::{Batch, FrameSource, SourceError};
use tokio::time::{Instant, timeout_at};

use super::asking;
use crate::car::Car;
use crate::contract::check::TroubleCodesOutput;
use crate::failure::Failure;

/// The answer is there within this time, asking included.
const ANSWER_WITHIN: Duration = Duration::from_millis(9000);
/// Receive buffer, bytes: seconds of a full bus.
const BUFFER_BYTES: usize = 4 << 20;

/// What a live bus brought.
pub(super) struct Live {
    pub(super) signals: Signals,
    pub(super) traffic: Traffic,
    pub(super) span: FrameSpan,
    pub(super) notes: Vec<String>,
    pub(super) trouble_codes: Option<Vec<TroubleCodesOutput>>,
}

/// Listens to the interfaces at once.
pub(super) fn listen(
    names: &[String],
    car: &Car,
    seconds: f64,
    ask: Option<&[RequestEntry]>,
) -> Result<Live, Failure> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::Internal(error.to_string()))?;
    runtime.block_on(heard(names, car, seconds, ask))
}

fn open(name: &str) -> Result<BusSocket, Failure> {
    BusSocket::open(name, BUFFER_BYTES).map_err(|error| {
        Failure::Usage(match error {
            SourceError::Io(error)
                if matches!(
                    error.raw_os_error(),
                    Some(libc::EAFNOSUPPORT | libc::EPROTONOSUPPORT)
                ) =>
            {
                format!("{name}: this kernel has no CAN; name a capture, or run it where the interface is")
            }
            SourceError::Io(_) => format!("{name}: cannot be opened: {error}"),
            _ => format!(
                "{name}: no such file and no such CAN interface; check the name, or set the interface up"
            ),
        })
    })
}

async fn heard(
    names: &[String],
    car: &Car,
    seconds: f64,
    ask: Option<&[RequestEntry]>,
) -> Result<Live, Failure> {
    let begun = Instant::now();
    let mut sockets = Vec::new();
    let mut notes = Vec::new();
    for name in names {
        let socket = open(name)?;
        if !interface::is_up(name) {
            notes.push(format!(
                "{name} is down; set it up with the bit rate of the car's bus"
            ));
        }
        sockets.push(socket);
    }
    let mut collector = Collector::new(&car.decoder.extractors);
    let mut watch = TrafficWatch::new();
    for (k, name) in names.iter().enumerate() {
        let index = BusIndex::new(u16::try_from(k).unwrap_or(u16::MAX));
        collector.add_bus(index, name);
        watch.add_bus(index, name);
    }
    let until = begun + Duration::from_secs_f64(seconds);
    let mut span = FrameSpan::default();
    let mut batches: Vec<Batch> = names.iter().map(|_| Batch::new()).collect();
    // The kernel keeps what comes meanwhile, so the buses take turns.
    while Instant::now() < until {
        let slice = (Instant::now() + Duration::from_millis(20)).min(until);
        for (k, (socket, batch)) in sockets.iter_mut().zip(&mut batches).enumerate() {
            match timeout_at(slice, socket.receive(batch)).await {
                Ok(Ok(())) => {}
                Ok(Err(SourceError::Gone)) => {
                    return Err(Failure::Usage(format!(
                        "{}: the interface went away; plug it in and run it again",
                        names.get(k).map_or("", String::as_str)
                    )));
                }
                _ => continue,
            }
            let bus = BusIndex::new(u16::try_from(k).unwrap_or(u16::MAX));
            for received in &batch.frames {
                let frame = Frame {
                    t_ns: received.real_ns,
                    bus,
                    id: received.id,
                    flags: received.flags,
                    data: received.data(),
                };
                // Buses take turns, so an earlier frame may come later.
                span.first_ns = match span.frames {
                    0 => frame.t_ns,
                    _ => span.first_ns.min(frame.t_ns),
                };
                span.frames += 1;
                span.last_ns = span.last_ns.max(frame.t_ns);
                collector.push(&frame);
                watch.push(&frame);
            }
        }
    }
    for (name, socket) in names.iter().zip(&sockets) {
        if let Some(lost) = socket.dropped().filter(|lost| *lost > 0) {
            notes.push(format!(
                "{name}: this computer lost {lost} frames, so drop-outs may be its own and not the car's"
            ));
        }
    }
    if span.frames == 0 {
        notes.push(
            "nothing was heard: switch the ignition on, and check the plug, the bit rate and that the interface is up"
                .into(),
        );
    }
    let trouble_codes = match ask {
        Some(units) => Some(asked(units, names, &mut sockets, begun + ANSWER_WITHIN).await?),
        None => None,
    };
    Ok(Live {
        signals: collector.finish().signals,
        traffic: watch.finish(),
        span,
        notes,
        trouble_codes,
    })
}

async fn asked(
    units: &[RequestEntry],
    names: &[String],
    sockets: &mut [BusSocket],
    until: Instant,
) -> Result<Vec<TroubleCodesOutput>, Failure> {
    let mut told = Vec::new();
    let mut next = Instant::now();
    for unit in units {
        let place = match &unit.bus {
            None => Some(0),
            Some(bus) => names.iter().position(|name| name == bus),
        };
        let found = place.and_then(|place| Some((names.get(place)?, sockets.get_mut(place)?)));
        let Some((name, socket)) = found else {
            return Err(Failure::Usage(format!(
                "--ask: a request is for bus {}, which is not among the interfaces named",
                unit.bus.as_deref().unwrap_or_default()
            )));
        };
        if !interface_exists(name) {
            continue;
        }
        told.extend(asking::ask(unit, name, socket, &mut next, until).await);
    }
    Ok(told)
}
