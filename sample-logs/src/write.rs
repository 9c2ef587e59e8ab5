//! The output edge: a scenario's drives as files in a folder. Everything before it gives values.

use std::convert::Infallible;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use slipwright_decoders::field::FieldError;
use slipwright_decoders::frame::Frame;
use slipwright_logger::capture::{CaptureWriter, Compressed, NewBus, Section, WriteError};
use slipwright_logger::whole_file::write_whole;

use crate::drive::{self, DriveSink, DriveTruth};
use crate::layout::{self, BUS_NAMES, Message};
use crate::satellite::SatelliteReceiver;
use crate::scenario::{DrivePlan, Scenario};
use crate::truth::{Row, TruthTable};
use crate::truth_file;
use crate::vehicle_file;

/// Why drives could not be written; `E` is the observer's own reason.
#[derive(Debug, thiserror::Error)]
pub enum SimulateError<E> {
    /// A file or folder cannot be made or written.
    #[error("{path} cannot be written: {source}")]
    Write {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The capture refused something.
    #[error("{path} cannot be written: {source}")]
    Capture {
        /// The capture.
        path: PathBuf,
        /// Why.
        source: WriteError,
    },
    /// The message layout does not fit its frames.
    #[error("the message layout does not fit: {0}")]
    Layout(#[from] FieldError),
    /// The observer ended it.
    #[error("{0}")]
    Observer(E),
}

/// What the caller takes part in while drives are written.
pub trait Observer {
    /// Why it ends the writing.
    type Error;

    /// Takes the next truth rows of a drive.
    ///
    /// # Errors
    /// What ends the writing.
    fn truth(&mut self, drive: &DrivePlan, table: TruthTable) -> Result<(), Self::Error>;

    /// Whether truth rows are wanted.
    fn wants_truth(&self) -> bool;
}

/// An observer that wants nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoObserver;

impl Observer for NoObserver {
    type Error = Infallible;

    fn truth(&mut self, _: &DrivePlan, _: TruthTable) -> Result<(), Infallible> {
        Ok(())
    }
    fn wants_truth(&self) -> bool {
        false
    }
}

/// What was written.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Written {
    /// Captures, in the order of the drives.
    pub captures: Vec<PathBuf>,
    /// Truth of each drive, in the same order.
    pub drives: Vec<DriveTruth>,
}

/// Simulates every drive of a scenario into a folder: captures, `decoder.toml`, `vehicle.toml` and
/// `truth.json`. A car whose layout is drawn has passengers with a satellite receiver: beside each
/// capture lies `<drive>-speed.csv` with the columns `t_ns` and `speed_mps`.
///
/// # Errors
/// [`SimulateError`]: something cannot be written, or the observer ends it.
pub fn write_scenario<O: Observer>(
    scenario: &Scenario,
    folder: &Path,
    observer: &mut O,
) -> Result<Written, SimulateError<O::Error>> {
    std::fs::create_dir_all(folder).map_err(|source| SimulateError::Write {
        path: folder.to_owned(),
        source,
    })?;
    let messages = layout::messages(&scenario.layout)?;
    let decoder = layout::decoder_file(&scenario.car.name, &messages).to_toml();
    write_text(&folder.join(vehicle_file::DECODER_FILE), &decoder)?;
    write_text(
        &folder.join("vehicle.toml"),
        &vehicle_file::to_toml(&scenario.car),
    )?;

    let mut written = Written {
        captures: Vec::new(),
        drives: Vec::new(),
    };
    for (index, plan) in scenario.drives.iter().enumerate() {
        let path = folder.join(plan.capture_name(scenario.compress));
        let mut receiver = SatelliteReceiver::new(scenario.seed, index, plan.start_ns);
        let work = Work {
            scenario,
            index,
            plan,
            messages: &messages,
            path: &path,
        };
        let truth = write_drive(&work, &mut receiver, observer)?;
        if scenario.layout.drawn.is_some() {
            let reference = folder.join(format!("{}-speed.csv", plan.name));
            write_text(&reference, &receiver.to_csv())?;
        }
        written.captures.push(path);
        written.drives.push(truth);
    }
    write_text(
        &folder.join("truth.json"),
        &truth_file::to_json(scenario, &written.drives),
    )?;
    Ok(written)
}

fn write_text<E>(path: &Path, text: &str) -> Result<(), SimulateError<E>> {
    let failed = |source| SimulateError::Write {
        path: path.to_owned(),
        source,
    };
    write_whole(path, failed, |mut file| {
        file.write_all(text.as_bytes()).map_err(failed)
    })
}

/// One drive to be written.
struct Work<'a> {
    scenario: &'a Scenario,
    index: usize,
    plan: &'a DrivePlan,
    messages: &'a [Message],
    path: &'a Path,
}

