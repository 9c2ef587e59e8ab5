//! Frames in, series and counts out.

use proptest::prelude::*;

use super::*;
use crate::decoder_file::{FrameEntry, SignalEntry};
use crate::field::{BitOrder, Coding, Field};
use crate::frame::FrameFlags;
use crate::role::Role;
use crate::signal::SignalKey;
use crate::unit::Unit;

/// A decoder file of frames as written, each after `[[frame]]`.
fn extractors(frames: &[&str]) -> Extractors {
    let frames: String = frames
        .iter()
        .map(|frame| format!("[[frame]]\n{frame}\n"))
        .collect();
    let text = format!("decoder.name = \"test\"\n{frames}");
    match DecoderFile::parse(&text) {
        Ok(parsed) => Extractors::compile(&parsed.file),
        Err(error) => panic!("{error}\n{text}"),
    }
}

fn signal(key: &str, start: u16, length: u8, more: &str) -> String {
    format!(
        "[[frame.signal]]\n{key}\nstart = {start}\nlength = {length}\norder = \"big\"\n{more}\n"
    )
}

fn frame(t_ns: i64, bus: u16, id: u16, data: &[u8]) -> Frame<'_> {
    let flags = FrameFlags::default();
    Frame {
        t_ns,
        bus: BusIndex::new(bus),
        id: CanId::Base(id),
        flags,
        data,
    }
}

