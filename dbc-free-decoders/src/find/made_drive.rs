//! Made traffic with known truth for tests: a car that drives, and frames that carry what it does.

use super::reference::{ReferenceKind, SpeedReference};
use super::survey::Survey;
use crate::field::{BitOrder, Coding, Field};
use crate::frame::{BusIndex, CanId, Frame, FrameFlags};

const STEPS_A_SECOND: f64 = 100.0;
const SECONDS: f64 = 150.0;
const START_NS: i64 = 1_000_000_000_000;

/// Numbers that look drawn (constants of Knuth's MMIX generator; from memory).
struct Drawn(u64);

impl Drawn {
    fn of_seed(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5DEE_CE66)
    }

    /// 0 to 1.
    fn share(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / f64::from(1_u32 << 31)
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Of deviation 1 and mean 0, near enough to normal: twelve shares summed.
    fn noise(&mut self) -> f64 {
        (0..12).map(|_| self.share()).sum::<f64>() - 6.0
    }
}

/// A drive of a car with true speeds at 100 Hz.
pub(super) struct Drive {
    /// Front left, front right, rear left, rear right, m/s.
    pub(super) wheels: [Vec<f64>; 4],
    pub(super) speed: Vec<f64>,
    pub(super) pedal: Vec<f64>,
    pub(super) engine: Vec<f64>,
    drawn: Drawn,
}

impl Drive {
    pub(super) fn of_seed(seed: u64) -> Self {
        let mut drawn = Drawn::of_seed(seed);
        let points = (SECONDS * STEPS_A_SECOND) as usize;
        let (mut speed, mut pulls, mut yaws) = (vec![0.0], vec![0.0], vec![0.0]);
        let (mut until, mut wanted, mut turn) = (4.0, 0.0, 0.0);
        let (mut v, mut a, mut yaw) = (0.0_f64, 0.0, 0.0);
        while speed.len() < points {
            let t = speed.len() as f64 / STEPS_A_SECOND;
            if t > until {
                until = t + drawn.between(2.0, 7.0);
                wanted = match v {
                    v if v < 4.0 => drawn.between(1.0, 3.0),
                    v if v > 28.0 => drawn.between(-2.5, -1.0),
                    _ => drawn.between(-2.5, 2.2),
                };
                turn = match drawn.share() {
                    part if part < 0.5 => 0.0,
                    _ => drawn.between(-2.0, 2.0),
                };
            }
            a += (wanted - a) * 0.03;
            v = (v + a / STEPS_A_SECOND).max(0.0);
            // A turn of so many m/s^2 across.
            yaw += ((turn / v.max(5.0)) - yaw) * 0.02;
            speed.push(v);
            pulls.push(if v > 0.0 { a } else { 0.0 });
            yaws.push(if v > 0.0 { yaw } else { 0.0 });
        }
        let (wheelbase, track) = (drawn.between(2.4, 2.9), drawn.between(1.45, 1.6));
        let wheels = std::array::from_fn(|wheel| {
            let radius = 1.0 + 0.002 * drawn.noise();
            let side = if wheel % 2 == 0 { -0.5 } else { 0.5 };
            (0..points)
                .map(|k| {
                    let (v, r) = (speed[k], yaws[k]);
                    // Tyres creep: the driven front ones while it pulls, all while it brakes.
                    let (cut, pull) = match wheel {
                        0 | 1 => (v.hypot(r * wheelbase), 0.008),
                        _ => (v, 0.0),
                    };
                    let creep = match pulls[k] {
                        a if a > 0.0 => pull * a,
                        a => 0.004 * a,
                    };
                    let axle = cut * (1.0 + creep);
                    match v > 0.3 {
                        true => (axle + side * track * r) * radius + 0.012 * drawn.noise(),
                        false => 0.0,
                    }
                })
                .collect()
        });
        let gear = |v: f64| [60.0, 38.0, 26.0, 19.0][((v / 7.0) as usize).min(3)];
        Self {
            wheels,
            engine: speed
                .iter()
                .zip(&pulls)
                .map(|(v, a)| (v * gear(*v) * 3.2 + 60.0 * a.max(0.0)).max(800.0))
                .collect(),
            pedal: pulls.iter().map(|a| 30.0 * a.max(0.0)).collect(),
            speed,
            drawn,
        }
    }

    /// The car's speed as a receiver tells it, so many times a second and so late.
    pub(super) fn reference(&mut self, times_a_second: f64, lag_s: f64) -> SpeedReference {
        let count = (SECONDS * times_a_second) as usize;
        let t_s = (0..count).map(|k| k as f64 / times_a_second + 0.013);
        let t_s: Vec<f64> = t_s.collect();
        SpeedReference {
            kind: ReferenceKind::File,
            t_ns: t_s.iter().map(|t| START_NS + (t * 1e9) as i64).collect(),
            speed_mps: t_s
                .iter()
                .map(|t| (at(&self.speed, t - lag_s) + 0.05 * self.drawn.noise()).max(0.0))
                .collect(),
            course_deg: Vec::new(),
        }
    }

    /// Sends an identifier: `fill` writes the data of its frame number n at a time, s.
    pub(super) fn send(
        &mut self,
        survey: &mut Survey,
        id: u32,
        period_s: f64,
        mut fill: impl FnMut(&Self, usize, f64, &mut [u8; 8]),
    ) {
        let phase = self.drawn.share();
        for n in 0..((SECONDS / period_s) as usize - 1) {
            let t_s = (n as f64 + phase + 0.1 * self.drawn.share()) * period_s;
            let mut data = [0; 8];
            fill(self, n, t_s, &mut data);
            survey.push(&Frame {
                t_ns: START_NS + (t_s * 1e9) as i64,
                bus: BusIndex::new(0),
                id: CanId::new(id, false).unwrap(),
                flags: FrameFlags::default(),
                data: &data,
            });
        }
    }

    /// What else a car sends and what moves with it, sooner or later: engine, pedal, and its own speed.
    pub(super) fn send_the_rest(&mut self, survey: &mut Survey) {
        self.send(survey, 0x0F1, 0.02, |drive, n, t, data| {
            put(data, (0, 16), BitOrder::Big, at(&drive.engine, t) / 0.25);
            put(data, (16, 8), BitOrder::Big, at(&drive.pedal, t) / 0.5);
            put(
                data,
                (24, 16),
                BitOrder::Big,
                400.0 + 45.0 * at(&drive.pedal, t),
            );
            put(data, (60, 4), BitOrder::Big, (n % 16) as f64);
        });
        self.send(survey, 0x3A5, 0.1, |drive, _, t, data| {
            put(data, (8, 16), BitOrder::Big, 360.0 * at(&drive.speed, t));
        });
    }
}

/// A series at a time, s, by linear interpolation.
pub(super) fn at(series: &[f64], t_s: f64) -> f64 {
    let place = (t_s * STEPS_A_SECOND).clamp(0.0, (series.len() - 2) as f64);
    let (k, part) = (place as usize, place.fract());
    series[k] + part * (series[k + 1] - series[k])
}

/// Writes a number, rounded, into a field of this start and length.
pub(super) fn put(data: &mut [u8], (start, length): (u16, u8), order: BitOrder, raw: f64) {
    let field = Field::new(start, length, order, Coding::Unsigned).unwrap();
    let raw = (raw.round().max(0.0) as u64).min(field.mask());
    field.insert(data, raw).unwrap();
}
