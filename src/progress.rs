//! Words and progress on standard error, for people only.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// One plain line on standard error.
pub(crate) fn say(line: &str) {
    // Standard error may be closed; there is then nobody to tell.
    let _ = writeln!(std::io::stderr().lock(), "slipwright: {line}");
}

/// A bar over `total` bytes that shows itself after a second, and only on a terminal.
pub(crate) struct Progress {
    bar: ProgressBar,
    shown: bool,
}

impl Progress {
    pub(crate) fn over_bytes(total: u64, what: &str) -> Self {
        let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::hidden());
        let style = ProgressStyle::with_template("{msg} {bytes} of {total_bytes}, {eta} left")
            .unwrap_or_else(|_| ProgressStyle::default_bar());
        bar.set_style(style);
        bar.set_message(what.to_owned());
        // Where nobody watches, the bar counts as shown already and stays hidden.
        Self { bar, shown: !std::io::stderr().is_terminal() }
    }

    /// How many bytes have been read so far.
    pub(crate) fn at(&mut self, bytes: u64) {
        if !self.shown && self.bar.elapsed() > Duration::from_secs(1) {
            self.bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(4));
            self.shown = true;
        }
        self.bar.set_position(bytes);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
