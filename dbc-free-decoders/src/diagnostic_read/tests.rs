//! Frames of answers in; series, counts and what to tell out.

use proptest::prelude::*;

use super::*;
use crate::role::Role;

const FILE: &str = r#"
        [decoder]
        name = "test"

        [[request]]
        bus = "can0"
        pid = 0x0C
        service = 0x01

          [[request.signal]]
          role = "engine.speed"
          start = 0
          length = 16
          order = "big"
          scale = 0.25
          unit = "rpm"

        [[request]]
        pid = 0x0D
        service = 0x01

          [[request.signal]]
          name = "speed"
          start = 0
          length = 8
          order = "big"
          unit = "km/h"
          invalid_raw = [0xFF]

        [[request]]
        did = 0x2001
        service = 0x22
        request_id = 0x712
        response_id = 0x77C

          [[request.signal]]
          role = "coupling.pressure"
          start = 64
          length = 16
          order = "big"
          scale = 0.01
          unit = "bar"
    "#;

fn answers(frames: &[(i64, u16, u32, &[u8])]) -> Answers {
    let file = DecoderFile::parse(FILE).unwrap().file;
    let plans = AnswerPlans::compile(&file);
    let mut collector = AnswerCollector::new(&plans);
    collector.add_bus(BusIndex::new(0), "can0");
    collector.add_bus(BusIndex::new(1), "can1");
    for &(t_ns, bus, id, data) in frames {
        collector.push(&Frame {
            t_ns,
            bus: BusIndex::new(bus),
            id: CanId::new(id, false).unwrap(),
            flags: FrameFlags::default(),
            data,
        });
    }
    collector.finish()
}

fn values(answers: &Answers, key: &str) -> Vec<(i64, f64)> {
    let series = answers
        .signals
        .series
        .iter()
        .filter(|series| series.key.text() == key);
    series
        .flat_map(|s| s.t_ns.iter().copied().zip(s.value.iter().copied()))
        .collect()
}

#[test]
fn single_frames_become_samples() {
    let got = answers(&[
        (1, 0, 0x7DF, &[0x02, 0x01, 0x0C, 0, 0, 0, 0, 0]),
        (2, 0, 0x7E8, &[0x04, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0]),
        (3, 0, 0x7E8, &[0x03, 0x41, 0x0D, 0x32, 0, 0, 0, 0]),
        // Both in one answer, and a bus that only the second request takes.
        (4, 0, 0x7E8, &[0x06, 0x41, 0x0C, 0x00, 0x04, 0x0D, 0x33, 0]),
        (5, 1, 0x7E8, &[0x06, 0x41, 0x0C, 0x00, 0x04, 0x0D, 0x34, 0]),
        // Another control unit, and a code that is no measurement.
        (6, 0, 0x7E9, &[0x03, 0x41, 0x0D, 0x35, 0, 0, 0, 0]),
        (7, 0, 0x7E8, &[0x03, 0x41, 0x0D, 0xFF, 0, 0, 0, 0]),
    ]);
    assert_eq!(values(&got, "engine.speed"), [(2, 1726.0), (4, 1.0)]);
    assert_eq!(values(&got, "speed"), [(3, 50.0), (4, 51.0), (5, 52.0)]);
    let invalid: usize = got
        .signals
        .series
        .iter()
        .map(|series| series.invalid.len())
        .sum();
    assert_eq!(invalid, 1);
    assert!(got.signals.role(Role::EngineSpeed).is_some());
}

