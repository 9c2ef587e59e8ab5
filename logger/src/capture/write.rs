//! Frames, marks and statistics to blocks, appended one whole block per write.
//!
//! The section is little-endian and stamps count nanoseconds, whatever the machine. Nothing that
//! was written is ever touched again, so that a file which ends anywhere is good up to there.

use std::io::{self, Write};

use slipwright_decoders::frame::{BusIndex, Frame};
use thiserror::Error;

use super::error::plain;
use super::format::{
    BYTE_ORDER_MAGIC, FRAMING_BYTES, LINK_TYPE_SOCKETCAN, MAJOR_VERSION, kind, option, padded,
};
use super::interface::Section;
use super::options;
use super::packet;
use super::statistics::Statistics;

/// if_tsresol for nanoseconds.
const NANOSECONDS: u8 = 9;
/// Before the packet in its block: interface, stamp, captured and original length.
const PACKET_FIELDS_BYTES: usize = 20;
/// An Enhanced Packet Block with the largest frame and no options.
const LARGEST_FRAME_BLOCK: usize = FRAMING_BYTES + PACKET_FIELDS_BYTES + packet::FD_BYTES;

/// Why something was not written. Nothing of it is then in the file, except after
/// [`WriteError::Io`].
#[derive(Debug, Error)]
pub enum WriteError {
    /// The file cannot be written.
    #[error("writing the capture failed: {}", plain(.0))]
    Io(#[from] io::Error),
    /// The bus was not added to this writer.
    #[error("bus {0} is not in the capture; add it first")]
    UnknownBus(usize),
    /// More buses than a bus index can number.
    #[error("a capture holds at most 65536 buses")]
    TooManyBuses,
    /// The frame is none that a bus could carry.
    #[error(transparent)]
    Frame(#[from] BadFrame),
    /// A stamp before the epoch, for which the format has no number.
    #[error("the time stamp {0} ns lies before 1970")]
    BeforeEpoch(i64),
    /// A text longer than an option holds.
    #[error("the text has {0} bytes; a capture takes at most 65535")]
    LongText(usize),
    /// A mark on the first bus, while there is none.
    #[error("a mark needs a bus to stand on; add one first")]
    NoBus,
}

/// Why a frame cannot be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum BadFrame {
    /// More data than its kind carries.
    #[error("the frame has {length} data bytes; its kind carries at most {most}")]
    LongData {
        /// Data bytes.
        length: usize,
        /// The most there may be.
        most: usize,
    },
    /// A remote frame that is FD or an error frame at the same time.
    #[error("a remote frame is neither FD nor an error frame")]
    RemoteKind,
    /// A remote frame with data.
    #[error("a remote frame carries no data")]
    RemoteData,
    /// A classic frame with flags that only FD has.
    #[error("a classic frame has no bit rate switch and no error state")]
    ClassicFlags,
    /// An identifier larger than its width.
    #[error("the identifier 0x{0:X} is too large for its width")]
    Identifier(u32),
}

/// A bus that is to be recorded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NewBus<'a> {
    /// Name, such as `can0`.
    pub name: &'a str,
    /// What is on it.
    pub description: Option<&'a str>,
    /// The adapter.
    pub hardware: Option<&'a str>,
    /// The operating system.
    pub os: Option<&'a str>,
    /// Bit rate in bit/s.
    pub bit_rate_bps: Option<u64>,
    /// A comment, such as which clock stamps the frames.
    pub comment: Option<&'a str>,
}

impl<'a> NewBus<'a> {
    /// A bus of which only the name is known.
    #[must_use]
    pub fn named(name: &'a str) -> Self {
        Self {
            name,
            ..Self::default()
        }
    }
}

/// Writes a capture.
///
/// Each call gives the inner writer one whole block in one piece; put a buffer around a file
/// unless every block shall reach it at once.
#[derive(Debug)]
pub struct CaptureWriter<W> {
    inner: W,
    buses: usize,
    /// The block at hand, kept for its memory.
    block: Vec<u8>,
}

