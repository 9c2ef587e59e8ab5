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
use tokio::task::LocalSet;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep};

use super::clock::{Clock, SystemClock};
use super::control::{self, ControlError, Reply, Request, Server};
use super::core::{Plan, Recorder};
use super::gnss::layout;
use super::gnss::link::{self, Receiver};
use super::lifecycle::End;
use super::live::GnssStatus;
use super::signals::{Geometry, LiveSignals};
use super::store::{DiskStore, Failure, Store};

mod asking;
mod bus;
mod watchdog;

use asking::Asking;
use bus::Bus;
use watchdog::Watchdog;

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
    #[error("the recorder could not start: {}", crate::system_error::plain(.0))]
    Start(io::Error),
}

const TICK: Duration = Duration::from_millis(100);

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
        let bus = Bus::new(
            name,
            settings.receive_buffer_bytes,
            &recorder,
            room.clone(),
            asking.clone(),
        );
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
