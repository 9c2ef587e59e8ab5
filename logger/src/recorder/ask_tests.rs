//! The poll against a control unit that the test plays.

use super::*;
use slipwright_decoders::decoder_file::DecoderFile;

const MS: i64 = 1_000_000;

const FILE: &str = r#"
[decoder]
name = "asked"

[[request]]
pid = 0x0C
service = 0x01
period_ms = 200
  [[request.signal]]
  name = "engine speed"
  start = 0
  length = 16
  order = "big"

[[request]]
did = 0x2001
service = 0x22
request_id = 0x712
response_id = 0x77C
period_ms = 400
  [[request.signal]]
  name = "pressure"
  start = 64
  length = 16
  order = "big"
"#;

const OBD: CanId = CanId::Base(0x7DF);
const OBD_ANSWER: CanId = CanId::Base(0x7E8);
const UNIT: CanId = CanId::Base(0x712);
const UNIT_ANSWER: CanId = CanId::Base(0x77C);

fn asker() -> Asker {
    let file = DecoderFile::parse(FILE).unwrap().file;
    Asker::new(
        file.requests.into_iter().map(|r| (r, 0)).collect(),
        SPACING_NS,
    )
}

/// What it sends from now on until it waits, and until when.
fn sends(asker: &mut Asker, now_ns: i64) -> (Vec<(CanId, Vec<u8>)>, i64) {
    let mut sent = Vec::new();
    loop {
        match asker.poll(now_ns) {
            Step::Send { id, data, .. } => sent.push((id, data)),
            Step::Wait { until_ns } => return (sent, until_ns),
        }
    }
}

#[test]
fn requests_take_turns_and_keep_their_distance() {
    let mut asker = asker();
    let mut starts = Vec::new();
    for ms in 0..10_000 {
        let now = ms * MS;
        for (id, data) in sends(&mut asker, now).0 {
            starts.push(now);
            let answer: &[u8] = match id {
                OBD => &[4, 0x41, 0x0C, 0x1A, 0xF8, 0, 0, 0],
                _ => &[5, 0x62, 0x20, 0x01, 1, 2, 0, 0],
            };
            assert_eq!(data.len(), 8);
            let from = if id == OBD { OBD_ANSWER } else { UNIT_ANSWER };
            asker.on_frame(now, 0, from, answer);
        }
    }
    assert!(
        starts.windows(2).all(|w| w[1] - w[0] >= SPACING_NS),
        "{starts:?}"
    );
    assert_eq!(asker.counts().asked, 50);
    assert_eq!(asker.counts().answered, 50);
}

#[test]
fn a_long_answer_is_given_flow_control_and_its_faults_are_counted() {
    let mut asker = asker();
    assert_eq!(
        sends(&mut asker, 0).0,
        [(OBD, vec![2, 1, 0x0C, 0xCC, 0xCC, 0xCC, 0xCC, 0xCC])]
    );
    asker.on_frame(MS, 0, OBD_ANSWER, &[4, 0x41, 0x0C, 0, 0, 0, 0, 0]);
    let (sent, _) = sends(&mut asker, 200 * MS);
    assert_eq!(sent[0].0, UNIT);
    asker.on_frame(
        201 * MS,
        0,
        UNIT_ANSWER,
        &[0x10, 13, 0x62, 0x20, 0x01, 0, 0, 0],
    );
    let (sent, _) = sends(&mut asker, 201 * MS);
    assert_eq!((sent.len(), sent[0].0, sent[0].1[0]), (1, UNIT, 0x30));
    asker.on_frame(202 * MS, 0, UNIT_ANSWER, &[0x21, 0, 0, 0, 0, 0, 7, 0xD0]);
    assert_eq!(asker.counts().answered, 2);
    // The same with a part left out, and with a part that never comes.
    let first = [0x10, 20, 0x62, 0x20, 0x01, 0, 0, 0];
    for wrong in [Some([0x22, 0, 0, 0, 0, 0, 0, 0]), None] {
        let before = asker.counts().broken;
        let mut now = 400 * MS;
        while sends(&mut asker, now).0.iter().all(|(id, _)| *id != UNIT) {
            asker.on_frame(now, 0, OBD_ANSWER, &[4, 0x41, 0x0C, 0, 0, 0, 0, 0]);
            now += MS;
        }
        asker.on_frame(now, 0, UNIT_ANSWER, &first);
        sends(&mut asker, now);
        match wrong {
            Some(part) => asker.on_frame(now + MS, 0, UNIT_ANSWER, &part),
            None => drop(sends(&mut asker, now + 1_100 * MS)),
        }
        assert_eq!(asker.counts().broken, before + 1);
    }
}

