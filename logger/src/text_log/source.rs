//! A text log as the bytes of a capture, made while they are read: one way from bytes to frames for
//! both, with the same account of buses, times and clock steps.

use std::io::{self, BufRead, BufReader, Read};
use std::sync::{Arc, Mutex};

use super::{Account, Layout, Line, TextLog};
use crate::capture::{CaptureWriter, NewBus, Section, WriteError};

/// Longest line that is read as one, bytes; more is no frame.
const LONGEST_LINE_BYTES: u64 = 1 << 16;
/// Bytes of capture that are made at once.
const BATCH_BYTES: usize = 64 << 10;

/// Gives the bytes of a capture that holds what the log's lines hold.
pub(crate) struct TextSource<R> {
    lines: BufReader<R>,
    log: TextLog,
    writer: CaptureWriter<Vec<u8>>,
    /// Of the writer's bytes those that were given already.
    given: usize,
    /// Buses written so far.
    buses: usize,
    line: Vec<u8>,
    /// Told to whoever reads, as the bytes cannot carry it.
    account: Arc<Mutex<Account>>,
}

impl<R: Read> TextSource<R> {
    /// The log at its beginning, and where its account will stand.
    pub(crate) fn new(source: R, layout: &Layout) -> io::Result<(Self, Arc<Mutex<Account>>)> {
        let account = Arc::default();
        let text = Self {
            lines: BufReader::with_capacity(1 << 20, source),
            log: TextLog::new(layout),
            writer: CaptureWriter::new(Vec::new(), &Section::default()).map_err(failed)?,
            given: 0,
            buses: 0,
            line: Vec::new(),
            account: Arc::clone(&account),
        };
        Ok((text, account))
    }

    /// Takes one line; `false` at the end.
    fn take_line(&mut self) -> io::Result<bool> {
        self.line.clear();
        let mut limited = Read::take(&mut self.lines, LONGEST_LINE_BYTES);
        let length = limited.read_until(b'\n', &mut self.line)?;
        if length == 0 {
            return Ok(false);
        }
        if length as u64 == LONGEST_LINE_BYTES && !self.line.ends_with(b"\n") {
            // The rest of it is no line of its own.
            self.lines.skip_until(b'\n')?;
        }
        let text = String::from_utf8_lossy(&self.line);
        if let Line::Frame(frame, name) = self.log.line(text.trim_end_matches(['\n', '\r'])) {
            // A bus is written before its first frame; buses are numbered as they come.
            if frame.bus.as_usize() >= self.buses {
                self.writer.add_bus(&NewBus::named(name)).map_err(failed)?;
                self.buses += 1;
            }
            self.writer.write_frame(&frame).map_err(failed)?;
        }
        Ok(true)
    }

    /// Makes the next bytes; none at the end.
    fn refill(&mut self) -> io::Result<()> {
        self.writer.get_mut().clear();
        self.given = 0;
        while self.writer.get_ref().len() < BATCH_BYTES && self.take_line()? {}
        if let Ok(mut account) = self.account.lock() {
            account.clone_from(self.log.account());
        }
        Ok(())
    }
}

impl<R: Read> Read for TextSource<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.given >= self.writer.get_ref().len() {
            self.refill()?;
        }
        let mut rest = self.writer.get_ref().get(self.given..).unwrap_or_default();
        let count = rest.read(buffer)?;
        self.given += count;
        Ok(count)
    }
}

fn failed(error: WriteError) -> io::Error {
    match error {
        WriteError::Io(error) => error,
        other => io::Error::new(io::ErrorKind::InvalidData, other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::{Event, read_stream};
    use std::ops::ControlFlow;

    #[test]
    fn the_rest_of_a_line_that_is_too_long_is_no_line() {
        let layout = Layout::parse(include_str!("../../text-layouts/semicolons.toml")).unwrap();
        let long = "x".repeat(2 * LONGEST_LINE_BYTES as usize - 20);
        let text = format!("{long}\n1;drive;0F2;1;00\n{long}2;drive;0F2;1;00\n3;drive;0F2;1;00");
        let (source, account) = TextSource::new(text.as_bytes(), &layout).unwrap();
        let summary = read_stream(source, |_| ControlFlow::Continue(())).unwrap();
        assert_eq!(summary.frames, 2);
        assert_eq!(account.lock().unwrap().lines, 4);
    }

    #[test]
    fn a_log_reads_as_the_capture_of_its_frames() {
        let layout = Layout::parse(include_str!("../../text-layouts/semicolons.toml")).unwrap();
        let mut text = String::from("time;bus;id;length;data\n");
        for n in 0..5000 {
            let bus = if n % 2 == 0 { "drive" } else { "body" };
            text += &format!("{}.5;{bus};0F{};2;0{} FF\r\n", n, n % 10, n % 10);
        }
        text += "nonsense\n5001;drive;0F2;12;00 01 02 03 04 05 06 07 08 09 0A 0B";
        let (source, account) = TextSource::new(text.as_bytes(), &layout).unwrap();
        let mut buses = Vec::new();
        let (mut frames, mut last) = (0_i64, Vec::new());
        let summary = read_stream(source, |event| {
            match event {
                Event::Bus(bus, interface) => {
                    assert_eq!(bus.as_usize(), buses.len());
                    buses.push(interface.name.clone().unwrap());
                }
                Event::Frame(frame) => {
                    if frames < 5000 {
                        assert_eq!(frame.t_ns, frames * 1_000_000_000 + 500_000_000);
                        assert_eq!(frame.data, [(frames % 10) as u8, 255]);
                    }
                    frames += 1;
                    last = frame.data.to_vec();
                }
                _ => {}
            }
            ControlFlow::Continue(())
        })
        .unwrap();
        assert_eq!(buses, ["drive", "body"]);
        assert_eq!((frames, last.len(), summary.frames), (5001, 12, 5001));
        assert!(summary.ending.is_whole());
        let account = account.lock().unwrap().clone();
        assert_eq!((account.lines, account.frames), (5003, 5001));
        assert_eq!((account.ignored, account.bad), (1, 1));
    }
}