fn write_drive<O: Observer>(
    work: &Work<'_>,
    receiver: &mut SatelliteReceiver,
    observer: &mut O,
) -> Result<DriveTruth, SimulateError<O::Error>> {
    let failed = |source| SimulateError::Write {
        path: work.path.to_owned(),
        source,
    };
    write_whole(work.path, failed, |file| {
        let file = BufWriter::with_capacity(1 << 20, file);
        let (truth, file) = if work.scenario.compress {
            let packed = Compressed::new(file).map_err(failed)?;
            let (truth, packed) = write_frames(work, packed, receiver, observer)?;
            (truth, packed.finish().map_err(failed)?)
        } else {
            write_frames(work, file, receiver, observer)?
        };
        // Dropped, it would keep its last error to itself.
        file.into_inner()
            .map_err(|error| failed(error.into_error()))?;
        Ok(truth)
    })
}

fn write_frames<W: Write, O: Observer>(
    work: &Work<'_>,
    to: W,
    receiver: &mut SatelliteReceiver,
    observer: &mut O,
) -> Result<(DriveTruth, W), SimulateError<O::Error>> {
    let (scenario, path) = (work.scenario, work.path);
    let refused = |source| SimulateError::Capture {
        path: path.to_owned(),
        source,
    };
    // No version: the same seed gives the same bytes from version to version.
    let section = Section {
        application: Some("slipwright simulate".to_owned()),
        ..Section::default()
    };
    let mut writer = CaptureWriter::new(to, &section).map_err(refused)?;
    for bus in 0..usize::from(scenario.layout.buses) {
        let name = BUS_NAMES.get(bus).copied().unwrap_or("can");
        let bit_rate_bps = Some(scenario.bus.bit_rate_bps as u64);
        writer
            .add_bus(&NewBus {
                bit_rate_bps,
                ..NewBus::named(name)
            })
            .map_err(refused)?;
    }
    let mut sink = CaptureSink {
        writer,
        path,
        plan: work.plan,
        receiver,
        observer,
    };
    let truth = drive::simulate(scenario, work.index, work.messages, &mut sink)?;
    let inner = sink
        .writer
        .finish()
        .map_err(|source| SimulateError::Write {
            path: path.to_owned(),
            source,
        })?;
    Ok((truth, inner))
}

struct CaptureSink<'a, W, O> {
    writer: CaptureWriter<W>,
    path: &'a Path,
    plan: &'a DrivePlan,
    receiver: &'a mut SatelliteReceiver,
    observer: &'a mut O,
}

impl<W: Write, O: Observer> DriveSink for CaptureSink<'_, W, O> {
    type Error = SimulateError<O::Error>;

    fn frame(&mut self, frame: &Frame<'_>) -> Result<(), Self::Error> {
        self.writer
            .write_frame(frame)
            .map_err(|source| SimulateError::Capture {
                path: self.path.to_owned(),
                source,
            })
    }

    fn truth(&mut self, table: TruthTable) -> Result<(), Self::Error> {
        self.observer
            .truth(self.plan, table)
            .map_err(SimulateError::Observer)
    }

    fn wants_truth(&self) -> bool {
        self.observer.wants_truth()
    }

    fn row(&mut self, t_ns: i64, row: &Row) {
        self.receiver.row(t_ns, row);
    }
}
