//! A source read on a thread of its own, so that unpacking and what is done with the bytes go on
//! side by side.

use std::io::{self, Read};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread;

/// Bytes handed over at once.
const PART_BYTES: usize = 512 << 10;
/// Parts that may wait: the thread is never further ahead.
const PARTS: usize = 4;

/// What the thread has read, in order.
pub(crate) struct ReadAhead {
    filled: Receiver<io::Result<Vec<u8>>>,
    /// Used parts go back to be filled again.
    used: SyncSender<Vec<u8>>,
    part: Vec<u8>,
    at: usize,
}

impl ReadAhead {
    /// Reads ahead of a source until its end, its first error, or until this is dropped. Gives an
    /// error if the system gives no thread.
    pub(crate) fn of(mut source: impl Read + Send + 'static) -> io::Result<Self> {
        let (send, filled) = sync_channel(PARTS);
        // As many as there are at all, so that giving one back never waits.
        let (used, spare) = sync_channel::<Vec<u8>>(PARTS + 2);
        thread::Builder::new()
            .name("read ahead".to_owned())
            .spawn(move || {
                loop {
                    let mut part = spare.try_recv().unwrap_or_default();
                    part.resize(PART_BYTES, 0);
                    let read = fill(&mut source, &mut part);
                    let is_last = !matches!(read, Ok(PART_BYTES));
                    // What came before an error is handed over before it.
                    let (count, error) = match read {
                        Ok(count) => (count, None),
                        Err((count, error)) => (count, Some(error)),
                    };
                    part.truncate(count);
                    let mut gone = count > 0 && send.send(Ok(part)).is_err();
                    if let Some(error) = error {
                        gone |= send.send(Err(error)).is_err();
                    }
                    if gone || is_last {
                        break;
                    }
                }
            })?;
        Ok(Self {
            filled,
            used,
            part: Vec::new(),
            at: 0,
        })
    }
}

/// Fills a part as far as the source goes.
fn fill(source: &mut impl Read, part: &mut [u8]) -> Result<usize, (usize, io::Error)> {
    let mut count = 0;
    while let Some(room) = part.get_mut(count..).filter(|room| !room.is_empty()) {
        match source.read(room) {
            Ok(0) => break,
            Ok(more) => count += more,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err((count, error)),
        }
    }
    Ok(count)
}

impl Read for ReadAhead {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.at >= self.part.len() {
            // The thread ends after its last part.
            let Ok(next) = self.filled.recv() else {
                return Ok(0);
            };
            let used = std::mem::replace(&mut self.part, next?);
            self.at = 0;
            let _ = self.used.try_send(used);
        }
        let rest = self.part.get(self.at..).unwrap_or_default();
        let count = rest.len().min(buffer.len());
        if let (Some(to), Some(from)) = (buffer.get_mut(..count), rest.get(..count)) {
            to.copy_from_slice(from);
        }
        self.at += count;
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gives its bytes in odd pieces, then an error if there is one.
    struct Pieces(Vec<u8>, usize, Option<io::ErrorKind>);

    impl Read for Pieces {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let rest = &self.0[self.1..];
            if rest.is_empty() {
                return self.2.take().map_or(Ok(0), |kind| Err(kind.into()));
            }
            let count = rest.len().min(buffer.len()).min(70_001);
            buffer[..count].copy_from_slice(&rest[..count]);
            self.1 += count;
            Ok(count)
        }
    }

    #[test]
    fn bytes_come_as_they_are_and_errors_after_them() {
        for length in [0, 1, PART_BYTES, 7 * PART_BYTES + 3] {
            let bytes: Vec<u8> = (0..length).map(|n| ((n * 31) >> 3) as u8).collect();
            let mut all = Vec::new();
            let mut ahead = ReadAhead::of(Pieces(bytes.clone(), 0, None)).unwrap();
            ahead.read_to_end(&mut all).unwrap();
            assert_eq!(all, bytes);
            all.clear();
            let failing = Pieces(bytes.clone(), 0, Some(io::ErrorKind::UnexpectedEof));
            let mut ahead = ReadAhead::of(failing).unwrap();
            let failed = ahead.read_to_end(&mut all).unwrap_err();
            assert_eq!(failed.kind(), io::ErrorKind::UnexpectedEof);
            assert_eq!(all, bytes);
            assert_eq!(ahead.read(&mut [0]).unwrap(), 0);
        }
    }

    #[test]
    fn whoever_stops_stops_the_thread() {
        let mut ahead = ReadAhead::of(io::repeat(7)).unwrap();
        let mut some = [0; 9];
        ahead.read_exact(&mut some).unwrap();
        assert_eq!(some, [7; 9]);
        drop(ahead);
    }
}
