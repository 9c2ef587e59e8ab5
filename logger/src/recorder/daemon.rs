//! The daemon: starts everything, joins it on one thread, and stops it in order.
//!
//! One task a bus drains its socket into the [`Recorder`]; one ticks; one answers the control
//! socket; one follows the satellite receiver. They share the recorder without locks because they
//! share a thread, and none waits while it holds it. Files are written elsewhere ([`DiskStore`]).

use std::cell::RefCell;
use std::io;
use std::path::{Path, PathBuf};
use std::rc::Rc;
use std::time::Duration;

use sd_notify::NotifyState;
use slipwright_decoders::decoder_file::{DecoderFile, RequestEntry};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::Notify;
use tokio::task::LocalSet;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};

use super::ask::{Asker, Step};
use super::clock::{Clock, SystemClock};
use super::control::{self, ControlError, Reply, Request, Server};
use super::core::{BusId, BusState, Plan, Recorder};
use super::gnss::layout;
use super::gnss::link::{self, Receiver};
use super::interface;
use super::lifecycle::End;
use super::live::GnssStatus;
use super::receive::{BusSocket, SendSocket, interface_exists};
use super::signals::{Geometry, LiveSignals};
use super::source::{Batch, FrameSource, SourceError};
use super::store::{DiskStore, Failure, Room, Store};

/// What to record, and how.
#[derive(Clone, Debug)]
pub struct Settings {
    /// CAN interfaces by name.
    pub interfaces: Vec<String>,
    /// Drives, files, sidecar.
    pub plan: Plan,
    /// Kernel receive buffer to ask for, bytes a bus.
    pub receive_buffer_bytes: usize,
    /// The control socket; [`control::default_path`] if left out.
    pub socket: Option<PathBuf>,
    /// Satellite receiver.
    pub gnss: Option<Receiver>,
    /// The car's decoder file and geometry, for the live state.
    pub car: Option<(DecoderFile, Geometry)>,
    /// Requests to send; without them nothing is ever sent.
    pub ask: Option<Ask>,
}

/// What the person allowed to be sent.
#[derive(Clone, Debug)]
pub struct Ask {
    /// The requests.
    pub requests: Vec<RequestEntry>,
    /// Least time from one to the next, ns.
    pub spacing_ns: i64,
}

/// Why the daemon could not run, or stopped before it was asked to.
#[derive(Debug, thiserror::Error)]
pub enum DaemonError {
    /// The kernel has no CAN.
    #[error("this kernel has no CAN; load the module can-raw, or use a kernel that has it")]
    NoCan,
    /// A request for a bus that is not recorded.
    #[error(
        "a request is for {0}, which is not recorded; add it to the interfaces, or change the request's bus"
    )]
    NoSuchBus(String),
    /// Not allowed to open a CAN socket.
    #[error("{0}: not allowed to listen on it; the program needs CAP_NET_RAW here")]
    NotAllowed(String),
    /// The folder for drives cannot be written.
    #[error("{}", .0.message)]
    Disk(Failure),
    /// The control socket.
    #[error(transparent)]
    Control(#[from] ControlError),
    /// The operating system withheld something basic.
    #[error("the recorder could not start: {0}")]
    Start(io::Error),
}

const TICK: Duration = Duration::from_millis(100);
/// How often a missing interface is looked for.
const LOOK: Duration = Duration::from_millis(500);
/// Pause before a controller that went bus-off is restarted: whatever broke the bus may still be.
const RESTART_AFTER: Duration = Duration::from_secs(1);
/// A disk that finished nothing for so long has hung; the watchdog is then no longer fed.
const DISK_HUNG: Duration = Duration::from_secs(20);

/// The recorder, shared by the tasks of one thread.
type Shared = Rc<RefCell<Recorder<DiskStore>>>;

