//! Trouble codes in answers: whoever asked, who listens can read them.

use std::collections::{BTreeMap, HashMap, HashSet};

use slipwright_decoders::decoder_file::DecoderFile;
use slipwright_decoders::frame::{BusIndex, CanId, Frame};
use slipwright_decoders::iso_tp::receiver::{Progress, Receiver, ReceiverSettings};
use slipwright_decoders::obd2::addressing::ControlUnit;
use slipwright_decoders::obd2::{CodeKind, trouble_codes_answer};
use slipwright_decoders::uds::codes_answer;

use crate::contract::check::TroubleCodesOutput;

/// The lists of OBD-II.
pub(super) const OBD_LISTS: [(CodeKind, &str); 3] = [
    (CodeKind::Confirmed, "confirmed"),
    (CodeKind::Pending, "pending"),
    (CodeKind::Permanent, "permanent"),
];

/// The list and codes of an answer; `None` if it is another message.
pub(super) fn read(message: &[u8]) -> Option<(&'static str, Vec<String>)> {
    for (kind, name) in OBD_LISTS {
        if let Ok(codes) = trouble_codes_answer(kind, message) {
            return Some((name, codes.iter().map(ToString::to_string).collect()));
        }
    }
    // The answer to a status mask does not say its format; letter and digits are the first two
    // bytes of all that road cars use.
    let list = codes_answer(message).ok()?;
    let codes = list.codes.iter().map(|(code, status)| {
        let bits: Vec<&str> = status.bits().map(|bit| bit.name()).collect();
        let text = code.to_string();
        match bits.is_empty() {
            true => text,
            false => format!("{text}: {}", bits.join(", ")),
        }
    });
    Some(("by status", codes.collect()))
}

/// Listens for answers in the frames of one capture.
pub(super) struct Heard {
    answer_ids: HashSet<CanId>,
    receivers: HashMap<(BusIndex, CanId), Receiver>,
    lists: BTreeMap<(CanId, &'static str), Vec<String>>,
}

impl Heard {
    /// Listens on the answer identifiers of OBD-II and of the decoder file's requests.
    pub(super) fn new(file: &DecoderFile) -> Self {
        Self {
            answer_ids: file.requests.iter().map(|r| r.response_id).collect(),
            receivers: HashMap::new(),
            lists: BTreeMap::new(),
        }
    }

    pub(super) fn push(&mut self, frame: &Frame<'_>) {
        let is_answer = frame.flags.carries_data()
            && (self.answer_ids.contains(&frame.id)
                || ControlUnit::from_answer(frame.id).is_some());
        if !is_answer {
            return;
        }
        let receiver = self
            .receivers
            .entry((frame.bus, frame.id))
            .or_insert_with(|| Receiver::new(ReceiverSettings::default()));
        if let Progress::Complete(message) = receiver.on_frame(frame.t_ns, frame.data).progress
            && let Some((list, codes)) = read(&message)
        {
            self.lists.insert((frame.id, list), codes);
        }
    }

    pub(super) fn finish(self) -> Vec<TroubleCodesOutput> {
        let lists = self
            .lists
            .into_iter()
            .map(|((id, list), codes)| TroubleCodesOutput {
                unit: id.to_string(),
                list,
                codes,
                why: None,
            });
        lists.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes: SAE J2012 examples P0143 (facts of the standard's form), ISO 14229-1 answer of the
    /// python-udsoncan tests: 59 02 FB, 0x123456 with status 0x20.
    #[test]
    fn answers_are_read_to_letters_and_digits() {
        assert_eq!(
            read(&[0x43, 0x01, 0x01, 0x43]),
            Some(("confirmed", vec!["P0143".to_owned()]))
        );
        assert_eq!(read(&[0x4A, 0x00]), Some(("permanent", Vec::new())));
        let (list, codes) = read(&[0x59, 0x02, 0xFB, 0x12, 0x34, 0x56, 0x20]).unwrap();
        assert_eq!(list, "by status");
        assert!(codes[0].starts_with("P1234-56"), "{codes:?}");
        assert_eq!(read(&[0x41, 0x0C, 0x00, 0x00]), None);
    }
}
