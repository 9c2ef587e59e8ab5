//! The true measures of each engagement by the definitions of the project, from rows without noise.

use serde::Serialize;

use super::levels::{first_plateau, median, pressure_states};
use super::{ROW_S, Row};
use crate::car::Car;
use crate::wheel_sensor::{self, WheelSensor};

/// What made the coupling close.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum EngagementKind {
    /// Pull-away from rest.
    #[serde(rename = "launch")]
    Launch,
    /// Accelerator applied while rolling.
    #[serde(rename = "tip-in")]
    TipIn,
    /// Engagement while steering.
    #[serde(rename = "turn-in")]
    TurnIn,
}

/// The true measures of one engagement. A missing value has no true value by its definition, for
/// instance because pressure never came to 90 per cent before it fell again.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TrueEngagement {
    /// When demand left its released level, s from the capture's first frame.
    pub start_s: f64,
    /// When pressure was back below 10 per cent of its step after release, s.
    pub end_s: f64,
    /// What made it close.
    pub kind: EngagementKind,
    /// When demand crossed half of its step, s.
    pub reference_s: f64,
    /// When demand began its final fall, s.
    pub release_s: f64,
    /// Demand to 10 per cent of the pressure step.
    pub dead_time_ms: Option<f64>,
    /// 10 to 90 per cent of the pressure step.
    pub rise_time_ms: Option<f64>,
    /// Demand to 50 per cent of the pressure step.
    pub engagement_delay_ms: Option<f64>,
    /// Largest slip with all wheels above their sensors' dropout speed.
    pub peak_slip_mps: Option<f64>,
    /// Onset of slip until it stays below a tenth of its peak for 50 ms.
    pub slip_time_ms: Option<f64>,
    /// Integral of slip over the engagement, with all wheels above their sensors' dropout speed.
    pub slip_distance_m: Option<f64>,
    /// Median slip over the held part.
    pub steady_slip_mps: Option<f64>,
    /// Coupling torque times slip at the coupling as the wheels show it, over the engagement.
    pub friction_work_j: f64,
    /// Heat made in the pack over the engagement, by its own slip; the wheels do not show the
    /// shaft's twist and the tyres' radii apart.
    pub friction_heat_j: f64,
    /// Share of the rear axle in both axles' torque over the held part.
    pub transfer_fraction: Option<f64>,
    /// Low and high state of pressure, bar.
    pub pressure_bar: [f64; 2],
    /// Demand's high state, per cent.
    pub demand_percent: f64,
    /// Fluid temperature at the reference, °C.
    pub fluid_c: f64,
    /// Rear axle speed at the reference, m/s.
    pub speed_mps: f64,
    /// Largest accelerator position, per cent.
    pub accelerator_percent: f64,
}

/// The part of a row that engagements are measured on.
#[derive(Clone, Copy, Debug)]
struct Sample {
    t_s: f64,
    demand: f64,
    pressure: f64,
    slip: f64,
    slip_rad_s: f64,
    coupling_nm: f64,
    heat_w: f64,
    front_nm: f64,
    rear_nm: f64,
    rear_mps: f64,
    slowest_mps: f64,
    fluid_c: f64,
    pedal: f64,
    steering_rad: f64,
}

impl From<&Row> for Sample {
    fn from(row: &Row) -> Self {
        let v = &row.contact_mps;
        Self {
            t_s: row.t_s,
            demand: row.demand_percent,
            pressure: row.state.pressure_bar,
            slip: row.slip_mps,
            slip_rad_s: row.slip_rad_s,
            coupling_nm: row.flows.coupling_nm,
            heat_w: row.flows.coupling_heat_w,
            front_nm: row.flows.front_axle_nm,
            rear_nm: row.flows.rear_axle_nm,
            rear_mps: 0.5 * (v[2] + v[3]),
            slowest_mps: v.iter().copied().fold(f64::INFINITY, f64::min),
            fluid_c: row.state.fluid_c,
            pedal: row.pedal_percent,
            steering_rad: row.steering_rad,
        }
    }
}

/// How truth is told apart; the same for a whole drive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thresholds {
    /// Wheel speed below which the sensors tell nothing, m/s.
    pub dropout_mps: f64,
    /// Slip that counts as onset: three standard deviations of what the car's own sensors add, m/s.
    pub onset_mps: f64,
    /// Curvature that the front wheels are set to per radian of the steering wheel, 1/m; exact for
    /// small angles and enough to tell a turn.
    pub curvature_per_rad: f64,
}

impl Thresholds {
    /// Deviations of noise that slip must leave (definition 8).
    pub const ONSET_DEVIATIONS: f64 = 3.0;

    /// The thresholds of a car whose wheel speeds are read at this period.
    #[must_use]
    pub fn of(car: &Car, wheel_period_s: f64) -> Self {
        let radius_m = car.tyres.rolling_radius_m;
        let noise = wheel_sensor::slip_noise_rad_s(wheel_period_s) * radius_m;
        Self {
            dropout_mps: WheelSensor::dropout_rad_s() * radius_m,
            onset_mps: Self::ONSET_DEVIATIONS * noise,
            curvature_per_rad: 1.0 / (car.body.steering_ratio * car.body.wheelbase_m),
        }
    }
}

