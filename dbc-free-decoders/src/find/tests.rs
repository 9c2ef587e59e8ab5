//! What finding as a whole promises, on small made captures.

mod wheel_places;

use super::reference::ReferenceKind;
use super::{FindOptions, Findings, SpeedReference, Survey, find};
use crate::frame::{BusIndex, CanId, Frame, FrameFlags};

const SECOND_NS: i64 = 1_000_000_000;

fn push(survey: &mut Survey, t_ns: i64, id: u32, data: &[u8]) {
    survey.push(&Frame {
        t_ns,
        bus: BusIndex::new(0),
        id: CanId::new(id, false).unwrap(),
        flags: FrameFlags::default(),
        data,
    });
}

/// A minute from `start_s` on: a speed in 0.01 km/h every 20 ms, and the same in whole km/h by
/// OBD-II every 200 ms.
fn minute(survey: &mut Survey, start_s: i64) {
    survey.begin_capture();
    survey.add_bus(BusIndex::new(0), "can0");
    for n in 0..3000_i64 {
        let t_ns = start_s * SECOND_NS + n * 20_000_000;
        let speed_kmh = 50.0 - 40.0 * (n as f64 * 0.004 + start_s as f64).cos();
        let raw = (100.0 * speed_kmh) as u16;
        push(survey, t_ns, 0x1A0, &raw.to_be_bytes());
        if n % 10 == 0 {
            let told = speed_kmh.round() as u8;
            push(survey, t_ns, 0x7E8, &[3, 0x41, 0x0D, told, 0, 0, 0, 0]);
        }
    }
}

#[test]
fn the_order_of_the_captures_does_not_count() {
    let of = |starts_s: [i64; 2]| -> Findings {
        let mut survey = Survey::new();
        starts_s
            .iter()
            .for_each(|start_s| minute(&mut survey, *start_s));
        find(survey, &FindOptions::default())
    };
    let (in_order, backwards) = (of([0, 600]), of([600, 0]));
    let reference = in_order.reference.unwrap();
    assert!(reference.kind == ReferenceKind::Obd && reference.coverage > 0.99);
    assert_eq!(backwards.reference, Some(reference));
    assert_eq!(backwards.reference_mps, in_order.reference_mps);
    assert_eq!(backwards.proposals, in_order.proposals);
}

/// A speed file may hold any whole number for a time, and a capture the first and the last that
/// there are.
#[test]
fn times_at_the_ends_of_the_range_are_no_panic() {
    let mut survey = Survey::new();
    minute(&mut survey, 0);
    survey.begin_capture();
    for t_ns in [i64::MIN, -SECOND_NS, i64::MAX] {
        push(&mut survey, t_ns, 0x1A0, &[0x12, 0x34]);
        survey.mark(t_ns, "left");
    }
    let speed = SpeedReference {
        kind: ReferenceKind::File,
        t_ns: vec![i64::MIN, 0, i64::MAX],
        speed_mps: vec![1.0, 2.0, 3.0],
        course_deg: vec![0.0, 90.0, 359.0],
    };
    let options = FindOptions {
        speed: Some(speed),
        marks: true,
        ..FindOptions::default()
    };
    let findings = find(survey, &options);
    assert_eq!(findings.marks.len(), 3);
}
