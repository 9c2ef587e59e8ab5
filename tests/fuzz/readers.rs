//! One function a reader: any bytes are read, and what was read is used as the program would use it.
//! A panic, a hang, or more memory than is allowed is a finding.
//!
//! The fuzz targets call these with bytes that they make up; `tests/end_to_end/fuzz_inputs.rs` calls
//! them with every input kept in `inputs/`.

use std::hint::black_box;
use std::io::Read;
use std::ops::ControlFlow;
use std::sync::LazyLock;

use slipwright_analysis::book::{Moment, Work};
use slipwright_analysis::stack::{Parts, choose};
use slipwright_analysis::vehicle::Vehicle;
use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::diagnostic_read::{AnswerCollector, AnswerPlans};
use slipwright_decoders::extractor::{Collector, Extractors};
use slipwright_decoders::frame::{BusIndex, CanId, Frame, FrameFlags};
use slipwright_decoders::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use slipwright_decoders::j1939::wheel_speed;
use slipwright_decoders::obd2::parameter::Parameter;
use slipwright_decoders::obd2::{self, CodeKind};
use slipwright_decoders::uds::{self, negative::NegativeAnswer};
use slipwright_logger::capture::{Event, Summary, read_bytes, read_stream};
use slipwright_logger::recorder::gnss::{
    gpsd as gpsd_json, layout as fix_frames, nmea as sentences,
};
use slipwright_logger::text_log::{Layout, Line, TextLog};
use slipwright_sample::scenario::Scenario;

/// The longest message that ISO-TP receivers take here, bytes.
const LONGEST_MESSAGE_BYTES: usize = 4_096;

/// What is told of a capture, so that two ways of reading can be compared.
fn note(told: &mut Vec<String>, event: &Event<'_>) {
    // Enough to tell ways apart, and not all of a long capture.
    if told.len() < 1_000 {
        told.push(format!("{event:?}"));
    }
}

/// Gives its bytes in pieces.
struct Pieces<'a>(&'a [u8]);

impl Read for Pieces<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let length = buffer.len().min(61);
        self.0.read(&mut buffer[..length])
    }
}

/// A plain capture, at once and in pieces: both ways tell the same.
pub fn capture(bytes: &[u8]) {
    if bytes.starts_with(&[0x28, 0xB5, 0x2F, 0xFD]) || bytes.get(1..4) == Some(&[0x2A, 0x4D, 0x18])
    {
        return packed(bytes);
    }
    let mut whole = Vec::new();
    let read = read_bytes(bytes, |event| {
        note(&mut whole, &event);
        ControlFlow::Continue(())
    });
    let mut parts = Vec::new();
    let streamed = read_stream(Pieces(bytes), |event| {
        note(&mut parts, &event);
        ControlFlow::Continue(())
    });
    assert_eq!(whole, parts);
    match (read, streamed) {
        (Ok(read), Ok(streamed)) => {
            assert_eq!(read, streamed);
            black_box(read.warnings());
        }
        (Err(read), Err(streamed)) => assert_eq!(read.to_string(), streamed.to_string()),
        (read, streamed) => panic!("{read:?} and {streamed:?}"),
    }
}

/// A compressed capture. What it unpacks to is read to an end that a person would wait for.
pub fn packed(bytes: &[u8]) {
    let mut events = 0;
    let read = read_stream(bytes, |event| {
        black_box(&event);
        events += 1;
        match events {
            100_000 => ControlFlow::Break(()),
            _ => ControlFlow::Continue(()),
        }
    });
    black_box(read.as_ref().map(Summary::warnings).ok());
}

