//! The recorder itself, on handed-in time: frames, marks and ticks go in; file jobs come out.
//!
//! It holds the only state of a recording. [`Lifecycle`] says when a drive starts and ends,
//! [`Timeline`] at what time a frame came, [`Store`] takes the blocks; this module joins them. It
//! never waits, opens or looks at a clock, so a whole day of driving runs in a test in no time.

use std::path::PathBuf;

use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};

use super::clock::{HardwareStamps, Reading, Timeline};
use super::lifecycle::{End, Lifecycle, Limits};
use super::load::wire_bits;
use super::sidecar::About;
use super::signals::LiveSignals;
use super::source::{Batch, Received};
use super::store::{Failure, Job, Report, Store};
use crate::capture::NewBus;

mod bus;
mod drive;
mod marks;
mod status;

pub use bus::{BusFacts, BusId, BusState};
pub use marks::MarkError;

use bus::{Bus, Stamps};
use drive::{Drive, OpenFile};

/// What the recorder is told once.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The folder that gets one folder a drive.
    pub out: PathBuf,
    /// When a drive ends and a file is full.
    pub limits: Limits,
    /// For the sidecar.
    pub about: About,
    /// Compress closed files.
    pub compress: bool,
    /// Stop while so much is still free on the disk, bytes.
    pub keep_free_bytes: u64,
}

/// Blocks are handed to the disk when there are this many bytes, or at the next tick.
const HAND_OVER_BYTES: usize = 64 << 10;
/// With ticks of 100 ms and this between syncs, a power loss takes well under a second.
const SYNC_EVERY_NS: i64 = 250_000_000;
/// The sidecar is renewed this often, so that it is roughly right after a power loss.
const SIDECAR_EVERY_NS: i64 = 60_000_000_000;

/// The recorder.
pub struct Recorder<S> {
    plan: Plan,
    store: S,
    lifecycle: Lifecycle,
    timeline: Timeline,
    buses: Vec<Bus>,
    drive: Option<Drive>,
    file: Option<OpenFile>,
    warnings: Vec<String>,
    ended: Option<End>,
    /// Identifiers that this program itself sends with.
    own_ids: Vec<CanId>,
    signals: Option<LiveSignals>,
}

impl<S: Store> Recorder<S> {
    /// Waits for a bus to wake.
    pub fn new(plan: Plan, store: S, now: Reading) -> Self {
        let lifecycle = Lifecycle::new(plan.limits);
        Self {
            plan,
            store,
            lifecycle,
            timeline: Timeline::new(now),
            buses: Vec::new(),
            drive: None,
            file: None,
            warnings: Vec::new(),
            ended: None,
            own_ids: Vec::new(),
            signals: None,
        }
    }

    /// Follows the signals of a car for the live state.
    pub fn set_signals(&mut self, signals: LiveSignals) {
        self.signals = Some(signals);
    }

    /// Frames of these identifiers are recorded like any other, but are no sign of a bus awake: this
    /// program sent them.
    pub fn set_own_ids(&mut self, ids: Vec<CanId>) {
        self.own_ids = ids;
    }

    /// Adds a bus whose frames start, prolong and fill drives.
    pub fn add_bus(&mut self, name: &str) -> BusId {
        self.add(name, false)
    }

    /// Adds an interface that is recorded while a drive is on.
    pub fn add_guest(&mut self, name: &str) -> BusId {
        self.add(name, true)
    }

    fn add(&mut self, name: &str, is_guest: bool) -> BusId {
        self.buses.push(Bus::new(name, is_guest));
        BusId(self.buses.len() - 1)
    }

    /// An interface was opened anew.
    pub fn opened(&mut self, bus: BusId, facts: BusFacts, now: Reading) {
        let Some(of) = self.buses.get_mut(bus.0) else {
            return;
        };
        let was_heard = of.last_boot_ns.is_some();
        of.state = BusState::Up;
        of.facts = facts;
        of.dropped_told = 0;
        // Another adapter may have another clock.
        of.stamps = None;
        of.hardware = HardwareStamps::default();
        if was_heard {
            let note = format!("{} is back", of.name);
            self.note(&note, now);
        }
    }