/// Rear speed below which an engagement counts as a launch: from rest or creeping, m/s.
const LAUNCH_MPS: f64 = 1.5;
/// Curvature, 1/m, or lateral acceleration, m/s², from which it counts as a turn-in.
const TURN_CURVATURE_PER_M: f64 = 0.02;
const TURN_LATERAL_MPS2: f64 = 1.5;
/// Rows kept before demand rises.
const BEFORE_ROWS: usize = 300;
/// Time that slip must stay low to be over, s.
const QUIET_S: f64 = 0.050;

/// Finds engagements as rows come, and measures each when it is over.
#[derive(Debug)]
pub struct EngagementFinder {
    thresholds: Thresholds,
    rows: Vec<Sample>,
    /// Index in `rows` at which demand left its released level.
    start: Option<usize>,
    released: bool,
    done: Vec<TrueEngagement>,
}

impl EngagementFinder {
    /// A finder for a drive.
    #[must_use]
    pub fn new(thresholds: Thresholds) -> Self {
        Self {
            thresholds,
            rows: Vec::new(),
            start: None,
            released: false,
            done: Vec::new(),
        }
    }

    /// Takes the next row.
    pub fn push(&mut self, row: &Row) {
        let sample = Sample::from(row);
        match self.start {
            None if sample.demand > 0.0 => {
                self.start = Some(self.rows.len());
                self.released = false;
            }
            None => {
                if self.rows.len() >= 2 * BEFORE_ROWS {
                    self.rows.drain(..BEFORE_ROWS);
                }
            }
            Some(_) if !self.released => self.released = sample.demand <= 0.0,
            Some(start) => {
                let again = sample.demand > 0.0;
                if again || self.is_open(start, sample.pressure) {
                    self.finish();
                    if again {
                        self.start = Some(self.rows.len());
                    }
                }
            }
        }
        self.rows.push(sample);
    }

    /// Whether pressure is back below a tenth of its step.
    fn is_open(&self, start: usize, pressure: f64) -> bool {
        let low = self.rows.get(start).map_or(0.0, |row| row.pressure);
        let high = self.rows.iter().map(|row| row.pressure).fold(low, f64::max);
        pressure <= low + 0.1 * (high - low)
    }

    fn finish(&mut self) {
        if let Some(start) = self.start.take()
            && let Some(engagement) = measure(&self.rows, start, &self.thresholds)
        {
            self.done.push(engagement);
        }
        let keep = self.rows.len().saturating_sub(BEFORE_ROWS);
        self.rows.drain(..keep);
        self.released = false;
    }

    /// The engagements of the drive; one that the drive's end cuts off is left out.
    #[must_use]
    pub fn into_engagements(mut self) -> Vec<TrueEngagement> {
        if self.released {
            self.finish();
        }
        self.done
    }
}

/// First upward crossing of `level` from index `from` on, interpolated.
fn rises_through(
    rows: &[Sample],
    from: usize,
    level: f64,
    of: impl Fn(&Sample) -> f64,
) -> Option<f64> {
    let rows = rows.get(from..)?;
    if rows.first().map(&of)? >= level {
        return rows.first().map(|row| row.t_s);
    }
    rows.windows(2).find_map(|pair| {
        let [a, b] = pair else { return None };
        let (low, high) = (of(a), of(b));
        (low < level && high >= level)
            .then(|| a.t_s + (level - low) / (high - low) * (b.t_s - a.t_s))
    })
}