/// Records until a signal or a full disk ends it. Gives back why it stopped.
///
/// # Errors
///
/// [`DaemonError`]. Whatever was recorded before is closed and kept.
pub fn run(settings: &Settings) -> Result<End, DaemonError> {
    prepare(&settings.plan.out)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(DaemonError::Start)?;
    LocalSet::new().block_on(&runtime, record(settings))
}

/// Makes the folder and tries it, so that a wrong one is known before the drive and not in it.
fn prepare(out: &Path) -> Result<(), DaemonError> {
    let trial = out.join(format!(".trial-{}", std::process::id()));
    std::fs::create_dir_all(out)
        .and_then(|()| std::fs::write(&trial, b"trial"))
        .and_then(|()| std::fs::remove_file(&trial))
        .map_err(|error| DaemonError::Disk(super::store::failure(out, &error)))
}

async fn record(settings: &Settings) -> Result<End, DaemonError> {
    let clock = SystemClock;
    let store = DiskStore::start(&settings.plan.out).map_err(DaemonError::Start)?;
    let room = store.room();
    let socket = settings
        .socket
        .clone()
        .unwrap_or_else(control::default_path);
    let server = Server::open(&socket)?;
    let recorder = Rc::new(RefCell::new(Recorder::new(
        settings.plan.clone(),
        store,
        clock.now(),
    )));
    if let Some((file, geometry)) = settings.car.clone() {
        recorder
            .borrow_mut()
            .set_signals(LiveSignals::new(file, geometry));
    }
    let asking = settings
        .ask
        .as_ref()
        .map(|ask| Asking::new(ask, &settings.interfaces))
        .transpose()?;
    if let Some(asking) = &asking {
        recorder
            .borrow_mut()
            .set_own_ids(asking.asker.borrow().own_ids());
        tracing::warn!(
            "requests are sent on the vehicle's bus; first try it standing still, and stop the recorder before \
             you park: a control unit that is asked may stay awake"
        );
        tokio::task::spawn_local(
            asking
                .clone()
                .poll(settings.interfaces.clone(), Rc::clone(&recorder)),
        );
    }
    let (fail, mut failed) = tokio::sync::mpsc::channel(1);
    for name in &settings.interfaces {
        let id = recorder.borrow_mut().add_bus(name);
        let bus = Bus {
            id,
            name: name.clone(),
            buffer_bytes: settings.receive_buffer_bytes,
            recorder: Rc::clone(&recorder),
            room: room.clone(),
            asking: asking.clone(),
        };
        let fail = fail.clone();
        tokio::task::spawn_local(async move {
            let error = bus.listen().await;
            // Nobody hears it when the daemon is stopping already.
            let _ = fail.send(error).await;
        });
    }
    let gnss = Rc::new(RefCell::new(None));
    if let Some(receiver) = settings.gnss.clone() {
        tokio::task::spawn_local(satellites(receiver, Rc::clone(&recorder), Rc::clone(&gnss)));
    }
    let answering = Rc::clone(&recorder);
    let answer = Rc::new(RefCell::new(move |request| {
        answer(&answering, &gnss, asking.as_ref(), request)
    }));
    tokio::task::spawn_local(async move { server.serve(answer).await });

    let ended = tokio::select! {
        ended = watch(&recorder) => ended,
        Some(error) = failed.recv() => Err(error),
    };
    finish(&recorder, ended).await
}

/// Ticks, obeys signals, feeds the watchdog. Ends when the recording does.
async fn watch(recorder: &Shared) -> Result<End, DaemonError> {
    let clock = SystemClock;
    let listen = |kind| signal(kind).map_err(DaemonError::Start);
    let mut terminate = listen(SignalKind::terminate())?;
    let mut interrupt = listen(SignalKind::interrupt())?;
    let mut hang_up = listen(SignalKind::hangup())?;
    let mut ticks = interval(TICK);
    ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut watchdog = Watchdog::new();
    let _ = sd_notify::notify(&[NotifyState::Ready]);
    loop {
        tokio::select! {
            _ = ticks.tick() => {
                let mut recorder = recorder.borrow_mut();
                recorder.tick(clock.now());
                if let Some(end) = recorder.ended() {
                    return Ok(end);
                }
                watchdog.feed(recorder.jobs_waiting(), Instant::now());
            }
            _ = terminate.recv() => return Ok(End::Stopped),
            _ = interrupt.recv() => return Ok(End::Stopped),
            // A closed terminal must not end a drive; by hand this asks for a new file.
            _ = hang_up.recv() => recorder.borrow_mut().next_file(clock.now()),
        }
    }
}

