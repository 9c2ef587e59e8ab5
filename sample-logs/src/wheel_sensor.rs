//! Wheel sensors: a tooth ring, its edges in time, and the speed that the brake control unit makes
//! of them.
//!
//! The unit counts edges and times the last one before it reads, which is the usual way: speed is
//! edges passed over the time between the last edge of this reading and that of the one before. No
//! tooth stands exactly where it should, which is most of a wheel speed's noise. (The method and the
//! tooth error as main source of noise: F. Gustafsson, "Rotational speed sensors: limitations,
//! pre-processing and automotive applications", IEEE Instrum. Meas. Mag. 13 (2010) 16-23; from
//! memory. 48 teeth, as many rings have: common practice, no source.)

use crate::random::Stream;

/// Teeth of a ring.
pub const TEETH: usize = 48;
/// Standard deviation of a tooth's place, of the pitch.
const PITCH_ERROR: f64 = 0.008;
/// Without an edge for this long the wheel is taken to stand, ns.
const DROPOUT_NS: i64 = 60_000_000;
/// Place error of a bent tooth, of the pitch.
const BENT: f64 = 0.35;

/// What is wrong with a ring.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RingDamage {
    /// One tooth is gone.
    pub missing_tooth: bool,
    /// One tooth stands far from its place.
    pub bent_tooth: bool,
}

/// One wheel's ring, sensor and speed.
#[derive(Clone, Debug)]
pub struct WheelSensor {
    /// Angle of each tooth's edge within the turn, rad.
    edge_rad: [f64; TEETH],
    missing: Option<usize>,
    /// Teeth passed since the start, counted on the ring as built.
    passed: i64,
    /// Time of the last edge seen, ns.
    last_edge_ns: i64,
    /// Edges seen since the last reading.
    edges: u32,
    used_edge_ns: i64,
    speed_rad_s: f64,
}

/// Angle between two edges, rad.
const PITCH_RAD: f64 = std::f64::consts::TAU / TEETH as f64;

impl WheelSensor {
    /// A sensor on a ring as built by `random`.
    #[must_use]
    pub fn new(damage: RingDamage, random: &mut Stream) -> Self {
        let bent = (random.uniform() * TEETH as f64) as usize;
        let gone = (bent + TEETH / 3) % TEETH;
        let edge_rad = std::array::from_fn(|k| {
            let error = PITCH_ERROR * random.normal()
                + if damage.bent_tooth && k == bent {
                    BENT
                } else {
                    0.0
                };
            // Half a pitch off zero, so that a standing wheel does not start on an edge.
            (k as f64 + 0.5 + error.clamp(-0.45, 0.45)) * PITCH_RAD
        });
        Self {
            edge_rad,
            missing: damage.missing_tooth.then_some(gone),
            passed: 0,
            last_edge_ns: i64::MIN / 2,
            edges: 0,
            used_edge_ns: i64::MIN / 2,
            speed_rad_s: 0.0,
        }
    }

    /// The speed below which no edge comes within the dropout time, rad/s.
    #[must_use]
    pub fn dropout_rad_s() -> f64 {
        PITCH_RAD / (DROPOUT_NS as f64 * 1e-9)
    }

    /// Angle at which edge number `n` passes, counted from the start.
    fn edge_at(&self, n: i64) -> f64 {
        let tooth = n.rem_euclid(TEETH as i64) as usize;
        let turns = n.div_euclid(TEETH as i64) as f64;
        let within = self.edge_rad.get(tooth).copied().unwrap_or(0.0);
        turns * std::f64::consts::TAU + within
    }

    /// The wheel turned from one angle to another between two times. A broken wire sees no edge.
    pub fn turn(&mut self, from: (i64, f64), to: (i64, f64), wire_broken: bool) {
        let ((from_ns, from_rad), (to_ns, to_rad)) = (from, to);
        let at = |angle: f64| {
            let share = (angle - from_rad) / (to_rad - from_rad);
            from_ns + ((to_ns - from_ns) as f64 * share.clamp(0.0, 1.0)) as i64
        };
        // Forwards: edges passed, passed + 1, ... Backwards: the same edges the other way.
        while self.edge_at(self.passed) <= to_rad {
            let time = at(self.edge_at(self.passed));
            self.see(self.passed, time, wire_broken);
            self.passed += 1;
        }
        while self.edge_at(self.passed - 1) > to_rad {
            self.passed -= 1;
            let time = at(self.edge_at(self.passed));
            self.see(self.passed, time, wire_broken);
        }
    }

