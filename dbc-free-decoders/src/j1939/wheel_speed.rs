//! The J1939 frames that carry wheel speeds (SAE J1939-71).
//!
//! [`decoder_file`] gives them as a decoder file for a capture. The functions decode single frames;
//! only they can add up EBC2, whose wheels are differences to the front axle.
//!
//! One public decoder has -7.18125 km/h as the offset of those differences. That is a slip of the
//! pen: -7.8125 makes the range symmetrical, and three others have it.

use super::Slot;

/// Speed of one step of a two-byte number, km/h.
pub const SPEED_STEP_KMH: f64 = 1.0 / 256.0;
/// Difference of one step of a relative wheel speed, km/h.
pub const RELATIVE_STEP_KMH: f64 = 1.0 / 16.0;
/// Difference that the number 0 stands for, km/h.
pub const RELATIVE_OFFSET_KMH: f64 = -7.8125;

/// Address of the brake system's control unit on most vehicles (SAE J1939-81; from memory).
pub const BRAKE_ADDRESS: u8 = 0x0B;
/// Address of the engine's first control unit.
pub const ENGINE_ADDRESS: u8 = 0x00;

/// EBC2 (PGN 65215), decoded. Speeds in km/h; `None` where the frame says "error" or "not
/// available", or ends too early.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BrakeController2 {
    /// SPN 904, the mean of the front axle's wheels.
    pub front_axle_kmh: Option<f64>,
    /// SPN 905 to 910, differences to the front axle: front left and right, first rear axle left
    /// and right, second rear axle left and right.
    pub relative_kmh: [Option<f64>; 6],
}

impl BrakeController2 {
    /// From a frame's data bytes.
    #[must_use]
    pub fn decode(data: &[u8]) -> Self {
        let (axle, relative) = data.split_at_checked(2).unwrap_or((data, &[]));
        let mut relative_kmh = [None; 6];
        for (wheel, &raw) in relative_kmh.iter_mut().zip(relative) {
            let number = Slot::from_byte(raw).valid();
            *wheel = number.map(|n| f64::from(n) * RELATIVE_STEP_KMH + RELATIVE_OFFSET_KMH);
        }
        Self {
            front_axle_kmh: speed_kmh(axle),
            relative_kmh,
        }
    }

    /// Speeds of the six wheels, km/h, in the order of `relative_kmh`.
    #[must_use]
    pub fn wheels_kmh(&self) -> [Option<f64>; 6] {
        self.relative_kmh
            .map(|relative| Some(self.front_axle_kmh? + relative?))
    }
}

/// The four wheels of HRW (PGN 65134), km/h: front left, front right, rear left, rear right
/// (SPN 1592 to 1595). `None` where the frame says "error" or "not available", or ends too early.
#[must_use]
pub fn high_resolution_kmh(data: &[u8]) -> [Option<f64>; 4] {
    let mut wheels = [None; 4];
    for (wheel, raw) in wheels.iter_mut().zip(data.chunks(2)) {
        *wheel = speed_kmh(raw);
    }
    wheels
}

/// The wheel-based vehicle speed of CCVS (PGN 65265), km/h (SPN 84). `None` as above.
#[must_use]
pub fn wheel_based_speed_kmh(data: &[u8]) -> Option<f64> {
    speed_kmh(data.get(1..3)?)
}

fn speed_kmh(raw: &[u8]) -> Option<f64> {
    let number = Slot::from_bytes(raw.try_into().ok()?).valid()?;
    Some(f64::from(number) * SPEED_STEP_KMH)
}

