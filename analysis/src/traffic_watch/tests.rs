//! Streams of frames with silences, frozen counters and error frames at known times.

use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};

use super::{Span, TrafficWatch};

const ID: CanId = CanId::Base(0x1C4);
const MS: i64 = 1_000_000;

/// A message every 10 ms with a counter in the lower half of its second byte.
fn watched(seconds: i64, sent: impl Fn(i64) -> bool, stands: impl Fn(i64) -> bool) -> TrafficWatch {
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    let mut counter = 0_u8;
    let mut data = [0x12, 0];
    for k in 0..seconds * 100 {
        counter = (counter + 1) & 0xF;
        if !stands(k) {
            data = [0x12, 0x30 | counter];
        }
        let frame = |id, data| Frame {
            t_ns: k * 10 * MS,
            bus: BusIndex::new(0),
            id,
            flags: FrameFlags::default(),
            data,
        };
        watch.push(&frame(CanId::Base(0x10), &[0; 4][..]));
        if sent(k) {
            watch.push(&frame(ID, &data[..]));
        }
    }
    watch
}

#[test]
fn a_message_that_stays_away_is_silent_and_the_others_are_not() {
    let traffic = watched(20, |k| !(500..700).contains(&k), |_| false).finish();
    let message = traffic.id("can0", ID).unwrap();
    assert_eq!(message.silent.len(), 1);
    assert_eq!(message.silent[0].from_ns, 4990 * MS);
    assert_eq!(message.silent[0].to_ns, 7000 * MS);
    assert_eq!(message.frozen, []);
    let other = traffic.id("can0", CanId::Base(0x10)).unwrap();
    assert_eq!((other.silent.len(), other.frozen.len()), (0, 0));
    assert!((message.period_s.unwrap() - 0.01).abs() < 1e-9);
}

#[test]
fn a_message_that_never_comes_back_is_silent_to_the_end() {
    let traffic = watched(20, |k| k < 900, |_| false).finish();
    let silent = &traffic.id("can0", ID).unwrap().silent;
    assert_eq!(silent.len(), 1);
    assert_eq!(silent[0].to_ns, 19_990 * MS);
}

#[test]
fn a_counter_that_stands_is_frozen_but_constant_content_is_not() {
    let traffic = watched(20, |_| true, |k| (800..1100).contains(&k)).finish();
    let frozen = &traffic.id("can0", ID).unwrap().frozen;
    assert_eq!(frozen.len(), 1);
    assert!((frozen[0].seconds() - 3.0).abs() < 0.05, "{frozen:?}");
    assert_eq!(
        traffic.id("can0", CanId::Base(0x10)).unwrap().frozen,
        [],
        "content without a counter may stay as it is"
    );
}

/// An odometer of a metre a count and a clock of a second go up by one, and stay while the car stands or the
/// second lasts.
#[test]
fn an_odometer_and_a_clock_are_no_counters() {
    let mut watch = TrafficWatch::new();
    watch.add_bus(BusIndex::new(0), "can0");
    let mut metres = 0.0;
    for k in 0..3000_i64 {
        let t_s = 0.1 * k as f64;
        // Town: red lights, and up to 36 km/h in between.
        metres += 0.1 * (14.0 * (t_s * 0.1).sin()).clamp(0.0, 10.0);
        for (id, number) in [(0x5A8, metres as u32), (0x4F0, t_s as u32)] {
            watch.push(&Frame {
                t_ns: k * 100 * MS,
                bus: BusIndex::new(0),
                id: CanId::Base(id),
                flags: FrameFlags::default(),
                data: &number.to_be_bytes(),
            });
        }
    }
    let traffic = watch.finish();
    for id in [0x5A8, 0x4F0] {
        let frozen = &traffic.id("can0", CanId::Base(id)).unwrap().frozen;
        assert_eq!(frozen.len(), 0, "{id:#x}");
    }
}

#[test]
fn what_comes_on_events_has_no_pace() {
    let traffic = watched(60, |k| (k / 7) % 13 == 0 || k % 97 < 3, |_| false).finish();
    let message = traffic.id("can0", ID).unwrap();
    assert_eq!((message.period_s, message.silent.len()), (None, 0));
}

#[test]
fn spans_share_time() {
    let span = |from, to| Span {
        from_ns: from * MS,
        to_ns: to * MS,
    };
    assert!((span(0, 500).shared_s(&span(200, 900)) - 0.3).abs() < 1e-12);
    assert_eq!(span(0, 100).shared_s(&span(200, 300)), 0.0);
}
