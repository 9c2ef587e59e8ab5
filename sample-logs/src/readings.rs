//! Readings: what the car's sensors and control units hold of the true state, with their lag,
//! offset, noise and failures, at any instant between two rows of the truth.

use slipwright_decoders::role::Role;

use crate::random::{Purpose, Stream};
use crate::source::Source;
use crate::state::State;
use crate::wheel_sensor::{self, RingDamage, WheelSensor};

/// How many roles there are.
pub const ROLE_COUNT: usize = Role::ALL.len();

/// Values of all roles in core units (m/s, bar, rad/s, N·m, °C, rad, per cent), by `Role as usize`.
pub type RoleValues = [f64; ROLE_COUNT];

/// Delay of the satellite receiver's speed, ms (from memory: 0.1 to 0.3 s).
pub(crate) const GROUND_SPEED_DELAY_MS: usize = 180;

/// Noise of the satellite receiver's speed, m/s (from memory: 0.03 to 0.1 under open sky).
pub(crate) const GROUND_SPEED_NOISE_MPS: f64 = 0.04;

/// Time that the satellite receiver needs to its first fix after waking, ns; before it the message
/// says that there is no speed.
pub(crate) const FIRST_FIX_NS: i64 = 3_000_000_000;

/// Standard deviation of a role's noise and of its fixed offset from car to car, in core units.
fn noise_and_offset(role: Role) -> (f64, f64) {
    let deg = std::f64::consts::PI / 180.0;
    match role {
        Role::CouplingPressure => (0.04, 0.03),
        Role::CouplingPumpCurrent => (0.12, 0.05),
        Role::CouplingTemperature => (0.2, 0.8),
        Role::EngineTorque => (0.4, 0.0),
        Role::EngineSpeed => (0.15, 0.0),
        Role::PedalAccelerator => (0.05, 0.0),
        Role::SteeringAngle => (0.03 * deg, 0.8 * deg),
        Role::BodyYawRate => (0.06 * deg, 0.12 * deg),
        Role::BodyAccelLong | Role::BodyAccelLat => (0.05, 0.06),
        Role::GroundSpeed => (GROUND_SPEED_NOISE_MPS, 0.0),
        Role::AmbientTemperature => (0.1, 0.5),
        Role::SupplyVoltage => (0.05, 0.05),
        _ => (0.0, 0.0),
    }
}

/// Whether a value holds until the next one instead of running straight to it.
fn is_held(role: Role) -> bool {
    role.is_state() || matches!(role, Role::CouplingDemand | Role::PedalBrake)
}

/// Noise of speeds that a control unit has averaged, m/s.
const SPEED_NOISE_MPS: f64 = 0.02;
/// What the instruments add to the speed (UN Regulation No. 39 allows 0 to 10 per cent and 4 km/h;
/// from memory).
const DISPLAY_GAIN: f64 = 1.03;
const DISPLAY_OFFSET_MPS: f64 = 0.5;

/// What a sensor gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// A value in the core unit.
    Value(f64),
    /// A count that goes on when its field is full; in the core unit.
    Count(f64),
    /// The sender knows that it has none and says so with the code for it.
    NotAvailable,
}

/// The instant of one truth row as the sensors see it.
#[derive(Clone, Copy, Debug)]
pub struct Instant {
    /// ns since the drive's start.
    pub t_ns: i64,
    /// Angles that the wheels have turned, rad.
    pub wheel_rad: [f64; 4],
    /// True values by role; wheel speeds are not used from here.
    pub values: RoleValues,
    /// The rear left wheel sensor's wire is broken.
    pub wire_broken: bool,
}

impl Instant {
    /// The instant at the drive's start, at rest.
    #[must_use]
    pub fn start(s: &State) -> Self {
        Self {
            t_ns: 0,
            wheel_rad: s.wheel_rad,
            values: [0.0; ROLE_COUNT],
            wire_broken: false,
        }
    }
}

