//! The task of one bus: its socket drained, its interface followed.

use std::cell::Cell;
use std::rc::Rc;
use std::time::Duration;

use tokio::time::{sleep, timeout};

use super::super::clock::{Clock, SystemClock};
use super::super::core::{BusId, BusState};
use super::super::interface;
use super::super::receive::{BusSocket, interface_exists};
use super::super::source::{Batch, FrameSource, SourceError};
use super::super::store::Room;
use super::asking::Asking;
use super::{DaemonError, Shared, TICK};
use crate::system_error;

/// How often a missing interface is looked for.
const LOOK: Duration = Duration::from_millis(500);
/// Pause before a controller that went bus-off is restarted: whatever broke the bus may still be.
const RESTART_AFTER: Duration = Duration::from_secs(1);

/// One bus, followed through everything that may happen to its interface.
pub(super) struct Bus {
    id: BusId,
    name: String,
    buffer_bytes: usize,
    recorder: Shared,
    room: Room,
    asking: Option<Asking>,
    state: Cell<BusState>,
    /// Bus-off was told, and the restart is still to come.
    restarting: Rc<Cell<bool>>,
}

impl Bus {
    pub(super) fn new(
        name: &str,
        buffer_bytes: usize,
        recorder: &Shared,
        room: Room,
        asking: Option<Asking>,
    ) -> Self {
        Self {
            id: recorder.borrow_mut().add_bus(name),
            name: name.to_owned(),
            buffer_bytes,
            recorder: Rc::clone(recorder),
            room,
            asking,
            state: Cell::new(BusState::Gone),
            restarting: Rc::default(),
        }
    }

    /// Listens for ever; ends only with an error that waiting does not cure.
    pub(super) async fn listen(self) -> DaemonError {
        let mut told_missing = false;
        loop {
            match BusSocket::open(&self.name, self.buffer_bytes) {
                Ok(mut socket) => {
                    self.opened(&socket);
                    told_missing = true;
                    self.drain(&mut socket).await;
                }
                Err(SourceError::Io(error)) => match error.raw_os_error() {
                    Some(libc::EAFNOSUPPORT | libc::EPROTONOSUPPORT) => return DaemonError::NoCan,
                    Some(libc::EPERM | libc::EACCES) => return DaemonError::NotAllowed(self.name),
                    _ if told_missing => {}
                    _ => {
                        told_missing = true;
                        self.note(&format!(
                            "{} cannot be opened: {}; trying again",
                            self.name,
                            system_error::plain(&error)
                        ));
                    }
                },
                Err(_) if told_missing => {}
                Err(_) => {
                    told_missing = true;
                    self.note(&format!(
                        "there is no interface {}; waiting for it",
                        self.name
                    ));
                }
            }
            sleep(LOOK).await;
        }
    }

    fn opened(&self, socket: &BusSocket) {
        let is_up = interface::is_up(&self.name);
        let warning = self.settings_warning();
        let facts = interface::facts(&self.name);
        self.recorder
            .borrow_mut()
            .opened(self.id, facts, SystemClock.now());
        tracing::info!("listening on {}", self.name);
        if let Some(warning) = warning {
            self.note(&warning);
        }
        // What was asked for is what the kernel takes; it tells the double of what it keeps.
        if socket.granted_bytes() < self.buffer_bytes / 2 {
            self.note(&format!(
                "{} has a receive buffer of {} KiB instead of {}: a short stall may lose frames; \
                 raise net.core.rmem_max or grant CAP_NET_ADMIN",
                self.name,
                socket.granted_bytes() >> 10,
                self.buffer_bytes >> 10,
            ));
        }
        self.state.set(BusState::Up);
        if !is_up {
            self.change(BusState::Down);
        }
    }

    /// What a person should know of how the interface is set up.
    fn settings_warning(&self) -> Option<String> {
        if self.asking.is_none() {
            return interface::ask_to_only_listen(&self.name);
        }
        (interface::facts(&self.name).listen_only == Some(true)).then(|| {
            format!(
                "{} is in listen-only mode, so requests cannot be sent on it",
                self.name
            )
        })
    }

    /// Drains a socket until its interface is gone.
    async fn drain(&self, socket: &mut BusSocket) {
        let mut batch = Batch::new();
        loop {
            self.room.wait().await;
            match timeout(TICK, socket.receive(&mut batch)).await {
                Ok(Ok(())) => {
                    self.change(BusState::Up);
                    self.recorder
                        .borrow_mut()
                        .frames(self.id, &batch, SystemClock.now());
                    self.errors(&batch);
                    if let Some(asking) = &self.asking {
                        asking.hear(self.id, &batch);
                    }
                }
                Ok(Err(SourceError::Down)) => self.change(BusState::Down),
                Ok(Err(SourceError::Gone)) => return self.change(BusState::Gone),
                Ok(Err(SourceError::Io(error))) => {
                    let why = system_error::plain(&error);
                    self.note(&format!("{} cannot be read: {why}", self.name));
                    return self.change(BusState::Gone);
                }
                // Silence: a last loss is in no later frame, and a lost interface may be too.
                Err(_) => {
                    if !interface_exists(&self.name) {
                        return self.change(BusState::Gone);
                    }
                    if self.state.get() == BusState::Down && interface::is_up(&self.name) {
                        self.change(BusState::Up);
                    }
                }
            }
            if let Some(dropped) = socket.dropped() {
                self.recorder.borrow_mut().dropped(self.id, dropped);
            }
        }
    }

    /// Acts on what error frames say.
    fn errors(&self, batch: &Batch) {
        for frame in batch.frames.iter().filter(|f| f.flags.error) {
            let classes = frame.id.number();
            // A driver may say so more than once before it is restarted.
            if classes & interface::ERROR_BUS_OFF != 0 && !self.restarting.replace(true) {
                self.note(&format!("{} is bus-off", self.name));
                let (name, recorder) = (self.name.clone(), Rc::clone(&self.recorder));
                let restarting = Rc::clone(&self.restarting);
                tokio::task::spawn_local(async move {
                    sleep(RESTART_AFTER).await;
                    let told = interface::restart(&name);
                    recorder.borrow_mut().note(&told, SystemClock.now());
                    restarting.set(false);
                });
            }
            if classes & interface::ERROR_RESTARTED != 0 {
                self.note(&format!("{} runs again after bus-off", self.name));
            }
        }
    }

    /// Notes a new state. An interface that comes up may have been set up anew meanwhile.
    fn change(&self, state: BusState) {
        let before = self.state.replace(state);
        if before == state {
            return;
        }
        let mut warning = None;
        if before == BusState::Down && state == BusState::Up {
            warning = self.settings_warning();
            let facts = interface::facts(&self.name);
            self.recorder.borrow_mut().facts(self.id, facts);
        }
        self.recorder
            .borrow_mut()
            .state(self.id, state, SystemClock.now());
        if let Some(warning) = warning {
            self.note(&warning);
        }
    }

    fn note(&self, text: &str) {
        self.recorder.borrow_mut().note(text, SystemClock.now());
    }
}
