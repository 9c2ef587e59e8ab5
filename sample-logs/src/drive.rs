//! One drive: the loop in which driver, control units, drivetrain, sensors and buses run together,
//! a millisecond at a time.

mod output;
mod run;

use slipwright_decoders::frame::Frame;

use crate::bus::{Bus, MessageFaults};
use crate::layout::Message;
use crate::random::{Purpose, Stream};
use crate::readings::{Instant, Readings};
use crate::scenario::Scenario;
use crate::truth::{EngagementFinder, Row, Thresholds, TrueEngagement, TruthTable};
use output::Output;
use run::Run;

/// The integrator's step, s.
pub const STEP_S: f64 = 0.000_5;

/// Rows between two periods of the control units.
const CONTROL_ROWS: u64 = 10;
/// ns in a row.
const ROW_NS: i64 = 1_000_000;
/// Rows for which the buses stay awake after the programme is done.
const ROWS_AFTER: u64 = 500;

/// Takes what a drive makes as it is made.
pub trait DriveSink {
    /// Why it could not take it.
    type Error;

    /// A frame that the recorder received; stamps never step back.
    ///
    /// # Errors
    /// Ends the drive.
    fn frame(&mut self, frame: &Frame<'_>) -> Result<(), Self::Error>;

    /// The next rows of the truth, at most [`crate::truth::TABLE_ROWS`] at a time.
    ///
    /// # Errors
    /// Ends the drive.
    fn truth(&mut self, table: TruthTable) -> Result<(), Self::Error>;

    /// Whether truth rows are wanted; without, none are kept.
    fn wants_truth(&self) -> bool {
        true
    }

    /// The state at a time, ns since the drive's start: every millisecond one, whether or not
    /// tables are wanted.
    fn row(&mut self, t_ns: i64, row: &Row) {
        let _ = (t_ns, row);
    }
}

/// What is true of a drive as a whole.
#[derive(Clone, Debug, PartialEq)]
pub struct DriveTruth {
    /// First to last frame, s.
    pub duration_s: f64,
    /// Frames given to the sink.
    pub frames: u64,
    /// Each wheel's rolling radius over the rear mean.
    pub radius_ratio: [f64; 4],
    /// Engagements in time order; times in s from the capture's first frame.
    pub engagements: Vec<TrueEngagement>,
    /// Wheel speed below which the sensors tell nothing, m/s.
    pub dropout_speed_mps: f64,
    /// Standard deviation that the wheel sensors add to slip, m/s.
    pub noise_slip_mps: f64,
    /// Share of its time that each bus was taken, 0 to 1.
    pub bus_load: Vec<f64>,
    /// How well the energy balance closes: residual over the energy turned over.
    pub energy_residual: f64,
}

/// Simulates only the states of a drive, without sensors and buses; gives its engagements, with
/// times in s from the drive's start.
pub fn states(
    scenario: &Scenario,
    index: usize,
    mut each: impl FnMut(&Row),
) -> Vec<TrueEngagement> {
    let Some(plan) = scenario.drives.get(index) else {
        return Vec::new();
    };
    let mut run = Run::new(scenario, plan, index, STEP_S);
    let mut finder = EngagementFinder::new(thresholds(scenario));
    while let Some(row) = run.next_row() {
        finder.push(&row);
        each(&row);
    }
    finder.into_engagements()
}

/// Wheel speed below which the wheel sensors of a scenario's car tell nothing, m/s.
#[must_use]
pub fn dropout_mps(scenario: &Scenario) -> f64 {
    thresholds(scenario).dropout_mps
}

fn thresholds(scenario: &Scenario) -> Thresholds {
    Thresholds::of(&scenario.car, scenario.layout.wheel_period_ms * 1e-3)
}

/// Simulates drive number `index` of a scenario into a sink.
///
/// # Errors
/// The sink's.
pub fn simulate<S: DriveSink>(
    scenario: &Scenario,
    index: usize,
    messages: &[Message],
    sink: &mut S,
) -> Result<DriveTruth, S::Error> {
    let Some(plan) = scenario.drives.get(index) else {
        return Ok(DriveTruth::empty());
    };
    let mut run = Run::new(scenario, plan, index, STEP_S);
    let mut readings = Readings::new(
        scenario.car_seed,
        Stream::new(scenario.seed, index, Purpose::Sensors),
        scenario.car.tyres.rolling_radius_m,
        scenario.rings,
        Instant::start(&run.state),
    );
    let mut buses: Vec<Bus> = (0..scenario.layout.buses)
        .map(|bus| {
            let options = scenario.bus.clone();
            Bus::new(
                (scenario.car_seed, scenario.seed),
                index,
                bus,
                options,
                messages,
                scenario.layout.extended,
            )
        })
        .collect();
    let thresholds = thresholds(scenario);
    let mut out = Output::new(plan.start_ns, EngagementFinder::new(thresholds));

    while let Some(row) = run.next_row() {
        let t_ns = (run.rows - 1) as i64 * ROW_NS;
        readings.advance(run.instant(t_ns, &row));
        if t_ns > 0 {
            let faults = MessageFaults {
                gap: run.wiring_on[2],
                stale: run.wiring_on[3],
            };
            for bus in &mut buses {
                bus.advance(t_ns, &mut readings, faults, &mut out.received);
            }
        }
        sink.row(t_ns, &row);
        out.take(&row, t_ns, sink)?;
    }
    let duration_ns = run.rows as i64 * ROW_NS;
    let bits: Vec<u64> = buses.iter().map(Bus::bits_sent).collect();
    out.finish(sink)?;
    let rear_m = 0.5 * (run.built_radius_m[2] + run.built_radius_m[3]);
    let radius_m = run.drivetrain.radius_m();
    Ok(DriveTruth {
        duration_s: out.duration_s(),
        frames: out.frames,
        radius_ratio: radius_m.map(|r| r / rear_m),
        engagements: out.engagements(),
        dropout_speed_mps: thresholds.dropout_mps,
        noise_slip_mps: thresholds.onset_mps / Thresholds::ONSET_DEVIATIONS,
        bus_load: bits
            .iter()
            .map(|&bits| bits as f64 / scenario.bus.bit_rate_bps / (duration_ns as f64 * 1e-9))
            .collect(),
        energy_residual: run.energy_residual(),
    })
}

impl DriveTruth {
    fn empty() -> Self {
        Self {
            duration_s: 0.0,
            frames: 0,
            radius_ratio: [1.0; 4],
            engagements: Vec::new(),
            dropout_speed_mps: 0.0,
            noise_slip_mps: 0.0,
            bus_load: Vec::new(),
            energy_residual: 0.0,
        }
    }
}

#[cfg(test)]
mod checks;
