//! What reading a capture found, said at its end.

use slipwright_decoders::frame::BusIndex;

use super::block::BadBlock;
use super::interface::Interface;
use super::packet::BadPacket;
use super::statistics::Statistics;
use crate::text_log::Account;

/// A stamp that goes back by more than this, 10 ms, on one bus is a backward step of the clock.
///
/// Less is reordering between a controller's queues, which kernels do. Common practice, no source.
pub const BACKWARD_STEP_NS: i64 = 10_000_000;

/// The account of one reading.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Frames delivered.
    pub frames: u64,
    /// The interfaces, by bus index, with what each delivered.
    pub buses: Vec<BusSummary>,
    /// Stamp of the first frame in the file.
    pub first_ns: Option<i64>,
    /// Stamp of the last frame in the file. Before the first if the clock was set back.
    pub last_ns: Option<i64>,
    /// Marks delivered.
    pub marks: u64,
    /// What was passed over.
    pub skipped: Skipped,
    /// What could not be read, while all around it could.
    pub malformed: Few<Malformed>,
    /// Where the clock was set back.
    pub backward_steps: Few<BackwardStep>,
    /// Bytes read, unpacked, up to the end of the last whole block.
    pub bytes: u64,
    /// How the capture ends.
    pub ending: Ending,
    /// What became of the lines, if it was read from a text log.
    pub text: Option<Account>,
}

/// What one interface delivered.
#[derive(Clone, Debug, PartialEq)]
pub struct BusSummary {
    /// Its description.
    pub interface: Interface,
    /// Frames delivered.
    pub frames: u64,
    /// Stamp of its first frame in the file.
    pub first_ns: Option<i64>,
    /// Stamp of its last frame in the file.
    pub last_ns: Option<i64>,
    /// The latest counts of the recorder.
    pub statistics: Option<Statistics>,
    /// Frames that the packets themselves report as lost just before them (epb_dropcount).
    pub lost_between: u64,
}

impl BusSummary {
    /// Frames that were on the bus but did not reach the file, as far as anybody counted.
    #[must_use]
    pub fn lost(&self) -> u64 {
        let counted = self.statistics.and_then(|s| s.dropped()).unwrap_or(0);
        counted.max(self.lost_between)
    }
}

/// Packets and blocks that were passed over, with nothing wrong in them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Skipped {
    /// Packets of interfaces that are no CAN bus.
    pub other_link_type: u64,
    /// Packets without a time stamp (Simple Packet Blocks).
    pub unstamped: u64,
    /// CAN XL frames.
    pub can_xl: u64,
    /// Blocks of a kind that says nothing here.
    pub other_blocks: u64,
}

/// How a capture ends.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Ending {
    /// With its last block.
    #[default]
    Whole,
    /// In the middle of a block: the recorder lost power, is still writing, or the file was
    /// copied in part. A tail of zero bytes, as file systems leave it after a power cut, counts.
    Cut {
        /// Where the unfinished block begins, in unpacked bytes.
        offset: u64,
    },
    /// At a block that cannot be read. What stands after it is lost.
    Damaged {
        /// Where the damaged block begins, in unpacked bytes.
        offset: u64,
        /// What is wrong with it.
        reason: BadBlock,
    },
    /// Where the caller stopped.
    Stopped,
}

impl Ending {
    /// Whether everything that was recorded is there.
    #[must_use]
    pub fn is_whole(self) -> bool {
        self == Self::Whole
    }
}

/// Something that could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Malformed {
    /// Where its block begins, in unpacked bytes.
    pub offset: u64,
    /// What is wrong.
    pub reason: BadContent,
}

/// What can be wrong in a block whose boundaries are right.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadContent {
    /// A packet.
    #[error(transparent)]
    Packet(#[from] BadPacket),
    /// A block of statistics.
    #[error("a block of statistics cannot be read")]
    Statistics,
    /// The options of a section or an interface.
    #[error("an option of a section or an interface is not as long as it should be")]
    Description,
}

/// The clock was set back while recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BackwardStep {
    /// The bus on which it shows.
    pub bus: BusIndex,
    /// The number of the frame that is stamped earlier, counted over the capture from 1.
    pub frame: u64,
    /// Where its block begins, in unpacked bytes.
    pub offset: u64,
    /// Stamp of the bus's frame before it.
    pub from_ns: i64,
    /// Its own stamp.
    pub to_ns: i64,
}

/// A count of things, with the first few of them: a damaged file may hold millions.
#[derive(Clone, Debug, PartialEq)]
pub struct Few<T> {
    count: u64,
    first: Vec<T>,
}

impl<T> Few<T> {
    /// How many are kept.
    pub const KEPT: usize = 100;

    /// How many there are.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The first of them, at most [`Few::KEPT`].
    #[must_use]
    pub fn first(&self) -> &[T] {
        &self.first
    }

    pub(crate) fn push(&mut self, item: T) {
        self.push_with(|| item);
    }

    /// Counts one more, and makes it only if it is kept.
    pub(crate) fn push_with(&mut self, item: impl FnOnce() -> T) {
        self.count += 1;
        if self.first.len() < Self::KEPT {
            self.first.push(item());
        }
    }
}

impl<T> Default for Few<T> {
    fn default() -> Self {
        Self {
            count: 0,
            first: Vec::new(),
        }
    }
}
