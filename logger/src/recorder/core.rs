//! The recorder itself, on handed-in time: frames, marks and ticks go in; file jobs come out.
//!
//! It holds the only state of a recording. [`Lifecycle`] says when a drive starts and ends,
//! [`Timeline`] at what time a frame came, [`Store`] takes the blocks; this module joins them. It
//! never waits, opens or looks at a clock, so a whole day of driving runs in a test in no time.

use std::cell::RefCell;
use std::io::{self, Write};
use std::path::PathBuf;

use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};

use super::clock::{ClockEvent, HardwareStamps, Reading, Timeline};
use super::lifecycle::{Change, End, Lifecycle, Limits};
use super::live::{BusStatus, DriveStatus, RateMeter, Status};
use super::load::wire_bits;
use super::sidecar::{self, About, BusLine, Record};
use super::signals::LiveSignals;
use super::source::{Batch, Received};
use super::store::{Failure, Job, Report, Store};
use crate::capture::{CaptureWriter, NewBus, Section, Statistics, WriteError};

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
/// Warnings kept for the live state.
const WARNINGS_KEPT: usize = 20;

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
    fn text(self) -> &'static str {
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
enum Stamps {
    Kernel,
    Controller,
}

impl Stamps {
    fn text(self) -> &'static str {
        match self {
            Self::Kernel => "kernel",
            Self::Controller => "controller",
        }
    }
}

/// Counts of one bus over some span.
#[derive(Clone, Copy, Debug, Default)]
struct Counts {
    frames: u64,
    error_frames: u64,
    dropped: u64,
}

struct Bus {
    name: String,
    state: BusState,
    facts: BusFacts,
    stamps: Option<Stamps>,
    hardware: HardwareStamps,
    /// The kernel's drop count as last told; it starts at 0 with each socket.
    dropped_told: u32,
    /// Dropped while no drive was on: frames came, so they belong to the drive that now begins.
    dropped_before: u64,
    /// Its number in the open file, once it has one.
    in_file: Option<BusIndex>,
    file: Counts,
    drive: Counts,
    rate: RateMeter,
    last_boot_ns: Option<i64>,
    /// An interface of our own making, such as GNSS: it neither wakes a drive nor keeps it awake.
    is_guest: bool,
}

/// Blocks on their way to the disk.
#[derive(Default)]
struct Blocks(RefCell<Vec<u8>>);

