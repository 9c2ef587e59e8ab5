//! The log: to standard error, and by that into the journal when systemd runs the recorder, each
//! line then marked with its priority (sd-daemon(3)) instead of a time, which the journal has.

use std::fmt;

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::{FmtContext, FormatEvent, FormatFields};
use tracing_subscriber::registry::LookupSpan;

/// One line an event.
struct Line {
    journal: bool,
}

impl<S, N> FormatEvent<S, N> for Line
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        context: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let level = *event.metadata().level();
        if self.journal {
            let priority = match level {
                Level::ERROR => 3,
                Level::WARN => 4,
                Level::INFO => 6,
                _ => 7,
            };
            write!(writer, "<{priority}>")?;
        } else {
            let now = jiff::Timestamp::now();
            write!(writer, "{now:.3} ")?;
            if level <= Level::WARN {
                write!(writer, "{} ", level.as_str().to_lowercase())?;
            }
        }
        context
            .field_format()
            .format_fields(writer.by_ref(), event)?;
        writeln!(writer)
    }
}

/// Starts the log in a file, for while a full-screen view has the terminal.
pub fn start_in(file: std::fs::File) {
    // A second start, as in tests, keeps the first.
    let _ = tracing_subscriber::fmt()
        .with_max_level(Level::INFO)
        .with_writer(std::sync::Arc::new(file))
        .log_internal_errors(false)
        .event_format(Line { journal: false })
        .try_init();
}

/// Starts the log. `RUST_LOG`-like wishes are not taken: there is one level that is right.
pub fn start() {
    let journal = std::env::var_os("JOURNAL_STREAM").is_some();
    // A second start, as in tests, keeps the first.
    let _ = tracing_subscriber::fmt()
        .with_max_level(Level::INFO)
        .with_writer(std::io::stderr)
        .log_internal_errors(false)
        .event_format(Line { journal })
        .try_init();
}
