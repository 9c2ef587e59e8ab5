//! Small captures laid out by hand from the pcapng draft (IETF draft-ietf-opsawg-pcapng, sections
//! 4.1 to 4.3) and the SocketCAN link type 227, sharing no code with the program's own writer; and
//! a small car driven through them.

use std::path::Path;

/// Bytes of a capture in the making.
pub(crate) struct CaptureBytes {
    bytes: Vec<u8>,
}

impl CaptureBytes {
    /// A little-endian section with one interface of this link type, in nanoseconds.
    pub(crate) fn new(link_type: u16) -> Self {
        let mut capture = Self { bytes: Vec::new() };
        let mut section = Vec::new();
        section.extend(0x1A2B_3C4D_u32.to_le_bytes());
        section.extend(1_u16.to_le_bytes());
        section.extend(0_u16.to_le_bytes());
        section.extend((-1_i64).to_le_bytes());
        capture.block(0x0A0D_0D0A, &section);
        capture.interface(link_type, b"can0");
        capture
    }

    /// Appends an interface in nanoseconds, the next in number.
    pub(crate) fn interface(&mut self, link_type: u16, name: &[u8; 4]) {
        let mut interface = Vec::new();
        interface.extend(link_type.to_le_bytes());
        interface.extend([0; 2]);
        interface.extend(0_u32.to_le_bytes());
        interface.extend([2, 0, 4, 0]);
        interface.extend(name);
        interface.extend([9, 0, 1, 0, 9, 0, 0, 0]);
        interface.extend([0; 4]);
        self.block(1, &interface);
    }

    /// Appends a classic data frame with an 11-bit identifier on the first interface.
    pub(crate) fn frame(&mut self, t_ns: i64, id: u16, data: &[u8]) {
        self.frame_on(0, t_ns, id, data);
    }

    /// The same on an interface by its number.
    pub(crate) fn frame_on(&mut self, interface: u32, t_ns: i64, id: u16, data: &[u8]) {
        let mut packet = Vec::new();
        packet.extend(u32::from(id).to_be_bytes());
        packet.extend([data.len() as u8, 0, 0, 0]);
        packet.extend(data);
        let length = (packet.len() as u32).to_le_bytes();
        packet.resize(packet.len().next_multiple_of(4), 0);
        let mut body = Vec::new();
        body.extend(interface.to_le_bytes());
        body.extend(((t_ns as u64 >> 32) as u32).to_le_bytes());
        body.extend((t_ns as u64 as u32).to_le_bytes());
        body.extend(length);
        body.extend(length);
        body.extend(packet);
        self.block(6, &body);
    }

    /// Appends a block of any kind.
    pub(crate) fn block(&mut self, kind: u32, body: &[u8]) {
        let length = (12 + body.len() as u32).to_le_bytes();
        self.bytes.extend(kind.to_le_bytes());
        self.bytes.extend(length);
        self.bytes.extend(body);
        self.bytes.extend(length);
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.bytes
    }
}

/// Start of every made-up drive, ns since the epoch.
pub(crate) const START_NS: i64 = 1_700_000_000_000_000_000;

/// Decoder file of the small car: four wheels in one frame, demand and pressure in another.
pub(crate) const DECODER: &str = r#"[decoder]
name = "small car"

[[frame]]
id = 0x100
name = "wheels"
period_ms = 10
signal = [
  { role = "wheel_speed.front_left", start = 0, length = 16, order = "big", signed = false, scale = 0.01, offset = 0.0, unit = "km/h" },
  { role = "wheel_speed.front_right", start = 16, length = 16, order = "big", signed = false, scale = 0.01, offset = 0.0, unit = "km/h" },
  { role = "wheel_speed.rear_left", start = 32, length = 16, order = "big", signed = false, scale = 0.01, offset = 0.0, unit = "km/h" },
  { role = "wheel_speed.rear_right", start = 48, length = 16, order = "big", signed = false, scale = 0.01, offset = 0.0, unit = "km/h" },
]

[[frame]]
id = 0x110
name = "coupling"
period_ms = 10
signal = [
  { role = "coupling.demand", start = 0, length = 8, order = "little", signed = false, scale = 0.5, offset = 0.0, unit = "%" },
  { role = "coupling.pressure", start = 8, length = 16, order = "little", signed = false, scale = 0.01, offset = 0.0, unit = "bar" },
]
"#;

/// Vehicle file of the small car.
pub(crate) const VEHICLE: &str = r#"name = "small car"
decoder = "decoder.toml"

[geometry]
wheelbase_m = 2.5
track_front_m = 1.5
track_rear_m = 1.5

[tyres]
rolling_radius_m = 0.3

[driveline]
rear_drive_ratio = 2.5

