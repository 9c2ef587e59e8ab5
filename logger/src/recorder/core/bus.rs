//! One bus as the recorder keeps it: its state, its counts, which clock stamps it.

use slipwright_decoders::frame::BusIndex;

use super::super::clock::{HardwareStamps, Reading};
use super::super::live::{BusStatus, RateMeter};
use super::super::sidecar::BusLine;

/// A bus by its place in the list of buses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BusId(pub usize);

/// Whether a bus can be heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusState {
    /// Frames may come.
    Up,
    /// The interface is there, but down.
    Down,
    /// There is no such interface.
    Gone,
}

impl BusState {
    pub(super) fn text(self) -> &'static str {
        match self {
            Self::Up => "up",
            Self::Down => "down",
            Self::Gone => "gone",
        }
    }
}

/// What an interface tells of itself when it is opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct BusFacts {
    /// Bit rate, bit/s.
    pub bit_rate_bps: Option<u64>,
    /// Bit rate of the FD data phase, bit/s.
    pub data_bit_rate_bps: Option<u64>,
    /// Whether the controller only listens; `None` where it has no such mode.
    pub listen_only: Option<bool>,
}

/// Which clock stamps a bus's frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stamps {
    Kernel,
    Controller,
}

impl Stamps {
    pub(super) fn text(self) -> &'static str {
        match self {
            Self::Kernel => "kernel",
            Self::Controller => "controller",
        }
    }
}

/// Counts of one bus over some span.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Counts {
    pub(super) frames: u64,
    pub(super) error_frames: u64,
    pub(super) dropped: u64,
}

pub(super) struct Bus {
    pub(super) name: String,
    pub(super) state: BusState,
    pub(super) facts: BusFacts,
    pub(super) stamps: Option<Stamps>,
    pub(super) hardware: HardwareStamps,
    /// The kernel's drop count as last told; it starts at 0 with each socket.
    pub(super) dropped_told: u32,
    /// Dropped while no drive was on: frames came, so they belong to the drive that now begins.
    pub(super) dropped_before: u64,
    /// Its number in the open file, once it has one.
    pub(super) in_file: Option<BusIndex>,
    pub(super) file: Counts,
    pub(super) drive: Counts,
    pub(super) rate: RateMeter,
    pub(super) last_boot_ns: Option<i64>,
    /// An interface of our own making, such as GNSS: it neither wakes a drive nor keeps it awake.
    pub(super) is_guest: bool,
}

impl Bus {
    /// A bus that was not opened yet.
    pub(super) fn new(name: &str, is_guest: bool) -> Self {
        Self {
            name: name.to_owned(),
            state: BusState::Gone,
            facts: BusFacts::default(),
            stamps: None,
            hardware: HardwareStamps::default(),
            dropped_told: 0,
            dropped_before: 0,
            in_file: None,
            file: Counts::default(),
            drive: Counts::default(),
            rate: RateMeter::default(),
            last_boot_ns: None,
            is_guest,
        }
    }

    pub(super) fn stamps_text(&self) -> String {
        self.stamps.map_or("unknown", Stamps::text).to_owned()
    }

    pub(super) fn line(&self) -> BusLine {
        BusLine {
            name: self.name.clone(),
            frames: self.drive.frames,
            error_frames: self.drive.error_frames,
            dropped: self.drive.dropped,
            stamps: self.stamps_text(),
        }
    }

    pub(super) fn status(&self, now: Reading) -> BusStatus {
        let facts = &self.facts;
        BusStatus {
            name: self.name.clone(),
            state: self.state.text().to_owned(),
            rate_hz: self.rate.rate_hz(),
            load_percent: facts
                .bit_rate_bps
                .map(|nominal| self.rate.load_percent(nominal, facts.data_bit_rate_bps)),
            bit_rate_bps: facts.bit_rate_bps,
            frames: self.drive.frames,
            error_frames: self.drive.error_frames,
            dropped: self.drive.dropped,
            stamps: self.stamps_text(),
            listen_only: facts.listen_only,
            age_s: self
                .last_boot_ns
                .map(|last| (now.boot_ns - last).max(0) as f64 / 1e9),
        }
    }
}
