//! The requests that the person allowed, on their way out, and the ear for their answers.

use std::cell::RefCell;
use std::io;
use std::rc::Rc;
use std::time::Duration;

use slipwright_decoders::decoder_file::RequestEntry;
use tokio::sync::Notify;
use tokio::time::timeout;

use super::super::ask::{Asker, Step};
use super::super::clock::{Clock, SystemClock};
use super::super::core::BusId;
use super::super::receive::SendSocket;
use super::super::source::Batch;
use super::{Ask, DaemonError, Shared};
use crate::system_error;

/// The poll of requests, shared by the task that sends and the buses that hear the answers.
#[derive(Clone)]
pub(super) struct Asking {
    pub(super) asker: Rc<RefCell<Asker>>,
    heard: Rc<Notify>,
}

impl Asking {
    /// A request without a bus goes to the first interface.
    pub(super) fn new(ask: &Ask, interfaces: &[String]) -> Result<Self, DaemonError> {
        let place = |request: &RequestEntry| match &request.bus {
            None => Ok((request.clone(), 0)),
            Some(bus) => match interfaces.iter().position(|name| name == bus) {
                Some(place) => Ok((request.clone(), place)),
                None => Err(DaemonError::NoSuchBus(bus.clone())),
            },
        };
        let requests = ask.requests.iter().map(place).collect::<Result<_, _>>()?;
        let asker = Asker::new(requests, ask.spacing_ns);
        Ok(Self {
            asker: Rc::new(RefCell::new(asker)),
            heard: Rc::default(),
        })
    }

    pub(super) fn hear(&self, bus: BusId, batch: &Batch) {
        let now_ns = SystemClock.now().boot_ns;
        let mut asker = self.asker.borrow_mut();
        for frame in batch
            .frames
            .iter()
            .filter(|frame| frame.flags.carries_data())
        {
            asker.on_frame(now_ns, bus.0, frame.id, frame.data());
        }
        self.heard.notify_one();
    }

    /// Sends what is due, for ever.
    pub(super) async fn poll(self, interfaces: Vec<String>, recorder: Shared) {
        let mut sockets: Vec<Option<SendSocket>> = interfaces.iter().map(|_| None).collect();
        let mut complained = false;
        loop {
            let now_ns = SystemClock.now().boot_ns;
            let step = self.asker.borrow_mut().poll(now_ns);
            let (bus, id, data) = match step {
                Step::Send { bus, id, data } => (bus, id, data),
                Step::Wait { until_ns } => {
                    let ns = until_ns
                        .saturating_sub(now_ns)
                        .clamp(1_000_000, 1_000_000_000);
                    let heard = self.heard.notified();
                    timeout(Duration::from_nanos(ns.unsigned_abs()), heard)
                        .await
                        .ok();
                    continue;
                }
            };
            let (Some(name), Some(socket)) = (interfaces.get(bus), sockets.get_mut(bus)) else {
                continue;
            };
            let sent = match socket {
                Some(socket) => socket.send(id, &data),
                None => SendSocket::open(name)
                    .map_err(io::Error::other)
                    .and_then(|opened| {
                        let sent = opened.send(id, &data);
                        *socket = Some(opened);
                        sent
                    }),
            };
            match sent {
                Ok(()) => complained = false,
                Err(error) => {
                    *socket = None;
                    if !complained {
                        complained = true;
                        let why = system_error::plain(&error);
                        let text = format!("{name}: a request cannot be sent: {why}");
                        recorder.borrow_mut().note(&text, SystemClock.now());
                    }
                }
            }
        }
    }
}
