//! `--ask` against control units that answer in every way there is: whole, in parts, with parts
//! out of order, with a refusal, not at all.

use std::io::{Read, Write};
use std::time::{Duration, Instant};

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::diagnostic_read::{AnswerCollector, AnswerPlans};
use slipwright_decoders::frame::{BusIndex, CanId, Frame};
use socketcan::{CanFdSocket, EmbeddedFrame, Socket, SocketOptions};

use crate::Outcome;
use crate::bus::{Sender, Virtual, number, packet};
use crate::isotp;
use crate::kept::{Kept, KeptFrame};
use crate::recorder::{Recorder, folder};

/// One request a way of answering.
const FILE: &str = r#"
[decoder]
name = "asked"

[[request]]
pid = 0x0C
service = 0x01
period_ms = 200
  [[request.signal]]
  name = "whole"
  start = 0
  length = 16
  order = "big"

[[request]]
did = 0x2001
service = 0x22
request_id = 0x712
response_id = 0x77C
period_ms = 200
  [[request.signal]]
  name = "in parts"
  start = 256
  length = 16
  order = "big"

[[request]]
did = 0x2002
service = 0x22
request_id = 0x713
response_id = 0x77D
period_ms = 200
  [[request.signal]]
  name = "refused"
  start = 0
  length = 8
  order = "big"

[[request]]
did = 0x2003
service = 0x22
request_id = 0x714
response_id = 0x77E
period_ms = 2000
  [[request.signal]]
  name = "silent"
  start = 0
  length = 8
  order = "big"

[[request]]
did = 0x2004
service = 0x22
request_id = 0x715
response_id = 0x77F
period_ms = 200
  [[request.signal]]
  name = "out of order"
  start = 0
  length = 8
  order = "big"

[[request]]
did = 0x2005
service = 0x22
request_id = 0x716
response_id = 0x780
period_ms = 200
  [[request.signal]]
  name = "endless"
  start = 0
  length = 8
  order = "big"
"#;

/// Answers each message on a kernel ISO-TP socket by what `answer` makes of it.
pub(crate) fn unit(
    bus: &str,
    request: u32,
    response: u32,
    answer: impl Fn(&[u8]) -> Vec<u8> + Send + 'static,
) -> std::io::Result<()> {
    let mut socket = isotp::open(bus, request, response)?;
    std::thread::spawn(move || {
        let mut message = [0; 4_096];
        while let Ok(length) = socket.read(&mut message) {
            if length == 0 || socket.write_all(&answer(&message[..length])).is_err() {
                return;
            }
        }
    });
    Ok(())
}

/// First wait and overflow, to a request that needs neither; then an answer that loses a part.
const CARELESS: &[&[u8]] = &[
    &[0x31, 0, 0],
    &[0x32, 0, 0],
    &[0x10, 20, 0x62, 0x20, 0x04, 1, 2, 3],
    &[0x22, 4, 5, 6, 7, 8, 9, 10],
];
/// An answer of 100,000 bytes, announced as ISO 15765-2 has it for more than 4,095.
const ENDLESS: &[&[u8]] = &[&[0x10, 0, 0, 1, 0x86, 0xA0, 0x62, 0x20]];

/// A unit that answers every request with these frames, which no kernel socket would send.
fn faulty_unit(
    request: u32,
    response: u32,
    parts: &'static [&'static [u8]],
) -> Result<(), Box<dyn std::error::Error>> {
    let hear = CanFdSocket::open("vcan0")?;
    hear.set_filters(&[(request, 0x7FF)])?;
    let mut say = Sender::open("vcan0")?;
    std::thread::spawn(move || {
        while let Ok(frame) = hear.read_frame() {
            // Flow control is not a request.
            if frame.data().first().is_none_or(|pci| pci >> 4 != 0) {
                continue;
            }
            for part in parts {
                if say.send(&packet(response, part, None)).is_err() {
                    return;
                }
                std::thread::sleep(Duration::from_millis(5));
            }
        }
    });
    Ok(())
}

/// Identifiers and data, in the order heard.
pub(crate) type Heard = Vec<(u32, Vec<u8>)>;

/// Everything that a second listener hears in some span, which is given to what this returns.
pub(crate) fn overhear() -> Result<impl FnOnce(Duration) -> Heard, Box<dyn std::error::Error>> {
    let socket = CanFdSocket::open("vcan0")?;
    socket.set_read_timeout(Duration::from_millis(100))?;
    Ok(move |span: Duration| {
        let mut heard = Vec::new();
        let since = Instant::now();
        while since.elapsed() < span {
            if let Ok(frame) = socket.read_frame() {
                heard.push((number(&frame), frame.data().to_vec()));
            }
        }
        heard
    })
}