/// Frames made of bytes: time, identifier, flags, length, data; pieces that are cut are left out.
fn each_frame(mut bytes: &[u8], mut each: impl FnMut(&Frame<'_>)) {
    while let Some((head, rest)) = bytes.split_first_chunk::<14>() {
        let [t @ .., i0, i1, i2, i3, flags, length] = *head;
        let number = u32::from_be_bytes([i0, i1, i2, i3]);
        let length = usize::from(length % 65).min(rest.len());
        let (data, after) = rest.split_at(length);
        bytes = after;
        let extended = flags & 1 != 0;
        let number = number
            & if extended {
                CanId::MAX_EXTENDED
            } else {
                CanId::MAX_BASE
            };
        let Some(id) = CanId::new(number, extended) else {
            continue;
        };
        each(&Frame {
            t_ns: i64::from_be_bytes(t),
            bus: BusIndex::new(u16::from(flags >> 6)),
            id,
            flags: FrameFlags {
                fd: flags & 2 != 0,
                remote: flags & 4 != 0,
                error: flags & 8 != 0,
                ..FrameFlags::default()
            },
            data,
        });
    }
}

fn decode(file: &DecoderFile, bytes: &[u8]) {
    let (extractors, plans) = (Extractors::compile(file), AnswerPlans::compile(file));
    let mut collector = Collector::new(&extractors);
    let mut answers = AnswerCollector::new(&plans);
    for (index, name) in ["can0", "can1"].into_iter().enumerate() {
        collector.add_bus(BusIndex::new(index as u16), name);
        answers.add_bus(BusIndex::new(index as u16), name);
    }
    each_frame(bytes, |frame| {
        collector.push(frame);
        answers.push(frame);
    });
    for series in collector.finish().signals.series {
        // No value that is not a number leaves the decoder.
        assert!(
            series.value.iter().all(|v| v.is_finite()),
            "{:?}",
            series.key
        );
    }
    black_box(answers.finish());
}

/// A decoder whose signals take every form there is.
const EVERY_FORM: &str = include_str!("every-form.toml");

/// Frames, decoded by a file that is good.
pub fn frames(bytes: &[u8]) {
    static PARSED: LazyLock<Option<DecoderFile>> = LazyLock::new(|| {
        DecoderFile::parse(EVERY_FORM)
            .ok()
            .map(|parsed| parsed.file)
    });
    let file = PARSED.as_ref().expect("the file beside this one is good");
    decode(file, bytes);
}

/// Text as far as it is text.
fn text(bytes: &[u8]) -> std::borrow::Cow<'_, str> {
    String::from_utf8_lossy(bytes)
}

/// A decoder file; what is accepted decodes frames that carry its own identifiers.
pub fn decoder_file(bytes: &[u8]) {
    let Ok(parsed) = DecoderFile::parse(&text(bytes)) else {
        return;
    };
    let mut traffic = Vec::new();
    for (n, frame) in parsed.file.frames.iter().take(32).enumerate() {
        for fill in [0x00_u8, 0xFF, 0x5A] {
            traffic.extend((n as i64 * 10_000_000).to_be_bytes());
            traffic.extend(frame.id.number().to_be_bytes());
            traffic.extend([u8::from(frame.id.is_extended()), 64]);
            traffic.extend([fill; 64]);
        }
    }
    decode(&parsed.file, &traffic);
}

/// A vehicle file.
pub fn vehicle(bytes: &[u8]) {
    black_box(Vehicle::parse(&text(bytes)).ok());
}

/// A parts file, and the choice that it leads to.
pub fn parts(bytes: &[u8]) {
    if let Ok(parts) = Parts::parse(&text(bytes)) {
        black_box(choose(&parts, None, 3).ok());
    }
}

/// A file of work in the car's book, and a moment.
pub fn work(bytes: &[u8]) {
    let text = text(bytes);
    black_box(Work::parse("work", &text).ok());
    if let Some(first) = text.lines().next()
        && let Ok(moment) = Moment::parse(first)
    {
        black_box((moment.to_string(), Moment::day_text(moment.middle_ns())));
    }
}

/// A scenario file.
pub fn scenario(bytes: &[u8]) {
    black_box(Scenario::parse(&text(bytes), None).ok());
}

