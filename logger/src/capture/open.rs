//! The edge where a path becomes bytes: mapped, streamed, or unpacked.

use std::fs::File;
use std::io::{self, BufReader, Cursor, Read};
use std::ops::{ControlFlow, Range};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use super::error::{CaptureError, Problem};
use super::event::Event;
use super::map::Map;
use super::read_ahead::ReadAhead;
use super::reading::{Pause, Reading};
use super::stream::{Stream, check_beginning};
use super::summary::{Ending, Summary};
use crate::text_log::{Account, Layout, TextSource};

/// A capture that is ready to be read.
///
/// A plain file is mapped into memory; a compressed one (told by its content, not by its name) is
/// unpacked on the way; what cannot be mapped, such as a pipe, is read through a buffer.
pub struct Capture {
    path: PathBuf,
    source: Source,
    progress: Progress,
    /// Of a text log: what became of its lines.
    text: Option<Arc<Mutex<Account>>>,
}

enum Source {
    /// A whole file, and which of its bytes are handed out.
    Mapped(Arc<Map>, Range<usize>),
    Streamed(Stream<Box<dyn Read + Send>>),
}

impl Capture {
    /// Opens a capture and checks that it is one.
    ///
    /// # Errors
    ///
    /// [`Problem::Open`], [`Problem::Empty`], [`Problem::NotACapture`], or [`Problem::Read`] if
    /// its first bytes cannot be read.
    pub fn open(path: impl AsRef<Path>) -> Result<Self, CaptureError> {
        Self::open_as(path.as_ref(), None)
    }

    /// Opens what may be a text log: a file that does not begin as a capture does, plain or
    /// compressed, is read line by line as the layout says. What became of the lines stands in
    /// [`Summary::text`].
    ///
    /// # Errors
    ///
    /// As [`Capture::open`], but for [`Problem::NotACapture`].
    pub fn open_text(path: impl AsRef<Path>, layout: &Layout) -> Result<Self, CaptureError> {
        Self::open_as(path.as_ref(), Some(layout))
    }

    fn open_as(path: &Path, layout: Option<&Layout>) -> Result<Self, CaptureError> {
        let opened = Self::opened(path, layout);
        opened.map_err(|problem| CaptureError {
            path: path.to_owned(),
            problem,
        })
    }

    fn opened(path: &Path, layout: Option<&Layout>) -> Result<Self, Problem> {
        let mut file = File::open(path).map_err(Problem::Open)?;
        let metadata = file.metadata().map_err(Problem::Open)?;
        if metadata.is_dir() {
            return Err(Problem::Open(io::ErrorKind::IsADirectory.into()));
        }
        let total = (metadata.is_file() && metadata.len() > 0).then_some(metadata.len());
        let head = first_bytes(&mut file)?;
        let done = Arc::new(AtomicU64::new(head.len() as u64));
        let progress = Progress { done, total };
        let with = |source, text| Self {
            path: path.to_owned(),
            source,
            progress: progress.clone(),
            text,
        };
        let is_packed = is_zstd(&head);
        if total.is_some()
            && !is_packed
            && let Ok(map) = Map::new(&file)
        {
            match check_beginning(map.bytes(), true) {
                Ok(()) => {
                    let whole = 0..map.bytes().len();
                    return Ok(with(Source::Mapped(Arc::new(map), whole), None));
                }
                Err(Problem::NotACapture(_)) if layout.is_some() => {}
                Err(problem) => return Err(problem),
            }
        }
        let counted = Counted {
            source: file,
            done: Arc::clone(&progress.done),
        };
        let mut whole: Box<dyn Read + Send> = unpacked(head, counted)?;
        if let Some(layout) = layout {
            // What is read to see what it is must not be lost: a pipe gives it only once.
            let beginning = first_bytes(&mut whole)?;
            let is_text = match check_beginning(&beginning, true) {
                Ok(()) => false,
                Err(Problem::NotACapture(_)) => true,
                Err(problem) => return Err(problem),
            };
            whole = Box::new(Cursor::new(beginning).chain(whole));
            if is_text {
                let (text, account) = TextSource::new(whole, layout).map_err(Problem::Open)?;
                let text: Box<dyn Read + Send> = Box::new(text);
                return Ok(with(Source::Streamed(Stream::begin(text)?), Some(account)));
            }
        }
        if is_packed {
            whole = Box::new(ReadAhead::of(whole).map_err(Problem::Open)?);
        }
        Ok(with(Source::Streamed(Stream::begin(whole)?), None))
    }

