//! Truth: the true states in rows of a millisecond, and the true measures of each engagement by the
//! definitions of the project, taken from those rows without noise.

use serde::Serialize;

use crate::car::Car;
use crate::drivetrain::Flows;
use crate::state::{State, Vector};

/// Time between two rows, s.
pub const ROW_S: f64 = 0.001;

/// Rows of one table at most; a longer drive comes in several tables.
pub const TABLE_ROWS: usize = 60_000;

/// True states as columns of equal length, at 1 kHz.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TruthTable {
    /// Name and unit of each column; the first is `t_s`, s from the capture's first frame.
    pub names: Vec<(String, &'static str)>,
    /// Values, one vector a column.
    pub columns: Vec<Vec<f64>>,
}

impl TruthTable {
    /// Rows in the table.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, Vec::len)
    }
}

/// What is not a state but belongs to the truth.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Row {
    /// s from the drive's start.
    pub t_s: f64,
    /// The states.
    pub state: State,
    /// What flows.
    pub flows: Flows,
    /// Demand of the control unit, per cent.
    pub demand_percent: f64,
    /// Accelerator, per cent.
    pub pedal_percent: f64,
    /// Brake pedal, 0 to 1.
    pub brake: f64,
    /// Steering wheel angle, rad.
    pub steering_rad: f64,
    /// Gear.
    pub gear: f64,
    /// Supply voltage, V.
    pub supply_v: f64,
    /// Speeds at the tyres' contact, m/s, by each wheel's own radius.
    pub contact_mps: [f64; 4],
    /// Front-rear slip, m/s (definition 4).
    pub slip_mps: f64,
    /// The same at the coupling, rad/s.
    pub slip_rad_s: f64,
}

impl Row {
    /// Completes a row: contact speeds and slip from the state.
    #[must_use]
    pub fn with_slip(mut self, car: &Car, radius_m: [f64; 4]) -> Self {
        let w = &self.state.wheel_rad_s;
        // A wheel sensor knows no direction, and neither do the definitions.
        self.contact_mps = std::array::from_fn(|i| (w[i] * radius_m[i]).abs());
        let v = &self.contact_mps;
        let (front, rear) = (0.5 * (v[0] + v[1]), 0.5 * (v[2] + v[3]));
        let turn = self.state.yaw_rad_s * car.body.wheelbase_m;
        self.slip_mps = front - (rear * rear + turn * turn).sqrt();
        self.slip_rad_s =
            car.driveline.rear_drive_ratio * self.slip_mps / car.tyres.rolling_radius_m;
        self
    }

    fn columns(&self, column: &mut dyn FnMut(&str, &'static str, f64)) {
        let f = &self.flows;
        column("demand_percent", "%", self.demand_percent);
        column("pedal_percent", "%", self.pedal_percent);
        column("brake_share", "1", self.brake);
        column("steering_rad", "rad", self.steering_rad);
        column("gear", "", self.gear);
        column("supply_v", "V", self.supply_v);
        column("slip_mps", "m/s", self.slip_mps);
        column("slip_rad_s", "rad/s", self.slip_rad_s);
        column("clutch_nm", "Nm", f.clutch_nm);
        column("coupling_nm", "Nm", f.coupling_nm);
        column("coupling_slip_rad_s", "rad/s", f.coupling_slip_rad_s);
        column("coupling_heat_w", "W", f.coupling_heat_w);
        column("front_axle_nm", "Nm", f.front_axle_nm);
        column("rear_axle_nm", "Nm", f.rear_axle_nm);
        column("accel_long_mps2", "m/s2", f.accel_long_mps2);
        column("accel_lat_mps2", "m/s2", f.accel_lat_mps2);
        column("pump_current_a", "A", f.hydraulics.current_a);
        column("pump_flow_m3_s", "m3/s", f.hydraulics.flow_m3_s);
        column("pack_n", "N", f.hydraulics.pack_n);
        column("piston_travel_m", "m", f.hydraulics.travel_m);
        for (i, name) in crate::state::WHEEL_NAMES.iter().enumerate() {
            column(&format!("contact_mps.{name}"), "m/s", self.contact_mps[i & 3]);
            column(&format!("tyre_long_n.{name}"), "N", f.tyre_long_n[i & 3]);
            column(&format!("tyre_lat_n.{name}"), "N", f.tyre_lat_n[i & 3]);
            column(&format!("load_n.{name}"), "N", f.load_n[i & 3]);
        }
    }
}

/// Gathers rows into tables.
#[derive(Debug, Default)]
pub struct TableBuilder {
    table: TruthTable,
    values: Vec<f64>,
}

impl TableBuilder {
    /// Adds a row; gives a full table when there is one.
    pub fn push(&mut self, row: &Row) -> Option<TruthTable> {
        if self.table.names.is_empty() {
            let names = &mut self.table.names;
            names.push(("t_s".to_owned(), "s"));
            State::columns("", &mut |name, unit| names.push((name, unit)), "");
            row.columns(&mut |name, unit, _| names.push((name.to_owned(), unit)));
            self.table.columns = vec![Vec::with_capacity(TABLE_ROWS); self.table.names.len()];
        }
        self.values.clear();
        self.values.push(row.t_s);
        row.state.push_values(&mut self.values);
        let values = &mut self.values;
        row.columns(&mut |_, _, value| values.push(value));
        for (column, value) in self.table.columns.iter_mut().zip(&self.values) {
            column.push(*value);
        }
        (self.table.rows() >= TABLE_ROWS).then(|| self.take())
    }

