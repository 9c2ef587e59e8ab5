//! The capture file: pcapng with link type 227 (SocketCAN), plain or zstd-compressed.
//!
//! Two ways through, each a straight line:
//!
//! - reading: `open` gives bytes, `block` cuts them into blocks, `reading` keeps what the blocks
//!   mean to each other (sections, interfaces, clocks) and hands out each [`Event`]; at the end
//!   stands a [`Summary`], and `warnings` puts it in words.
//! - writing: `write` turns frames, marks and statistics into blocks, one write each; `compress`
//!   packs a closed file, or the stream of a file that is written packed.
//!
//! Between them: `packet` (one SocketCAN packet, both directions), `packet_block`, `options`,
//! `clock` (time stamps of any resolution to nanoseconds), `interface` and `statistics`.
//!
//! What touches files is `open`, `map`, `stream` and `compress`, with `read_ahead` for a thread that
//! unpacks; all else is pure.
//!
//! The format is draft-ietf-opsawg-pcapng; the packet is `LINKTYPE_CAN_SOCKETCAN` of the
//! tcpdump group's list of link-layer header types.
//!
//! # Reading
//!
//! ```no_run
//! use std::ops::ControlFlow;
//! use slipwright_logger::capture::{Capture, Event};
//!
//! let mut bytes = 0;
//! let summary = Capture::open("drive.pcapng.zst")?.read(|event| {
//!     if let Event::Frame(frame) = event {
//!         bytes += frame.data.len();
//!     }
//!     ControlFlow::Continue(())
//! })?;
//! assert!(summary.ending.is_whole());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Writing
//!
//! ```
//! use slipwright_decoders::frame::{CanId, Frame, FrameFlags};
//! use slipwright_logger::capture::{CaptureWriter, NewBus, Section};
//!
//! let mut writer = CaptureWriter::new(Vec::new(), &Section::ours())?;
//! let bus = writer.add_bus(&NewBus::named("can0"))?;
//! let (t_ns, flags) = (1_700_000_000_123_456_789, FrameFlags::default());
//! writer.write_frame(&Frame { t_ns, bus, id: CanId::Base(0x1A0), flags, data: &[1, 2, 3] })?;
//! writer.write_mark(t_ns, Some(bus), "first launch")?;
//! let bytes = writer.finish()?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod block;
mod clock;
mod compress;
mod error;
mod event;
mod format;
mod interface;
mod map;
mod open;
mod options;
mod packet;
mod packet_block;
mod read_ahead;
mod reading;
mod statistics;
mod stream;
mod summary;
mod warnings;
mod write;

pub use block::BadBlock;
pub use clock::Clock;
pub use compress::{COMPRESSION_LEVEL, CompressError, Compressed, compress_closed};
pub use error::{CaptureError, Looks, Problem};
pub use event::{Event, Mark};
pub use format::{ByteOrder, LINK_TYPE_SOCKETCAN, LONGEST_BLOCK_BYTES};
pub use interface::{Interface, Section};
pub use open::{Capture, Progress, read_bytes, read_stream};
pub use packet::BadPacket;
pub use statistics::Statistics;
pub use summary::{
    BACKWARD_STEP_NS, BackwardStep, BadContent, BusSummary, Ending, Few, Malformed, Skipped,
    Summary,
};
pub use write::{BadFrame, CaptureWriter, NewBus, WriteError};