/// All sensors.
#[derive(Debug)]
pub struct Readings {
    before: Instant,
    now: Instant,
    wheels: [WheelSensor; 4],
    /// How far each wheel sensor has been turned: ns and rad.
    turned: [(i64, f64); 4],
    broken_since_ns: Option<i64>,
    radius_m: f64,
    offset: RoleValues,
    noise: RoleValues,
    torque_gain: f64,
    ground_speed: std::collections::VecDeque<f64>,
    random: Stream,
}

/// A wheel whose wire is broken is reported as such after this long, ns; before that it reads
/// slow and then still.
const WIRE_NOTICED_NS: i64 = 250_000_000;

impl Readings {
    /// Sensors of a car as built by `car_seed`, on tooth rings with this damage, reporting wheel
    /// speeds with this radius; `random` makes the noise.
    #[must_use]
    pub fn new(
        car_seed: u64,
        random: Stream,
        radius_m: f64,
        damage: [RingDamage; 4],
        start: Instant,
    ) -> Self {
        let mut car = Stream::new(car_seed, 0, Purpose::Car);
        let wheels = std::array::from_fn(|i| {
            WheelSensor::new(damage.get(i).copied().unwrap_or_default(), &mut car)
        });
        let (mut offset, mut noise) = ([0.0; ROLE_COUNT], [0.0; ROLE_COUNT]);
        for &role in Role::ALL {
            let (deviation, spread) = noise_and_offset(role);
            if let (Some(n), Some(o)) =
                (noise.get_mut(role as usize), offset.get_mut(role as usize))
            {
                *n = deviation;
                *o = spread * car.normal();
            }
        }
        Self {
            before: start,
            now: start,
            wheels,
            turned: start.wheel_rad.map(|rad| (start.t_ns, rad)),
            broken_since_ns: None,
            radius_m,
            offset,
            noise,
            // The engine control unit's torque is a model's, a few per cent off (from memory).
            torque_gain: 1.0 + 0.02 * car.normal(),
            ground_speed: std::collections::VecDeque::with_capacity(GROUND_SPEED_DELAY_MS + 1),
            random,
        }
    }

    /// Goes on to the next instant, one millisecond later.
    pub fn advance(&mut self, mut next: Instant) {
        let slot = Role::GroundSpeed as usize;
        if let Some(speed) = next.values.get_mut(slot) {
            self.ground_speed.push_back(*speed);
            if self.ground_speed.len() > GROUND_SPEED_DELAY_MS {
                *speed = self.ground_speed.pop_front().unwrap_or(*speed);
            } else {
                *speed = self.ground_speed.front().copied().unwrap_or(*speed);
            }
        }
        // Edges up to the instant that is left behind are settled now.
        let settled = self.now;
        for i in 0..4 {
            self.turn_wheel(i, settled.t_ns, settled.wheel_rad[i]);
        }
        self.before = self.now;
        self.now = next;
        self.broken_since_ns = match (next.wire_broken, self.broken_since_ns) {
            (true, None) => Some(next.t_ns),
            (true, since) => since,
            (false, _) => None,
        };
    }

    fn turn_wheel(&mut self, i: usize, t_ns: i64, rad: f64) {
        let broken = i == 2 && self.now.wire_broken;
        let (Some(wheel), Some(turned)) = (self.wheels.get_mut(i), self.turned.get_mut(i)) else {
            return;
        };
        if t_ns > turned.0 {
            wheel.turn(*turned, (t_ns, rad), broken);
            *turned = (t_ns, rad);
        }
    }

    /// The radius with which wheel speeds are reported, m.
    #[must_use]
    pub fn radius_m(&self) -> f64 {
        self.radius_m
    }

