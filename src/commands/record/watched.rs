//! `record --watch`: the live view as a program of its own, so that nothing that happens to it can
//! touch the recording.

use std::fs::File;
use std::io::{Stderr, Write};
use std::path::Path;
use std::process::{Child, Command};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};

use ratatui::termion::cursor::Show;
use ratatui::termion::raw::{IntoRawMode, RawTerminal};
use ratatui::termion::screen::ToMainScreen;
use slipwright_logger::recorder::control;
use slipwright_logger::recorder::daemon::Settings;

use crate::commands::watch::STOP;
use crate::failure::Failure;
use crate::output::make_folder;
use crate::progress;

/// Name of the log in the folder for drives.
const LOG: &str = "recorder.log";

/// Opens the log, at its end.
pub(super) fn log_file(out: &Path) -> Result<File, Failure> {
    make_folder(out)?;
    let path = out.join(LOG);
    File::options()
        .create(true)
        .append(true)
        .open(&path)
        .map_err(Failure::writing(&path))
}

/// The running view.
pub(super) struct View {
    waiter: JoinHandle<()>,
    has_recorder_ended: Arc<AtomicBool>,
}

/// Starts the view.
pub(super) fn start(settings: &Settings, vehicle: Option<&Path>) -> Result<View, Failure> {
    let program = std::env::current_exe().map_err(Failure::reading(Path::new("slipwright")))?;
    let socket = settings
        .socket
        .clone()
        .unwrap_or_else(control::default_path);
    let shown = program.clone();
    let mut command = Command::new(program);
    command
        .args(["watch", "--with-recorder", "--socket"])
        .arg(socket);
    if let Some(vehicle) = vehicle {
        command.arg("--vehicle").arg(vehicle);
    }
    let terminal = Terminal::remember()?;
    let child = command.spawn().map_err(Failure::reading(&shown))?;
    let log = settings.plan.out.join(LOG);
    let has_recorder_ended = Arc::new(AtomicBool::new(false));
    let ended = Arc::clone(&has_recorder_ended);
    Ok(View {
        waiter: thread::spawn(move || wait(child, &terminal, &log, &ended)),
        has_recorder_ended,
    })
}

/// The terminal as it was before the view, so that a view that was killed does not leave it without
/// line ends and Ctrl-C.
struct Terminal(RawTerminal<Stderr>);

impl Terminal {
    fn remember() -> Result<Self, Failure> {
        let raw = std::io::stderr().into_raw_mode().map_err(|_| {
            Failure::Usage("--watch needs a terminal; leave it out, or use watch elsewhere".into())
        })?;
        let remembered = Self(raw);
        remembered.restore();
        Ok(remembered)
    }

    fn restore(&self) {
        // A terminal that has gone needs no care.
        let _ = self.0.suspend_raw_mode();
    }
}

/// Waits for the view to end, and does what its person asked for.
fn wait(mut child: Child, terminal: &Terminal, log: &Path, has_recorder_ended: &AtomicBool) {
    let ended = child.wait().ok().and_then(|status| status.code());
    if ended.is_none() {
        // Killed: it could not leave its screen itself.
        let _ = write!(std::io::stderr(), "{ToMainScreen}{Show}");
    }
    terminal.restore();
    if ended == Some(STOP) {
        // The recorder ends as by Ctrl-C on its own terminal. It cannot fail for our own process.
        let _ =
            rustix::process::kill_process(rustix::process::getpid(), rustix::process::Signal::INT);
    } else if !has_recorder_ended.load(Ordering::Relaxed) {
        progress::say(&format!(
            "the view has ended, the recording goes on; its log is {}, Ctrl-C ends it",
            log.display()
        ));
    }
}

impl View {
    /// Waits until the view, whose recorder has gone, has given the terminal back.
    pub(super) fn leave(self) {
        self.has_recorder_ended.store(true, Ordering::Relaxed);
        // A thread that panicked has said so already.
        let _ = self.waiter.join();
    }
}