impl<W: Write> CaptureWriter<W> {
    /// Begins a capture with its section header.
    ///
    /// # Errors
    ///
    /// [`WriteError::Io`], [`WriteError::LongText`].
    pub fn new(inner: W, section: &Section) -> Result<Self, WriteError> {
        let mut writer = Self {
            inner,
            buses: 0,
            block: Vec::new(),
        };
        writer.begin(kind::SECTION_HEADER);
        writer.block.extend(BYTE_ORDER_MAGIC.to_le_bytes());
        writer.block.extend(MAJOR_VERSION.to_le_bytes());
        writer.block.extend(0u16.to_le_bytes());
        // The section's length, not known while it is being written.
        writer.block.extend(u64::MAX.to_le_bytes());
        writer.texts(&[
            (option::SECTION_HARDWARE, section.hardware.as_deref()),
            (option::SECTION_OS, section.os.as_deref()),
            (option::SECTION_APPLICATION, section.application.as_deref()),
        ])?;
        writer.end()?;
        Ok(writer)
    }

    /// Adds a bus, at the beginning or at any time later. Buses count from 0.
    ///
    /// # Errors
    ///
    /// [`WriteError::Io`], [`WriteError::LongText`], [`WriteError::TooManyBuses`].
    pub fn add_bus(&mut self, bus: &NewBus<'_>) -> Result<BusIndex, WriteError> {
        let index = u16::try_from(self.buses).map_err(|_| WriteError::TooManyBuses)?;
        self.begin(kind::INTERFACE_DESCRIPTION);
        self.block.extend(LINK_TYPE_SOCKETCAN.to_le_bytes());
        self.block.extend(0u16.to_le_bytes());
        // Snap length: no limit.
        self.block.extend(0u32.to_le_bytes());
        self.texts(&[
            (option::INTERFACE_NAME, Some(bus.name)),
            (option::INTERFACE_DESCRIPTION, bus.description),
            (option::INTERFACE_HARDWARE, bus.hardware),
            (option::INTERFACE_OS, bus.os),
            (option::COMMENT, bus.comment),
        ])?;
        if let Some(bit_rate_bps) = bus.bit_rate_bps {
            options::put(
                &mut self.block,
                option::INTERFACE_SPEED,
                &bit_rate_bps.to_le_bytes(),
            );
        }
        options::put(
            &mut self.block,
            option::INTERFACE_RESOLUTION,
            &[NANOSECONDS],
        );
        options::end(&mut self.block);
        self.end()?;
        self.buses += 1;
        Ok(BusIndex::new(index))
    }

    /// Appends a frame.
    ///
    /// # Errors
    ///
    /// [`WriteError::Io`], [`WriteError::UnknownBus`], [`WriteError::Frame`],
    /// [`WriteError::BeforeEpoch`].
    #[inline]
    pub fn write_frame(&mut self, frame: &Frame<'_>) -> Result<(), WriteError> {
        let interface = self.interface(frame.bus)?;
        let stamp = stamp(frame.t_ns)?;
        let (header, captured) = packet::header(frame)?;
        let length = FRAMING_BYTES + PACKET_FIELDS_BYTES + padded(captured);
        let mut block = [0; LARGEST_FRAME_BLOCK];
        let [high, low] = halves(stamp);
        block[0..4].copy_from_slice(&kind::ENHANCED_PACKET.to_le_bytes());
        block[4..8].copy_from_slice(&(length as u32).to_le_bytes());
        block[8..12].copy_from_slice(&interface.to_le_bytes());
        block[12..16].copy_from_slice(&high.to_le_bytes());
        block[16..20].copy_from_slice(&low.to_le_bytes());
        block[20..24].copy_from_slice(&(captured as u32).to_le_bytes());
        block[24..28].copy_from_slice(&(captured as u32).to_le_bytes());
        block[28..36].copy_from_slice(&header);
        // There is room: the header was only made because the data fit their kind.
        if let Some(data) = block.get_mut(36..36 + frame.data.len()) {
            data.copy_from_slice(frame.data);
        }
        if let Some(last) = block.get_mut(length - 4..length) {
            last.copy_from_slice(&(length as u32).to_le_bytes());
        }
        self.inner
            .write_all(block.get(..length).unwrap_or_default())?;
        Ok(())
    }

    /// Appends a mark: a text at a time, on a bus or, without one, on the first.
    ///
    /// It is written as a packet without content that carries the text as its comment. General
    /// packet tools list packets and show their comments; comments on blocks of other kinds are
    /// not shown by all of them.
    ///
    /// # Errors
    ///
    /// [`WriteError::Io`], [`WriteError::UnknownBus`], [`WriteError::NoBus`],
    /// [`WriteError::BeforeEpoch`], [`WriteError::LongText`].
    pub fn write_mark(
        &mut self,
        t_ns: i64,
        bus: Option<BusIndex>,
        text: &str,
    ) -> Result<(), WriteError> {
        let interface = match bus {
            Some(bus) => self.interface(bus)?,
            None if self.buses == 0 => return Err(WriteError::NoBus),
            None => 0,
        };
        let stamp = stamp(t_ns)?;
        self.begin(kind::ENHANCED_PACKET);
        self.block.extend(interface.to_le_bytes());
        self.block
            .extend(halves(stamp).into_iter().flat_map(u32::to_le_bytes));
        self.block.extend([0; 8]);
        self.texts(&[(option::COMMENT, Some(text))])?;
        options::end(&mut self.block);
        self.end()
    }

