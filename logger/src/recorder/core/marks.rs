//! What is written among the frames: the person's marks, and what the recorder has to say of its
//! buses and clocks.

use super::super::clock::{ClockEvent, Reading};
use super::super::store::Store;
use super::Recorder;
use super::bus::BusId;
use crate::capture::WriteError;

/// Warnings kept for the live state.
const WARNINGS_KEPT: usize = 20;

/// Why a mark was not kept.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MarkError {
    /// No drive is on.
    #[error("no drive is being recorded now, so the mark was not kept")]
    NoDrive,
    /// The text is too long.
    #[error("the text has {0} bytes; a mark takes at most 65535")]
    Long(usize),
}

impl<S: Store> Recorder<S> {
    /// Sets a mark of the person's. Gives the drive's name and the mark's time in it, s.
    ///
    /// # Errors
    ///
    /// [`MarkError`].
    pub fn mark(&mut self, text: &str, now: Reading) -> Result<(String, f64), MarkError> {
        self.clocks(now);
        let t_ns = self.timeline.at(now.boot_ns);
        self.describe_first_bus();
        let (Some(file), Some(drive)) = (self.file.as_mut(), self.drive.as_mut()) else {
            return Err(MarkError::NoDrive);
        };
        file.writer
            .write_mark(t_ns, None, text)
            .map_err(|error| match error {
                WriteError::LongText(bytes) => MarkError::Long(bytes),
                _ => MarkError::NoDrive,
            })?;
        drive.marks += 1;
        Ok((drive.name.clone(), (t_ns - drive.start_ns) as f64 / 1e9))
    }

    /// A line of the recorder's own in the file and among the warnings.
    pub fn note(&mut self, text: &str, now: Reading) {
        tracing::warn!("{text}");
        if self.warnings.len() == WARNINGS_KEPT {
            self.warnings.remove(0);
        }
        self.warnings.push(text.to_owned());
        let t_ns = self.timeline.at(now.boot_ns);
        self.describe_first_bus();
        if let Some(file) = self.file.as_mut() {
            // Too long or before 1970 it cannot be; the log has it in any case.
            let _ = file
                .writer
                .write_mark(t_ns, None, &format!("recorder: {text}"));
        }
    }

    /// A mark stands on a bus: in a file without a frame yet, on the first that is recorded.
    fn describe_first_bus(&mut self) {
        if self.file.is_some() && self.buses.iter().all(|bus| bus.in_file.is_none()) {
            self.in_file(BusId(0));
        }
    }

    /// Looks whether a clock was set or the computer slept, and says so.
    pub(super) fn clocks(&mut self, now: Reading) {
        for event in self.timeline.observe(now) {
            match event {
                ClockEvent::Stepped { by_ns } => {
                    let by_s = by_ns as f64 / 1e9;
                    if self.drive.is_none() {
                        self.timeline.restart();
                        tracing::info!("the clock was set by {by_s:+.3} s");
                        continue;
                    }
                    let text = format!(
                        "the clock was set by {by_s:+.3} s; this drive's stamps keep the old time"
                    );
                    self.note(&text, now);
                }
                ClockEvent::Suspended { for_ns } => {
                    let text = format!("the computer slept for {:.1} s", for_ns as f64 / 1e9);
                    self.note(&text, now);
                    // Frames that come now belong to what is after the sleep.
                    let bytes = self.file.as_ref().map_or(0, |f| f.bytes);
                    if let Some(change) = self.lifecycle.tick(now.boot_ns, bytes) {
                        self.change(change, now.boot_ns, now);
                    }
                }
            }
        }
    }
}