    /// What a source of the car reads at a time between the last two instants, ns since the
    /// drive's start; nothing for what is not the car's.
    pub fn read_source(&mut self, source: Source, t_ns: i64) -> Reading {
        if let Source::Role(role) = source {
            return self.read(role, t_ns);
        }
        let speeds = self.wheel_rates();
        let mean_mps =
            |wheels: &[f64]| self.radius_m * wheels.iter().sum::<f64>() / wheels.len() as f64;
        let [front, rear] = [mean_mps(&speeds[..2]), mean_mps(&speeds[2..])];
        let all = 0.5 * (front + rear);
        match source {
            Source::VehicleSpeed => {
                Reading::Value((all + SPEED_NOISE_MPS * self.random.normal()).max(0.0))
            }
            Source::DisplayedSpeed => Reading::Value(if all < 0.3 {
                0.0
            } else {
                all * DISPLAY_GAIN + DISPLAY_OFFSET_MPS
            }),
            Source::FrontAxleSpeed => {
                Reading::Value((front + SPEED_NOISE_MPS * self.random.normal()).max(0.0))
            }
            Source::RearAxleSpeed => {
                Reading::Value((rear + SPEED_NOISE_MPS * self.random.normal()).max(0.0))
            }
            Source::GearboxOutput { final_drive } => {
                Reading::Value(front / self.radius_m * final_drive)
            }
            Source::Distance => {
                let turned = self.now.wheel_rad.iter().map(|rad| rad.abs()).sum::<f64>();
                Reading::Count(0.25 * turned * self.radius_m)
            }
            Source::WheelTeeth(wheel) => {
                let turned = self.now.wheel_rad.get(wheel).copied().unwrap_or(0.0).abs();
                Reading::Count(turned / std::f64::consts::TAU * wheel_sensor::TEETH as f64)
            }
            Source::Role(_) | Source::Other(_) => Reading::NotAvailable,
        }
    }

    /// Speeds of the wheels between the last two instants, rad/s, without direction.
    fn wheel_rates(&self) -> [f64; 4] {
        let span_s = (self.now.t_ns - self.before.t_ns).max(1) as f64 * 1e-9;
        std::array::from_fn(|i| {
            let (before, now) = (self.before.wheel_rad[i & 3], self.now.wheel_rad[i & 3]);
            ((now - before) / span_s).abs()
        })
    }

    /// What a role reads at a time between the last two instants, ns since the drive's start.
    pub fn read(&mut self, role: Role, t_ns: i64) -> Reading {
        let span = (self.now.t_ns - self.before.t_ns).max(1) as f64;
        let share = ((t_ns - self.before.t_ns) as f64 / span).clamp(0.0, 1.0);
        if let Some(i) = Role::WHEELS.iter().position(|&wheel| wheel == role) {
            return self.read_wheel(i, t_ns, share);
        }
        if role == Role::GroundSpeed && t_ns < FIRST_FIX_NS {
            return Reading::NotAvailable;
        }
        let at = |values: &RoleValues| values.get(role as usize).copied().unwrap_or(0.0);
        let (from, to) = (at(&self.before.values), at(&self.now.values));
        let mut value = if is_held(role) {
            from
        } else {
            from + (to - from) * share
        };
        if !value.is_finite() {
            return Reading::NotAvailable;
        }
        if role == Role::EngineTorque {
            value *= self.torque_gain;
        }
        let noise = at(&self.noise);
        if noise > 0.0 {
            value += noise * self.random.normal();
        }
        value += at(&self.offset);
        Reading::Value(match role {
            Role::GroundSpeed | Role::EngineSpeed | Role::CouplingPumpCurrent => value.max(0.0),
            Role::PedalAccelerator => value.clamp(0.0, 100.0),
            _ => value,
        })
    }

    fn read_wheel(&mut self, i: usize, t_ns: i64, share: f64) -> Reading {
        let (from, to) = (self.before.wheel_rad[i & 3], self.now.wheel_rad[i & 3]);
        self.turn_wheel(i, t_ns, from + (to - from) * share);
        if i == 2
            && self
                .broken_since_ns
                .is_some_and(|since| t_ns - since > WIRE_NOTICED_NS)
        {
            return Reading::NotAvailable;
        }
        match self.wheels.get_mut(i) {
            Some(wheel) => Reading::Value(wheel.read(t_ns) * self.radius_m),
            None => Reading::NotAvailable,
        }
    }
}
