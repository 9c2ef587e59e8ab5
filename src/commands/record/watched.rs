//! `record --watch`: the live view as a program of its own, so that nothing that happens to it can
//! touch the recording.

use std::fs::File;
use std::path::Path;
use std::process::{Child, Command};
use std::thread::{self, JoinHandle};

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
pub(super) struct View(JoinHandle<()>);

/// Starts the view.
pub(super) fn start(settings: &Settings, vehicle: Option<&Path>) -> Result<View, Failure> {
    let program = std::env::current_exe().map_err(Failure::Printing)?;
    let socket = settings
        .socket
        .clone()
        .unwrap_or_else(control::default_path);
    let mut command = Command::new(program);
    command
        .args(["watch", "--with-recorder", "--socket"])
        .arg(socket);
    if let Some(vehicle) = vehicle {
        command.arg("--vehicle").arg(vehicle);
    }
    let child = command.spawn().map_err(Failure::Printing)?;
    let log = settings.plan.out.join(LOG);
    Ok(View(thread::spawn(move || wait(child, &log))))
}

/// Waits for the view to end, and does what its person asked for.
fn wait(mut child: Child, log: &Path) {
    let ended = child.wait().ok().and_then(|status| status.code());
    if ended == Some(STOP) {
        // The recorder ends as by Ctrl-C on its own terminal. It cannot fail for our own process.
        let _ =
            rustix::process::kill_process(rustix::process::getpid(), rustix::process::Signal::INT);
    } else {
        progress::say(&format!(
            "the view has ended, the recording goes on; its log is {}, Ctrl-C ends it",
            log.display()
        ));
    }
}

impl View {
    /// Waits until the view, whose recorder has gone, has given the terminal back.
    pub(super) fn leave(self) {
        // A thread that panicked has said so already.
        let _ = self.0.join();
    }
}