    /// What is left.
    pub fn take(&mut self) -> TruthTable {
        let empty = TruthTable {
            names: self.table.names.clone(),
            columns: vec![Vec::with_capacity(TABLE_ROWS); self.table.names.len()],
        };
        std::mem::replace(&mut self.table, empty)
    }
}

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
    /// When demand fell through half of its step, s.
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
    /// Steering wheel angle from which an engagement counts as a turn-in, rad.
    pub steering_rad: f64,
}

/// Rear speed below which an engagement counts as a launch, m/s.
const LAUNCH_MPS: f64 = 0.5;
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
        Self { thresholds, rows: Vec::new(), start: None, released: false, done: Vec::new() }
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

/// Low and high state of a step by the histogram method (IEEE Std 181; IEC 60469): of the range
/// between the extremes, the most frequent value of the lower and of the upper half.
#[must_use]
pub fn histogram_states(values: impl Iterator<Item = f64> + Clone) -> Option<[f64; 2]> {
    const BINS: usize = 256;
    let low = values.clone().fold(f64::INFINITY, f64::min);
    let high = values.clone().fold(f64::NEG_INFINITY, f64::max);
    let width = (high - low) / BINS as f64;
    if width.is_nan() || width <= 0.0 {
        return None;
    }
    // Count and sum: the mean within the bin is closer to the state than the bin's middle.
    let mut bins = [(0_u32, 0.0_f64); BINS];
    for value in values {
        let k = (((value - low) / width) as usize).min(BINS - 1);
        if let Some(bin) = bins.get_mut(k) {
            bin.0 += 1;
            bin.1 += value;
        }
    }
    let mode = |half: &[(u32, f64)]| {
        let best = half.iter().max_by_key(|(count, _)| *count)?;
        (best.0 > 0).then(|| best.1 / f64::from(best.0))
    };
    let (lower, upper) = bins.split_at(BINS / 2);
    Some([mode(lower)?, mode(upper)?])
}

