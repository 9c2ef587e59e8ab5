//! What a running recorder tells of itself: the one definition of the live state, as the socket
//! carries it and `slipwright status --json` prints it.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use super::load::WireBits;

/// The state of a recorder.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// `waiting` for a bus to wake, or `recording`.
    pub state: String,
    /// The folder for drives.
    pub out: String,
    /// The drive that is on.
    pub drive: Option<DriveStatus>,
    /// One entry a bus, in the order given.
    pub buses: Vec<BusStatus>,
    /// Signals that the vehicle file needs, where one was given.
    pub signals: Vec<SignalStatus>,
    /// Front-rear slip now, m/s.
    pub slip_mps: Option<f64>,
    /// Why there is no slip.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub slip_why: Option<String>,
    /// Ground speed from GNSS, where it is recorded.
    pub gnss: Option<GnssStatus>,
    /// Free on the disk, bytes.
    pub disk_free_bytes: Option<u64>,
    /// How long the disk lasts at the present rate, s.
    pub disk_left_s: Option<f64>,
    /// What came of the requests, where any are sent (`--ask`).
    pub asking: Option<AskStatus>,
    /// What a person should know, newest last.
    pub warnings: Vec<String>,
}

/// The drive that is on.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DriveStatus {
    /// Its folder.
    pub folder: String,
    /// The file being written, in that folder.
    pub file: String,
    /// UTC time of its first frame, RFC 3339.
    pub start_utc: String,
    /// Length so far, s.
    pub length_s: f64,
    /// Frames recorded.
    pub frames: u64,
    /// Frames that a power loss can no longer take.
    pub synced_frames: u64,
    /// Bytes recorded.
    pub bytes: u64,
    /// Marks set.
    pub marks: u64,
}

/// One bus.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BusStatus {
    /// Interface name.
    pub name: String,
    /// `up`, `down` or `gone`.
    pub state: String,
    /// Frames per second over the last second.
    pub rate_hz: f64,
    /// Share of the bit rate in use over the last second, per cent.
    pub load_percent: Option<f64>,
    /// Bit rate, bit/s, where the interface tells it.
    pub bit_rate_bps: Option<u64>,
    /// Frames in this drive.
    pub frames: u64,
    /// Error frames in this drive.
    pub error_frames: u64,
    /// Frames that the kernel dropped in this drive.
    pub dropped: u64,
    /// Which clock stamps the frames: `kernel` or `controller`; `unknown` before the first.
    pub stamps: String,
    /// Whether the controller only listens; `None` where it has no such mode.
    pub listen_only: Option<bool>,
    /// Age of the newest frame, s.
    pub age_s: Option<f64>,
}

/// One signal.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SignalStatus {
    /// Role.
    pub role: String,
    /// Newest valid value.
    pub value: Option<f64>,
    /// Its unit.
    pub unit: String,
    /// Age of that value, s; `None` if none came yet.
    pub age_s: Option<f64>,
}

/// GNSS.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct GnssStatus {
    /// Where it comes from.
    pub source: String,
    /// Ground speed, m/s.
    pub speed_mps: Option<f64>,
    /// Age of the newest report, s.
    pub age_s: Option<f64>,
    /// Satellites used.
    pub satellites: Option<u8>,
}

/// Requests sent, and how each ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct AskStatus {
    /// Sent.
    pub asked: u64,
    /// Answered with data.
    pub answered: u64,
    /// Refused by the control unit.
    pub refused: u64,
    /// Not answered in time.
    pub silent: u64,
    /// Answered by a message that broke off.
    pub broken: u64,
}

/// Frames and bits of about the last second.
#[derive(Debug, Default)]
pub struct RateMeter {
    frames: u64,
    nominal_bits: u64,
    data_bits: u64,
    past: VecDeque<Sample>,
}

#[derive(Clone, Copy, Debug, Default)]
struct Sample {
    at_ns: i64,
    frames: u64,
    nominal_bits: u64,
    data_bits: u64,
}

/// How far back the rates look.
const WINDOW_NS: i64 = 1_000_000_000;

impl RateMeter {
    /// A frame of so many bits.
    pub fn count(&mut self, bits: WireBits) {
        self.frames += 1;
        self.nominal_bits += u64::from(bits.nominal);
        self.data_bits += u64::from(bits.data);
    }

    /// Notes the counts at this time; to be called a few times a second.
    pub fn tick(&mut self, at_ns: i64) {
        let (frames, nominal_bits, data_bits) = (self.frames, self.nominal_bits, self.data_bits);
        self.past.push_back(Sample {
            at_ns,
            frames,
            nominal_bits,
            data_bits,
        });
        while self
            .past
            .get(1)
            .is_some_and(|second| at_ns - second.at_ns >= WINDOW_NS)
        {
            self.past.pop_front();
        }
    }

    /// Frames per second.
    #[must_use]
    pub fn rate_hz(&self) -> f64 {
        self.over_window(|a, b| (b.frames - a.frames) as f64)
    }

    /// Share of time in which the bus was busy, per cent, at these bit rates (bit/s).
    #[must_use]
    pub fn load_percent(&self, nominal_bps: u64, data_bps: Option<u64>) -> f64 {
        let data_bps = data_bps.unwrap_or(nominal_bps).max(1) as f64;
        let nominal_bps = nominal_bps.max(1) as f64;
        100.0
            * self.over_window(|a, b| {
                (b.nominal_bits - a.nominal_bits) as f64 / nominal_bps
                    + (b.data_bits - a.data_bits) as f64 / data_bps
            })
    }

    /// A difference between the ends of the window, per second.
    fn over_window(&self, difference: impl Fn(&Sample, &Sample) -> f64) -> f64 {
        match (self.past.front(), self.past.back()) {
            (Some(first), Some(last)) if last.at_ns > first.at_ns => {
                difference(first, last) / ((last.at_ns - first.at_ns) as f64 / 1e9)
            }
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rate_and_load_are_of_the_last_second() {
        let mut meter = RateMeter::default();
        let ms = 1_000_000;
        assert_eq!(meter.rate_hz(), 0.0);
        // 2,000 frames a second of 125 bits each for 3 s: half of 500 kbit/s.
        for tick in 0..30 {
            meter.tick(tick * 100 * ms);
            for _ in 0..200 {
                meter.count(WireBits {
                    nominal: 125,
                    data: 0,
                });
            }
        }
        meter.tick(3_000 * ms);
        assert!((meter.rate_hz() - 2_000.0).abs() < 1e-9);
        assert!((meter.load_percent(500_000, None) - 50.0).abs() < 1e-9);
        // Then silence.
        for tick in 31..=41 {
            meter.tick(tick * 100 * ms);
        }
        assert_eq!(meter.rate_hz(), 0.0);
    }

    #[test]
    fn the_data_phase_counts_at_its_own_rate() {
        let mut meter = RateMeter::default();
        meter.tick(0);
        meter.count(WireBits {
            nominal: 50_000,
            data: 200_000,
        });
        meter.tick(1_000_000_000);
        assert!((meter.load_percent(500_000, Some(2_000_000)) - 20.0).abs() < 1e-9);
    }
}
