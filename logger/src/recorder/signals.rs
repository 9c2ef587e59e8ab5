//! The signals that matter, live: the newest frames of each identifier that a vehicle's decoder
//! file names, decoded when somebody asks, and the front-rear slip that follows from them.

use std::collections::{HashMap, HashSet, VecDeque};

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags, MAX_DATA_BYTES};
use slipwright_decoders::role::Role;
use slipwright_decoders::unit::Quantity;

use super::live::SignalStatus;

/// Frames kept of each identifier: a multiplexed one takes several to show all its signals.
const KEPT: usize = 8;
/// A value older than this says nothing of now.
const STALE_S: f64 = 1.0;

/// What slip needs to know of the car.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Geometry {
    /// Distance between the axles, m.
    pub wheelbase_m: Option<f64>,
    /// Distance between the rear wheels, m.
    pub track_rear_m: Option<f64>,
    /// Rolling radius, m; needed where wheel speeds come as speeds of rotation.
    pub rolling_radius_m: Option<f64>,
}

#[derive(Clone, Copy)]
struct Kept {
    boot_ns: i64,
    flags: FrameFlags,
    length: u8,
    bytes: [u8; MAX_DATA_BYTES],
}

/// The newest frames of a car's signals.
pub struct LiveSignals {
    file: DecoderFile,
    extractors: Extractors,
    geometry: Geometry,
    wanted: HashSet<CanId>,
    newest: HashMap<(u16, CanId), VecDeque<Kept>>,
}

impl LiveSignals {
    /// For the roles of a decoder file.
    #[must_use]
    pub fn new(file: DecoderFile, geometry: Geometry) -> Self {
        let carries_role = |frame: &&slipwright_decoders::decoder_file::FrameEntry| {
            frame
                .signals
                .iter()
                .any(|signal| signal.key.role().is_some())
        };
        let wanted = file
            .frames
            .iter()
            .filter(carries_role)
            .map(|frame| frame.id)
            .collect();
        let extractors = Extractors::compile(&file);
        Self {
            file,
            extractors,
            geometry,
            wanted,
            newest: HashMap::new(),
        }
    }

    /// Keeps a frame if it carries a signal.
    pub fn frame(&mut self, bus: u16, boot_ns: i64, id: CanId, flags: FrameFlags, data: &[u8]) {
        if !flags.carries_data() || !self.wanted.contains(&id) {
            return;
        }
        let mut bytes = [0; MAX_DATA_BYTES];
        let Some(place) = bytes.get_mut(..data.len()) else {
            return;
        };
        place.copy_from_slice(data);
        let kept = self.newest.entry((bus, id)).or_default();
        if kept.len() == KEPT {
            kept.pop_front();
        }
        let length = u8::try_from(data.len()).unwrap_or(0);
        kept.push_back(Kept {
            boot_ns,
            flags,
            length,
            bytes,
        });
    }

    /// Every role of the decoder file with its newest value, and the slip or why there is none.
    /// `names` are the buses' names by number.
    pub fn now(&self, boot_ns: i64, names: &[String]) -> (Vec<SignalStatus>, Result<f64, String>) {
        let mut collector = Collector::new(&self.extractors);
        for (index, name) in (0..).zip(names) {
            collector.add_bus(BusIndex::new(index), name);
        }
        for (&(bus, id), kept) in &self.newest {
            for frame in kept {
                collector.push(&Frame {
                    t_ns: frame.boot_ns,
                    bus: BusIndex::new(bus),
                    id,
                    flags: frame.flags,
                    data: frame
                        .bytes
                        .get(..usize::from(frame.length))
                        .unwrap_or_default(),
                });
            }
        }
        let decoded = collector.finish().signals;
        let mut core = HashMap::new();
        let statuses = self.file.roles().into_iter().map(|role| {
            let newest = decoded.role(role).and_then(|series| {
                Some((series.unit, *series.t_ns.last()?, *series.value.last()?))
            });
            if let Some((unit, t_ns, value)) = newest {
                let value = (unit.quantity(), unit.in_core(value));
                core.insert(role, (age_s(boot_ns, t_ns), value));
            }
            SignalStatus {
                role: role.text().to_owned(),
                value: newest.map(|(_, _, value)| value),
                unit: newest.map_or_else(String::new, |(unit, ..)| unit.text().to_owned()),
                age_s: newest.map(|(_, t_ns, _)| age_s(boot_ns, t_ns)),
            }
        });
        let statuses = statuses.collect();
        (statuses, self.slip_mps(&core))
    }