    /// How far reading is; a clone may be watched while [`Capture::read`] runs.
    #[must_use]
    pub fn progress(&self) -> Progress {
        self.progress.clone()
    }

    /// The capture in at most so many parts, in order, each to be read by a processor of its own;
    /// one part if it is short or cannot be mapped.
    ///
    /// Where blocks begin is known only by reading all before them. So every part passes over what
    /// is before it, which takes a fraction of the time of decoding it, and hands out no more of
    /// that than [`Event::Section`] and [`Event::Bus`]; the parts' lengths are such that all take
    /// as long. Together the parts hand out each other event once. The summary of the last part
    /// is that of the whole capture, and it alone tells of its progress; those before end
    /// [`Ending::Stopped`].
    #[must_use]
    pub fn in_parts(self, count: usize) -> Vec<Self> {
        let Source::Mapped(map, whole) = &self.source else {
            return vec![self];
        };
        let ends = part_ends(whole.len(), count);
        let starts = std::iter::once(0).chain(ends.iter().copied());
        let part = |range: Range<usize>| Self {
            path: self.path.clone(),
            progress: match range.end == whole.end {
                true => self.progress.clone(),
                false => Progress::default(),
            },
            source: Source::Mapped(Arc::clone(map), range),
            text: None,
        };
        starts
            .zip(&ends)
            .map(|(start, &end)| part(start..end))
            .collect()
    }

