//! Words and progress on standard error, for people only.

use std::io::{IsTerminal, Write};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use indicatif::{MultiProgress, ProgressBar, ProgressDrawTarget, ProgressStyle};
use slipwright_logger::capture;

/// Whether a full-screen view has the terminal, into which nothing else may be written.
static SILENT: AtomicBool = AtomicBool::new(false);

/// The bars that are shown, one below the other.
static BARS: LazyLock<MultiProgress> = LazyLock::new(MultiProgress::new);

/// From now on neither bars nor lines.
#[cfg(target_os = "linux")]
pub(crate) fn silence() {
    SILENT.store(true, Ordering::Relaxed);
}

/// One plain line on standard error.
pub(crate) fn say(line: &str) {
    if SILENT.load(Ordering::Relaxed) {
        return;
    }
    // Standard error may be closed; there is then nobody to tell.
    BARS.suspend(|| {
        let _ = writeln!(std::io::stderr().lock(), "slipwright: {line}");
    });
}

/// A bar over a file's bytes that shows itself after a second, and only on a terminal. Where nothing
/// tells how many bytes there are, as of a pipe, there is none.
pub(crate) struct Progress {
    bar: Option<ProgressBar>,
    shown: bool,
    source: capture::Progress,
    events: u32,
}

/// Events from one look at the clock to the next: a few milliseconds of reading.
const EVENTS_A_LOOK: u32 = 1 << 18;

impl Progress {
    pub(crate) fn of(source: capture::Progress, what: &str) -> Self {
        // Where nobody watches there is no bar.
        let watched = std::io::stderr().is_terminal() && !SILENT.load(Ordering::Relaxed);
        let total = source.total_bytes().filter(|_| watched);
        let bar = total.map(|total| {
            let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::hidden());
            let style = ProgressStyle::with_template("{msg} {bytes} of {total_bytes}, {eta} left")
                .unwrap_or_else(|_| ProgressStyle::default_bar());
            bar.set_style(style);
            bar.set_message(what.to_owned());
            bar
        });
        Self {
            bar,
            shown: false,
            source,
            events: 0,
        }
    }

    /// One more event was read.
    #[inline]
    pub(crate) fn tick(&mut self) {
        self.events = self.events.wrapping_add(1);
        if self.events.is_multiple_of(EVENTS_A_LOOK) {
            self.look();
        }
    }

    #[cold]
    fn look(&mut self) {
        let Some(bar) = &self.bar else { return };
        if !self.shown && bar.elapsed() > Duration::from_secs(1) {
            BARS.add(bar.clone());
            self.shown = true;
        }
        bar.set_position(self.source.done_bytes());
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        if let Some(bar) = self.bar.as_ref().filter(|_| self.shown) {
            bar.finish_and_clear();
            BARS.remove(bar);
        }
    }
}

/// Work that no file's reader measures: a turning mark.
pub(crate) struct Spinner {
    bar: ProgressBar,
}

impl Spinner {
    /// Turns by itself while something is worked out.
    pub(crate) fn of(what: &str) -> Self {
        let bar = ProgressBar::new_spinner().with_message(what.to_owned());
        bar.enable_steady_tick(Duration::from_millis(250));
        Self { bar }
    }
}

impl Drop for Spinner {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