#[test]
fn longer_answers_carry_the_time_of_their_first_frame() {
    let first: &[u8] = &[0x10, 13, 0x62, 0x20, 0x01, 0, 0, 0];
    let got = answers(&[
        (10, 0, 0x77C, first),
        (20, 0, 0x77C, &[0x21, 0, 0, 0, 0, 0, 0x07, 0xD0]),
        // A message that breaks off, then one that does not.
        (30, 0, 0x77C, first),
        (40, 0, 0x77C, &[0x22, 0, 0, 0, 0, 0, 0x07, 0xD0]),
        (50, 0, 0x77C, first),
        (60, 0, 0x77C, &[0x21, 0, 0, 0, 0, 0, 0x03, 0xE8]),
        (70, 0, 0x77C, &[0x03, 0x7F, 0x22, 0x78, 0, 0, 0, 0]),
        (80, 0, 0x77C, &[0x03, 0x7F, 0x22, 0x31, 0, 0, 0, 0]),
    ]);
    assert_eq!(values(&got, "coupling.pressure"), [(10, 20.0), (50, 10.0)]);
    assert_eq!(got.broken_messages, 1);
    assert_eq!(
        got.refusals,
        BTreeMap::from([((0x22, NegativeCode(0x31)), 1)])
    );
    assert_eq!(
        got.unanswered,
        [
            "parameter 0x0C of service 0x01",
            "parameter 0x0D of service 0x01"
        ]
    );
    assert_eq!(
        got.warnings(),
        [
            "a control unit refused service 0x22 once: requestOutOfRange (0x31)",
            "an answer of a control unit broke off once: a part of it is missing, late or out of order",
            "no answer in it to parameter 0x0C of service 0x01, parameter 0x0D of service 0x01",
        ]
    );
}

/// An answer on a bus that the file does not mean is none.
#[test]
fn a_capture_that_answers_everything_has_no_warnings() {
    let pressure: &[u8] = &[0x10, 13, 0x62, 0x20, 0x01, 0, 0, 0];
    let rest: &[u8] = &[0x21, 0, 0, 0, 0, 0, 0x07, 0xD0];
    let both: &[u8] = &[0x06, 0x41, 0x0C, 0x00, 0x04, 0x0D, 0x33, 0];
    let all = [
        (1, 0, 0x7E8, both),
        (2, 0, 0x77C, pressure),
        (3, 0, 0x77C, rest),
    ];
    assert_eq!(answers(&all).warnings(), Vec::<String>::new());
    let elsewhere = answers(&[(1, 1, 0x7E8, both), all[1], all[2]]);
    assert_eq!(elsewhere.unanswered, ["parameter 0x0C of service 0x01"]);
}

/// Two requests of one control unit; the first one's data may have a stated length.
fn two(length_bytes: &str, frames: &[(i64, u32, &[u8])]) -> Answers {
    let request = |did: u16, name: &str, start: u16, more: &str| {
        format!(
            "[[request]]\ndid = {did}\nrequest_id = 0x7E0\n{more}[[request.signal]]\nname = \"{name}\"\n\
             start = {start}\nlength = 8\norder = \"big\"\n"
        )
    };
    let text = format!(
        "decoder.name = \"two\"\n{}{}",
        request(0xF123, "first", 8, length_bytes),
        request(0xF124, "second", 0, "")
    );
    let plans = AnswerPlans::compile(&DecoderFile::parse(&text).unwrap().file);
    let mut collector = AnswerCollector::new(&plans);
    collector.add_bus(BusIndex::new(0), "can0");
    for &(t_ns, id, data) in frames {
        collector.push(&Frame {
            t_ns,
            bus: BusIndex::new(0),
            id: CanId::new(id, false).unwrap(),
            flags: FrameFlags::default(),
            data,
        });
    }
    collector.finish()
}