    /// Front axle speed less what it would be without slip, from the rear wheels and the turn.
    fn slip_mps(&self, values: &Values) -> Result<f64, String> {
        let wheel = |role: Role| -> Result<f64, String> {
            let (age_s, (quantity, value)) = values
                .get(&role)
                .ok_or_else(|| format!("{} has not been seen", role.label()))?;
            if *age_s > STALE_S {
                return Err(format!("{} is {age_s:.1} s old", role.label()));
            }
            match (quantity, self.geometry.rolling_radius_m) {
                (Quantity::AngularSpeed, Some(radius_m)) => Ok(value * radius_m),
                (Quantity::AngularSpeed, None) => {
                    Err("the vehicle file has no rolling_radius_m".to_owned())
                }
                _ => Ok(*value),
            }
        };
        let [front_left, front_right, rear_left, rear_right] = Role::WHEELS.map(wheel);
        let (rear_left, rear_right) = (rear_left?, rear_right?);
        let front_mps = f64::midpoint(front_left?, front_right?);
        let rear_mps = f64::midpoint(rear_left, rear_right);
        let wheelbase_m = self
            .geometry
            .wheelbase_m
            .ok_or("the vehicle file has no wheelbase_m")?;
        let turn_mps = match values.get(&Role::BodyYawRate) {
            Some((age_s, (_, yaw_rad_s))) if *age_s <= STALE_S => yaw_rad_s * wheelbase_m,
            _ => {
                let track_m = self
                    .geometry
                    .track_rear_m
                    .ok_or("the vehicle file has no track_rear_m")?;
                (rear_right - rear_left) / track_m * wheelbase_m
            }
        };
        Ok(front_mps - rear_mps.hypot(turn_mps))
    }
}

/// Age in s and value in the core unit of its quantity, by role.
type Values = HashMap<Role, (f64, (Quantity, f64))>;

fn age_s(now_ns: i64, then_ns: i64) -> f64 {
    now_ns.saturating_sub(then_ns).max(0) as f64 / 1e9
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = r#"
[decoder]
name = "live"

[[frame]]
id = 0x1A0
  [[frame.signal]]
  role = "wheel_speed.front_left"
  start = 0
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"
  invalid_raw = [0xFFFF]
  [[frame.signal]]
  role = "wheel_speed.front_right"
  start = 16
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"
  [[frame.signal]]
  role = "wheel_speed.rear_left"
  start = 32
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"
  [[frame.signal]]
  role = "wheel_speed.rear_right"
  start = 48
  length = 16
  order = "big"
  scale = 0.01
  unit = "m/s"

[[frame]]
id = 0x2B0
  [[frame.signal]]
  role = "coupling.pressure"
  start = 0
  length = 8
  order = "big"
  unit = "bar"
"#;

    const S: i64 = 1_000_000_000;

    fn live() -> LiveSignals {
        let file = DecoderFile::parse(FILE).unwrap().file;
        let geometry = Geometry {
            wheelbase_m: Some(2.6),
            track_rear_m: Some(1.5),
            rolling_radius_m: None,
        };
        LiveSignals::new(file, geometry)
    }

    fn wheels(live: &mut LiveSignals, t_ns: i64, centi_mps: [u16; 4]) {
        let data: Vec<u8> = centi_mps.iter().flat_map(|v| v.to_be_bytes()).collect();
        live.frame(0, t_ns, CanId::Base(0x1A0), FrameFlags::default(), &data);
    }

    #[test]
    fn slip_and_ages_are_of_now() {
        let mut live = live();
        let names = ["can0".to_owned()];
        let (signals, slip) = live.now(S, &names);
        assert!(
            signals.iter().all(|s| s.age_s.is_none())
                && slip.unwrap_err().contains("not been seen")
        );
        wheels(&mut live, S, [1_060, 1_040, 1_000, 1_000]);
        live.frame(0, 0, CanId::Base(0x2B0), FrameFlags::default(), &[17]);
        live.frame(0, 0, CanId::Base(0x7FF), FrameFlags::default(), &[17]);
        let (signals, slip) = live.now(S + S / 2, &names);
        assert!((slip.unwrap() - 0.5).abs() < 1e-9);
        let pressure = signals
            .iter()
            .find(|s| s.role == "coupling.pressure")
            .unwrap();
        assert_eq!(
            (pressure.value, pressure.age_s, pressure.unit.as_str()),
            (Some(17.0), Some(1.5), "bar")
        );
        // In a bend: rear wheels 9.25 and 10.75 m/s turn at 1 rad/s, the free front axle at
        // sqrt(10^2 + 2.6^2) m/s.
        wheels(&mut live, 2 * S, [1_033, 1_033, 925, 1_075]);
        let (_, slip) = live.now(2 * S, &names);
        assert!((slip.unwrap() - (10.33 - 106.76_f64.sqrt())).abs() < 1e-9);
        let (_, slip) = live.now(9 * S, &names);
        assert!(slip.unwrap_err().contains("7.0 s old"));
    }

    #[test]
    fn an_invalid_code_is_no_new_value() {
        let mut live = live();
        wheels(&mut live, S, [1_000; 4]);
        wheels(&mut live, 2 * S, [0xFFFF, 1_000, 1_000, 1_000]);
        let (signals, _) = live.now(2 * S, &["can0".to_owned()]);
        assert_eq!(
            (signals[0].value, signals[0].age_s),
            (Some(10.0), Some(1.0))
        );
    }
}
