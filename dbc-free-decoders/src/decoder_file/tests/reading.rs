//! What a decoder file's text becomes: values, defaults, and errors that name the line.

use proptest::prelude::*;

use super::{documented, parse};
use crate::decoder_file::{DecoderFile, DiagnosticRead, FrameEntry, Parsed, Selector, SignalEntry};
use crate::field::{BitOrder, Coding, Field};
use crate::frame::CanId;
use crate::role::Role;
use crate::signal::SignalKey;
use crate::unit::Unit;

#[test]
fn the_documented_file_is_read() {
    let Parsed {
        file,
        warnings,
        signal_lines,
        request_signal_lines,
    } = parse(&documented());
    let lines: Vec<String> = documented().lines().map(str::to_owned).collect();
    assert_eq!(signal_lines.len(), file.frames.len());
    assert!(
        lines[signal_lines[0][0] - 1].contains("[[frame.signal]]"),
        "{signal_lines:?}"
    );
    assert!(
        lines[request_signal_lines[0][0] - 1].contains("[[request.signal]]"),
        "{request_signal_lines:?}"
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

/// ISO-TP carries answers of up to 4095 bytes in its short length alone (ISO 15765-2:2016, 9.6.3).
#[test]
fn signals_of_an_answer_reach_beyond_a_frame() {
    let text = |more: &str, start: u32| {
        format!(
            "decoder.name = \"n\"\n[[request]]\ndid = 0xF123\n{more}[[request.signal]]\nname = \"far\"\n\
             start = {start}\nlength = 8\norder = \"big\"\n"
        )
    };
    let request = |more, start| parse(&text(more, start)).file.requests.remove(0);
    let refused = |more, start| {
        DecoderFile::parse(&text(more, start))
            .unwrap_err()
            .to_string()
    };
    let far = request("", 8 * 4091);
    assert_eq!(far.signals[0].field.needed_bytes(), 4092);
    assert_eq!(far.length_bytes, None);
    assert_eq!(request("", 65_520).signals[0].field.needed_bytes(), 8191);
    assert_eq!(request("length_bytes = 9\n", 64).length_bytes, Some(9));
    insta::assert_snapshot!(refused("", 65_521), @"line 6: start 65521 and length 8 reach bit 65528, but the longest answer read here has bits 0 to 65527; correct them");
    insta::assert_snapshot!(refused("", 70_000), @"line 6: start 70000 is not a bit of an answer; the longest one read here has bits 0 to 65527; correct it");
    insta::assert_snapshot!(refused("length_bytes = 9\n", 65), @"line 7: start 65 and length 8 reach bit 72, but an answer of 9 data bytes has bits 0 to 71; correct them, or the request's length_bytes");
    insta::assert_snapshot!(refused("length_bytes = 8192\n", 0), @"line 4: length_bytes 8192 is not possible; the data of an answer read here have 1 to 8191 bytes");
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

proptest! {
    #[test]
    fn no_text_makes_the_reader_fail_in_another_way(
        text in "(\\[\\[?(frame|request|decoder)(\\.signal)?\\]?\\]\n|[a-z_]{2,8} = [-0-9a-fx.\"\\[\\]]{1,6}\n){0,12}",
    ) {
        // Whatever it says, it returns.
        let _ = DecoderFile::parse(&text);
    }
}