[coupling]
friction_surfaces = 12
outer_radius_m = 0.06
inner_radius_m = 0.045
pressure_law = "uniform_pressure"
piston_area_m2 = 0.004
return_force_n = 200.0
friction_coefficient = 0.12
"#;

/// Writes the small car's two files into a folder.
pub(crate) fn write_car(folder: &Path) {
    std::fs::write(folder.join("decoder.toml"), DECODER).unwrap();
    std::fs::write(folder.join("vehicle.toml"), VEHICLE).unwrap();
}

/// What the small car shows of one engagement: demand at 0 s, dead time and time constant of the
/// pressure as given, slip that rises until the pressure takes over. A fixed pattern of one count
/// stands in for noise, so the drive is the same on every machine.
#[derive(Clone, Copy)]
pub(crate) struct SmallCar {
    pub(crate) dead_time_s: f64,
    pub(crate) time_constant_s: f64,
    pub(crate) with_coupling: bool,
    /// Whether the coupling closes at all, or rests while the car pulls away all the same.
    pub(crate) closes: bool,
    pub(crate) start_ns: i64,
}

impl Default for SmallCar {
    fn default() -> Self {
        Self {
            dead_time_s: 0.08,
            time_constant_s: 0.05,
            with_coupling: true,
            closes: true,
            start_ns: START_NS,
        }
    }
}

/// Seconds from one launch of the small car to the next.
pub(crate) const CYCLE_S: f64 = 30.0;
/// Seconds from the start of a cycle to its demand.
pub(crate) const DEMAND_AT_S: f64 = 5.0;

impl SmallCar {
    /// A capture of so many launches.
    pub(crate) fn drive(&self, launches: u32) -> CaptureBytes {
        let mut capture = CaptureBytes::new(227);
        let steps = (f64::from(launches) * CYCLE_S * 100.0) as i64;
        for step in 0..steps {
            let t_s = step as f64 / 100.0;
            let cycle_s = t_s % CYCLE_S - DEMAND_AT_S;
            let (rear_mps, slip_mps, demand, pressure_bar) = self.state(cycle_s);
            // A count up and down, each wheel on its own pattern.
            let count = |wheel: i64| f64::from(((step * (2 * wheel + 3) + wheel) % 3 - 1) as i32);
            let raw = |speed_mps: f64, wheel: i64| match speed_mps {
                v if v <= 0.5 => 0_u16,
                v => (v * 360.0 + count(wheel)).round() as u16,
            };
            let front_mps = rear_mps + slip_mps;
            let mut wheels = Vec::new();
            for (wheel, speed) in [front_mps, front_mps, rear_mps, rear_mps]
                .into_iter()
                .enumerate()
            {
                wheels.extend(raw(speed, wheel as i64).to_be_bytes());
            }
            let t_ns = self.start_ns + step * 10_000_000;
            capture.frame(t_ns, 0x100, &wheels);
            if self.with_coupling {
                let pressure = (pressure_bar * 100.0 + 1.0 + count(5)).round() as u16;
                let [low, high] = pressure.to_le_bytes();
                capture.frame(t_ns + 1_000_000, 0x110, &[(demand * 2.0) as u8, low, high]);
            }
        }
        capture
    }

    /// Rear speed, slip, demand and pressure at a time from the demand.
    fn state(&self, t_s: f64) -> (f64, f64, f64, f64) {
        let held_s = 3.0;
        // Pull away at 3 m/s2, hold the speed for a second, coast gently down, stop.
        let rear_mps = match t_s {
            t if t <= 0.0 => 0.0,
            t if t < 3.0 => 3.0 * t,
            t if t < 4.0 => 9.0,
            t if t < 14.0 => 9.0 - 0.3 * (t - 4.0),
            t => (6.0 - 3.0 * (t - 14.0)).max(0.0),
        };
        // Slip begins when the wheels turn fast enough for their sensors.
        let x = (t_s - 0.3).max(0.0) / 0.2;
        if !self.closes {
            return (rear_mps, 0.0, 0.0, 0.0);
        }
        let slip_mps = if t_s > 0.0 && t_s < 4.0 {
            1.5 * x * (1.0 - x).exp()
        } else {
            0.0
        };
        let demand = if (0.0..held_s).contains(&t_s) {
            60.0
        } else {
            0.0
        };
        let rise = |t: f64| 1.0 - (-(t - self.dead_time_s).max(0.0) / self.time_constant_s).exp();
        let pressure_bar = match t_s {
            t if t <= 0.0 => 0.0,
            t if t < held_s => 20.0 * rise(t),
            t => 20.0 * rise(held_s) * (-(t - held_s) / 0.05).exp(),
        };
        (rear_mps, slip_mps, demand, pressure_bar)
    }
}