    /// An interface was set up anew, as with another bit rate.
    pub fn facts(&mut self, bus: BusId, facts: BusFacts) {
        if let Some(of) = self.buses.get_mut(bus.0) {
            of.facts = facts;
        }
    }

    /// An interface can no longer be heard, or can be heard again.
    pub fn state(&mut self, bus: BusId, state: BusState, now: Reading) {
        let Some(of) = self.buses.get_mut(bus.0) else {
            return;
        };
        if of.state == state {
            return;
        }
        of.state = state;
        let note = match state {
            BusState::Up => format!("{} is up", of.name),
            BusState::Down => format!("{} is down", of.name),
            BusState::Gone => format!("{} is gone", of.name),
        };
        self.note(&note, now);
    }

    /// Frames of one bus. `now` is looked at after they were received.
    pub fn frames(&mut self, bus: BusId, batch: &Batch, now: Reading) {
        self.clocks(now);
        for frame in &batch.frames {
            self.frame(bus, frame, now);
        }
        // After the frames: the first may have begun the drive to which the loss belongs.
        if let Some(dropped) = batch.dropped {
            self.dropped(bus, dropped);
        }
        self.hand_over(HAND_OVER_BYTES);
    }

    /// The kernel's count of frames dropped from this bus's socket, whenever it was asked.
    pub fn dropped(&mut self, bus: BusId, told: u32) {
        let Some(of) = self.buses.get_mut(bus.0) else {
            return;
        };
        // A count of 32 bits that wraps. The one that a frame carries is as old as the frame, and may
        // lie behind one that was asked for.
        let more = told.wrapping_sub(of.dropped_told);
        if more > u32::MAX / 2 {
            return;
        }
        of.dropped_told = told;
        let more = u64::from(more);
        if self.drive.is_none() {
            of.dropped_before += more;
            return;
        }
        of.file.dropped += more;
        of.drive.dropped += more;
    }

    fn frame(&mut self, bus: BusId, frame: &Received, now: Reading) {
        // After the end no new drive may begin, whatever still comes.
        if self.ended.is_some() {
            return;
        }
        let Some(of) = self.buses.get_mut(bus.0) else {
            return;
        };
        let kernel_ns = self.timeline.boot_ns(frame.real_ns, now);
        let (stamps, boot_ns) = match frame.hardware_ns {
            Some(ns) => (Stamps::Controller, of.hardware.place(ns, kernel_ns)),
            None => (Stamps::Kernel, kernel_ns),
        };
        of.stamps.get_or_insert(stamps);
        of.last_boot_ns = Some(boot_ns);
        of.rate
            .count(wire_bits(frame.id, frame.flags, frame.data()));
        if let (Some(signals), Ok(bus)) = (self.signals.as_mut(), u16::try_from(bus.0)) {
            signals.frame(bus, boot_ns, frame.id, frame.flags, frame.data());
        }
        // An error frame is a sign of trouble, not of a bus that woke.
        let is_life = !frame.flags.error && !of.is_guest && !self.own_ids.contains(&frame.id);
        if is_life && let Some(change) = self.lifecycle.frame(boot_ns) {
            self.change(change, boot_ns, now);
        }
        if self.drive.is_none() {
            return;
        }
        self.append(bus, boot_ns, frame.id, frame.flags, frame.data());
    }

    fn append(&mut self, bus: BusId, boot_ns: i64, id: CanId, flags: FrameFlags, data: &[u8]) {
        let t_ns = self.timeline.at(boot_ns);
        let Some(index) = self.in_file(bus) else {
            return;
        };
        let (Some(file), Some(drive), Some(of)) = (
            self.file.as_mut(),
            self.drive.as_mut(),
            self.buses.get_mut(bus.0),
        ) else {
            return;
        };
        let written = file.writer.write_frame(&Frame {
            t_ns,
            bus: index,
            id,
            flags,
            data,
        });
        if written.is_err() {
            // No frame that can be on a bus; what brought it all the same is missing in the file.
            of.file.dropped += 1;
            of.drive.dropped += 1;
            return;
        }
        drive.last_ns = drive.last_ns.max(t_ns);
        drive.frames += 1;
        for counts in [&mut of.file, &mut of.drive] {
            counts.frames += 1;
            counts.error_frames += u64::from(flags.error);
        }
    }

