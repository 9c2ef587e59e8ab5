//! systemd's watchdog, fed for as long as the disk keeps up.

use std::time::Duration;

use sd_notify::NotifyState;
use tokio::time::Instant;

/// A disk that finished nothing for so long has hung; the watchdog is then no longer fed.
const DISK_HUNG: Duration = Duration::from_secs(20);

/// Tells systemd that all is well, as long as it is.
pub(super) struct Watchdog {
    every: Option<Duration>,
    fed: Instant,
    progress: Instant,
    waiting: usize,
}

impl Watchdog {
    pub(super) fn new() -> Self {
        let now = Instant::now();
        Self {
            every: sd_notify::watchdog_enabled().map(|limit| limit / 3),
            fed: now,
            progress: now,
            waiting: 0,
        }
    }

    /// `waiting` counts jobs not yet done; one that never falls while it is not zero is a disk that
    /// hangs.
    pub(super) fn feed(&mut self, waiting: usize, now: Instant) {
        if waiting == 0 || waiting < self.waiting {
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
