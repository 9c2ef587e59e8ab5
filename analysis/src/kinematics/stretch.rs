//! Half-second stretches of a drive, summed up once: the radius correction and the yaw offset
//! choose among them. Linear in the drive's length.

use slipwright_decoders::role::Role;

use crate::closing::ClosedSpan;
use crate::drive::{Channel, Drive, at_seconds, at_work_above, seconds_between};
use crate::statistics::quantile::quantile;
use crate::statistics::spread::mean;

/// Length of a stretch, s: long enough for its acceleration to be told, short enough that a
/// coasting moment between two pedal strokes is found.
const LENGTH_S: f64 = 0.5;

/// After the coupling has opened, its oil takes this long to let go, s.
const RELEASE_MARGIN_S: f64 = 0.3;

/// Half a second of driving.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Stretch {
    /// Mean decoded speeds: front left, front right, rear left, rear right, m/s.
    pub(super) wheel_mps: [f64; 4],
    /// Mean of the rear wheels, m/s.
    pub(super) rear_mps: f64,
    /// Mean of the front wheels, m/s.
    pub(super) front_mps: f64,
    /// Rise of the rear mean, m/s².
    pub(super) accel_mps2: f64,
    /// Samples on the base.
    pub(super) samples: usize,
    /// The coupling is open as far as the bus tells.
    pub(super) released: bool,
    /// Brakes on, or a stability function at work.
    pub(super) braked: bool,
    /// The bus tells when the driver brakes.
    pub(super) brakes_told: bool,
    /// Yaw rate as the sensor gives it, rad/s.
    pub(super) yaw_rad_s: Option<f64>,
    /// Steering-wheel angle as given, rad.
    pub(super) steering_rad: Option<f64>,
    /// Engine power over speed: the force that drives the car, N.
    pub(super) force_n: Option<f64>,
    /// Accelerator position less its rest, in the signal's unit.
    pub(super) pedal: Option<f64>,
}

/// Cuts a drive into stretches in which all four wheels are there and turn.
pub(super) fn stretches(drive: &Drive, closed: &[ClosedSpan], least_mps: f64) -> Vec<Stretch> {
    let [Ok(fl), Ok(fr), Ok(rl), Ok(rr)] = drive.wheel_mps() else {
        return Vec::new();
    };
    let base = drive.base_ns();
    let signals = Signals::of(drive);
    let mut found = Vec::new();
    let mut rows: Vec<(f64, [f64; 4])> = Vec::new();
    let mut start_ns = 0;
    let mut end_ns = 0;
    let mut finish = |rows: &mut Vec<(f64, [f64; 4])>, start_ns: i64, end_ns: i64| {
        if let Some(stretch) = sum_up(rows, start_ns, end_ns, closed, &signals) {
            found.push(stretch);
        }
        rows.clear();
    };
    for (i, &t) in base.iter().enumerate() {
        let row = match (fl.get(i), fr.get(i), rl.get(i), rr.get(i)) {
            (Some(a), Some(b), Some(c), Some(d)) if a.min(b).min(c).min(d) > least_mps => {
                Some([a, b, c, d])
            }
            _ => None,
        };
        let full = seconds_between(start_ns, t) >= LENGTH_S;
        if !rows.is_empty() && (row.is_none() || full) {
            finish(&mut rows, start_ns, end_ns);
        }
        if let Some(row) = row {
            if rows.is_empty() {
                start_ns = t;
            }
            rows.push((seconds_between(start_ns, t), row));
            end_ns = t;
        }
    }
    finish(&mut rows, start_ns, end_ns);
    found
}

fn sum_up(
    rows: &[(f64, [f64; 4])],
    start_ns: i64,
    end_ns: i64,
    closed: &[ClosedSpan],
    signals: &Signals<'_>,
) -> Option<Stretch> {
    let n = rows.len();
    let length_s = seconds_between(start_ns, end_ns);
    if n < 4 || length_s < 0.6 * LENGTH_S {
        return None;
    }
    let count = n as f64;
    let mut wheel_mps = [0.0; 4];
    let mut t_mean = 0.0;
    for (t, row) in rows {
        t_mean += t / count;
        for (sum, v) in wheel_mps.iter_mut().zip(row) {
            *sum += v / count;
        }
    }
    let rear_mps = (wheel_mps[2] + wheel_mps[3]) / 2.0;
    let (mut s_tt, mut s_tv) = (0.0, 0.0);
    for (t, row) in rows {
        s_tt += (t - t_mean).powi(2);
        s_tv += (t - t_mean) * ((row[2] + row[3]) / 2.0 - rear_mps);
    }
    // Spans follow each other: the first that has not been open for long is the one to look at.
    let next = closed.partition_point(|s| at_seconds(s.end_ns, RELEASE_MARGIN_S) < start_ns);
    let released = closed.get(next).is_none_or(|s| end_ns < s.start_ns);
    let over = |channel: Option<&Channel>| mean_over(channel?, start_ns, end_ns);
    let power_w = over(signals.torque)
        .zip(over(signals.engine_speed))
        .map(|(t, w)| t * w);
    Some(Stretch {
        wheel_mps,
        rear_mps,
        front_mps: (wheel_mps[0] + wheel_mps[1]) / 2.0,
        accel_mps2: if s_tt > 0.0 { s_tv / s_tt } else { return None },
        samples: n,
        released,
        braked: signals.braked(start_ns, end_ns),
        brakes_told: signals.brakes_told,
        yaw_rad_s: over(signals.yaw),
        steering_rad: over(signals.steering),
        force_n: power_w.map(|p| p / rear_mps),
        pedal: over(signals.pedal).map(|p| p - signals.pedal_rest),
    })
}

/// Mean of the samples within a span; where a slow signal has none there, its value in the middle.
fn mean_over(channel: &Channel, start_ns: i64, end_ns: i64) -> Option<f64> {
    let range = channel.range(start_ns, end_ns);
    if !channel.unbroken(range.clone()) {
        return None;
    }
    mean(&channel.value()[range])
        .or_else(|| channel.at(start_ns.saturating_add(end_ns.saturating_sub(start_ns) / 2)))
}

struct Signals<'a> {
    yaw: Option<&'a Channel>,
    steering: Option<&'a Channel>,
    torque: Option<&'a Channel>,
    engine_speed: Option<&'a Channel>,
    pedal: Option<&'a Channel>,
    pedal_rest: f64,
    active: Vec<(&'a Channel, f64)>,
    brakes_told: bool,
}

impl<'a> Signals<'a> {
    fn of(drive: &'a Drive) -> Self {
        let get = |role| drive.channel(role).ok();
        let pedal = get(Role::PedalAccelerator);
        let stability = [Role::PedalBrake, Role::AbsActive, Role::TractionActive];
        Self {
            yaw: get(Role::BodyYawRate),
            steering: get(Role::SteeringAngle),
            torque: get(Role::EngineTorque),
            engine_speed: get(Role::EngineSpeed),
            pedal,
            pedal_rest: pedal.and_then(|p| quantile(p.value(), 0.01)).unwrap_or(0.0),
            active: at_work_above(drive, &stability),
            brakes_told: get(Role::PedalBrake).is_some(),
        }
    }

    fn braked(&self, start_ns: i64, end_ns: i64) -> bool {
        self.active.iter().any(|(channel, limit)| {
            let range = channel.range(start_ns, end_ns);
            channel.value()[range].iter().any(|v| v > limit)
                || channel.held_at(start_ns).is_some_and(|v| v > *limit)
        })
    }
}