/// The text of a decoder file for these frames, as sent by the control units of these addresses.
#[must_use]
pub fn decoder_file(brake_address: u8, vehicle_speed_address: u8) -> String {
    include_str!("../../standard/j1939-wheel-speed.toml")
        .replace("0x08FE6E0B", &format!("0x08FE6E{brake_address:02X}"))
        .replace("0x18FEBF0B", &format!("0x18FEBF{brake_address:02X}"))
        .replace(
            "0x18FEF100",
            &format!("0x18FEF1{vehicle_speed_address:02X}"),
        )
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::decoder_file::{DecoderFile, FrameEntry, SignalEntry};
    use crate::extractor::{Collector, Extractors};
    use crate::frame::{BusIndex, Frame, FrameFlags};
    use crate::j1939::{Header, Pgn};

    /// Bytes 00 C4 are the example of a public J1939 decoder (196 km/h); the other numbers follow
    /// from scale, offset and the valid range.
    #[test]
    fn brake_controller_2() {
        let decoded = BrakeController2::decode(&[0x00, 0xC4, 0x00, 0x7D, 0xFA, 0xFB, 0xFE, 0xFF]);
        assert_eq!(decoded.front_axle_kmh, Some(196.0));
        let relative = [Some(-7.8125), Some(0.0), Some(7.8125), None, None, None];
        assert_eq!(decoded.relative_kmh, relative);
        let wheels = [
            Some(188.1875),
            Some(196.0),
            Some(203.8125),
            None,
            None,
            None,
        ];
        assert_eq!(decoded.wheels_kmh(), wheels);
        let no_axle = BrakeController2::decode(&[0x00, 0xFE, 0x7D, 0x7D, 0x7D, 0x7D, 0x7D, 0x7D]);
        assert_eq!(no_axle.relative_kmh, [Some(0.0); 6]);
        assert_eq!(
            no_axle.wheels_kmh(),
            [None; 6],
            "no wheel without its reference"
        );
        assert_eq!(
            BrakeController2::decode(&[0x00]),
            BrakeController2::default()
        );
    }

    /// Layout by a published page on PGN 65134; 0xFAFF / 256 = 250.99609375.
    #[test]
    fn high_resolution_wheels() {
        let data = [0x00, 0x64, 0xFF, 0xFA, 0x00, 0xFE, 0x00, 0xFF];
        assert_eq!(
            high_resolution_kmh(&data),
            [Some(100.0), Some(250.996_093_75), None, None]
        );
        assert_eq!(
            high_resolution_kmh(&data[..3]),
            [Some(100.0), None, None, None]
        );
    }

    #[test]
    fn wheel_based_speed() {
        assert_eq!(wheel_based_speed_kmh(&[0xFF, 0x80, 0x32, 0xFF]), Some(50.5));
        assert_eq!(wheel_based_speed_kmh(&[0xFF, 0xFF, 0xFF]), None);
        assert_eq!(wheel_based_speed_kmh(&[0xFF, 0x80]), None);
    }

    #[test]
    fn the_decoder_file_takes_the_addresses() {
        let parsed = DecoderFile::parse(&decoder_file(0x91, 0x27)).unwrap();
        assert_eq!(parsed.warnings, []);
        let headers: Vec<Header> = parsed
            .file
            .frames
            .iter()
            .map(|frame| Header::from_id(frame.id).unwrap())
            .collect();
        let groups: Vec<Pgn> = headers.iter().map(|header| header.pgn).collect();
        assert_eq!(groups, [Pgn::HRW, Pgn::EBC2, Pgn::CCVS]);
        let sources: Vec<u8> = headers.iter().map(|header| header.source).collect();
        assert_eq!(sources, [0x91, 0x91, 0x27]);
        let priorities: Vec<u8> = headers.iter().map(|header| header.priority).collect();
        assert_eq!(priorities, [2, 6, 6]);
        let unchanged = decoder_file(BRAKE_ADDRESS, ENGINE_ADDRESS);
        assert_eq!(
            unchanged,
            include_str!("../../standard/j1939-wheel-speed.toml")
        );
    }

    /// What the decoder file's signals, in their order, say of one frame.
    fn by_decoder_file(pgn: Pgn, data: &[u8]) -> Vec<Option<f64>> {
        let file = DecoderFile::parse(&decoder_file(BRAKE_ADDRESS, ENGINE_ADDRESS))
            .unwrap()
            .file;
        let of_pgn = |frame: &&FrameEntry| Header::from_id(frame.id).unwrap().pgn == pgn;
        let frame = file.frames.iter().find(of_pgn).unwrap();
        let extractors = Extractors::compile(&file);
        let mut collector = Collector::new(&extractors);
        let (bus, flags) = (BusIndex::new(0), FrameFlags::default());
        collector.push(&Frame {
            t_ns: 0,
            bus,
            id: frame.id,
            flags,
            data,
        });
        let series = collector.finish().signals.series;
        let value = |signal: &SignalEntry| {
            series
                .iter()
                .find(|series| series.key == signal.key)?
                .value
                .first()
                .copied()
        };
        frame.signals.iter().map(value).collect()
    }

    proptest! {
        #[test]
        fn the_decoder_file_says_what_the_functions_say(data: [u8; 8], high in 0xF8_u8..) {
            // Half of the frames have numbers around the limit of the valid range.
            let mut near_limit = data;
            near_limit.iter_mut().skip(1).step_by(2).for_each(|byte| *byte = high);
            for data in [data, near_limit] {
                let ebc2 = BrakeController2::decode(&data);
                let numbers = [&[ebc2.front_axle_kmh][..], &ebc2.relative_kmh].concat();
                prop_assert_eq!(by_decoder_file(Pgn::EBC2, &data), numbers);
                let wheels = high_resolution_kmh(&data).to_vec();
                prop_assert_eq!(by_decoder_file(Pgn::HRW, &data), wheels);
                let speed = vec![wheel_based_speed_kmh(&data)];
                prop_assert_eq!(by_decoder_file(Pgn::CCVS, &data), speed);
            }
        }

        #[test]
        fn speeds_stay_within_the_standards_range(data in prop::collection::vec(any::<u8>(), 0..10)) {
            let ebc2 = BrakeController2::decode(&data);
            let speeds = high_resolution_kmh(&data).into_iter().chain([ebc2.front_axle_kmh]);
            prop_assert!(speeds.flatten().all(|v| (0.0..=250.996_093_75).contains(&v)));
            prop_assert!(ebc2.relative_kmh.into_iter().flatten().all(|v| v.abs() <= 7.8125));
        }
    }
}
