//! The frames that carry a fix. All have 29-bit identifiers, 8 bytes, little-endian fields; a
//! field of all ones (signed ones: the lowest value) is "not available".
//!
//! | identifier | bytes | field | unit of one step |
//! | --- | --- | --- | --- |
//! | 0x1F000001 | 0..4 | ground speed | 0.001 m/s |
//! | | 4..6 | its 95 % uncertainty | 0.001 m/s |
//! | | 6 | dimensions of the fix: 1 none, 2, 3; 0 not told | |
//! | | 7 | satellites used | |
//! | 0x1F000002 | 0..4 | latitude, signed | 1e-7 degree |
//! | | 4..8 | longitude, signed | 1e-7 degree |
//! | 0x1F000003 | 0..2 | course over ground | 0.01 degree |
//! | | 4..8 | height above mean sea level, signed | 0.001 m |
//! | 0x1F000004 | 0..8 | UTC time of the fix since 1970 | 1 ms |
//!
//! The frame's own stamp is when the report came, on the clock of the other buses; the time of the
//! fix is in the last frame, so the receiver's lag can be had from the two.

use slipwright_decoders::frame::CanId;

use super::Fix;

/// Name of the interface in the capture.
pub const INTERFACE: &str = "gnss";
/// Ground speed, its uncertainty, kind of fix, satellites.
pub const SPEED: CanId = CanId::Extended(0x1F00_0001);
/// Latitude and longitude.
pub const POSITION: CanId = CanId::Extended(0x1F00_0002);
/// Course and height.
pub const COURSE: CanId = CanId::Extended(0x1F00_0003);
/// Time of the fix.
pub const TIME: CanId = CanId::Extended(0x1F00_0004);

/// A decoder file's entries for these frames: ground speed with its role.
pub const DECODER_ENTRIES: &str = r#"[[frame]]
bus = "gnss"
id = 0x1F000001
extended = true
name = "satellite speed"

  [[frame.signal]]
  role = "ground.speed"
  start = 0
  length = 32
  order = "little"
  signed = false
  scale = 0.001
  offset = 0.0
  unit = "m/s"
  invalid_raw = [0xFFFFFFFF]
"#;

/// The four frames of a fix.
#[must_use]
pub fn frames(fix: &Fix) -> [(CanId, [u8; 8]); 4] {
    let mut speed = [0; 8];
    speed[..4].copy_from_slice(&unsigned(fix.speed_mps, 1e3, u32::MAX).to_le_bytes());
    let uncertainty = unsigned(fix.speed_u_mps, 1e3, u32::from(u16::MAX));
    speed[4..6].copy_from_slice(&(uncertainty as u16).to_le_bytes());
    speed[6] = fix.mode;
    speed[7] = fix.satellites.unwrap_or(u8::MAX);
    let mut position = [0; 8];
    position[..4].copy_from_slice(&signed(fix.latitude_deg, 1e7).to_le_bytes());
    position[4..].copy_from_slice(&signed(fix.longitude_deg, 1e7).to_le_bytes());
    let mut course = [0xFF; 8];
    let heading = unsigned(fix.course_deg, 1e2, u32::from(u16::MAX));
    course[..2].copy_from_slice(&(heading as u16).to_le_bytes());
    course[4..].copy_from_slice(&signed(fix.altitude_m, 1e3).to_le_bytes());
    let time = fix
        .utc_ms
        .and_then(|t| u64::try_from(t).ok())
        .unwrap_or(u64::MAX);
    [
        (SPEED, speed),
        (POSITION, position),
        (COURSE, course),
        (TIME, time.to_le_bytes()),
    ]
}

/// A value in steps, or `absent`, which no value reaches.
fn unsigned(value: Option<f64>, steps: f64, absent: u32) -> u32 {
    match value.map(|v| (v * steps).round()) {
        Some(raw) if raw >= 0.0 && raw < f64::from(absent) => raw as u32,
        _ => absent,
    }
}

fn signed(value: Option<f64>, steps: f64) -> i32 {
    match value.map(|v| (v * steps).round()) {
        Some(raw) if raw > f64::from(i32::MIN) && raw <= f64::from(i32::MAX) => raw as i32,
        _ => i32::MIN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fix_lies_where_the_table_says() {
        let fix = Fix {
            utc_ms: Some(1_700_000_000_123),
            mode: 3,
            speed_mps: Some(11.5236),
            speed_u_mps: Some(0.25),
            course_deg: Some(84.4),
            latitude_deg: Some(48.1173),
            longitude_deg: Some(-11.5167),
            altitude_m: Some(-2.5),
            satellites: Some(8),
        };
        let [speed, position, course, time] = frames(&fix).map(|(_, data)| data);
        assert_eq!(u32::from_le_bytes(speed[..4].try_into().unwrap()), 11_524);
        assert_eq!(speed[4..], [250, 0, 3, 8]);
        assert_eq!(
            i32::from_le_bytes(position[..4].try_into().unwrap()),
            481_173_000
        );
        assert_eq!(
            i32::from_le_bytes(position[4..].try_into().unwrap()),
            -115_167_000
        );
        assert_eq!(u16::from_le_bytes(course[..2].try_into().unwrap()), 8_440);
        assert_eq!(i32::from_le_bytes(course[4..].try_into().unwrap()), -2_500);
        assert_eq!(u64::from_le_bytes(time), 1_700_000_000_123);
    }

    #[test]
    fn what_is_absent_or_absurd_is_not_available() {
        let absurd = Fix {
            speed_mps: Some(-1.0),
            speed_u_mps: Some(f64::NAN),
            latitude_deg: Some(1e9),
            course_deg: Some(f64::INFINITY),
            utc_ms: Some(-5),
            ..Fix::default()
        };
        for fix in [Fix::default(), absurd] {
            let [speed, position, course, time] = frames(&fix).map(|(_, data)| data);
            assert_eq!(speed, [0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0, 0xFF]);
            assert_eq!(position, [0, 0, 0, 0x80, 0, 0, 0, 0x80]);
            assert_eq!(course, [0xFF, 0xFF, 0xFF, 0xFF, 0, 0, 0, 0x80]);
            assert_eq!(time, [0xFF; 8]);
        }
    }
}
