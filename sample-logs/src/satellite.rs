//! A satellite receiver that a passenger brings along: the reference by which the speeds of an
//! unknown car are told.

use std::collections::VecDeque;
use std::fmt::Write;

use crate::random::{Purpose, Stream};
use crate::readings::{FIRST_FIX_NS, GROUND_SPEED_DELAY_MS, GROUND_SPEED_NOISE_MPS};
use crate::truth::Row;

/// One value of a satellite receiver.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SatelliteSpeed {
    /// When it came, ns since the epoch.
    pub t_ns: i64,
    /// Ground speed, m/s.
    pub speed_mps: f64,
}

/// The receiver: the same delay, noise and rate as the car's own, other errors.
#[derive(Debug)]
pub struct SatelliteReceiver {
    start_ns: i64,
    under_way: VecDeque<f64>,
    random: Stream,
    values: Vec<SatelliteSpeed>,
}

/// By how much its values follow the car, s.
pub const SATELLITE_DELAY_S: f64 = GROUND_SPEED_DELAY_MS as f64 * 1e-3;
/// From one value to the next, ns.
const SATELLITE_PERIOD_NS: i64 = 100_000_000;

impl SatelliteReceiver {
    /// A receiver that is switched on as drive number `index` of a seed starts, at `start_ns` since
    /// the epoch.
    #[must_use]
    pub fn new(seed: u64, index: usize, start_ns: i64) -> Self {
        Self {
            start_ns,
            under_way: VecDeque::with_capacity(GROUND_SPEED_DELAY_MS + 1),
            random: Stream::new(seed, index, Purpose::Receiver),
            values: Vec::new(),
        }
    }

    /// Takes the row at this time, ns since the drive's start; rows come every millisecond.
    pub fn row(&mut self, t_ns: i64, row: &Row) {
        self.under_way.push_back(row.state.forward_mps.abs());
        if self.under_way.len() <= GROUND_SPEED_DELAY_MS {
            return;
        }
        let Some(speed_mps) = self.under_way.pop_front() else {
            return;
        };
        if t_ns >= FIRST_FIX_NS && t_ns % SATELLITE_PERIOD_NS == 0 {
            let noise_mps = GROUND_SPEED_NOISE_MPS * self.random.normal();
            self.values.push(SatelliteSpeed {
                t_ns: self.start_ns + t_ns,
                speed_mps: (speed_mps + noise_mps).max(0.0),
            });
        }
    }

    /// The values so far as CSV text: columns `t_ns` and `speed_mps`.
    #[must_use]
    pub fn to_csv(&self) -> String {
        let mut text = String::from("t_ns,speed_mps\n");
        for value in &self.values {
            // Writing to a string cannot fail.
            let _ = writeln!(text, "{},{:.3}", value.t_ns, value.speed_mps);
        }
        text
    }

    /// The values so far.
    #[must_use]
    pub fn into_values(self) -> Vec<SatelliteSpeed> {
        self.values
    }
}
