//! A fix as the frames that carry it; their layout is that of [`slipwright_decoders::gnss_frames`], by
//! which `find` reads them again.

use slipwright_decoders::frame::CanId;
use slipwright_decoders::gnss_frames::{
    COURSE, POSITION, SPEED, STEPS_A_DEGREE, STEPS_A_MPS, TIME,
};

use super::Fix;

/// The four frames of a fix.
#[must_use]
pub fn frames(fix: &Fix) -> [(CanId, [u8; 8]); 4] {
    let mut speed = [0; 8];
    speed[..4].copy_from_slice(&unsigned(fix.speed_mps, STEPS_A_MPS, u32::MAX).to_le_bytes());
    let uncertainty = unsigned(fix.speed_u_mps, STEPS_A_MPS, u32::from(u16::MAX));
    speed[4..6].copy_from_slice(&(uncertainty as u16).to_le_bytes());
    speed[6] = fix.mode;
    speed[7] = fix.satellites.unwrap_or(u8::MAX);
    let mut position = [0; 8];
    position[..4].copy_from_slice(&signed(fix.latitude_deg, 1e7).to_le_bytes());
    position[4..].copy_from_slice(&signed(fix.longitude_deg, 1e7).to_le_bytes());
    let mut course = [0xFF; 8];
    let heading = unsigned(fix.course_deg, STEPS_A_DEGREE, u32::from(u16::MAX));
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
    use slipwright_decoders::decoder_file::DecoderFile;
    use slipwright_decoders::gnss_frames::{INTERFACE, course_deg, speed_mps};
    use slipwright_decoders::role::Role;

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
        assert_eq!(speed_mps(&speed), Some(11.524));
        assert_eq!(course_deg(&course), Some(84.4));
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

    /// The decoder file for these frames, as it lies ready for use.
    #[test]
    fn the_standard_file_reads_the_speed() {
        let text = include_str!("../../../../dbc-free-decoders/standard/gnss.toml");
        let parsed = DecoderFile::parse(text).unwrap();
        assert_eq!(parsed.warnings, []);
        let frame = &parsed.file.frames[0];
        assert_eq!((frame.bus.as_deref(), frame.id), (Some(INTERFACE), SPEED));
        let signal = &frame.signals[0];
        assert_eq!(signal.key.role(), Some(Role::GroundSpeed));
        let read = |speed_mps| {
            let fix = Fix {
                speed_mps,
                ..Fix::default()
            };
            let [(_, data), ..] = frames(&fix);
            let raw = signal.field.extract(&data).unwrap();
            let valid = !signal.invalid_raw.contains(&raw);
            valid.then(|| signal.unit.in_core(signal.value(raw)))
        };
        let speed_mps = read(Some(11.524)).unwrap();
        assert!((speed_mps - 11.524).abs() < 1e-12, "{speed_mps}");
        assert_eq!(read(None), None);
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
            assert_eq!((speed_mps(&speed), course_deg(&course)), (None, None));
        }
    }
}