/// A layout of text logs, and a few lines read by it.
pub fn layout(bytes: &[u8]) {
    let Ok(layout) = Layout::parse(&text(bytes)) else {
        return;
    };
    read_lines(
        &layout,
        "1.5 can0 1A0 [2] 00 FF\n12;1A0;3;0,1,2\n(0.1) rx 7FF#00",
    );
}

fn read_lines(layout: &Layout, lines: &str) {
    let mut log = TextLog::new(layout);
    for line in lines.lines().take(1_000) {
        if let Line::Frame(frame, name) = log.line(line) {
            assert!(frame.data.len() <= 64);
            black_box((frame.bus, name));
        }
    }
    black_box(log.account());
}

/// The layouts that are shipped.
const LAYOUTS: [&str; 3] = [
    include_str!("../../logger/text-layouts/columns.toml"),
    include_str!("../../logger/text-layouts/semicolons.toml"),
    include_str!("../../logger/text-layouts/spoken.toml"),
];

/// Lines of a text log, read by each layout.
pub fn text_log(bytes: &[u8]) {
    static PARSED: LazyLock<Vec<Layout>> = LazyLock::new(|| {
        LAYOUTS
            .iter()
            .filter_map(|l| Layout::parse(l).ok())
            .collect()
    });
    assert_eq!(
        PARSED.len(),
        LAYOUTS.len(),
        "the layouts that are shipped are good"
    );
    let text = text(bytes);
    for layout in PARSED.iter() {
        read_lines(layout, &text);
    }
}

/// Sentences of a satellite receiver.
pub fn nmea(bytes: &[u8]) {
    let mut reader = sentences::Reader::default();
    for line in text(bytes).lines() {
        if let Some(fix) = reader.line(line) {
            black_box(fix_frames::frames(&fix));
        }
    }
}

/// Lines of the satellite server.
pub fn gpsd(bytes: &[u8]) {
    let mut reader = gpsd_json::Reader::default();
    for line in text(bytes).lines() {
        if let Some(fix) = reader.line(line) {
            black_box(fix_frames::frames(&fix));
        }
    }
}

/// Frames of one sender, put together to messages; each message is read as an answer.
pub fn iso_tp(bytes: &[u8]) {
    let mut receiver = Receiver::new(ReceiverSettings::default());
    each_frame(bytes, |frame| {
        let received = receiver.on_frame(frame.t_ns, frame.data);
        if let Progress::Complete(message) = received.progress {
            assert!(message.len() <= bytes.len().max(LONGEST_MESSAGE_BYTES));
            answers(&message);
        }
    });
    black_box(receiver.deadline_ns());
}

/// Answers of control units: OBD-II, UDS, J1939.
pub fn answers(message: &[u8]) {
    black_box(NegativeAnswer::read(message).map(|n| (n.to_string(), n.code.is_pending())));
    for kind in [CodeKind::Confirmed, CodeKind::Pending, CodeKind::Permanent] {
        if let Ok(codes) = obd2::trouble_codes_answer(kind, message) {
            black_box(codes.iter().map(ToString::to_string).collect::<Vec<_>>());
        }
    }
    black_box(obd2::current_data_answer(message).ok());
    for number in 0..=u8::MAX {
        if let (Some(parameter), Ok(data)) = (
            Parameter::find(number),
            obd2::parameter_data(number, message),
        ) {
            for reading in parameter.readings(data) {
                assert!(reading.value.is_finite(), "{reading:?}");
            }
        }
    }
    let several = [(0x2001, 2), (0xF190, 17), (0, 0)];
    black_box(uds::read_several_answer(&several, message).ok());
    black_box(uds::read_data_answer(0x2001, message).ok());
    black_box(uds::code_count_answer(message).ok());
    if let Ok(list) = uds::codes_answer(message) {
        for (code, status) in &list.codes {
            black_box((code.to_string(), status.bits().count()));
        }
    }
    black_box(wheel_speed::BrakeController2::decode(message).wheels_kmh());
    black_box(wheel_speed::high_resolution_kmh(message));
    black_box(wheel_speed::wheel_based_speed_kmh(message));
}