/// First upward crossing of `level` from index `from` on, interpolated.
fn rises_through(rows: &[Sample], from: usize, level: f64, of: impl Fn(&Sample) -> f64) -> Option<f64> {
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
    let reference = start + rows.get(start..)?.iter().position(|row| row.demand >= half)?;
    let release =
        reference + rows.get(reference..)?.iter().position(|row| row.demand < half)?;
    let at_reference = rows.get(reference)?;
    let at_release = rows.get(release)?;

    let pressure: Vec<f64> =
        rows.get(before..release)?.iter().map(|row| row.pressure).collect();
    let [low, high] = pressure_states(&pressure)?;
    let level = |share: f64| low + share * (high - low);
    let until_release = rows.get(..release)?;
    let crossing =
        |share: f64| rises_through(until_release, reference, level(share), |row| row.pressure);
    let (t10, t50, t90) = (crossing(0.1), crossing(0.5), crossing(0.9));
    let since = |t: f64| 1000.0 * (t - at_reference.t_s);

    let slip = slip_measures(whole, thresholds);
    let held: Vec<&Sample> = match t90 {
        Some(t90) => rows.get(reference..release)?.iter().filter(|row| row.t_s >= t90).collect(),
        None => Vec::new(),
    };
    let steady: Vec<f64> =
        held.iter().filter(|r| r.slowest_mps > thresholds.dropout_mps).map(|r| r.slip).collect();
    let rear: f64 = held.iter().map(|row| row.rear_nm).sum();
    let both: f64 = held.iter().map(|row| row.rear_nm + row.front_nm).sum();

    let kind = if at_reference.rear_mps < LAUNCH_MPS {
        EngagementKind::Launch
    } else if at_reference.steering_rad.abs() > thresholds.steering_rad {
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

/// Rows over which a plateau may not rise.
const PLATEAU_ROWS: usize = 100;
/// By more than this share of the step.
const PLATEAU_RISE: f64 = 0.05;
/// A plateau reaches as far as the value stays within this share of the step.
const PLATEAU_BAND: f64 = 0.15;
/// Shortest plateau that is a state of its own, rows.
const SHORTEST_PLATEAU_ROWS: usize = 150;

struct Plateau {
    /// First row behind it.
    end: usize,
    level: f64,
}

/// The first plateau of values that rise from `low` at index `from`.
fn first_plateau(values: &[f64], low: f64, from: usize) -> Option<Plateau> {
    let still = |k: usize| {
        let value = values.get(k).copied().unwrap_or(low);
        let ahead = values.iter().skip(k + 1).take(PLATEAU_ROWS);
        value > low && ahead.copied().all(|v| v - value <= PLATEAU_RISE * (value - low))
    };
    let start = (from..values.len()).find(|&k| still(k))?;
    let level = median(values.iter().skip(start).take(PLATEAU_ROWS).copied().collect())?;
    let near = |v: &f64| (v - level).abs() <= PLATEAU_BAND * (level - low).abs();
    let end = start + values.iter().skip(start).take_while(|v| near(v)).count();
    Some(Plateau { end, level })
}

/// Low and high state of pressure: of its rise to its first plateau that lasts, else of the whole.
fn pressure_states(pressure: &[f64]) -> Option<[f64; 2]> {
    let [low, high] = histogram_states(pressure.iter().copied())?;
    let onset = pressure.iter().position(|p| *p > low + 0.2 * (high - low))?;
    match first_plateau(pressure, low, onset) {
        Some(plateau) if plateau.end - onset >= SHORTEST_PLATEAU_ROWS => {
            histogram_states(pressure.iter().take(plateau.end).copied())
        }
        _ => Some([low, high]),
    }
}

#[derive(Clone, Copy, Debug)]
struct SlipMeasures {
    peak_mps: f64,
    time_s: Option<f64>,
}

fn distance_m(rows: &[Sample], thresholds: &Thresholds) -> Option<f64> {
    let seen = rows.iter().filter(|row| row.slowest_mps > thresholds.dropout_mps);
    seen.map(|row| row.slip * ROW_S).reduce(|a, b| a + b)
}

/// Peak and time of slip (definition 8); `None` if slip never left the noise.
fn slip_measures(rows: &[Sample], thresholds: &Thresholds) -> Option<SlipMeasures> {
    let seen = |row: &&Sample| row.slowest_mps > thresholds.dropout_mps;
    let peak_mps = rows.iter().filter(seen).map(|row| row.slip).reduce(f64::max)?;
    if peak_mps < thresholds.onset_mps {
        return None;
    }
    let at_peak = rows.iter().position(|row| seen(&row) && row.slip >= peak_mps)?;
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
        below = if row.slip < 0.1 * peak_mps { below + 1 } else { 0 };
        if below >= quiet_rows {
            end = Some(k + 1 - below);
            break;
        }
    }
    Some(SlipMeasures { peak_mps, time_s: end.map(|end| (end - from) as f64 * ROW_S) })
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    let upper = *values.get(middle)?;
    if values.len() % 2 == 1 {
        return Some(upper);
    }
    values.get(middle - 1).map(|lower| 0.5 * (lower + upper))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A demand step at 0.5 s and a pressure of first order with dead time: the crossing times
    /// are known in closed form (10, 50 and 90 per cent at 0.1054, 0.6931 and 2.3026 time
    /// constants).
    fn finder_on_first_order(theta_s: f64, tau_s: f64) -> TrueEngagement {
        let mut finder = EngagementFinder::new(Thresholds {
            dropout_mps: 0.7,
            onset_mps: 0.15,
            steering_rad: 1.0,
        });
        for k in 0..4000 {
            let t = f64::from(k) * ROW_S;
            let on = (0.5..2.5).contains(&t);
            let rise = (t - 0.5 - theta_s).max(0.0);
            let mut row = Row { t_s: t, ..Row::default() };
            row.demand_percent = if on { 60.0 } else { 0.0 };
            row.state.pressure_bar = if t < 2.5 {
                18.0 * (1.0 - libm::exp(-rise / tau_s))
            } else {
                18.0 * libm::exp(-(t - 2.5) / 0.03)
            };
            row.contact_mps = [8.0; 4];
            row.slip_mps = if on { 1.2 * libm::exp(-(t - 0.5) / 0.2) } else { 0.0 };
            row.slip_rad_s = 8.0 * row.slip_mps;
            row.flows.coupling_nm = 100.0;
            row.flows.front_axle_nm = 300.0;
            row.flows.rear_axle_nm = 100.0;
            finder.push(&row);
        }
        let mut all = finder.into_engagements();
        assert_eq!(all.len(), 1);
        all.remove(0)
    }

    #[test]
    fn crossing_times_of_a_first_order_step_with_dead_time() {
        let (theta, tau) = (0.080, 0.120);
        let got = finder_on_first_order(theta, tau);
        let near = |value: Option<f64>, expected_s: f64| {
            let value = value.unwrap();
            // The upper state is the mean of a histogram bin, a little below the limit.
            assert!((value - 1000.0 * expected_s).abs() < 0.5, "{value} {expected_s}");
        };
        near(got.dead_time_ms, theta + 0.105_360_5 * tau);
        near(got.engagement_delay_ms, theta + 0.693_147_2 * tau);
        near(got.rise_time_ms, 2.197_224_6 * tau);
        assert_eq!(got.kind, EngagementKind::TipIn);
        assert!((got.reference_s - 0.5).abs() < 1e-9);
        assert!((got.release_s - 2.5).abs() < 1e-9);
    }

    #[test]
    fn slip_measures_of_an_exponential_decay() {
        let got = finder_on_first_order(0.05, 0.1);
        assert!((got.peak_slip_mps.unwrap() - 1.2).abs() < 1e-9);
        // Down to a tenth of its peak after ln 10 time constants.
        let expected_s = std::f64::consts::LN_10 * 0.2;
        assert!((got.slip_time_ms.unwrap() - 1000.0 * expected_s).abs() < 2.0);
        let distance = 1.2 * 0.2;
        assert!((got.slip_distance_m.unwrap() - distance).abs() < 2e-3);
        assert!((got.transfer_fraction.unwrap() - 0.25).abs() < 1e-12);
        let work = 100.0 * 8.0 * 1.2 * 0.2;
        assert!((got.friction_work_j - work).abs() < 0.01 * work);
    }

    #[test]
    fn histogram_states_are_the_two_plateaus() {
        let values: Vec<f64> = (0..1000)
            .map(|k| match k {
                0..400 => 1.0,
                400..500 => 1.0 + 0.05 * f64::from(k - 400),
                _ => 6.0,
            })
            .collect();
        assert_eq!(histogram_states(values.into_iter()), Some([1.0, 6.0]));
        assert_eq!(histogram_states([2.0, 2.0].into_iter()), None);
    }
}