impl Write for Blocks {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.get_mut().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

struct OpenFile {
    writer: CaptureWriter<Blocks>,
    name: String,
    start_ns: i64,
    /// Bytes handed to the disk.
    bytes: u64,
}

struct Drive {
    folder: PathBuf,
    name: String,
    start_ns: i64,
    last_ns: i64,
    files: Vec<String>,
    frames: u64,
    bytes: u64,
    marks: u64,
    synced_at_ns: i64,
    /// Something was handed to the disk since the last sync.
    unsynced: bool,
    sidecar_at_ns: i64,
}

/// Why a mark was not kept.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MarkError {
    /// No drive is on.
    #[error("no drive is being recorded now, so the mark was not kept")]
    NoDrive,
    /// The text is too long.
    #[error("the text has {0} bytes; a mark takes at most 65535")]
    Long(usize),
}

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
        self.buses.push(Bus {
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
        });
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
        if was_heard {
            let note = format!("{} is back", of.name);
            self.note(&note, now);
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
        if !frame.flags.error && !of.is_guest && !self.own_ids.contains(&frame.id) {
            if let Some(change) = self.lifecycle.frame(boot_ns) {
                self.change(change, boot_ns, now);
            }
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

    /// A mark stands on a bus: in a file without a frame yet, on the first that is recorded.
    fn describe_first_bus(&mut self) {
        if self.file.is_some() && self.buses.iter().all(|bus| bus.in_file.is_none()) {
            self.in_file(BusId(0));
        }
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

    /// Sets a mark of the person's. Gives the drive's name and the mark's time in it, s.
    ///
    /// # Errors
    ///
    /// [`MarkError`].
    pub fn mark(&mut self, text: &str, now: Reading) -> Result<(String, f64), MarkError> {
        self.clocks(now);
        let t_ns = self.timeline.at(now.boot_ns);
        self.describe_first_bus();
        let (Some(file), Some(drive)) = (self.file.as_mut(), self.drive.as_mut()) else {
            return Err(MarkError::NoDrive);
        };
        file.writer
            .write_mark(t_ns, None, text)
            .map_err(|error| match error {
                WriteError::LongText(bytes) => MarkError::Long(bytes),
                _ => MarkError::NoDrive,
            })?;
        drive.marks += 1;
        Ok((drive.name.clone(), (t_ns - drive.start_ns) as f64 / 1e9))
    }

    /// A line of the recorder's own in the file and among the warnings.
    pub fn note(&mut self, text: &str, now: Reading) {
        tracing::warn!("{text}");
        if self.warnings.len() == WARNINGS_KEPT {
            self.warnings.remove(0);
        }
        self.warnings.push(text.to_owned());
        let t_ns = self.timeline.at(now.boot_ns);
        self.describe_first_bus();
        if let Some(file) = self.file.as_mut() {
            // Too long or before 1970 it cannot be; the log has it in any case.
            let _ = file
                .writer
                .write_mark(t_ns, None, &format!("recorder: {text}"));
        }
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
        let least = self.plan.keep_free_bytes >> 20;
        let message = format!(
            "{}: less than {least} MB are free; everything recorded is kept; free some space and start again",
            self.plan.out.display()
        );
        Failure {
            end: End::DiskFull,
            message,
        }
    }

    fn clocks(&mut self, now: Reading) {
        for event in self.timeline.observe(now) {
            match event {
                ClockEvent::Stepped { by_ns } => {
                    let by_s = by_ns as f64 / 1e9;
                    if self.drive.is_none() {
                        self.timeline.restart();
                        tracing::info!("the clock was set by {by_s:+.3} s");
                        continue;
                    }
                    let text = format!(
                        "the clock was set by {by_s:+.3} s; this drive's stamps keep the old time"
                    );
                    self.note(&text, now);
                }
                ClockEvent::Suspended { for_ns } => {
                    let text = format!("the computer slept for {:.1} s", for_ns as f64 / 1e9);
                    self.note(&text, now);
                    // Frames that come now belong to what is after the sleep.
                    let bytes = self.file.as_ref().map_or(0, |f| f.bytes);
                    if let Some(change) = self.lifecycle.tick(now.boot_ns, bytes) {
                        self.change(change, now.boot_ns, now);
                    }
                }
            }
        }
    }

    fn change(&mut self, change: Change, boot_ns: i64, now: Reading) {
        match change {
            Change::Start => self.start(boot_ns),
            Change::NextFile => {
                self.close_file(now);
                self.open_file(boot_ns);
                self.write_sidecar(None);
            }
            Change::End(why) => self.end(why, now),
        }
    }

    fn start(&mut self, boot_ns: i64) {
        self.timeline.restart();
        let start_ns = self.timeline.at(boot_ns);
        let base = drive_name(start_ns);
        let mut name = base.clone();
        let mut folder = self.plan.out.join(&name);
        for n in 2.. {
            // A clock that was set back may have used this name before.
            if !self.store.is_taken(&folder) {
                break;
            }
            name = format!("{base}-{n}");
            folder = self.plan.out.join(&name);
        }
        tracing::info!("drive {name} begins");
        self.store.submit(Job::MakeFolder(folder.clone()));
        for bus in &mut self.buses {
            bus.drive = Counts::default();
        }
        self.drive = Some(Drive {
            folder,
            name,
            start_ns,
            last_ns: start_ns,
            files: Vec::new(),
            frames: 0,
            bytes: 0,
            marks: 0,
            synced_at_ns: boot_ns,
            unsynced: false,
            sidecar_at_ns: boot_ns,
        });
        self.open_file(boot_ns);
        for bus in &mut self.buses {
            let before = std::mem::take(&mut bus.dropped_before);
            bus.file.dropped += before;
            bus.drive.dropped += before;
        }
        self.write_sidecar(None);
    }

    fn open_file(&mut self, boot_ns: i64) {
        let start_ns = self.timeline.at(boot_ns);
        let Some(drive) = self.drive.as_mut() else {
            return;
        };
        let name = (0..).map(|ms| capture_name(start_ns + ms * 1_000_000));
        let name = name
            .into_iter()
            .find(|name| !drive.files.contains(name))
            .unwrap_or_default();
        for bus in &mut self.buses {
            bus.in_file = None;
            bus.file = Counts::default();
        }
        self.store.submit(Job::Open(drive.folder.join(&name)));
        drive.files.push(name.clone());
        // Writing into memory fails only for a text that is too long, and ours is not.
        if let Ok(writer) = CaptureWriter::new(Blocks::default(), &Section::ours()) {
            self.file = Some(OpenFile {
                writer,
                name,
                start_ns,
                bytes: 0,
            });
        }
    }

    /// Writes what was counted, and closes the file.
    fn close_file(&mut self, now: Reading) {
        // The last frame's time, and not the present: after silence that lies well behind.
        let end_ns = self.drive.as_ref().map_or(0, |d| d.last_ns);
        for i in 0..self.buses.len() {
            // A bus that never spoke is described too: silence is a finding.
            if self
                .buses
                .get(i)
                .is_some_and(|b| b.is_guest && b.in_file.is_none())
            {
                continue;
            }
            let index = self.in_file(BusId(i));
            let (Some(index), Some(file), Some(bus)) =
                (index, self.file.as_mut(), self.buses.get(i))
            else {
                continue;
            };
            let statistics = Statistics {
                start_ns: Some(file.start_ns),
                end_ns: Some(end_ns),
                received: Some(bus.file.frames + bus.file.dropped),
                dropped_by_os: Some(bus.file.dropped),
                delivered: Some(bus.file.frames),
                ..Statistics::at(index, self.timeline.at(now.boot_ns))
            };
            // Only a stamp before 1970 could make this fail; the frames would have failed too.
            let _ = file.writer.write_statistics(&statistics);
        }
        self.hand_over(0);
        self.file = None;
        self.store.submit(Job::Close {
            compress: self.plan.compress,
        });
    }

    fn end(&mut self, why: End, now: Reading) {
        self.close_file(now);
        self.write_sidecar(Some(why));
        if let Some(drive) = self.drive.take() {
            tracing::info!(
                "drive {} ended: {}; {} frames",
                drive.name,
                why.text(),
                drive.frames
            );
        }
        self.timeline.restart();
    }

    /// Hands blocks to the disk if there are more than `above` bytes of them.
    fn hand_over(&mut self, above: usize) {
        let (Some(file), Some(drive)) = (self.file.as_mut(), self.drive.as_mut()) else {
            return;
        };
        let mut blocks = file.writer.get_ref().0.borrow_mut();
        if blocks.len() <= above {
            return;
        }
        let bytes = std::mem::replace(&mut *blocks, Vec::with_capacity(HAND_OVER_BYTES + 8_192));
        file.bytes += bytes.len() as u64;
        drive.bytes += bytes.len() as u64;
        drive.unsynced = true;
        self.store.submit(Job::Write(bytes));
    }

    fn write_sidecar(&mut self, ended: Option<End>) {
        let Some(drive) = &self.drive else { return };
        let record = Record {
            start_utc: utc(drive.start_ns),
            end_utc: utc(drive.last_ns),
            duration_s: (drive.last_ns - drive.start_ns) as f64 / 1e9,
            ended,
            clock_set_by_s: self.timeline.set_by_ns() as f64 / 1e9,
            files: drive.files.clone(),
            buses: self.buses.iter().map(Bus::line).collect(),
            marks: drive.marks,
        };
        let path = drive.folder.join("drive.toml");
        let persons_part = sidecar::persons_part(&self.plan.about);
        self.store.submit(Job::Sidecar {
            path,
            persons_part,
            record,
        });
    }

    /// The live state.
    #[must_use]
    pub fn status(&self, now: Reading) -> Status {
        let report = self.store.report();
        let rate = self.drive.as_ref().map(|drive| {
            let seconds = (self.timeline.at(now.boot_ns) - drive.start_ns).max(1) as f64 / 1e9;
            drive.bytes as f64 / seconds
        });
        let names: Vec<String> = self.buses.iter().map(|bus| bus.name.clone()).collect();
        let live = self
            .signals
            .as_ref()
            .map(|signals| signals.now(now.boot_ns, &names));
        let (signals, slip) = live.map_or((Vec::new(), None), |(s, slip)| (s, Some(slip)));
        let usable = report
            .free_bytes
            .map(|free| free.saturating_sub(self.plan.keep_free_bytes));
        Status {
            state: if self.drive.is_some() {
                "recording"
            } else {
                "waiting"
            }
            .to_owned(),
            out: self.plan.out.display().to_string(),
            drive: self.drive.as_ref().map(|drive| DriveStatus {
                folder: drive.name.clone(),
                file: self
                    .file
                    .as_ref()
                    .map(|f| f.name.clone())
                    .unwrap_or_default(),
                start_utc: utc(drive.start_ns),
                length_s: (self.timeline.at(now.boot_ns) - drive.start_ns) as f64 / 1e9,
                frames: drive.frames,
                synced_frames: report.synced_frames,
                bytes: drive.bytes,
                marks: drive.marks,
            }),
            buses: self
                .buses
                .iter()
                .filter(|b| !b.is_guest)
                .map(|b| b.status(now))
                .collect(),
            signals,
            slip_mps: slip.as_ref().and_then(|slip| slip.as_ref().ok().copied()),
            slip_why: slip.and_then(Result::err),
            disk_free_bytes: report.free_bytes,
            disk_left_s: match (usable, rate) {
                (Some(usable), Some(rate)) if rate > 0.0 => Some(usable as f64 / rate),
                _ => None,
            },
            warnings: self.warnings.clone(),
            ..Status::default()
        }
    }
}

impl Bus {
    fn stamps_text(&self) -> String {
        self.stamps.map_or("unknown", Stamps::text).to_owned()
    }

    fn line(&self) -> BusLine {
        BusLine {
            name: self.name.clone(),
            frames: self.drive.frames,
            error_frames: self.drive.error_frames,
            dropped: self.drive.dropped,
            stamps: self.stamps_text(),
        }
    }

    fn status(&self, now: Reading) -> BusStatus {
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

/// UTC time as a folder's name that sorts by time and that every file system takes.
fn drive_name(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(i128::from(t_ns)).unwrap_or_default();
    time.strftime("%Y-%m-%dT%H-%M-%SZ").to_string()
}

/// The same for a file, to the millisecond: two files of one drive may begin within a second.
fn capture_name(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(i128::from(t_ns)).unwrap_or_default();
    format!("{}.pcapng", time.strftime("%Y-%m-%dT%H-%M-%S%.3fZ"))
}

/// UTC time by RFC 3339, to the millisecond.
fn utc(t_ns: i64) -> String {
    let time = jiff::Timestamp::from_nanosecond(i128::from(t_ns)).unwrap_or_default();
    format!("{time:.3}")
}

#[cfg(test)]
#[path = "core_tests.rs"]
mod tests;
