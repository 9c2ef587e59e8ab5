//! The text that values become: as a person would write it, and the same values when it is read back,
//! shown on files drawn at random.

use proptest::prelude::*;

use super::{documented, parse};
use crate::decoder_file::{
    DecoderFile, DiagnosticRead, FrameEntry, RequestEntry, Selector, SignalEntry,
};
use crate::field::{BitOrder, Coding, Field};
use crate::frame::CanId;
use crate::obd2::addressing::Addressing;
use crate::role::Role;
use crate::signal::SignalKey;
use crate::unit::Unit;

#[test]
fn the_writer_says_what_a_person_would() {
    let mut file = parse(&documented()).file;
    let name = SignalKey::Name("torque \"raw\"".into());
    let field = Field::new(128, 32, BitOrder::Little, Coding::Float).unwrap();
    let frame = FrameEntry {
        length_bytes: 24,
        signals: vec![SignalEntry::new(name, field, 1.0, 0.0, Unit::NewtonMetre)],
        ..FrameEntry::new(CanId::Extended(0x18FE_BF0B))
    };
    file.frames.push(frame);
    insta::assert_snapshot!(file.to_toml(), @r##"
    [decoder]
    name = "training estate car"

    [[frame]]
    bus = "can0"
    id = 0x1A0
    name = "wheel speeds"
    length_bytes = 8
    period_ms = 10.0
    timeout_ms = 50.0

      [[frame.signal]]
      role = "wheel_speed.front_left"
      start = 0
      length = 16
      order = "big"
      scale = 0.01
      offset = -67.67
      unit = "km/h"
      min = 0.0
      max = 300.0
      invalid_raw = [0xFFFF]
      when = { start = 56, length = 8, order = "big", equals = 0x01 }

    [[frame]]
    id = 0x18FEBF0B
    extended = true
    length_bytes = 24

      [[frame.signal]]
      name = "torque \"raw\""
      start = 128
      length = 32
      order = "little"
      float = true
      scale = 1.0
      offset = 0.0
      unit = "Nm"

    [[request]]
    bus = "can0"
    service = 0x01
    pid = 0x0C
    request_id = 0x7DF
    response_id = 0x7E8
    period_ms = 200.0

      [[request.signal]]
      role = "engine.speed"
      start = 0
      length = 16
      order = "big"
      scale = 0.25
      offset = 0.0
      unit = "rpm"
    "##);
}

fn a_field(float: bool) -> impl Strategy<Value = Field> {
    let order = prop_oneof![Just(BitOrder::Big), Just(BitOrder::Little)];
    (1_u8..=64, order, any::<bool>()).prop_flat_map(move |(length, order, signed)| {
        let coding = match (float, signed) {
            (false, false) => Coding::Unsigned,
            (false, true) => Coding::Signed,
            (true, _) => Coding::Float,
        };
        let length = if float {
            if length <= 32 { 32 } else { 64 }
        } else {
            length
        };
        (0..=512 - u16::from(length))
            .prop_map(move |start| Field::new(start, length, order, coding).unwrap())
    })
}

fn a_number() -> impl Strategy<Value = f64> {
    any::<f64>().prop_filter("a finite number", |number| number.is_finite())
}

fn a_selector() -> impl Strategy<Value = Selector> {
    (a_field(false), any::<u64>()).prop_map(|(field, code)| {
        let field = Field::new(
            field.start(),
            field.length(),
            field.order(),
            Coding::Unsigned,
        );
        let field = field.unwrap();
        Selector {
            field,
            equals: code & field.mask(),
        }
    })
}

prop_compose! {
    /// A signal of any name; the file makes the names differ.
    fn a_signal()(
        field in prop_oneof![a_field(false), a_field(true)],
        scale in a_number().prop_filter("not 0", |scale| *scale != 0.0),
        offset in a_number(),
        unit in prop::sample::select(Unit::ALL),
        range in prop::option::of((a_number(), a_number())),
        codes in prop::collection::vec(any::<u64>(), 0..3),
        when in prop::option::of(a_selector()),
        name in "\\PC{0,12}|[\\x00-\\x7f\"\\\\]{1,6}",
    ) -> SignalEntry {
        let range = range.filter(|(a, b)| a != b).map(|(a, b)| (a.min(b), a.max(b)));
        SignalEntry {
            min: range.map(|range| range.0),
            max: range.map(|range| range.1),
            invalid_raw: codes.into_iter().map(|code| code & field.mask()).collect(),
            when,
            ..SignalEntry::new(SignalKey::Name(name), field, scale, offset, unit)
        }
    }
}

fn a_bus() -> impl Strategy<Value = Option<String>> {
    prop::option::of("[a-z]{1,8}[0-9]")
}

fn a_time() -> impl Strategy<Value = Option<f64>> {
    prop::option::of(0.001_f64..86_400_000.0)
}

prop_compose! {
    fn a_frame()(
        bus in a_bus(),
        extended: bool,
        name in prop::option::of("\\PC{1,12}"),
        period_ms in a_time(),
        timeout_ms in a_time(),
        signals in prop::collection::vec(a_signal(), 0..4),
    ) -> FrameEntry {
        let id = if extended { CanId::Extended(0) } else { CanId::Base(0) };
        FrameEntry { bus, id, name, length_bytes: 64, period_ms, timeout_ms, signals }
    }
}

prop_compose! {
    fn a_request()(
        bus in a_bus(),
        name in prop::option::of("\\PC{1,12}"),
        service in prop::sample::select(&[1_u8, 9][..]),
        pid: u8,
        did in prop::option::of(any::<u16>()),
        extended: bool,
        // As long as the signals drawn here may need.
        length_bytes in prop::option::of(64_u16..=8191),
        period_ms in a_time(),
        timeout_ms in a_time(),
        signals in prop::collection::vec(a_signal(), 1..4),
    ) -> RequestEntry {
        let addressing = if extended { Addressing::Extended } else { Addressing::Base };
        let request_id = addressing.functional_request();
        RequestEntry {
            bus,
            name,
            read: did.map_or(DiagnosticRead::Parameter { service, pid }, DiagnosticRead::DataIdentifier),
            request_id,
            response_id: RequestEntry::response_to(request_id).unwrap(),
            length_bytes: did.and(length_bytes),
            period_ms,
            timeout_ms,
            signals,
        }
    }
}

/// A file as the parser accepts them: identifiers, requests and names differ, the first signals
/// have the roles, in a unit that fits.
fn a_file() -> impl Strategy<Value = DecoderFile> {
    let frames = prop::collection::vec(a_frame(), 0..4);
    let requests = prop::collection::vec(a_request(), 0..3);
    ("\\PC{1,20}", frames, requests).prop_map(|(name, mut frames, mut requests)| {
        for (number, frame) in (0_u16..).zip(&mut frames) {
            let id = u32::from(number) * 0x155;
            frame.id = CanId::new(id, frame.id.is_extended()).unwrap();
        }
        for (number, request) in (0_u8..).zip(&mut requests) {
            request.read = match request.read {
                DiagnosticRead::Parameter { service, .. } => DiagnosticRead::Parameter {
                    service,
                    pid: number,
                },
                DiagnosticRead::DataIdentifier(did) => {
                    DiagnosticRead::DataIdentifier(did & 0xFF00 | u16::from(number))
                }
            };
        }
        let of_frames = frames.iter_mut().flat_map(|frame| &mut frame.signals);
        let of_requests = requests.iter_mut().flat_map(|request| &mut request.signals);
        let mut roles = Role::ALL.iter().copied();
        for (number, signal) in of_frames.chain(of_requests).enumerate() {
            let role = (number % 2 == 0).then(|| roles.next()).flatten();
            signal.key = match role {
                Some(role) => {
                    let fits = |unit: &&Unit| role.accepts(**unit);
                    signal.unit = *Unit::ALL.iter().find(fits).unwrap();
                    SignalKey::Role(role)
                }
                None => SignalKey::Name(format!("{}{number}", signal.key.text())),
            };
        }
        DecoderFile {
            name,
            frames,
            requests,
        }
    })
}

proptest! {
    #[test]
    fn what_is_written_reads_back_the_same(file in a_file()) {
        let text = file.to_toml();
        let parsed = DecoderFile::parse(&text).map_err(|error| {
            TestCaseError::fail(format!("{error}\n{text}"))
        })?;
        prop_assert_eq!(parsed.file, file);
    }
}