    /// Reads the capture from beginning to end and hands each event to `sink`, until that breaks
    /// off. A cut or damaged file is read as far as it goes: see [`Summary::ending`].
    ///
    /// # Errors
    ///
    /// [`Problem::WrongLinkType`] if it has interfaces but no CAN bus, and [`Problem::Read`].
    pub fn read<S>(self, mut sink: S) -> Result<Summary, CaptureError>
    where
        S: FnMut(Event<'_>) -> ControlFlow<()>,
    {
        let summary = match self.source {
            Source::Mapped(map, part) => read_mapped(&map, part, &self.progress, &mut sink),
            Source::Streamed(stream) => stream.read(&mut sink),
        };
        let mut summary = summary.map_err(|problem| CaptureError {
            path: self.path,
            problem,
        })?;
        let account = self.text.as_ref().and_then(|text| text.lock().ok());
        summary.text = account.map(|account| account.clone());
        Ok(summary)
    }
}

/// Bytes of a mapped file that are brought in at once, and between two notes of progress. Parts
/// are made of whole windows.
const WINDOW_BYTES: usize = 4 << 20;

/// What passing over a block takes, by what handing it out and decoding it takes: the benchmarks
/// `read_capture` and `read_and_decode` show it.
const PASSING_SHARE: f64 = 0.3;

/// Where each of `count` parts ends, so that all take as long.
///
/// A part that begins at `s` and takes the time `T` ends at `s + T - PASSING_SHARE * s`. From 0,
/// the last of `n` ends at `T (1 - (1 - PASSING_SHARE)^n) / PASSING_SHARE`, which is the whole.
fn part_ends(length: usize, count: usize) -> Vec<usize> {
    let windows = length.div_ceil(WINDOW_BYTES).max(1);
    let count = count.clamp(1, windows) as i32;
    let passed = |parts: i32| 1.0 - (1.0 - PASSING_SHARE).powi(parts);
    let end = |part: i32| {
        let share = passed(part) / passed(count);
        ((windows as f64 * share).round() as usize).min(windows) * WINDOW_BYTES
    };
    let mut ends: Vec<usize> = (1..=count).map(|part| end(part).min(length)).collect();
    ends.dedup();
    ends
}

fn read_mapped<S>(
    map: &Map,
    part: Range<usize>,
    progress: &Progress,
    sink: &mut S,
) -> Result<Summary, Problem>
where
    S: FnMut(Event<'_>) -> ControlFlow<()>,
{
    let bytes = map.bytes();
    let mut reading = Reading::default();
    let (mut at, mut ready) = (0, 0);
    let ending = loop {
        let window = ready..bytes.len().min(ready + WINDOW_BYTES);
        let is_before = window.end <= part.start;
        ready = window.end;
        map.prepare(window).map_err(|source| Problem::Read {
            offset: reading.offset(),
            source,
        })?;
        let blocks = bytes.get(at..ready).unwrap_or_default();
        let (taken, pause) = match is_before {
            true => reading.advance(blocks, &mut |event| match event {
                Event::Section(_) | Event::Bus(..) => sink(event),
                _ => ControlFlow::Continue(()),
            }),
            false => reading.advance(blocks, sink),
        };
        at += taken;
        progress.done.store(ready as u64, Ordering::Relaxed);
        break match pause {
            Pause::NeedMore if ready < part.end => continue,
            Pause::NeedMore if ready < bytes.len() => Ending::Stopped,
            Pause::Stopped => Ending::Stopped,
            _ => reading.ending(bytes.get(at..).unwrap_or_default(), pause),
        };
    };
    reading.finish(ending)
}

/// Reads a plain capture that is already in memory. See [`Capture::read`].
///
/// # Errors
///
/// [`Problem::Empty`], [`Problem::NotACapture`] or [`Problem::WrongLinkType`].
pub fn read_bytes<S>(bytes: &[u8], mut sink: S) -> Result<Summary, Problem>
where
    S: FnMut(Event<'_>) -> ControlFlow<()>,
{
    check_beginning(bytes, true)?;
    let mut reading = Reading::default();
    let (taken, pause) = reading.advance(bytes, &mut sink);
    let ending = reading.ending(bytes.get(taken..).unwrap_or_default(), pause);
    reading.finish(ending)
}

/// Reads a capture, plain or compressed, from anything that gives bytes. See [`Capture::read`].
///
/// Memory stays at the buffer of 256 KiB and whatever window the compression was made with (at
/// most 128 MiB), unless a single block is longer; no block is taken above
/// [`LONGEST_BLOCK_BYTES`](super::LONGEST_BLOCK_BYTES).
///
/// # Errors
///
/// As [`read_bytes`], and [`Problem::Read`].
pub fn read_stream<S>(mut source: impl Read + Send, mut sink: S) -> Result<Summary, Problem>
where
    S: FnMut(Event<'_>) -> ControlFlow<()>,
{
    let head = first_bytes(&mut source)?;
    Stream::begin(unpacked(head, source)?)?.read(&mut sink)
}

/// Takes off the bytes by which a compressed file is told; fewer at the end.
fn first_bytes(source: impl Read) -> Result<Vec<u8>, Problem> {
    let mut head = Vec::new();
    let read = source.take(4).read_to_end(&mut head);
    read.map_err(|source| Problem::Read { offset: 0, source })?;
    Ok(head)
}

/// A source whose first bytes were taken off, whole again and unpacked if it is compressed.
fn unpacked<'a, R>(head: Vec<u8>, source: R) -> Result<Box<dyn Read + Send + 'a>, Problem>
where
    R: Read + Send + 'a,
{
    let is_zstd = is_zstd(&head);
    let whole = Cursor::new(head).chain(source);
    if is_zstd {
        let decoder = zstd::Decoder::with_buffer(BufReader::with_capacity(128 << 10, whole));
        Ok(Box::new(decoder.map_err(Problem::Open)?))
    } else {
        Ok(Box::new(whole))
    }
}

/// Whether a zstd frame begins here, or one of those that its readers skip (RFC 8878, 3.1).
fn is_zstd(head: &[u8]) -> bool {
    match head {
        [0x28, 0xB5, 0x2F, 0xFD] => true,
        [skippable, 0x2A, 0x4D, 0x18] => (0x50..=0x5F).contains(skippable),
        _ => false,
    }
}

/// How far a capture is read. Cheap to clone; all clones tell the same.
#[derive(Clone, Debug, Default)]
pub struct Progress {
    done: Arc<AtomicU64>,
    total: Option<u64>,
}

impl Progress {
    /// Bytes of the file that are read.
    #[must_use]
    pub fn done_bytes(&self) -> u64 {
        self.done.load(Ordering::Relaxed)
    }

    /// Bytes of the file; `None` for a pipe.
    #[must_use]
    pub fn total_bytes(&self) -> Option<u64> {
        self.total
    }
}

/// Notes how much of a file was read.
struct Counted<R> {
    source: R,
    done: Arc<AtomicU64>,
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.source.read(buffer)?;
        self.done.fetch_add(count as u64, Ordering::Relaxed);
        Ok(count)
    }
}