/// ISO 14229-1, ReadDataByIdentifier: 22 F123 F124; 62 F123 01 02 F124 03, in two frames.
#[test]
fn two_data_identifiers_in_one_answer() {
    let ask: (i64, u32, &[u8]) = (1, 0x7E0, &[5, 0x22, 0xF1, 0x23, 0xF1, 0x24, 0, 0]);
    let first: (i64, u32, &[u8]) = (2, 0x7E8, &[0x10, 8, 0x62, 0xF1, 0x23, 1, 2, 0xF1]);
    let rest: (i64, u32, &[u8]) = (3, 0x7E8, &[0x21, 0x24, 3, 0, 0, 0, 0, 0]);
    let both = |answers: &Answers| (values(answers, "first"), values(answers, "second"));
    for seen in [
        two("", &[ask, first, rest]),
        two("length_bytes = 2\n", &[first, rest]),
    ] {
        assert_eq!(both(&seen), (vec![(2, 2.0)], vec![(2, 3.0)]));
        assert_eq!(seen.warnings(), Vec::<String>::new());
    }
    // Nothing says that the second one is no part of the first one's data.
    let alone = two("", &[first, rest]);
    assert_eq!(both(&alone), (vec![(2, 2.0)], vec![]));
    assert_eq!(
        alone.warnings(),
        [
            "the answer to data identifier 0xF124 seems to stand behind that to data identifier 0xF123 in one message, \
             but not where the data of that are known to end; give each identifier its request, and in it length_bytes"
        ]
    );
    // A request is answered once: what comes later is not its answer.
    let twice = two("", &[ask, first, rest, first, rest]);
    assert_eq!(both(&twice), (vec![(2, 2.0), (2, 2.0)], vec![(2, 3.0)]));
    assert_eq!((twice.asked, alone.asked), (1, 0));
    let refused = two("", &[ask, (2, 0x7E8, &[3, 0x7F, 0x22, 0x31, 0, 0, 0, 0])]);
    assert_eq!(
        refused.mishaps(),
        ["a control unit refused service 0x22 once: requestOutOfRange (0x31)"]
    );
}

/// ISO 15765-2:2016, 9.6.3.1: lengths above 4095 stand in four bytes after a zero.
#[test]
fn answers_longer_than_a_frame_and_than_the_short_length() {
    let file = "decoder.name = \"n\"\n[[request]]\ndid = 0xF123\nrequest_id = 0x7E0\n[[request.signal]]\n\
                name = \"last\"\nstart = 65520\nlength = 8\norder = \"big\"\n";
    let plans = AnswerPlans::compile(&DecoderFile::parse(file).unwrap().file);
    let answer = |data_bytes: usize| {
        let mut message = vec![0x62, 0xF1, 0x23];
        message.extend((0..data_bytes).map(|n| (n % 251) as u8));
        let length = (message.len() as u32).to_be_bytes();
        let (in_first, rest) = message.split_at(2);
        let mut frames = vec![[&[0x10, 0x00][..], &length, in_first].concat()];
        for (number, part) in (1..).zip(rest.chunks(7)) {
            let mut frame = vec![0x20 | (number % 16) as u8];
            frame.extend(part);
            frame.resize(8, 0xAA);
            frames.push(frame);
        }
        let mut collector = AnswerCollector::new(&plans);
        for (t_ns, data) in (0..).zip(&frames) {
            collector.push(&Frame {
                t_ns,
                bus: BusIndex::new(0),
                id: CanId::Base(0x7E8),
                flags: FrameFlags::default(),
                data,
            });
        }
        collector.finish()
    };
    assert_eq!(values(&answer(8191), "last"), [(0, f64::from(8190 % 251))]);
    let too_long = answer(8192);
    assert_eq!(values(&too_long, "last"), []);
    assert_eq!(
        (too_long.too_long_messages, too_long.broken_messages),
        (1, 0)
    );
    assert!(too_long.mishaps()[0].contains("too long once"));
}

proptest! {
    #[test]
    fn arbitrary_frames_never_panic(
        frames in prop::collection::vec(
            (any::<i64>(), 0_u16..3, prop::sample::select(vec![0x7E8_u32, 0x77C, 0x712]),
             prop::collection::vec(any::<u8>(), 0..=64)), 0..100),
    ) {
        let frames: Vec<(i64, u16, u32, &[u8])> =
            frames.iter().map(|(t, bus, id, data)| (*t, *bus, *id, &data[..])).collect();
        for series in answers(&frames).signals.series {
            prop_assert_eq!(series.t_ns.len(), series.value.len());
        }
    }
}