    fn see(&mut self, edge: i64, time_ns: i64, wire_broken: bool) {
        let tooth = edge.rem_euclid(TEETH as i64) as usize;
        if wire_broken || self.missing == Some(tooth) {
            return;
        }
        self.edges += 1;
        self.last_edge_ns = time_ns;
    }

    /// The speed read at this time, rad/s, never negative: a tooth ring knows no direction.
    pub fn read(&mut self, now_ns: i64) -> f64 {
        let since = now_ns - self.last_edge_ns;
        if self.edges > 0 {
            let span = self.last_edge_ns - self.used_edge_ns;
            // After a standstill one edge alone tells nothing yet.
            if span < DROPOUT_NS && span > 0 {
                self.speed_rad_s = f64::from(self.edges) * PITCH_RAD / (span as f64 * 1e-9);
            }
            self.used_edge_ns = self.last_edge_ns;
            self.edges = 0;
        } else if since >= DROPOUT_NS {
            self.speed_rad_s = 0.0;
        } else {
            // No edge yet: the wheel cannot be faster than one pitch in that time.
            self.speed_rad_s = self
                .speed_rad_s
                .min(PITCH_RAD / (since.max(1) as f64 * 1e-9));
        }
        self.speed_rad_s
    }
}

/// Standard deviation that the rings add to the difference of two axles' mean speeds at this
/// reading period, rad/s: each reading rests on two edges, each misplaced; two wheels an axle
/// halve the variance and two axles double it.
#[must_use]
pub fn slip_noise_rad_s(period_s: f64) -> f64 {
    std::f64::consts::SQRT_2 * PITCH_ERROR * PITCH_RAD / period_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::random::Purpose;

    fn readings(damage: RingDamage, speed_rad_s: f64, seconds: f64) -> Vec<f64> {
        let mut random = Stream::new(9, 0, Purpose::Car);
        let mut sensor = WheelSensor::new(damage, &mut random);
        let mut list = Vec::new();
        for k in 0..(seconds * 1000.0) as i64 {
            let at = |k: i64| (k * 1_000_000, speed_rad_s * k as f64 * 1e-3);
            sensor.turn(at(k), at(k + 1), false);
            if k % 10 == 9 {
                list.push(sensor.read((k + 1) * 1_000_000));
            }
        }
        list
    }

    fn mean_and_deviation(values: &[f64]) -> (f64, f64) {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, variance.sqrt())
    }

    #[test]
    fn steady_speed_is_read_without_bias_and_with_tooth_noise() {
        for speed in [8.0, 32.0, 100.0, -32.0] {
            let all = readings(RingDamage::default(), speed, 20.0);
            let (mean, deviation) = mean_and_deviation(&all[10..]);
            assert!((mean / speed.abs() - 1.0).abs() < 2e-3, "{speed}: {mean}");
            // Two edges' place errors over the ten milliseconds between readings; slow wheels
            // have longer between edges.
            assert!(deviation < 0.02 * PITCH_RAD / 0.010, "{speed}: {deviation}");
            assert!(deviation > 0.001, "{speed}: {deviation}");
        }
    }

    #[test]
    fn a_slow_wheel_reads_zero() {
        let slow = readings(
            RingDamage::default(),
            0.8 * WheelSensor::dropout_rad_s(),
            5.0,
        );
        assert!(slow.iter().all(|&v| v == 0.0), "{slow:?}");
        let faster = readings(
            RingDamage::default(),
            1.3 * WheelSensor::dropout_rad_s(),
            5.0,
        );
        assert!(faster[50..].iter().all(|&v| v > 0.0));
    }

    #[test]
    fn a_missing_tooth_shows_once_a_turn() {
        let damage = RingDamage {
            missing_tooth: true,
            ..RingDamage::default()
        };
        // Two turns a second for ten seconds: twenty low readings.
        let all = readings(damage, 2.0 * std::f64::consts::TAU, 10.0);
        let low = all[20..]
            .iter()
            .filter(|&&v| v < 0.75 * 2.0 * std::f64::consts::TAU)
            .count();
        assert!((15..=45).contains(&low), "{low}");
    }
}