/// Ends the drive, waits for the disk, and says how it went.
async fn finish(recorder: &Shared, ended: Result<End, DaemonError>) -> Result<End, DaemonError> {
    // Frames that are queued now came before the end: the buses' tasks take them meanwhile, and a
    // bus that has fallen silent is asked once more what it lost.
    sleep(2 * TICK).await;
    let _ = sd_notify::notify(&[NotifyState::Stopping]);
    let mut recorder = recorder.borrow_mut();
    let why = *ended.as_ref().unwrap_or(&End::Stopped);
    recorder.stop(why, SystemClock.now());
    let report = recorder.store_mut().finish();
    for complaint in recorder.store_mut().complaints() {
        tracing::warn!("{complaint}");
    }
    match (ended?, report.failure) {
        (_, Some(failure)) => Err(DaemonError::Disk(failure)),
        (End::DiskFull, None) => Err(DaemonError::Disk(recorder.disk_nearly_full())),
        (end, None) => Ok(end),
    }
}

/// Tells systemd that all is well, as long as it is.
struct Watchdog {
    every: Option<Duration>,
    fed: Instant,
    progress: Instant,
    waiting: usize,
}

impl Watchdog {
    fn new() -> Self {
        let now = Instant::now();
        Self {
            every: sd_notify::watchdog_enabled().map(|limit| limit / 3),
            fed: now,
            progress: now,
            waiting: 0,
        }
    }

    /// `waiting` counts jobs not yet done; one that stands still while it is not zero is a disk
    /// that hangs.
    fn feed(&mut self, waiting: usize, now: Instant) {
        if waiting == 0 || waiting != self.waiting {
            self.progress = now;
        }
        self.waiting = waiting;
        let Some(every) = self.every else { return };
        if now - self.fed >= every && now - self.progress < DISK_HUNG {
            self.fed = now;
            let _ = sd_notify::notify(&[NotifyState::Watchdog]);
        }
    }
}

/// The poll of requests, shared by the task that sends and the buses that hear the answers.
#[derive(Clone)]
struct Asking {
    asker: Rc<RefCell<Asker>>,
    heard: Rc<Notify>,
}

impl Asking {
    /// A request without a bus goes to the first interface.
    fn new(ask: &Ask, interfaces: &[String]) -> Result<Self, DaemonError> {
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

    fn hear(&self, bus: BusId, batch: &Batch) {
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
    async fn poll(self, interfaces: Vec<String>, recorder: Shared) {
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
                        let text = format!("{name}: a request cannot be sent: {error}");
                        recorder.borrow_mut().note(&text, SystemClock.now());
                    }
                }
            }
        }
    }
}

/// One bus, followed through everything that may happen to its interface.
struct Bus {
    id: BusId,
    name: String,
    buffer_bytes: usize,
    recorder: Shared,
    room: Room,
    asking: Option<Asking>,
}

impl Bus {
    /// Listens for ever; ends only with an error that waiting does not cure.
    async fn listen(self) -> DaemonError {
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
                            "{} cannot be opened: {error}; trying again",
                            self.name
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
        let warning = match self.asking {
            None => interface::ask_to_only_listen(&self.name),
            Some(_) => None,
        };
        let facts = interface::facts(&self.name);
        if self.asking.is_some() && facts.listen_only == Some(true) {
            self.note(&format!(
                "{} is in listen-only mode, so requests cannot be sent on it",
                self.name
            ));
        }
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
        if !interface::is_up(&self.name) {
            self.state(BusState::Down);
        }
    }