    /// The number of a bus in the open file. It is described there with its first frame, when it
    /// is known which clock stamps it.
    fn in_file(&mut self, bus: BusId) -> Option<BusIndex> {
        let of = self.buses.get_mut(bus.0)?;
        if of.in_file.is_none() {
            let stamps = of
                .stamps
                .map(|stamps| format!("time stamps: {}", stamps.text()));
            let new = NewBus {
                bit_rate_bps: of.facts.bit_rate_bps,
                comment: stamps.as_deref(),
                ..NewBus::named(&of.name)
            };
            of.in_file = self.file.as_mut()?.writer.add_bus(&new).ok();
        }
        of.in_file
    }

    /// A frame of our own making on a guest interface, at the present time.
    pub fn guest_frame(&mut self, bus: BusId, id: CanId, data: &[u8], now: Reading) {
        let mut bytes = [0; slipwright_decoders::frame::MAX_DATA_BYTES];
        let Some(place) = bytes.get_mut(..data.len()) else {
            return;
        };
        place.copy_from_slice(data);
        let frame = Received {
            real_ns: 0,
            hardware_ns: None,
            id,
            flags: FrameFlags::default(),
            length: u8::try_from(data.len()).unwrap_or(0),
            bytes,
        };
        self.frame(bus, &frame, now);
    }

    /// Time went on. To be called every 100 ms.
    pub fn tick(&mut self, now: Reading) {
        self.clocks(now);
        for bus in &mut self.buses {
            bus.rate.tick(now.boot_ns);
        }
        let report = self.store.report();
        for complaint in self.store.complaints() {
            self.note(&complaint, now);
        }
        if let Some(end) = self.trouble(&report) {
            self.stop(end, now);
            return;
        }
        let file_bytes = self.file.as_ref().map_or(0, |f| f.bytes);
        if let Some(change) = self.lifecycle.tick(now.boot_ns, file_bytes) {
            self.change(change, now.boot_ns, now);
        }
        self.hand_over(0);
        self.sync(now);
    }

    /// Whether the disk ends the drive.
    fn trouble(&self, report: &Report) -> Option<End> {
        if let Some(failure) = &report.failure {
            return Some(failure.end);
        }
        let free = report.free_bytes?;
        (free < self.plan.keep_free_bytes).then_some(End::DiskFull)
    }

    fn sync(&mut self, now: Reading) {
        let Some(drive) = self.drive.as_mut() else {
            return;
        };
        if drive.unsynced && now.boot_ns - drive.synced_at_ns >= SYNC_EVERY_NS {
            drive.unsynced = false;
            drive.synced_at_ns = now.boot_ns;
            self.store.submit(Job::Sync {
                frames: drive.frames,
            });
        }
        if now.boot_ns - drive.sidecar_at_ns >= SIDECAR_EVERY_NS {
            drive.sidecar_at_ns = now.boot_ns;
            self.write_sidecar(None);
        }
    }

    /// Goes on in a new file, as on SIGHUP.
    pub fn next_file(&mut self, now: Reading) {
        if let Some(change) = self.lifecycle.next_file(now.boot_ns) {
            self.change(change, now.boot_ns, now);
        }
    }

    /// Ends the drive that is on and records no more.
    pub fn stop(&mut self, why: End, now: Reading) {
        self.ended.get_or_insert(why);
        if let Some(change) = self.lifecycle.end(why) {
            self.change(change, now.boot_ns, now);
        }
    }

    /// Why the recorder stopped, once it did.
    #[must_use]
    pub fn ended(&self) -> Option<End> {
        self.ended
    }

    /// Jobs that the disk has not done yet.
    #[must_use]
    pub fn jobs_waiting(&self) -> usize {
        self.store.report().jobs_waiting
    }

    /// The store, to be finished.
    pub fn store_mut(&mut self) -> &mut S {
        &mut self.store
    }

    /// What to say when the drive ended because too little was free.
    #[must_use]
    pub fn disk_nearly_full(&self) -> Failure {
        let least = self.plan.keep_free_bytes / 1_000_000;
        let message = format!(
            "{}: less than {least} MB are free; everything recorded is kept; free some space and start again",
            self.plan.out.display()
        );
        Failure {
            end: End::DiskFull,
            message,
        }
    }
}

#[cfg(test)]
mod tests;
