//! When a drive starts, goes on in a new file, and ends. A state machine on handed-in time; it
//! opens nothing and waits for nothing.

/// What governs a drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// A bus silent for this long has gone to sleep, ns.
    pub quiet_after_ns: i64,
    /// A file of this size is full, bytes.
    pub file_bytes: u64,
    /// A file this long is full, ns.
    pub file_ns: i64,
}

/// Why a drive ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum End {
    /// No frame on any bus for the time set.
    Quiet,
    /// The recorder was told to stop.
    Stopped,
    /// The disk would take no more.
    DiskFull,
    /// Writing failed for another reason.
    DiskFailed,
}

impl End {
    /// As written in the sidecar and said to a person.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Quiet => "the bus went quiet",
            Self::Stopped => "stopped",
            Self::DiskFull => "the disk is full",
            Self::DiskFailed => "the disk failed",
        }
    }
}

/// What to do now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Begin a drive, before the frame that woke it is written.
    Start,
    /// Close the file and go on in a new one.
    NextFile,
    /// End the drive.
    End(End),
}

#[derive(Clone, Copy, Debug)]
struct Drive {
    file_from_ns: i64,
    last_frame_ns: i64,
}

/// The state: asleep, or driving.
#[derive(Debug)]
pub struct Lifecycle {
    limits: Limits,
    drive: Option<Drive>,
}

impl Lifecycle {
    /// Asleep.
    #[must_use]
    pub fn new(limits: Limits) -> Self {
        Self {
            limits,
            drive: None,
        }
    }

    /// Whether a drive is on.
    #[must_use]
    pub fn is_driving(&self) -> bool {
        self.drive.is_some()
    }

    /// A frame came from a bus at this time.
    pub fn frame(&mut self, at_ns: i64) -> Option<Change> {
        match &mut self.drive {
            None => {
                self.drive = Some(Drive {
                    file_from_ns: at_ns,
                    last_frame_ns: at_ns,
                });
                Some(Change::Start)
            }
            Some(drive) => {
                drive.last_frame_ns = drive.last_frame_ns.max(at_ns);
                None
            }
        }
    }

    /// Time went on; the open file has this many bytes.
    pub fn tick(&mut self, now_ns: i64, file_bytes: u64) -> Option<Change> {
        let drive = self.drive.as_mut()?;
        if now_ns - drive.last_frame_ns >= self.limits.quiet_after_ns {
            self.drive = None;
            return Some(Change::End(End::Quiet));
        }
        if file_bytes >= self.limits.file_bytes
            || now_ns - drive.file_from_ns >= self.limits.file_ns
        {
            return self.next_file(now_ns);
        }
        None
    }

    /// A new file was asked for.
    pub fn next_file(&mut self, now_ns: i64) -> Option<Change> {
        let drive = self.drive.as_mut()?;
        drive.file_from_ns = now_ns;
        Some(Change::NextFile)
    }

    /// Ends the drive that is on, if one is.
    pub fn end(&mut self, why: End) -> Option<Change> {
        self.drive.take().map(|_| Change::End(why))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;

    fn lifecycle() -> Lifecycle {
        Lifecycle::new(Limits {
            quiet_after_ns: 30 * S,
            file_bytes: 1_000,
            file_ns: 600 * S,
        })
    }

    #[test]
    fn wakes_with_the_first_frame_and_sleeps_after_silence() {
        let mut drive = lifecycle();
        assert_eq!(drive.tick(0, 0), None);
        assert_eq!(drive.frame(5 * S), Some(Change::Start));
        assert_eq!(drive.frame(6 * S), None);
        assert_eq!(drive.tick(35 * S, 10), None);
        assert_eq!(drive.tick(36 * S, 10), Some(Change::End(End::Quiet)));
        assert!(!drive.is_driving());
        assert_eq!(drive.frame(90 * S), Some(Change::Start));
    }

    #[test]
    fn a_full_or_long_file_is_followed_by_the_next() {
        let mut drive = lifecycle();
        drive.frame(0);
        assert_eq!(drive.tick(S, 1_000), Some(Change::NextFile));
        for second in 1..=600 {
            drive.frame(second * S);
        }
        assert_eq!(drive.tick(600 * S, 5), None);
        drive.frame(601 * S);
        assert_eq!(drive.tick(601 * S, 5), Some(Change::NextFile));
        assert_eq!(drive.next_file(602 * S), Some(Change::NextFile));
    }

    #[test]
    fn an_end_comes_once() {
        let mut drive = lifecycle();
        assert_eq!(drive.end(End::Stopped), None);
        drive.frame(0);
        assert_eq!(drive.end(End::DiskFull), Some(Change::End(End::DiskFull)));
        assert_eq!(drive.end(End::Stopped), None);
        assert_eq!(drive.next_file(0), None);
    }

    #[test]
    fn a_frame_stamped_in_the_past_keeps_no_drive_open() {
        let mut drive = lifecycle();
        drive.frame(100 * S);
        drive.frame(90 * S);
        assert_eq!(drive.tick(129 * S, 0), None);
        assert_eq!(drive.tick(130 * S, 0), Some(Change::End(End::Quiet)));
    }
}