/// Decodes frames of the buses `can0` and `can1`.
fn decode(extractors: &Extractors, frames: &[Frame<'_>]) -> Decoded {
    let mut collector = Collector::new(extractors);
    collector.add_bus(BusIndex::new(0), "can0");
    collector.add_bus(BusIndex::new(1), "can1");
    frames.iter().for_each(|frame| collector.push(frame));
    collector.finish()
}

/// Series as `bus key: t value, ...; t reason, ...`.
fn listed(decoded: &Decoded) -> Vec<String> {
    let series = decoded.signals.series.iter().map(|series| {
        let values = series
            .t_ns
            .iter()
            .zip(&series.value)
            .map(|(t, v)| format!(" {t} {v}"));
        let invalid = series
            .invalid
            .iter()
            .map(|i| format!(" {} {:?}", i.t_ns, i.reason));
        let samples: String = values.chain(invalid).collect();
        format!("{} {}:{samples}", series.bus, series.key.text())
    });
    series.collect()
}

#[test]
fn a_real_frame_decodes_as_by_hand() {
    // The decoder of a public recording, and one of its frames: comma2k19, example segment.
    let text = include_str!("../../../tests/reference/segment-decoder.toml");
    let parsed = DecoderFile::parse(text).unwrap();
    assert_eq!(parsed.warnings, []);
    let data = [0x25, 0xB5, 0x25, 0xB5, 0x25, 0xA0, 0x25, 0x8D];
    let decoded = decode(
        &Extractors::compile(&parsed.file),
        &[frame(7, 0, 0xAA, &data)],
    );
    let kmh = |role: Role| {
        let series = decoded.signals.role(role).unwrap();
        assert_eq!(
            (series.t_ns.as_slice(), series.unit),
            (&[7][..], Unit::KilometrePerHour)
        );
        series.value[0]
    };
    // 0x25B5 = 9653, 0x25A0 = 9632, 0x258D = 9613.
    assert_eq!(kmh(Role::WheelSpeedFrontRight), 9653.0 * 0.01 - 67.67);
    assert_eq!(kmh(Role::WheelSpeedFrontLeft), 9653.0 * 0.01 - 67.67);
    assert_eq!(kmh(Role::WheelSpeedRearRight), 9632.0 * 0.01 - 67.67);
    assert_eq!(kmh(Role::WheelSpeedRearLeft), 9613.0 * 0.01 - 67.67);
    assert!((kmh(Role::WheelSpeedRearLeft) - 28.46).abs() < 1e-9);
}

#[test]
fn what_is_no_measurement_says_why() {
    let check = |keys: &str, data: &[u8], expected: &str| {
        let text = format!("id = 1\n{}", signal("name = \"x\"", 0, 8, keys));
        let decoded = decode(&extractors(&[&text]), &[frame(5, 0, 1, data)]);
        assert_eq!(listed(&decoded), [format!("can0 x: 5 {expected}")]);
    };
    check("", &[100], "100");
    check("min = 100\nmax = 101", &[100], "100");
    check("min = 100\nmax = 101", &[101], "101");
    check("min = 100\nmax = 101", &[99], "BelowMin");
    check("min = 100\nmax = 101", &[102], "AboveMax");
    check("invalid_raw = [0xFE, 0xFF]", &[0xFF], "RawCode");
    check("signed = true\ninvalid_raw = [-1]", &[0xFF], "RawCode");
    check("signed = true\ninvalid_raw = [-2]", &[0xFF], "-1");
    // A raw code is invalid before it is out of range.
    check("max = 10\ninvalid_raw = [0xFF]", &[0xFF], "RawCode");
    check("", &[], "FrameTooShort");
    check("scale = 1e308", &[2], "NotFinite");
}

#[test]
fn a_float_that_is_no_number_is_invalid() {
    let text = format!("id = 1\n{}", signal("name = \"x\"", 0, 32, "float = true"));
    let extractors = extractors(&[&text]);
    let check = |number: f32, expected: &str| {
        let decoded = decode(&extractors, &[frame(5, 0, 1, &number.to_be_bytes())]);
        assert_eq!(listed(&decoded), [format!("can0 x: 5 {expected}")]);
    };
    check(0.1, "0.10000000149011612");
    check(f32::NAN, "NotFinite");
    check(f32::NEG_INFINITY, "NotFinite");
}

#[test]
fn a_selector_chooses_the_frames_that_hold_the_signal() {
    let when = |equals: u8| {
        format!("when = {{ start = 0, length = 8, order = \"big\", equals = {equals} }}")
    };
    let text = ["id = 1\n".to_owned()]
        .into_iter()
        .chain([
            signal("role = \"gear\"", 8, 8, &when(1)),
            // The same signal elsewhere in another case: one series.
            signal("role = \"gear\"", 16, 8, &when(2)),
            signal("name = \"other\"", 8, 8, &when(2)),
            signal("name = \"never\"", 8, 8, &when(9)),
        ])
        .collect::<String>();
    let frames = [
        frame(10, 0, 1, &[1, 11, 12]),
        frame(20, 0, 1, &[2, 21, 22]),
        frame(30, 0, 1, &[3, 31, 32]),
        // Too short for its selector, so nothing says that it holds any of them.
        frame(40, 0, 1, &[]),
        // In the case, but too short for the field.
        frame(50, 0, 1, &[1]),
    ];
    let decoded = decode(&extractors(&[&text]), &frames);
    assert_eq!(
        listed(&decoded),
        [
            "can0 gear: 10 11 20 22 50 FrameTooShort",
            "can0 other: 20 21"
        ]
    );
}

#[test]
fn a_frame_without_a_bus_is_on_every_bus() {
    let any = format!("id = 1\n{}", signal("name = \"any\"", 0, 8, ""));
    let one = format!(
        "id = 2\nbus = \"can1\"\n{}",
        signal("name = \"one\"", 0, 8, "")
    );
    let frames = [
        frame(10, 1, 1, &[1]),
        frame(20, 0, 1, &[2]),
        frame(30, 0, 2, &[3]),
        frame(40, 1, 2, &[4]),
        // A bus that was not announced.
        frame(50, 7, 1, &[5]),
    ];
    let decoded = decode(&extractors(&[&any, &one]), &frames);
    assert_eq!(
        listed(&decoded),
        [
            "can0 any: 20 2",
            "can1 any: 10 1",
            "bus 7 any: 50 5",
            "can1 one: 40 4"
        ]
    );
}

#[test]
fn interfaces_of_one_name_are_one_bus() {
    let text = format!("id = 1\n{}", signal("name = \"x\"", 0, 8, ""));
    let extractors = extractors(&[&text]);
    let mut collector = Collector::new(&extractors);
    collector.add_bus(BusIndex::new(0), "can0");
    collector.push(&frame(10, 0, 1, &[1]));
    collector.add_bus(BusIndex::new(3), "can0");
    collector.push(&frame(20, 3, 1, &[2]));
    // Called by its index, and so the bus that a frame without an announced one counts for.
    collector.add_bus(BusIndex::new(4), "bus 5");
    collector.push(&frame(30, 5, 1, &[3]));
    collector.push(&frame(40, 4, 1, &[4]));
    assert_eq!(
        listed(&collector.finish()),
        ["can0 x: 10 1 20 2", "bus 5 x: 30 3 40 4"]
    );
}

#[test]
fn every_frame_is_counted_and_absent_ones_are_named() {
    let seen = format!("id = 1\n{}", signal("name = \"seen\"", 0, 8, ""));
    let absent = format!(
        "id = 0x2A\nname = \"brakes\"\n{}",
        signal("name = \"no\"", 0, 8, "")
    );
    let elsewhere = format!(
        "id = 3\nbus = \"can1\"\n{}",
        signal("name = \"else\"", 0, 8, "")
    );
    let remote = FrameFlags {
        remote: true,
        ..FrameFlags::default()
    };
    let error = FrameFlags {
        error: true,
        ..FrameFlags::default()
    };
    let extended = CanId::Extended(1);
    let frames = [
        frame(1, 0, 1, &[1]),
        frame(2, 0, 3, &[1]),
        Frame {
            id: extended,
            ..frame(3, 0, 1, &[9])
        },
        Frame {
            flags: remote,
            ..frame(4, 0, 0x2A, &[])
        },
        Frame {
            flags: error,
            ..frame(5, 0, 1, &[0; 8])
        },
        frame(6, 0, 1, &[1]),
        frame(7, 1, 1, &[1]),
    ];
    let decoded = decode(&extractors(&[&seen, &absent, &elsewhere]), &frames);
    assert_eq!(listed(&decoded), ["can0 seen: 1 1 6 1", "can1 seen: 7 1"]);
    let id = |id, frames, decoded| IdTraffic {
        id,
        frames,
        decoded,
    };
    let can0 = BusTraffic {
        bus: "can0".into(),
        ids: vec![
            id(CanId::Base(1), 2, true),
            id(CanId::Base(3), 1, false),
            id(extended, 1, false),
        ],
        uncounted_frames: 0,
        remote_frames: 1,
        error_frames: 1,
    };
    let can1 = BusTraffic {
        bus: "can1".into(),
        ids: vec![id(CanId::Base(1), 1, true)],
        ..BusTraffic::default()
    };
    let missing = [
        AbsentFrame {
            bus: None,
            id: CanId::Base(0x2A),
            name: Some("brakes".into()),
        },
        AbsentFrame {
            bus: Some("can1".into()),
            id: CanId::Base(3),
            name: None,
        },
    ];
    assert_eq!(
        (decoded.traffic.frames(), decoded.traffic.decoded_frames()),
        (7, 3)
    );
    assert_eq!(decoded.traffic.absent, missing);
    assert_eq!(decoded.traffic.buses, [can0, can1]);
}

#[test]
fn random_identifiers_do_not_fill_the_memory() {
    let text = format!(
        "id = 0x1FFFFFFF\nextended = true\n{}",
        signal("name = \"x\"", 0, 8, "")
    );
    let extractors = extractors(&[&text]);
    let mut collector = Collector::new(&extractors);
    let extended = |id| Frame {
        id: CanId::Extended(id),
        ..frame(1, 0, 0, &[1])
    };
    let ids = MAX_COUNTED_IDS as u32 + 100;
    for _ in 0..2 {
        (0..ids).for_each(|id| collector.push(&extended(id)));
    }
    // Decoded ones still are, however late they come.
    collector.push(&extended(0x1FFF_FFFF));
    let Decoded { signals, traffic } = collector.finish();
    assert_eq!(signals.series.len(), 1);
    assert_eq!(traffic.buses[0].uncounted_frames, 200);
    assert_eq!(traffic.buses[0].ids.len(), MAX_COUNTED_IDS + 1);
    assert_eq!(traffic.frames(), 2 * u64::from(ids) + 1);
}

#[test]
fn a_timeout_is_stated_or_five_periods_or_five_median_intervals() {
    const MS: i64 = 1_000_000;
    let check = |keys: &str, more: &str, times_ms: &[i64], expected_ms: i64| {
        let text = format!("id = 1\n{keys}\n{}", signal("name = \"x\"", 0, 8, more));
        let frames: Vec<_> = times_ms.iter().map(|t| frame(t * MS, 0, 1, &[1])).collect();
        let decoded = decode(&extractors(&[&text]), &frames);
        let timeout_ns = decoded.signals.series[0].timeout_ns;
        assert_eq!(timeout_ns, expected_ms * MS, "{keys} {more} {times_ms:?}");
    };
    let every_tenth = [0, 10, 20, 30];
    check("timeout_ms = 7\nperiod_ms = 20", "", &every_tenth, 7);
    check("period_ms = 20", "", &every_tenth, 100);
    check("", "", &every_tenth, 50);
    // Invalid values tell the interval too; a step back of the clock and equal stamps do not.
    check("", "invalid_raw = [1]", &every_tenth, 50);
    check("", "", &[0, 10, 20, 20, 20, 20, 5, 30], 50);
    check("", "", &[0], 1000);
    check("", "", &[0, 0], 1000);
    let selected = "when = { start = 0, length = 8, order = \"big\", equals = 1 }";
    check("period_ms = 2", selected, &every_tenth, 50);
    check("period_ms = 20", selected, &every_tenth, 100);
    check("period_ms = 2\ntimeout_ms = 7", selected, &every_tenth, 7);
}

/// What the module promises, said once more without tables or plans.
fn by_definition(file: &DecoderFile, frames: &[(i64, u16, u16, Vec<u8>)]) -> Vec<String> {
    let mut lines = Vec::new();
    for entry in &file.frames {
        for signal in &entry.signals {
            for (bus, name) in [(0, "can0"), (1, "can1")] {
                let mut values = String::new();
                let mut invalid = String::new();
                let of_bus = frames.iter().filter(|(_, on, id, _)| {
                    *on == bus
                        && CanId::Base(*id) == entry.id
                        && entry.bus.as_deref().is_none_or(|bus| bus == name)
                });
                for (t, _, _, data) in of_bus {
                    match signal.field.extract(data) {
                        None => invalid += &format!(" {t} FrameTooShort"),
                        Some(raw) => values += &format!(" {t} {}", signal.value(raw)),
                    }
                }
                if !values.is_empty() || !invalid.is_empty() {
                    lines.push(format!("{name} {}:{values}{invalid}", signal.key.text()));
                }
            }
        }
    }
    lines
}

prop_compose! {
    fn a_signal()(
        start in 0_u16..48,
        length in 1_u8..=16,
        order in prop::sample::select(&[BitOrder::Big, BitOrder::Little][..]),
        signed: bool,
        scale in -10.0..10.0_f64,
        offset in -10.0..10.0_f64,
    ) -> SignalEntry {
        let coding = if signed { Coding::Signed } else { Coding::Unsigned };
        let field = Field::new(start, length, order, coding).unwrap();
        SignalEntry::new(SignalKey::Name(String::new()), field, scale, offset, Unit::Bare)
    }
}

fn a_file() -> impl Strategy<Value = DecoderFile> {
    let signals = prop::collection::vec(a_signal(), 0..4);
    let bus = prop::option::of(prop::sample::select(&["can0", "can1"][..]));
    prop::collection::vec((bus, signals), 0..6).prop_map(|frames| {
        let frames = (0_u16..).zip(frames).map(|(id, (bus, mut signals))| {
            for (number, signal) in signals.iter_mut().enumerate() {
                signal.key = SignalKey::Name(format!("{id}.{number}"));
            }
            let bus = bus.map(str::to_owned);
            FrameEntry {
                bus,
                signals,
                ..FrameEntry::new(CanId::Base(id))
            }
        });
        DecoderFile {
            frames: frames.collect(),
            ..DecoderFile::default()
        }
    })
}

proptest! {
    #[test]
    fn every_value_is_what_the_definition_says(
        file in a_file(),
        frames in prop::collection::vec(
            (any::<i64>(), 0_u16..2, 0_u16..8, prop::collection::vec(any::<u8>(), 0..=8)),
            0..40,
        ),
    ) {
        let borrowed: Vec<_> =
            frames.iter().map(|(t, bus, id, data)| frame(*t, *bus, *id, data)).collect();
        let decoded = decode(&Extractors::compile(&file), &borrowed);
        // Equal text is equal bits: `{}` of an f64 tells any two apart.
        prop_assert_eq!(listed(&decoded), by_definition(&file, &frames));
        prop_assert_eq!(decoded.traffic.frames(), frames.len() as u64);
    }

    #[test]
    fn collectors_of_two_parts_are_one_of_the_whole(
        file in a_file(),
        frames in prop::collection::vec(
            (any::<i64>(), 0_u16..4, 0_u16..8, prop::collection::vec(any::<u8>(), 0..=8)),
            0..60,
        ),
        cut in 0_usize..60,
    ) {
        let extractors = Extractors::compile(&file);
        let of = |frames: &[(i64, u16, u16, Vec<u8>)]| {
            let mut collector = Collector::new(&extractors);
            collector.add_bus(BusIndex::new(1), "can0");
            collector.add_bus(BusIndex::new(2), "can1");
            for (t, bus, id, data) in frames {
                let flags = FrameFlags { remote: t % 7 == 0, ..FrameFlags::default() };
                collector.push(&Frame { flags, ..frame(*t, *bus, *id, data) });
            }
            collector
        };
        let (early, late) = frames.split_at(cut.min(frames.len()));
        let mut joined = of(early);
        joined.append(of(late));
        prop_assert_eq!(joined.finish(), of(&frames).finish());
    }
}
