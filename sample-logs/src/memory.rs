//! Recordings in memory: a scenario's drive with its frames, its truth and what a reader needs to
//! decode it, without a file. Studies and tests of the other crates start here.
//!
//! ```
//! use slipwright_sample::fault::{Cause, Fault};
//! use slipwright_sample::manoeuvre::{Kind, Manoeuvre};
//! use slipwright_sample::memory::Recording;
//! use slipwright_sample::scenario::{DrivePlan, Scenario};
//! use slipwright_sample::surface::Surface;
//!
//! let launch = Manoeuvre { throttle_percent: 80.0, ..Manoeuvre::usual(Kind::Launch) };
//! let scenario = Scenario {
//!     seed: 7,
//!     faults: vec![Fault::new(Cause::WeakPump, 0.6)],
//!     ..Scenario::default()
//! }
//! .with_drive(DrivePlan::new("launch", vec![launch]).on(Surface::Wet));
//!
//! let recording = Recording::of(&scenario, 0)?;
//! assert_eq!(recording.truth.engagements.len(), 1);
//! assert!(recording.truth.engagements[0].dead_time_ms > Some(60.0));
//! assert!(recording.signals().role(slipwright_decoders::role::Role::CouplingPressure).is_some());
//! # Ok::<(), slipwright_decoders::field::FieldError>(())
//! ```
//!
//! [`Scenario::unknown_car`] instead of [`Scenario::default`] gives a car that nobody has
//! described; [`Recording::decoder`] then is what a search for its signals should find, and
//! [`Recording::satellite_speed`] the reference that the search may use.

use std::convert::Infallible;

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::field::FieldError;
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_decoders::signal::Signals;

use crate::drive::{self, DriveSink, DriveTruth};
use crate::layout::{self, BUS_NAMES, Message};
use crate::satellite::{SatelliteReceiver, SatelliteSpeed};
use crate::scenario::Scenario;
use crate::truth::{Row, TruthTable};
use crate::vehicle_file;

/// One frame of a recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StoredFrame {
    /// Receive time, ns since the epoch.
    pub t_ns: i64,
    /// Which bus.
    pub bus: BusIndex,
    /// Its identifier.
    pub id: CanId,
    data: [u8; 8],
    length: u8,
}

impl StoredFrame {
    /// Its data bytes.
    #[must_use]
    pub fn data(&self) -> &[u8] {
        self.data
            .get(..usize::from(self.length))
            .unwrap_or_default()
    }

    /// As the readers take it.
    #[must_use]
    pub fn frame(&self) -> Frame<'_> {
        Frame {
            t_ns: self.t_ns,
            bus: self.bus,
            id: self.id,
            flags: FrameFlags::default(),
            data: self.data(),
        }
    }
}

/// One drive, recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Name of each bus, by its index.
    pub buses: Vec<&'static str>,
    /// Frames in the order of their stamps.
    pub frames: Vec<StoredFrame>,
    /// What is true of the drive: its engagements, radius ratios, noise.
    pub truth: DriveTruth,
    /// True states at 1 kHz, if they were asked for ([`Recording::with_states`]).
    pub states: Vec<TruthTable>,
    /// Every message that the car sends, with the sources of its signals.
    pub messages: Vec<Message>,
    /// The decoder file of the car, whole and true.
    pub decoder: DecoderFile,
    /// The vehicle file's text: the car as built, without its faults.
    pub vehicle_toml: String,
    /// Ground speed of a receiver that a passenger brought along, at 10 Hz.
    pub satellite_speed: Vec<SatelliteSpeed>,
}

impl Recording {
    /// Records drive number `index` of a scenario, counted from 0.
    ///
    /// # Errors
    /// [`FieldError`] if the layout does not fit its frames; the crate's own layouts all do.
    pub fn of(scenario: &Scenario, index: usize) -> Result<Self, FieldError> {
        Self::record(scenario, index, false)
    }

    /// The same with every true state at 1 kHz: about 60 MB a minute.
    ///
    /// # Errors
    /// As [`Recording::of`].
    pub fn with_states(scenario: &Scenario, index: usize) -> Result<Self, FieldError> {
        Self::record(scenario, index, true)
    }

    fn record(scenario: &Scenario, index: usize, states: bool) -> Result<Self, FieldError> {
        let messages = layout::messages(&scenario.layout)?;
        let start_ns = scenario.drives.get(index).map_or(0, |plan| plan.start_ns);
        let mut keep = Keep {
            wants_states: states,
            frames: Vec::new(),
            states: Vec::new(),
            receiver: SatelliteReceiver::new(scenario.seed, index, start_ns),
        };
        let Ok(truth) = drive::simulate(scenario, index, &messages, &mut keep);
        let buses = BUS_NAMES.iter().copied();
        Ok(Self {
            buses: buses.take(usize::from(scenario.layout.buses)).collect(),
            frames: keep.frames,
            truth,
            states: keep.states,
            decoder: layout::decoder_file(&scenario.car.name, &messages),
            messages,
            vehicle_toml: vehicle_file::to_toml(&scenario.car),
            satellite_speed: keep.receiver.into_values(),
        })
    }

    /// The signals as a reader with the true decoder file sees them.
    #[must_use]
    pub fn signals(&self) -> Signals {
        self.decoded(&self.decoder)
    }

    /// The signals as a reader with another decoder file sees them.
    #[must_use]
    pub fn decoded(&self, decoder: &DecoderFile) -> Signals {
        let extractors = Extractors::compile(decoder);
        let mut collector = Collector::new(&extractors);
        for (index, name) in (0..).zip(&self.buses) {
            collector.add_bus(BusIndex::new(index), name);
        }
        for stored in &self.frames {
            collector.push(&stored.frame());
        }
        collector.finish().signals
    }
}

struct Keep {
    wants_states: bool,
    frames: Vec<StoredFrame>,
    states: Vec<TruthTable>,
    receiver: SatelliteReceiver,
}

impl DriveSink for Keep {
    type Error = Infallible;

    fn frame(&mut self, frame: &Frame<'_>) -> Result<(), Infallible> {
        let mut data = [0; 8];
        for (to, from) in data.iter_mut().zip(frame.data) {
            *to = *from;
        }
        self.frames.push(StoredFrame {
            t_ns: frame.t_ns,
            bus: frame.bus,
            id: frame.id,
            data,
            length: frame.data.len().min(8) as u8,
        });
        Ok(())
    }

    fn truth(&mut self, table: TruthTable) -> Result<(), Infallible> {
        self.states.push(table);
        Ok(())
    }

    fn wants_truth(&self) -> bool {
        self.wants_states
    }

    fn row(&mut self, t_ns: i64, row: &Row) {
        self.receiver.row(t_ns, row);
    }
}