pub(crate) fn every_answer(_: &str) -> Outcome {
    let _bus = Virtual::new("vcan0")?;
    let file = "/tmp/asked.toml";
    std::fs::write(file, FILE)?;
    unit("vcan0", 0x7DF, 0x7E8, |request| {
        vec![0x41, request[1], 0x1A, 0xF8]
    })?;
    unit("vcan0", 0x712, 0x77C, |_| {
        let mut long = vec![0x62, 0x20, 0x01];
        long.resize(100, 0);
        long[3 + 32] = 0x07;
        long[3 + 33] = 0xD0;
        long
    })?;
    unit("vcan0", 0x713, 0x77D, |_| vec![0x7F, 0x22, 0x31])?;
    faulty_unit(0x715, 0x77F, CARELESS)?;
    faulty_unit(0x716, 0x780, ENDLESS)?;
    let listen = overhear()?;
    let out = folder("ask")?;
    let mut recorder = Recorder::start(&["vcan0"], &out, &["--ask", file])?;
    let heard = listen(Duration::from_secs(8));
    let status = recorder.until("a request of each kind", |status| {
        ["answered", "refused", "silent", "broken"]
            .iter()
            .all(|k| status["asking"][k].as_u64() > Some(0))
    })?;
    recorder.signal("-TERM")?;
    let ended = recorder.ended()?;
    if ended.code != Some(0) || !ended.said.contains("first try it standing still") {
        return Err(format!("no caution: {ended:?}").into());
    }
    let kept = Kept::read(&out)?;
    // A request is a single frame: the first four bits are 0. Flow control starts with 3.
    let is_request = |frame: &&KeptFrame| {
        [0x7DF, 0x712, 0x713, 0x714, 0x715, 0x716].contains(&frame.id) && frame.data[0] >> 4 == 0
    };
    let times: Vec<i64> = kept
        .frames
        .iter()
        .filter(is_request)
        .map(|f| f.t_ns)
        .collect();
    let nearest = times.windows(2).map(|w| w[1] - w[0]).min().unwrap_or(0);
    if nearest < 195_000_000 {
        return Err(format!("two requests only {} ms apart", nearest / 1_000_000).into());
    }
    // The drive begins with the first answer; from there on the file has what the bus had.
    let recorded: Vec<(u32, Vec<u8>)> =
        kept.frames.iter().map(|f| (f.id, f.data.clone())).collect();
    let from = heard
        .iter()
        .position(|f| Some(f) == recorded.first())
        .ok_or("nothing recorded was heard")?;
    let both = heard.len() - from;
    if recorded.get(..both) != heard.get(from..) {
        return Err("the file and the second listener differ".into());
    }
    // Flow control: go on to the answer in parts, overflow to the one that would not end.
    for (id, first) in [(0x712, 0x30), (0x716, 0x32)] {
        if !recorded.iter().any(|f| f.0 == id && f.1[0] == first) {
            return Err(format!("no flow control {first:X} to {id:X} was recorded").into());
        }
    }
    let parsed = DecoderFile::parse(FILE)?.file;
    let plans = AnswerPlans::compile(&parsed);
    let mut collector = AnswerCollector::new(&plans);
    collector.add_bus(BusIndex::new(0), "vcan0");
    for frame in &kept.frames {
        let id = CanId::new(frame.id, frame.extended).ok_or("identifier")?;
        let (t_ns, flags) = (frame.t_ns, frame.flags);
        collector.push(&Frame {
            t_ns,
            bus: BusIndex::new(0),
            id,
            flags,
            data: &frame.data,
        });
    }
    let answers = collector.finish();
    let newest = |name: &str| {
        let series = answers.signals.series.iter().find(|s| s.key.text() == name);
        series.and_then(|s| s.value.last().copied())
    };
    if newest("whole") != Some(6_904.0) || newest("in parts") != Some(2_000.0) {
        return Err(format!(
            "read back {:?} and {:?}",
            newest("whole"),
            newest("in parts")
        )
        .into());
    }
    Ok(format!(
        "{} requests, {} ms apart at least; {}",
        times.len(),
        nearest / 1_000_000,
        status["asking"]
    ))
}