    /// Appends what was counted on a bus so far. A later block of the same bus replaces it.
    ///
    /// # Errors
    ///
    /// [`WriteError::Io`], [`WriteError::UnknownBus`], [`WriteError::BeforeEpoch`].
    pub fn write_statistics(&mut self, statistics: &Statistics) -> Result<(), WriteError> {
        let interface = self.interface(statistics.bus)?;
        let taken = stamp(statistics.t_ns)?;
        let start = statistics.start_ns.map(stamp).transpose()?;
        let end = statistics.end_ns.map(stamp).transpose()?;
        self.begin(kind::INTERFACE_STATISTICS);
        self.block.extend(interface.to_le_bytes());
        self.block
            .extend(halves(taken).into_iter().flat_map(u32::to_le_bytes));
        for (code, stamp) in [
            (option::STATISTICS_START, start),
            (option::STATISTICS_END, end),
        ] {
            if let Some([high, low]) = stamp.map(halves) {
                let value = u64::from(low) << 32 | u64::from(high);
                options::put(&mut self.block, code, &value.to_le_bytes());
            }
        }
        for (code, count) in [
            (option::STATISTICS_RECEIVED, statistics.received),
            (option::STATISTICS_DROPPED, statistics.dropped_by_interface),
            (option::STATISTICS_ACCEPTED, statistics.accepted),
            (option::STATISTICS_OS_DROPPED, statistics.dropped_by_os),
            (option::STATISTICS_DELIVERED, statistics.delivered),
        ] {
            if let Some(count) = count {
                options::put(&mut self.block, code, &count.to_le_bytes());
            }
        }
        options::end(&mut self.block);
        self.end()
    }

    /// Hands everything written so far on to where it goes.
    ///
    /// # Errors
    ///
    /// That of the inner writer.
    pub fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }

    /// What the capture is written to.
    #[must_use]
    pub fn get_ref(&self) -> &W {
        &self.inner
    }

    /// What the capture is written to, to take bytes out of it.
    pub(crate) fn get_mut(&mut self) -> &mut W {
        &mut self.inner
    }

    /// Flushes and gives back what the capture is written to. A capture needs no closing block.
    ///
    /// # Errors
    ///
    /// That of the inner writer.
    pub fn finish(mut self) -> io::Result<W> {
        self.inner.flush()?;
        Ok(self.inner)
    }

    fn interface(&self, bus: BusIndex) -> Result<u32, WriteError> {
        let index = bus.as_usize();
        match u32::try_from(index) {
            Ok(interface) if index < self.buses => Ok(interface),
            _ => Err(WriteError::UnknownBus(index)),
        }
    }

    /// Begins a block; the length comes with [`Self::end`].
    fn begin(&mut self, kind: u32) {
        self.block.clear();
        self.block.extend(kind.to_le_bytes());
        self.block.extend([0; 4]);
    }

    /// Appends those of the texts that are there as options.
    fn texts(&mut self, texts: &[(u16, Option<&str>)]) -> Result<(), WriteError> {
        for &(code, text) in texts {
            let Some(text) = text else { continue };
            if text.len() > usize::from(u16::MAX) {
                return Err(WriteError::LongText(text.len()));
            }
            options::put(&mut self.block, code, text.as_bytes());
        }
        Ok(())
    }

    /// Writes the block at hand.
    fn end(&mut self) -> Result<(), WriteError> {
        let length = ((self.block.len() + 4) as u32).to_le_bytes();
        if let Some(place) = self.block.get_mut(4..8) {
            place.copy_from_slice(&length);
        }
        self.block.extend(length);
        self.inner.write_all(&self.block)?;
        Ok(())
    }
}

/// A time as a stamp.
fn stamp(t_ns: i64) -> Result<u64, WriteError> {
    u64::try_from(t_ns).map_err(|_| WriteError::BeforeEpoch(t_ns))
}

/// A stamp as the format has it: the upper half first, in either byte order.
fn halves(stamp: u64) -> [u32; 2] {
    [(stamp >> 32) as u32, stamp as u32]
}