#[test]
fn an_answer_without_end_is_refused_on_the_bus_too() {
    let mut asker = asker();
    sends(&mut asker, 0);
    // 100,000 bytes, announced in 32 bits.
    asker.on_frame(MS, 0, OBD_ANSWER, &[0x10, 0, 0, 1, 0x86, 0xA0, 0x41, 0x0C]);
    assert_eq!((asker.counts().broken, asker.counts().answered), (1, 0));
    let (sent, _) = sends(&mut asker, 2 * MS);
    // Overflow, to the unit that answered and not to all.
    assert_eq!(
        (sent.len(), sent[0].0, sent[0].1[0]),
        (1, CanId::Base(0x7E0), 0x32)
    );
}

#[test]
fn refusals_pending_and_silence() {
    let mut asker = asker();
    sends(&mut asker, 0);
    asker.on_frame(MS, 0, OBD_ANSWER, &[3, 0x7F, 0x01, 0x12, 0, 0, 0, 0]);
    assert_eq!(asker.counts().refused, 1);
    sends(&mut asker, 200 * MS);
    asker.on_frame(201 * MS, 0, UNIT_ANSWER, &[3, 0x7F, 0x22, 0x78, 0, 0, 0, 0]);
    // Longer than an answer may take without that word, and nothing else is asked meanwhile.
    assert_eq!(sends(&mut asker, 3_000 * MS).0, []);
    asker.on_frame(
        3_001 * MS,
        0,
        UNIT_ANSWER,
        &[5, 0x62, 0x20, 0x01, 1, 2, 0, 0],
    );
    assert_eq!((asker.counts().answered, asker.counts().silent), (1, 0));
    // Nobody there: each request is soon asked only every 10 s.
    let asked = asker.counts().asked;
    for ms in 4_000..64_000 {
        sends(&mut asker, ms * MS);
    }
    let more = asker.counts().asked - asked;
    assert!(
        (10..=24).contains(&more),
        "{more} requests to nobody in a minute"
    );
    assert!(asker.counts().silent >= more - 1);
}

#[test]
fn other_frames_are_none_of_its_business() {
    let mut asker = asker();
    let (_, until) = sends(&mut asker, 0);
    assert_eq!(until, ANSWER_WITHIN_NS);
    asker.on_frame(MS, 1, OBD_ANSWER, &[4, 0x41, 0x0C, 0, 0, 0, 0, 0]);
    asker.on_frame(MS, 0, UNIT_ANSWER, &[4, 0x41, 0x0C, 0, 0, 0, 0, 0]);
    asker.on_frame(MS, 0, OBD_ANSWER, &[3, 0x41, 0x0D, 0, 0, 0, 0, 0]);
    asker.on_frame(MS, 0, OBD_ANSWER, &[]);
    asker.on_frame(MS, 0, OBD_ANSWER, &[0x30, 0, 0]);
    assert_eq!(asker.counts().answered, 0);
    assert_eq!(asker.own_ids(), [OBD, CanId::Base(0x7E0), UNIT, UNIT]);
    assert_eq!(
        Asker::new(Vec::new(), SPACING_NS).poll(0),
        Step::Wait { until_ns: i64::MAX }
    );
}
