//! Where frames come from: one [`FrameSource`] a bus. The kernel's is [`super::receive`]; its twin
//! in memory plays a script, so that everything past this line runs in tests without a bus.

use std::io;

use slipwright_decoders::frame::{CanId, FrameFlags, MAX_DATA_BYTES};

/// Most frames taken in one receive call. Past 64 the cost of a call no longer matters.
pub const BATCH_FRAMES: usize = 64;

/// One frame as the kernel handed it over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Received {
    /// Kernel receive time, ns since the epoch on `CLOCK_REALTIME`.
    pub real_ns: i64,
    /// The controller's own stamp, ns in the controller's clock; `None` where it has none.
    pub hardware_ns: Option<i64>,
    /// Identifier; of an error frame, the error classes as an extended number.
    pub id: CanId,
    /// Flags.
    pub flags: FrameFlags,
    /// How many of `bytes` are data.
    pub length: u8,
    /// Data, filled up with zeros.
    pub bytes: [u8; MAX_DATA_BYTES],
}

impl Received {
    /// The data bytes.
    #[must_use]
    pub fn data(&self) -> &[u8] {
        self.bytes
            .get(..usize::from(self.length))
            .unwrap_or(&self.bytes)
    }
}

/// The frames of one receive call, reused from call to call.
#[derive(Debug, Default)]
pub struct Batch {
    /// In the order received.
    pub frames: Vec<Received>,
    /// Frames that the kernel dropped since the source was opened, where this call told.
    pub dropped: Option<u32>,
}

impl Batch {
    /// An empty batch with room for [`BATCH_FRAMES`].
    #[must_use]
    pub fn new() -> Self {
        Self {
            frames: Vec::with_capacity(BATCH_FRAMES),
            dropped: None,
        }
    }

    /// Empties it, keeping its room.
    pub fn clear(&mut self) {
        self.frames.clear();
        self.dropped = None;
    }
}

/// Why a source gave nothing.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// The interface is down; the same source gives frames again when it is up.
    #[error("the interface is down")]
    Down,
    /// The interface is gone; open a new source when it is back.
    #[error("the interface is gone")]
    Gone,
    /// Anything else.
    #[error("{}", crate::system_error::plain(.0))]
    Io(#[from] io::Error),
}

impl SourceError {
    /// Sorts an error of the operating system.
    #[must_use]
    pub fn from_system(error: io::Error) -> Self {
        match error.raw_os_error() {
            Some(libc::ENETDOWN) => Self::Down,
            Some(libc::ENODEV | libc::ENXIO) => Self::Gone,
            _ => Self::Io(error),
        }
    }
}

/// Frames of one bus.
pub trait FrameSource {
    /// Waits for frames, then fills the batch with what is there, at most [`BATCH_FRAMES`].
    ///
    /// # Errors
    ///
    /// [`SourceError`]; after [`SourceError::Down`] it may be called again.
    fn receive(&mut self, batch: &mut Batch) -> impl Future<Output = Result<(), SourceError>>;

    /// Frames that the kernel dropped since the source was opened, asked for now: a loss at the
    /// very end shows in no later frame.
    fn dropped(&self) -> Option<u32>;
}

/// A source that plays a script, then waits for ever.
#[derive(Debug, Default)]
pub struct MemorySource {
    script: std::collections::VecDeque<Result<Vec<Received>, SourceError>>,
    dropped: u32,
}

impl MemorySource {
    /// Plays the given calls in turn.
    pub fn new(script: impl IntoIterator<Item = Result<Vec<Received>, SourceError>>) -> Self {
        Self {
            script: script.into_iter().collect(),
            dropped: 0,
        }
    }

    /// States a count of dropped frames.
    #[must_use]
    pub fn with_dropped(mut self, dropped: u32) -> Self {
        self.dropped = dropped;
        self
    }
}

impl FrameSource for MemorySource {
    async fn receive(&mut self, batch: &mut Batch) -> Result<(), SourceError> {
        batch.clear();
        match self.script.pop_front() {
            Some(Ok(frames)) => {
                batch.frames.extend(frames);
                batch.dropped = Some(self.dropped);
                Ok(())
            }
            Some(Err(error)) => Err(error),
            None => std::future::pending().await,
        }
    }

    fn dropped(&self) -> Option<u32> {
        Some(self.dropped)
    }
}
