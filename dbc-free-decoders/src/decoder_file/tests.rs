//! Reading and writing decoder files.

use proptest::prelude::*;

use super::*;
use crate::field::{BitOrder, Coding};
use crate::obd2::addressing::Addressing;

fn parse(text: &str) -> Parsed {
    DecoderFile::parse(text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// The example of the module's text, so that it stays one that can be read.
fn documented() -> String {
    let source = include_str!("../decoder_file.rs");
    let lines = source
        .lines()
        .map(|line| line.strip_prefix("//! ").unwrap_or_default());
    let lines = lines.skip_while(|line| *line != "```toml").skip(1);
    lines
        .take_while(|line| *line != "```")
        .map(|line| format!("{line}\n"))
        .collect()
}

#[test]
fn the_documented_file_is_read() {
    let Parsed {
        file,
        warnings,
        signal_lines,
    } = parse(&documented());
    let lines: Vec<String> = documented().lines().map(str::to_owned).collect();
    assert_eq!(signal_lines.len(), file.frames.len());
    assert!(
        lines[signal_lines[0][0] - 1].contains("[[frame.signal]]"),
        "{signal_lines:?}"
    );
    assert_eq!(warnings, []);
    assert_eq!(file.name, "training estate car");
    let [frame] = file.frames.as_slice() else {
        panic!("{file:?}")
    };
    assert_eq!(frame.bus.as_deref(), Some("can0"));
    assert_eq!(frame.id, CanId::Base(0x1A0));
    assert_eq!(frame.name.as_deref(), Some("wheel speeds"));
    assert_eq!(frame.length_bytes, 8);
    assert_eq!(
        (frame.period_ms, frame.timeout_ms),
        (Some(10.0), Some(50.0))
    );
    let selector = Field::new(56, 8, BitOrder::Big, Coding::Unsigned).unwrap();
    let field = Field::new(0, 16, BitOrder::Big, Coding::Unsigned).unwrap();
    let key = SignalKey::Role(Role::WheelSpeedFrontLeft);
    let signal = SignalEntry {
        min: Some(0.0),
        max: Some(300.0),
        invalid_raw: vec![0xFFFF],
        when: Some(Selector {
            field: selector,
            equals: 1,
        }),
        ..SignalEntry::new(key, field, 0.01, -67.67, Unit::KilometrePerHour)
    };
    assert_eq!(frame.signals, [signal]);
    let [request] = file.requests.as_slice() else {
        panic!("{file:?}")
    };
    assert_eq!(
        request.read,
        DiagnosticRead::Parameter {
            service: 1,
            pid: 0x0C
        }
    );
    assert_eq!(request.request_id, CanId::Base(0x7DF));
    assert_eq!(request.response_id, CanId::Base(0x7E8));
    // 1726 rpm from bytes 1A F8: SAE J1979, parameter 0x0C, (256 A + B) / 4; value from memory.
    let answer = request.signals[0].field.extract(&[0x1A, 0xF8]).unwrap();
    assert_eq!(request.signals[0].value(answer), 1726.0);
    assert_eq!(
        file.roles().into_iter().collect::<Vec<_>>(),
        [Role::WheelSpeedFrontLeft]
    );
    assert_eq!(file.frames_with(Role::WheelSpeedFrontLeft).count(), 1);
    assert_eq!(file.frames_with(Role::EngineSpeed).count(), 0);
}

#[test]
fn what_is_left_out_has_its_default() {
    let text = "decoder.name = \"small\"\n[[frame]]\nid = 5\n[[frame.signal]]\nname = \"count\"\n\
                start = 0\nlength = 8\norder = \"little\"\n";
    let field = Field::new(0, 8, BitOrder::Little, Coding::Unsigned).unwrap();
    let signal = SignalEntry::new(SignalKey::Name("count".into()), field, 1.0, 0.0, Unit::Bare);
    let frame = FrameEntry {
        signals: vec![signal],
        ..FrameEntry::new(CanId::Base(5))
    };
    assert_eq!(parse(text).file.frames, [frame]);
}

#[test]
fn line_ends_and_a_byte_order_mark_change_nothing() {
    let text = documented();
    let windows = format!("\u{feff}{}", text.replace('\n', "\r\n"));
    assert_eq!(parse(&windows), parse(&text));
    let wrong =
        |text: &str| DecoderFile::parse(&text.replace("= \"big\"", "= \"odd\"")).unwrap_err();
    assert_eq!(wrong(&windows), wrong(&text));
}

#[test]
fn what_is_quoted_from_the_file_stays_on_one_line() {
    let text = "decoder.name = \"n\"\n[[frame]]\nid = 1\n[[frame.signal]]\nrole = \"a\\nb\"\n";
    let error = DecoderFile::parse(text).unwrap_err().to_string();
    assert!(
        error.starts_with("line 5: unknown role \"a\\nb\"; use "),
        "{error}"
    );
    assert_eq!(error.lines().count(), 1);
}

#[test]
fn a_timeout_is_stated_or_five_periods() {
    let check = |period_ms, timeout_ms, expected_ns| {
        let frame = FrameEntry {
            period_ms,
            timeout_ms,
            ..FrameEntry::new(CanId::Base(0))
        };
        assert_eq!(frame.stated_timeout_ns(), expected_ns);
    };
    check(Some(10.0), Some(30.0), Some(30_000_000));
    check(Some(10.0), None, Some(50_000_000));
    check(None, Some(0.1), Some(100_000));
    check(None, None, None);
}

#[test]
fn a_request_has_the_ids_of_iso_15765_4() {
    let check = |keys: &str, request: CanId, response: CanId| {
        let text = format!(
            "decoder.name = \"r\"\n[[request]]\npid = 5\n{keys}\n[[request.signal]]\nname = \"x\"\n\
             start = 0\nlength = 8\norder = \"big\"\n"
        );
        let request_entry = &parse(&text).file.requests[0];
        assert_eq!(
            (request_entry.request_id, request_entry.response_id),
            (request, response)
        );
    };
    check("", CanId::Base(0x7DF), CanId::Base(0x7E8));
    check("request_id = 0x7E3", CanId::Base(0x7E3), CanId::Base(0x7EB));
    check(
        "request_id = 0x700\nresponse_id = 0x780",
        CanId::Base(0x700),
        CanId::Base(0x780),
    );
    check(
        "response_id = 0x7EA",
        CanId::Base(0x7DF),
        CanId::Base(0x7EA),
    );
    let extended = CanId::Extended;
    check(
        "extended = true",
        extended(0x18DB_33F1),
        extended(0x18DA_F110),
    );
    check(
        "extended = true\nrequest_id = 0x18DA28F1",
        extended(0x18DA_28F1),
        extended(0x18DA_F128),
    );
}

#[test]
fn raw_codes_may_be_bits_or_numbers() {
    let check = |keys: &str, raw: &[u64]| {
        let text = format!(
            "decoder.name = \"r\"\n[[frame]]\nid = 5\n[[frame.signal]]\nname = \"x\"\nstart = 0\n\
             order = \"big\"\n{keys}\n"
        );
        assert_eq!(parse(&text).file.frames[0].signals[0].invalid_raw, raw);
    };
    check(
        "length = 8\nsigned = true\ninvalid_raw = [-128, 0x80, 0xFF, -1]",
        &[0x80, 0x80, 0xFF, 0xFF],
    );
    check(
        "length = 64\ninvalid_raw = [0xFFFF_FFFF_FFFF_FFFF]",
        &[u64::MAX],
    );
    check(
        "length = 64\nsigned = true\ninvalid_raw = [-9223372036854775808]",
        &[1 << 63],
    );
    check(
        "length = 32\nfloat = true\ninvalid_raw = [0x7FC0_0000]",
        &[0x7FC0_0000],
    );
    check("length = 4\ninvalid_raw = []", &[]);
}

#[test]
fn what_is_suspicious_is_a_warning() {
    let check = |signals: &str, expected: &[&str]| {
        let text = format!("decoder.name = \"w\"\n[[frame]]\nid = 5\nperiod_ms = 10\n{signals}");
        let warnings: Vec<String> = parse(&text)
            .warnings
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(warnings, expected);
    };
    let signal = |name: &str, start: u8, more: &str| {
        format!("[[frame.signal]]\n{name}\nstart = {start}\nlength = 8\norder = \"big\"\n{more}\n")
    };
    let when = |equals: u8| {
        format!("when = {{ start = 56, length = 8, order = \"big\", equals = {equals} }}")
    };
    let pair = |a: &str, b: &str| signal("name = \"a\"", 0, a) + &signal("name = \"b\"", 7, b);
    check(
        &pair("", ""),
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(
        &pair(&when(1), &when(1)),
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(
        &pair(&when(1), ""),
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(&pair(&when(1), &when(2)), &[]);
    // A big and a little field of the same byte.
    let mixed =
        signal("name = \"a\"", 8, "") + &signal("name = \"b\"", 8, "").replace("big", "little");
    check(
        &mixed,
        &["line 11: the name \"b\" shares bits with the name \"a\" on line 5"],
    );
    check(
        &signal("name = \"a\"", 50, &when(1)),
        &["line 5: the name \"a\" shares bits with its own selector in when"],
    );
    check(
        &signal("name = \"gear\"", 0, ""),
        &[
            "line 5: the name \"gear\" is that of a role, but only role = \"gear\" gives the signal its meaning",
        ],
    );
    let again =
        signal("name = \"a\"", 0, "") + "[[frame]]\nid = 6\ntimeout_ms = 5\nperiod_ms = 7\n";
    check(
        &(again + &signal("name = \"a\"", 0, "")),
        &[
            "line 11: timeout_ms 5 is below period_ms 7: every value is out of date before the next one comes",
            "line 15: the name \"a\" is also on line 5; tables cannot tell the two apart",
        ],
    );
    let asked = "[[request]]\npid = 0x0D\nperiod_ms = 200\ntimeout_ms = 100\n";
    check(
        &(signal("name = \"a\"", 0, "")
            + asked
            + &signal("name = \"b\"", 0, "").replace("frame", "request")),
        &[
            "line 11: timeout_ms 100 is below period_ms 200: every value is out of date before the next one comes",
        ],
    );
    let empty = parse("decoder.name = \"e\"\n").warnings;
    assert_eq!(
        empty.iter().map(ToString::to_string).collect::<Vec<_>>(),
        ["no [[frame]] and no [[request]]: this decoder file decodes nothing"]
    );
}

#[test]
fn a_role_may_be_in_several_cases_and_on_several_buses() {
    let signal = |equals: u8| {
        format!(
            "[[frame.signal]]\nrole = \"gear\"\nstart = 0\nlength = 8\norder = \"big\"\n\
             when = {{ start = 56, length = 8, order = \"big\", equals = {equals} }}\n"
        )
    };
    let frame = |bus: &str| {
        format!(
            "[[frame]]\nid = 5\nbus = \"{bus}\"\n{}",
            signal(0) + &signal(1)
        )
    };
    let text = format!("decoder.name = \"m\"\n{}{}", frame("can0"), frame("can1"));
    assert_eq!(parse(&text).warnings, []);
}

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

    #[test]
    fn no_text_makes_the_reader_fail_in_another_way(
        text in "(\\[\\[?(frame|request|decoder)(\\.signal)?\\]?\\]\n|[a-z_]{2,8} = [-0-9a-fx.\"\\[\\]]{1,6}\n){0,12}",
    ) {
        // Whatever it says, it returns.
        let _ = DecoderFile::parse(&text);
    }
}