fn measure(rows: &[Sample], start: usize, thresholds: &Thresholds) -> Option<TrueEngagement> {
    let first = rows.get(start)?;
    let last = rows.last()?;
    let before = start.saturating_sub(BEFORE_ROWS);
    let whole = rows.get(start..)?;

    // Demand is a staircase in time, so its crossings are the steps themselves. A demand that is
    // raised again while it is held has its own step first.
    let demand: Vec<f64> = whole.iter().map(|row| row.demand).collect();
    let demand_high = first_plateau(&demand, 0.0, 0)?.level;
    let half = 0.5 * demand_high;
    let reference = start
        + rows
            .get(start..)?
            .iter()
            .position(|row| row.demand >= half)?;
    let release = release(rows, reference, half)?;
    let at_reference = rows.get(reference)?;
    let at_release = rows.get(release)?;

    let pressure: Vec<f64> = rows
        .get(before..release)?
        .iter()
        .map(|row| row.pressure)
        .collect();
    let [low, high] = pressure_states(&pressure)?;
    let level = |share: f64| low + share * (high - low);
    let until_release = rows.get(..release)?;
    let crossing =
        |share: f64| rises_through(until_release, reference, level(share), |row| row.pressure);
    let (t10, t50, t90) = (crossing(0.1), crossing(0.5), crossing(0.9));
    let since = |t: f64| 1000.0 * (t - at_reference.t_s);

    let slip = slip_measures(whole, thresholds);
    let held: Vec<&Sample> = match t90 {
        Some(t90) => rows
            .get(reference..release)?
            .iter()
            .filter(|row| row.t_s >= t90)
            .collect(),
        None => Vec::new(),
    };
    let steady: Vec<f64> = held
        .iter()
        .filter(|r| r.slowest_mps > thresholds.dropout_mps)
        .map(|r| r.slip)
        .collect();
    let rear: f64 = held.iter().map(|row| row.rear_nm).sum();
    let both: f64 = held.iter().map(|row| row.rear_nm + row.front_nm).sum();

    let curvature = (at_reference.steering_rad * thresholds.curvature_per_rad).abs();
    let lateral_mps2 = curvature * at_reference.rear_mps * at_reference.rear_mps;
    let kind = if at_reference.rear_mps < LAUNCH_MPS {
        EngagementKind::Launch
    } else if curvature > TURN_CURVATURE_PER_M || lateral_mps2 > TURN_LATERAL_MPS2 {
        EngagementKind::TurnIn
    } else {
        EngagementKind::TipIn
    };
    Some(TrueEngagement {
        start_s: first.t_s,
        end_s: last.t_s,
        kind,
        reference_s: at_reference.t_s,
        release_s: at_release.t_s,
        dead_time_ms: t10.map(since),
        rise_time_ms: t10.zip(t90).map(|(t10, t90)| 1000.0 * (t90 - t10)),
        engagement_delay_ms: t50.map(since),
        peak_slip_mps: slip.map(|s| s.peak_mps),
        slip_time_ms: slip.and_then(|s| s.time_s).map(|s| 1000.0 * s),
        slip_distance_m: distance_m(whole, thresholds),
        steady_slip_mps: median(steady),
        friction_work_j: whole
            .iter()
            .map(|row| row.coupling_nm.abs() * row.slip_rad_s.abs() * ROW_S)
            .sum(),
        friction_heat_j: whole.iter().map(|row| row.heat_w * ROW_S).sum(),
        transfer_fraction: (both > 0.0).then(|| rear / both),
        pressure_bar: [low, high],
        demand_percent: demand_high,
        fluid_c: at_reference.fluid_c,
        speed_mps: at_reference.rear_mps,
        accelerator_percent: whole.iter().map(|row| row.pedal).fold(0.0, f64::max),
    })
}

/// Rows before the half of demand's fall in which its level is looked at.
const BEFORE_FALL_ROWS: std::ops::Range<usize> = 300..600;
/// Share of that level below which demand counts as falling.
const FALLING_SHARE: f64 = 0.95;

/// The row at which demand begins its final fall.
fn release(rows: &[Sample], reference: usize, half: f64) -> Option<usize> {
    let low = reference
        + rows
            .get(reference..)?
            .iter()
            .rposition(|row| row.demand >= half)?
        + 1;
    let from = low.saturating_sub(BEFORE_FALL_ROWS.end).max(reference);
    let to = low.saturating_sub(BEFORE_FALL_ROWS.start).max(from + 1);
    let level = median(rows.get(from..to)?.iter().map(|row| row.demand).collect())?;
    let held = rows.get(reference..low)?;
    Some(
        reference
            + held
                .iter()
                .rposition(|row| row.demand >= FALLING_SHARE * level)?
            + 1,
    )
}

#[derive(Clone, Copy, Debug)]
struct SlipMeasures {
    peak_mps: f64,
    time_s: Option<f64>,
}

fn distance_m(rows: &[Sample], thresholds: &Thresholds) -> Option<f64> {
    let seen = rows
        .iter()
        .filter(|row| row.slowest_mps > thresholds.dropout_mps);
    seen.map(|row| row.slip * ROW_S).reduce(|a, b| a + b)
}

/// Peak and time of slip (definition 8); `None` if slip never left the noise.
fn slip_measures(rows: &[Sample], thresholds: &Thresholds) -> Option<SlipMeasures> {
    let seen = |row: &&Sample| row.slowest_mps > thresholds.dropout_mps;
    let peak_mps = rows
        .iter()
        .filter(seen)
        .map(|row| row.slip)
        .reduce(f64::max)?;
    if peak_mps < thresholds.onset_mps {
        return None;
    }
    let at_peak = rows
        .iter()
        .position(|row| seen(&row) && row.slip >= peak_mps)?;
    // Onset: the last rise through the threshold before the peak.
    let from = rows
        .get(..at_peak)?
        .iter()
        .rposition(|row| !seen(&row) || row.slip < thresholds.onset_mps)
        .map_or(0, |k| k + 1);
    let quiet_rows = (QUIET_S / ROW_S) as usize;
    let mut below = 0;
    let mut end = None;
    for (k, row) in rows.iter().enumerate().skip(at_peak) {
        below = if row.slip < 0.1 * peak_mps {
            below + 1
        } else {
            0
        };
        if below >= quiet_rows {
            end = Some(k + 1 - below);
            break;
        }
    }
    Some(SlipMeasures {
        peak_mps,
        time_s: end.map(|end| (end - from) as f64 * ROW_S),
    })
}

#[cfg(test)]
mod tests;