    /// Drains a socket until its interface is gone.
    async fn drain(&self, socket: &mut BusSocket) {
        let mut batch = Batch::new();
        loop {
            self.room.wait().await;
            match timeout(TICK, socket.receive(&mut batch)).await {
                Ok(Ok(())) => {
                    self.state(BusState::Up);
                    self.recorder
                        .borrow_mut()
                        .frames(self.id, &batch, SystemClock.now());
                    self.errors(&batch);
                    if let Some(asking) = &self.asking {
                        asking.hear(self.id, &batch);
                    }
                }
                Ok(Err(SourceError::Down)) => self.state(BusState::Down),
                Ok(Err(SourceError::Gone)) => return self.state(BusState::Gone),
                Ok(Err(SourceError::Io(error))) => {
                    self.note(&format!("{} cannot be read: {error}", self.name));
                    return self.state(BusState::Gone);
                }
                // Silence: a last loss is in no later frame, and a lost interface may be too.
                Err(_) => {
                    if !interface_exists(&self.name) {
                        return self.state(BusState::Gone);
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
            if classes & interface::ERROR_BUS_OFF != 0 {
                self.note(&format!("{} is bus-off", self.name));
                let (name, recorder) = (self.name.clone(), Rc::clone(&self.recorder));
                tokio::task::spawn_local(async move {
                    sleep(RESTART_AFTER).await;
                    let told = interface::restart(&name);
                    recorder.borrow_mut().note(&told, SystemClock.now());
                });
            }
            if classes & interface::ERROR_RESTARTED != 0 {
                self.note(&format!("{} runs again after bus-off", self.name));
            }
        }
    }

    fn state(&self, state: BusState) {
        self.recorder
            .borrow_mut()
            .state(self.id, state, SystemClock.now());
    }

    fn note(&self, text: &str) {
        self.recorder.borrow_mut().note(text, SystemClock.now());
    }
}

/// Follows the satellite receiver.
async fn satellites(receiver: Receiver, recorder: Shared, live: Rc<RefCell<Option<Satellites>>>) {
    let bus = recorder.borrow_mut().add_guest(layout::INTERFACE);
    *live.borrow_mut() = Some(Satellites {
        source: receiver.to_string(),
        ..Satellites::default()
    });
    link::follow(
        &receiver,
        |fix| {
            let now = SystemClock.now();
            for (id, data) in layout::frames(&fix) {
                recorder.borrow_mut().guest_frame(bus, id, &data, now);
            }
            if let Some(live) = live.borrow_mut().as_mut() {
                live.at_boot_ns = Some(now.boot_ns);
                live.speed_mps = fix.speed_mps;
                live.satellites = fix.satellites;
            }
        },
        |text| tracing::info!("{text}"),
    )
    .await;
}

/// The newest satellite report, for the live state.
#[derive(Default)]
struct Satellites {
    source: String,
    at_boot_ns: Option<i64>,
    speed_mps: Option<f64>,
    satellites: Option<u8>,
}

fn answer(
    recorder: &Shared,
    gnss: &RefCell<Option<Satellites>>,
    asking: Option<&Asking>,
    request: Request,
) -> Reply {
    let now = SystemClock.now();
    let mut recorder = recorder.borrow_mut();
    match request {
        Request::Mark { text } => match recorder.mark(&text, now) {
            Ok((drive, at_s)) => Reply::Marked { at_s, drive },
            Err(error) => Reply::Refused {
                why: error.to_string(),
            },
        },
        Request::Status => {
            let mut status = recorder.status(now);
            status.gnss = gnss.borrow().as_ref().map(|live| GnssStatus {
                source: live.source.clone(),
                speed_mps: live.speed_mps,
                age_s: live.at_boot_ns.map(|at| (now.boot_ns - at) as f64 / 1e9),
                satellites: live.satellites,
            });
            status.asking = asking.map(|asking| *asking.asker.borrow().counts());
            Reply::Status(Box::new(status))
        }
    }
}
