//! Reads a capture from anything that gives bytes, through one buffer.

use std::io::{self, Read};
use std::ops::ControlFlow;

use super::block::BadBlock;
use super::error::{Looks, Problem};
use super::event::Event;
use super::format::{LONGEST_BLOCK_BYTES, kind};
use super::reading::{Pause, Reading};
use super::summary::{Ending, Summary};

/// Size of the buffer at first: it stays in a core's own cache.
const BUFFER_BYTES: usize = 256 << 10;

/// How many bytes of a file that is no capture are looked at.
const LOOK_BYTES: usize = 512;

/// How a source came to its end.
#[derive(Debug)]
enum SourceEnd {
    /// There is no more.
    Whole,
    /// The compressed file ends in the middle.
    Cut,
    /// The compressed file is damaged.
    Damaged,
    /// The system gives an error.
    Failed(io::Error),
}

/// A source, and what was read of it but not yet used.
pub(crate) struct Stream<R> {
    source: R,
    buffer: Vec<u8>,
    used: usize,
    filled: usize,
    end: Option<SourceEnd>,
}

impl<R: Read> Stream<R> {
    /// Reads the first bytes and checks that a capture begins there.
    pub(crate) fn begin(source: R) -> Result<Self, Problem> {
        let buffer = vec![0; BUFFER_BYTES];
        let mut stream = Self {
            source,
            buffer,
            used: 0,
            filled: 0,
            end: None,
        };
        while stream.filled < 4 && stream.fill() {}
        if stream.filled < 4
            && let Some(SourceEnd::Failed(_)) = stream.end
        {
            return Err(stream.failed(0));
        }
        let whole = matches!(stream.end, Some(SourceEnd::Whole));
        if let Err(problem) = check_beginning(stream.rest(), whole) {
            // A few more bytes, to say what it is instead.
            while stream.filled < LOOK_BYTES && stream.fill() {}
            return Err(check_beginning(stream.rest(), whole)
                .err()
                .unwrap_or(problem));
        }
        Ok(stream)
    }

    /// The bytes not yet used.
    fn rest(&self) -> &[u8] {
        self.buffer.get(self.used..self.filled).unwrap_or_default()
    }

    /// Reads more; `false` at the end.
    fn fill(&mut self) -> bool {
        if self.end.is_some() {
            return false;
        }
        if self.used > 0 {
            self.buffer.copy_within(self.used..self.filled, 0);
            self.filled -= self.used;
            self.used = 0;
        }
        if self.filled == self.buffer.len() {
            // One block fills the buffer. It grows only as bytes really come, so never beyond
            // twice what the source holds, and never beyond twice the longest block.
            let most = 2 * LONGEST_BLOCK_BYTES as usize;
            self.buffer.resize((2 * self.filled).min(most), 0);
        }
        let room = self.buffer.get_mut(self.filled..).unwrap_or_default();
        loop {
            match self.source.read(room) {
                Ok(0) => self.end = Some(SourceEnd::Whole),
                Ok(count) => self.filled += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => self.end = Some(SourceEnd::of(error)),
            }
            return self.end.is_none();
        }
    }

    /// Reads it all.
    pub(crate) fn read<S>(mut self, sink: &mut S) -> Result<Summary, Problem>
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let mut reading = Reading::default();
        loop {
            let (taken, pause) = reading.advance(self.rest(), sink);
            self.used += taken;
            let ending = match pause {
                Pause::NeedMore if self.fill() => continue,
                Pause::NeedMore => match self.end {
                    Some(SourceEnd::Failed(_)) => return Err(self.failed(reading.offset())),
                    Some(SourceEnd::Damaged) => Ending::Damaged {
                        offset: reading.offset(),
                        reason: BadBlock::Compression,
                    },
                    Some(SourceEnd::Cut) => Ending::Cut {
                        offset: reading.offset(),
                    },
                    _ => reading.ending(self.rest(), pause),
                },
                Pause::Damaged(reason) => {
                    let offset = reading.offset();
                    match reason.bytes_before_zeros() {
                        Some(front) if self.is_zero_after(front) => Ending::Cut { offset },
                        _ => Ending::Damaged { offset, reason },
                    }
                }
                Pause::Stopped => Ending::Stopped,
            };
            return reading.finish(ending);
        }
    }

    /// Whether nothing but zero bytes is left after so many others.
    fn is_zero_after(&mut self, mut front: usize) -> bool {
        loop {
            let rest = self.rest();
            let skipped = front.min(rest.len());
            if rest.iter().skip(skipped).any(|&byte| byte != 0) {
                return false;
            }
            front -= skipped;
            self.used = self.filled;
            if !self.fill() {
                return true;
            }
        }
    }

    fn failed(self, offset: u64) -> Problem {
        let source = match self.end {
            Some(SourceEnd::Failed(error)) => error,
            _ => io::ErrorKind::Other.into(),
        };
        Problem::Read { offset, source }
    }
}

impl SourceEnd {
    /// The decoder of zstd tells its own faults by errors that no system call gave.
    fn of(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::UnexpectedEof => Self::Cut,
            io::ErrorKind::Other if error.raw_os_error().is_none() => Self::Damaged,
            _ => Self::Failed(error),
        }
    }
}

/// Checks the first bytes of an unpacked capture; `whole` if there are no more than these.
pub(crate) fn check_beginning(bytes: &[u8], whole: bool) -> Result<(), Problem> {
    let magic = kind::SECTION_HEADER.to_be_bytes();
    if bytes.is_empty() && whole {
        return Err(Problem::Empty);
    }
    if bytes
        .iter()
        .zip(&magic)
        .all(|(byte, expected)| byte == expected)
    {
        return Ok(());
    }
    Err(Problem::NotACapture(Looks::of(
        bytes.get(..LOOK_BYTES.min(bytes.len())).unwrap_or_default(),
    )))
}
